//! Two strings on one note: their lines, where both are heard apart.

use super::Engine;
use super::event::HeardPitch;
use super::event::LaterNote;
use super::event::Unison;
use super::later;
use super::several::Several;
use super::struck::SURELY;
use crate::dsp::peaks::find_peaks;
use crate::pitch::fit::MAX_TONES;
use crate::pitch::line;
use crate::pitch::line::Line;
use crate::pitch::tone::Tone;
use crate::pitch::unison;
use crate::units::Hertz;

/// Peaks that stand out of the floor by so much may be a string's.
const PEAK_RATIO: f64 = 4.0;
/// Peaks looked at, at most.
pub(super) const MAX_PEAKS: usize = 400;
/// A tone so near to an overtone of one of the two, in cents, is that.
const OVERTONE_CENTS: f64 = 10.0;
/// Lines of two strings that hold still are known to this in 98 of 100 cases, in cents; what looks like two in a
/// vibrato in 58.
const MOST_ERROR_CENTS: f64 = 3.0;

/// The stretch at the end that tells whether a string came to the note of another, a third of the strike at most, in
/// seconds.
const REACHED_S: f64 = 0.4;
/// What a string came to is known no better, in cents: half of errors lie within 1.5, 95 % within 8.
const REACHED_ERROR_CENTS: f64 = 4.0;
/// Which of its partials tells when.
const N_PARTIALS: usize = 8;

impl Engine {
    /// Which of the notes that `lines` are of are two strings, and where these lie; the spectra made last are those
    /// the lines were drawn in.
    pub(super) fn part_unisons(&mut self, lines: &[Line]) -> [Option<[Unison; 2]>; MAX_TONES] {
        let tones = Several::of(lines.iter().map(|line| line.tone));
        find_peaks(&self.spectrum, PEAK_RATIO, &mut self.peaks);
        let mut unisons = [None; MAX_TONES];
        for (t, slot) in unisons.iter_mut().enumerate().take(tones.len()) {
            let pair = unison::part(&self.peaks, self.spectrum.width_hz, &tones, t);
            *slot = pair.and_then(|pair| self.draw_unison(pair, &tones, t));
        }
        unisons
    }

    /// The lines of the `pair` of strings that `tones[t]` is.
    fn draw_unison(&mut self, pair: [Tone; 2], tones: &[Tone], t: usize) -> Option<[Unison; 2]> {
        let is_part =
            |tone: &Tone| pair.iter().any(|of| unison::is_overtone(tone, of, OVERTONE_CENTS));
        let others = tones.iter().enumerate().filter(|(i, tone)| *i != t && !is_part(tone));
        let all = Several::of(pair.into_iter().chain(others.map(|(_, tone)| *tone)));
        let spectra = [&self.spectrum, &self.flat];
        let (lines, _) = line::draw(spectra, None, &mut self.fitter, None, &all);
        if lines[1].tone.cents_from(&lines[0].tone) < unison::LEAST_CENTS {
            return None;
        }
        if lines[..2].iter().any(|line| line.error_cents() > MOST_ERROR_CENTS) {
            return None;
        }
        let [low, high] = [&lines[0], &lines[1]].map(|line| {
            let frequency = Hertz::new(line.tone.f1)?;
            Some(Unison { frequency, error_cents: line.error_cents() })
        });
        Some([low?, high?])
    }

    /// Adds to `strike.later` the strings that came to the note of another by `end`, as in a bend up to a string that
    /// is held, and are a little off it. They came later than `from`.
    pub(super) fn tell_unisons(&mut self, from: u64, end: u64) {
        let tones = self.previous;
        let struck = Several::of(self.strike.notes.iter().map(HeardPitch::tone));
        if struck.iter().all(|tone| tones.iter().any(|t| t.is_note_of(tone))) {
            return;
        }
        let begun = self.open.map_or(from, |open| open.onset);
        let length = self.samples(REACHED_S).min((end - begun) / 3);
        let range = self.stretch(end - length, end);
        self.transformer.transform(&self.stream[range], &mut self.spectrum);
        find_peaks(&self.spectrum, PEAK_RATIO, &mut self.peaks);
        for (t, tone) in tones.iter().enumerate() {
            let held = struck.iter().find(|held| tone.is_note_of(held));
            let pair = unison::part(&self.peaks, self.spectrum.width_hz, &tones, t);
            if let (Some(held), Some(mut pair)) = (held, pair) {
                pair.sort_by(|a, b| away(a, held).total_cmp(&away(b, held)));
                self.tell_reached(from, end, pair);
            }
        }
    }

    /// Adds the second of two strings, which came to the note of the first.
    fn tell_reached(&mut self, from: u64, end: u64, [held, reached]: [Tone; 2]) {
        let hz = reached.partial(N_PARTIALS);
        let apart_hz = (hz - held.partial(N_PARTIALS)).abs();
        let start = self.reached(from, end, (hz, apart_hz));
        let told = self.beside(&reached, REACHED_ERROR_CENTS, 0.0, SURELY);
        let Some(pitch) = told.map(|told| HeardPitch { likely: true, ..told }) else { return };
        let later = LaterNote { pitch, start: self.outside(start) };
        let mut known = self.strike.later.iter().map(|later| later.pitch.tone());
        match known.position(|tone| tone.is_note_of(&held)) {
            Some(i) => self.strike.later[i] = later,
            None if self.strike.later.len() < later::MOST => self.strike.later.push(later),
            None => {}
        }
    }
}

fn away(tone: &Tone, from: &Tone) -> f64 {
    tone.cents_from(from).abs()
}
