//! Grace notes: what a string sounded in the first moments of a strike, before a hammer-on, a pull-off or a slide took
//! it to the note that is told.
//!
//! A string is loudest when it is plucked. Where partials of the notes told are soft at first, the notes are fitted
//! to that moment each where it is and up to a fourth below or above, all together: what leaves least
//! of the spectrum over is what sounded.
//! **Limits.** What is over within some 40 ms goes unheard.

use std::ops::Range;
use std::ops::RangeInclusive;

use super::Engine;
use super::event::Grace;
use super::event::HeardPitch;
use super::several::Several;
use super::steady::is_apart;
use crate::dsp::spectrum::Spectrum;
use crate::dsp::spectrum::magnitude;
use crate::pitch::fit::Fitter;
use crate::pitch::fit::MAX_TONES;
use crate::pitch::tone::Tone;
use crate::units::Hertz;

/// Length of the stretches looked at: it parts a semitone from 900 Hz on.
const LENGTH_S: f64 = 0.045;
/// The first of them begins so long after the onset, the one before it so long before, …
const FIRST_S: f64 = 0.005;
const BEFORE_S: f64 = 0.006;
/// … and those that hold the notes themselves.
const LATER_S: [f64; 2] = [0.13, 0.28];
/// When the strings had moved on is told to this, and looked for up to here, after the onset.
const STEP_S: f64 = 0.01;
const MOVED_S: f64 = 0.25;
/// Partials that tell whether a note is soft at first: the lowest so many of this range, in hertz,
/// that lie apart from those of other notes, where there are such.
const TELLING_HZ: RangeInclusive<f64> = 600.0..=4000.0;
const N_TELLING: usize = 3;
/// It is soft where they are by this, by power, on the mean, any of them within a hundred: of plain strikes one in
/// ten has such a note.
const SOFT: f64 = 0.63;
const LEAST: f64 = 0.01;
/// Notes are looked for up to so many semitones away.
const REACH: i32 = 5;
/// The spectrum is looked at in this range, in hertz.
const FITTED_HZ: Range<f64> = 300.0..4000.0;
/// A semitone farther away has to explain so much more of the spectrum: nearly all grace notes lie within a whole tone
/// (common practice).
const FARTHER: f64 = 0.005;
/// A note that began elsewhere explains so much more of the spectrum there. Of plain strikes one in 700 has such a note.
const CLEARLY: f64 = 0.03;
/// … and is louder by this, all its partials together, than what sounded there before the strike.
const STRUCK: f64 = 1.2;

/// So many semitones below or above where it is told each note began.
type Semitones = [i32; MAX_TONES];

impl Engine {
    /// Tells which notes of the strike at `onset`, heard up to `end`, began as others.
    pub(super) fn tell_graces(&mut self, onset: u64, end: u64) {
        let tones = Several::of(self.strike.notes.iter().map(HeardPitch::tone));
        let is_soft = |t: usize| t < tones.len() && self.is_soft_at_first(&tones, t, onset, end);
        let soft: [bool; MAX_TONES] = std::array::from_fn(is_soft);
        if !soft.contains(&true) {
            return;
        }
        let first = onset + self.samples(FIRST_S);
        self.look_at(first);
        let mut moment = Moment::new(&self.attack, &mut self.fitter, &tones);
        let (began, left_over) = moment.best();
        let is_clear = |t: usize| {
            t < tones.len() && began[t] != 0 && moment.without(t, &began) > left_over + CLEARLY
        };
        let clear: [bool; MAX_TONES] = std::array::from_fn(is_clear);
        let now = moment.magnitudes(&began);
        let before = self.magnitudes_before(onset, &tones, &began);
        let last = end.min(onset + self.samples(MOVED_S)) - self.samples(LENGTH_S);
        let moved = self.moved_at(first..last, &tones, &began);
        let until = self.outside(moved.unwrap_or(first));
        for t in (0..tones.len()).filter(|&t| soft[t] || began[t] != 0) {
            let is_heard = clear[t] && now[t] > STRUCK * before[t];
            let frequency = Hertz::new(moved_by(&tones[t], began[t]).f1).filter(|_| is_heard);
            self.strike.notes[t].grace = Some(Grace { frequency, until });
        }
    }

    /// Whether tone `t` is softer at the onset than later.
    fn is_soft_at_first(&self, tones: &[Tone], t: usize, onset: u64, end: u64) -> bool {
        let length = self.samples(LENGTH_S);
        let later = LATER_S.map(|s| onset + self.samples(s));
        if later[0] + length > end {
            return false;
        }
        let all = || (1..).map(|n| tones[t].partial(n)).take_while(|hz| hz < TELLING_HZ.end());
        let high = || all().filter(|hz| hz > TELLING_HZ.start());
        let any_apart = high().any(|hz| is_apart(tones, t, hz));
        let (mut n, mut sum) = (0, 0.0);
        for hz in high().filter(|&hz| !any_apart || is_apart(tones, t, hz)).take(N_TELLING) {
            let later = later.iter().filter(|&&from| from + length <= end);
            let later = later.map(|&from| self.power_at(hz, from, length)).fold(0.0, f64::max);
            let first = self.power_at(hz, onset + self.samples(FIRST_S), length);
            if later > 0.0 {
                (n, sum) = (n + 1, sum + (first / later).clamp(LEAST, 2.0).ln());
            }
        }
        n > 0 && sum < f64::from(n) * SOFT.ln()
    }

