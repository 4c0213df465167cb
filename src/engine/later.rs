//! Where a strike led: what sounds at its end and did not at its beginning, as after a slide, a bend
//! or a soft hammer-on.

use std::f64::consts::TAU;

use super::Engine;
use super::beside::SHADOW_ERROR_CENTS;
use super::event::HeardPitch;
use super::event::LaterNote;
use crate::dsp::spectrum::line_at;
use crate::pitch::estimate::LEAST_FAINT;
use crate::pitch::tone::Tone;
use crate::units::Decibels;

/// The stretch at the end that tells where a slide or a bend led.
const LATER_S: f64 = 0.16;
/// Stretches that tell when it was reached, and how many widths of theirs part two lines.
const REACHED_S: f64 = 0.06;
const REACHED_WIDTHS: f64 = 2.0;

impl Engine {
    /// Fills `strike.later`, and remembers what sounds at the end for the strike to come.
    pub(super) fn listen_to_the_end(&mut self, onset: u64, end: u64) {
        let length = self.samples(LATER_S);
        let heard_for = end.saturating_sub(onset);
        if heard_for < 2 * length {
            self.previous = self.found();
            return;
        }
        let to = end - self.samples(0.02);
        let range = self.stretch(to - length, to);
        self.estimate(range);
        self.previous = self.found();
        for i in 0..self.estimator.found().len() {
            let found = &self.estimator.found()[i];
            let (tone, power, log_odds) =
                (found.fitted.tone, found.fitted.power, found.evidence.log_odds);
            let error_cents = Some(found.fitted.error_cents).filter(|e| e.is_finite());
            let level = Decibels(10.0 * (power + 1e-15).log10());
            let later = self.beside(&tone, SHADOW_ERROR_CENTS, 0.0, log_odds);
            let later = later.map(|later| HeardPitch { error_cents, level, likely: true, ..later });
            self.tell_later(onset, end, tone, later, !self.sounded(&tone));
        }
        for i in 0..self.estimator.faint().len() {
            let faint = self.estimator.faint()[i];
            if faint.log_odds >= LEAST_FAINT && !self.sounded(&faint.tone) {
                let later = self.beside(&faint.tone, SHADOW_ERROR_CENTS, 0.0, faint.log_odds);
                self.tell_later(onset, end, faint.tone, later, false);
            }
        }
    }

    /// Whether `tone` was heard after the strike.
    fn sounded(&self, tone: &Tone) -> bool {
        let mut notes = self.strike.notes.iter().chain(&self.strike.doubtful);
        notes.any(|note| tone.is_note_of(&Tone::at(note.frequency.get())))
    }

    /// Tells a note heard at the end, if it is new or was reached late: one that came half-way shows in the main
    /// stretch too.
    fn tell_later(
        &mut self,
        onset: u64,
        end: u64,
        tone: Tone,
        later: Option<HeardPitch>,
        is_new: bool,
    ) {
        let start = self.reached(onset, end, self.apart_hz(&tone));
        let is_late = start >= onset + self.samples(0.12);
        if let Some(pitch) = later.filter(|_| is_new || is_late)
            && self.strike.later.len() < self.strike.later.capacity()
        {
            self.strike.later.push(LaterNote { pitch, start: self.outside(start) });
        }
    }

    /// The lowest partial of `tone` that 60 ms can tell from all partials of the notes that sounded
    /// first, or the one that lies farthest from them, in hertz; and how far that is.
    fn apart_hz(&self, tone: &Tone) -> (f64, f64) {
        let sounded = || {
            let other = |note: &&HeardPitch| !tone.is_note_of(&Tone::at(note.frequency.get()));
            self.strike.notes.iter().filter(other).map(|note| Tone::at(note.frequency.get()))
        };
        let gap = |hz: f64| {
            let nearest = |other: Tone| {
                let m = (hz / other.f1).round().max(1.0) as usize;
                (hz - other.partial(m)).abs()
            };
            sounded().map(nearest).fold(tone.f1, f64::min)
        };
        let partials = || (1..=8).map(|n| tone.partial(n)).map(|hz| (hz, gap(hz)));
        let farthest = || partials().max_by(|a, b| a.1.total_cmp(&b.1));
        partials()
            .find(|&(_, gap)| gap > REACHED_WIDTHS / REACHED_S)
            .or_else(farthest)
            .unwrap_or((tone.f1, tone.f1))
    }

    /// When the partial at `hz`, `apart_hz` from all others, began to sound as loud as it does at the
    /// end, to 10 ms.
    fn reached(&self, onset: u64, end: u64, (hz, apart_hz): (f64, f64)) -> u64 {
        let length = self.samples((REACHED_WIDTHS / apart_hz).clamp(REACHED_S, LATER_S));
        let step = self.samples(0.01).max(1);
        let power = |from: u64| {
            let samples = &self.stream[self.stretch(from, from + length)];
            line_at(samples, TAU * hz / self.rate).norm_sqr()
        };
        let last = end.saturating_sub(length + self.samples(0.02)).max(onset);
        let half = 0.25 * power(last);
        let mut at = last;
        while at > onset + step && power(at - step) > half {
            at -= step;
        }
        if at <= onset + 2 * step { onset } else { at + length / 2 }
    }
}