    /// Keeps the spectrum of the stretch that begins at `from` in `attack`.
    fn look_at(&mut self, from: u64) {
        let stretch = self.stretch(from, from + self.samples(LENGTH_S));
        self.transformer.transform(&self.stream[stretch], &mut self.attack);
    }

    /// Magnitudes, just before `onset`, of what `tones` began as; none where nothing is known of it.
    fn magnitudes_before(
        &mut self,
        onset: u64,
        tones: &Several,
        began: &Semitones,
    ) -> [f64; MAX_TONES] {
        let from = onset.checked_sub(self.samples(LENGTH_S + BEFORE_S));
        let Some(from) = from.filter(|&from| from >= self.stream_start) else {
            return [0.0; MAX_TONES];
        };
        self.look_at(from);
        Moment::new(&self.attack, &mut self.fitter, tones).magnitudes(began)
    }

    /// When `tones` explain more than what they began as, in stretches that begin within `range`.
    fn moved_at(&mut self, range: Range<u64>, tones: &Several, began: &Semitones) -> Option<u64> {
        { range }.step_by(self.samples(STEP_S).max(1) as usize).find_map(|from| {
            self.look_at(from);
            let mut moment = Moment::new(&self.attack, &mut self.fitter, tones);
            let has_moved = moment.left_over(&[0; MAX_TONES]) < moment.left_over(began);
            has_moved.then_some(from + self.samples(0.5 * LENGTH_S))
        })
    }
}

/// Notes fitted to a moment, each where it ends or so many semitones from there.
struct Moment<'a> {
    spectrum: &'a Spectrum,
    fitter: &'a mut Fitter,
    tones: &'a Several,
    looked_at: Range<usize>,
    whole: f64,
}

impl<'a> Moment<'a> {
    fn new(spectrum: &'a Spectrum, fitter: &'a mut Fitter, tones: &'a Several) -> Self {
        let bin = |hz: f64| ((hz / spectrum.bin_hz) as usize).min(spectrum.bins.len());
        let looked_at = bin(FITTED_HZ.start)..bin(FITTED_HZ.end);
        let whole =
            spectrum.bins[looked_at.clone()].iter().map(|bin| bin.norm_sqr().sqrt()).sum::<f32>();
        Self { spectrum, fitter, tones, looked_at, whole: f64::from(whole) + 1e-12 }
    }

    fn fit(&mut self, began: &Semitones) {
        let moved = self.tones.iter().zip(began).map(|(tone, &by)| moved_by(tone, by));
        self.fitter.fit(self.spectrum, &Several::of(moved), 0);
    }

    /// Share of the magnitudes that is left over of the spectrum, and what so many semitones cost.
    fn left_over(&mut self, began: &Semitones) -> f64 {
        self.fit(began);
        self.fitter.subtract(self.spectrum);
        let left_over = &self.fitter.residual()[self.looked_at.clone()];
        let left_over = left_over.iter().map(|bin| bin.norm_sqr().sqrt()).sum::<f32>();
        let far: i32 = began.iter().map(|by| by.abs()).sum();
        f64::from(left_over) / self.whole + FARTHER * f64::from(far)
    }

    /// Magnitudes of every note, all its partials together.
    fn magnitudes(&mut self, began: &Semitones) -> [f64; MAX_TONES] {
        self.fit(began);
        let mut sums = [0.0; MAX_TONES];
        for partial in self.fitter.partials().iter().filter(|p| FITTED_HZ.contains(&p.hz)) {
            sums[partial.tone] += magnitude(partial.amplitude);
        }
        sums
    }

    /// Where all notes began, and what that leaves over: a double stop is tried in all ways; of more notes first the one
    /// that explains most by having moved, then the next beside it.
    fn best(&mut self) -> (Semitones, f64) {
        let mut best = ([0; MAX_TONES], self.left_over(&[0; MAX_TONES]));
        let better = |a: (Semitones, f64), b: (Semitones, f64)| if b.1 < a.1 { b } else { a };
        if self.tones.len() == 2 {
            for lower in -REACH..=REACH {
                let mut began = [0; MAX_TONES];
                began[0] = lower;
                best = better(best, self.improved(1, &began));
            }
            return best;
        }
        for _ in 0..self.tones.len() {
            let found = best;
            for t in 0..self.tones.len() {
                best = better(best, self.improved(t, &found.0));
            }
            if best.1 >= found.1 {
                break;
            }
        }
        best
    }

    /// What is left over if note `t` never moved, each of the others by itself beginning wherever it fits best.
    fn without(&mut self, t: usize, began: &Semitones) -> f64 {
        let mut still = *began;
        still[t] = 0;
        let alone = self.left_over(&still);
        let others = (0..self.tones.len()).filter(|&other| other != t);
        let left_over = others.map(|other| self.improved(other, &still).1);
        left_over.fold(alone, f64::min)
    }

    /// The best of `began` with all ways of note `t`.
    fn improved(&mut self, t: usize, began: &Semitones) -> (Semitones, f64) {
        let ways = (-REACH..=REACH).map(|by| {
            let mut began = *began;
            began[t] = by;
            (began, self.left_over(&began))
        });
        { ways }.min_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((*began, f64::INFINITY))
    }
}

/// `tone` so many semitones higher.
fn moved_by(tone: &Tone, semitones: i32) -> Tone {
    Tone { f1: tone.f1 * (f64::from(semitones) / 12.0).exp2(), ..*tone }
}
