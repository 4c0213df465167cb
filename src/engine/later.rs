//! Where a strike led: what sounds at its end and did not at its beginning, as after a slide, a bend
//! or a soft hammer-on.

use std::f64::consts::TAU;

use super::DAMPED;
use super::Engine;
use super::SKIP_S;
use super::beside::SHADOW_ERROR_CENTS;
use super::event::HeardPitch;
use super::event::LaterNote;
use super::several::Several;
use crate::dsp::spectrum::line_at;
use crate::pitch::estimate::LEAST_FAINT;
use crate::pitch::fit::MAX_TONES;
use crate::pitch::tone::Tone;
use crate::units::Decibels;

/// The stretch at the end that tells where a slide or a bend led, half of a strike at most, and the shortest
/// that tells it.
const LATER_S: f64 = 0.16;
const LEAST_LATER_S: f64 = 0.1;
/// So much softer, by power, a note has perhaps given way to another. If what sounds at the end came more than this
/// after that, in seconds, something else sounded in between, but for so much of it on the way.
const PERHAPS_GONE: f64 = 0.1;
const BETWEEN_S: f64 = 0.15;
const MOVING_S: f64 = 0.06;
/// A strike is damped where it falls below [`DAMPED`] within this, in seconds.
const DAMPED_S: f64 = 0.2;
/// A tone holds where it is no more than so much softer, by power, at either end.
const HOLDS: f64 = 0.1;
/// Of so long a stretch, in seconds, what moves at its end is told all the same.
const AGAIN_S: f64 = 2.0;
/// No more of them than this are told of one strike.
pub(super) const MOST: usize = 2 * MAX_TONES;
/// Stretches that tell when it was reached, and how many widths of theirs part two lines.
const REACHED_S: f64 = 0.06;
const REACHED_WIDTHS: f64 = 2.0;
/// From fret to fret a partial moves by this share; so many frets what is new is told from where it came from (most
/// slides and bends go a whole tone), and what comes back from where it went.
const FRET: f64 = 0.059;
const NEW_FRETS: f64 = 2.0;
const BACK_FRETS: f64 = 1.0;

/// A stretch of a strike that goes on.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    from: u64,
    /// What was to be heard at its beginning.
    sounded: Several,
}

impl Stretch {
    fn has(&self, tone: &Tone) -> bool {
        self.sounded.iter().any(|other| tone.is_note_of(other))
    }
}

impl Engine {
    /// Fills `strike.later` from what was struck at `onset` and sounds until `end`, and remembers what sounds there for
    /// the strike to come. Where that `goes_on` what is on the move will be looked at once more.
    pub(super) fn listen_to_the_end(&mut self, onset: u64, end: u64, goes_on: bool) {
        let notes = self.strike.notes.iter().chain(&self.strike.doubtful);
        self.sounded = Several::of(notes.map(HeardPitch::tone));
        if let Some(open) = &mut self.open {
            open.listened = onset;
        }
        let (length, begin) = (end.saturating_sub(onset), onset + self.samples(SKIP_S));
        // Hardly any short strike leads anywhere: what holds need not be heard once more.
        let is_short = length < 2 * self.samples(LATER_S);
        if length < 2 * self.samples(LEAST_LATER_S)
            || is_short && self.sounded.iter().all(|tone| self.holds(tone, begin, end))
        {
            self.previous = self.found();
        } else {
            self.listen_on(end, goes_on);
        }
    }

    /// Listens on to a strike that was told as a whole, from as far as it was listened to.
    pub(super) fn listen_further(&mut self, end: u64, goes_on: bool) {
        let from = self.open.map_or(end, |open| open.listened);
        let n_told = self.strike.later.len();
        let end = self.damped_at(from, end).unwrap_or(end);
        if end >= from + 2 * self.samples(LATER_S) {
            self.listen_on(end, goes_on);
        }
        if let Some(open) = &mut self.open {
            open.led |= self.strike.later.len() > n_told;
        }
    }

    /// When what sounds at `from` is damped, if it is before `end`: it dies away sooner than strings do, and leaves only
    /// noise behind.
    fn damped_at(&self, from: u64, end: u64) -> Option<u64> {
        let block = self.samples(DAMPED_S / 4.0).max(1);
        let power = |from: u64| {
            let samples = &self.stream[self.stretch(from, from + block)];
            samples.iter().map(|s| s * s).sum::<f32>()
        };
        let blocks = (from + 4 * block..(end + 1).saturating_sub(block)).step_by(block as usize);
        let mut ends = blocks.filter(|&at| power(at) < DAMPED * power(at - 4 * block));
        ends.next()
    }

    /// Adds to `strike.later` what sounds at `end`, and what came and went before.
    fn listen_on(&mut self, end: u64, goes_on: bool) {
        let Some(open) = &mut self.open else { return };
        let stretch = Stretch { from: open.listened, sounded: self.sounded };
        let length = self.samples(LATER_S).min((end - stretch.from) / 2);
        let to = end - self.samples(0.02);
        self.estimate(self.stretch(to - length, to));
        self.previous = self.found();
        let is_moving = |tone: &Tone| !self.holds(tone, to - length, to);
        if goes_on
            && end - stretch.from < self.samples(AGAIN_S)
            && self.previous.iter().any(is_moving)
        {
            return;
        }
        let n_known = self.strike.later.len();
        let next = self.tell_found(&stretch, to);
        let begin = stretch.from + self.samples(SKIP_S);
        if let Some(next) = next
            && let Some(gone) = self.gone_at(&stretch.sounded, begin, end, PERHAPS_GONE)
            && next > gone + self.samples(BETWEEN_S)
        {
            let spare = (next - gone).saturating_sub(length).max(self.samples(MOVING_S)) / 2;
            self.estimate(self.stretch(gone + spare, next - spare));
            self.tell_found(&stretch, next - spare);
        }
        self.tell_unisons(stretch.from, to);
        self.strike.later[n_known..].sort_unstable_by_key(|later| later.start);
        self.sounded = self.previous;
        if let Some(open) = &mut self.open {
            open.listened = end;
        }
    }

    /// Adds what was found last, up to `end`, if the stretch led there, and gives when the first of it was reached.
    fn tell_found(&mut self, stretch: &Stretch, end: u64) -> Option<u64> {
        let mut first = None;
        for i in 0..self.estimator.found().len() {
            let found = &self.estimator.found()[i];
            let (tone, power, log_odds) =
                (found.fitted.tone, found.fitted.power, found.evidence.log_odds);
            let error_cents = Some(found.fitted.error_cents).filter(|e| e.is_finite());
            let level = Decibels(10.0 * (power + 1e-15).log10());
            let later = self.beside(&tone, SHADOW_ERROR_CENTS, 0.0, log_odds);
            let later = later.map(|later| HeardPitch { error_cents, level, likely: true, ..later });
            let start = self.tell_later(stretch, end, tone, later, !stretch.has(&tone));
            first = first.into_iter().chain(start).min();
        }
        for i in 0..self.estimator.faint().len() {
            let faint = self.estimator.faint()[i];
            if faint.log_odds >= LEAST_FAINT && !stretch.has(&faint.tone) {
                let later = self.beside(&faint.tone, SHADOW_ERROR_CENTS, 0.0, faint.log_odds);
                self.tell_later(stretch, end, faint.tone, later, false);
            }
        }
        first
    }

    /// Tells a note heard up to `end`, if it is new or was reached late: one that came half-way shows in the main
    /// stretch too. Gives when.
    fn tell_later(
        &mut self,
        stretch: &Stretch,
        end: u64,
        tone: Tone,
        later: Option<HeardPitch>,
        is_new: bool,
    ) -> Option<u64> {
        let frets = if is_new { NEW_FRETS } else { BACK_FRETS };
        let start = self.reached(stretch.from, end, self.apart_hz(&tone, frets));
        let is_late = start >= stretch.from + self.samples(0.12);
        let pitch = later.filter(|_| is_new || is_late)?;
        if self.strike.later.len() < MOST {
            self.strike.later.push(LaterNote { pitch, start: self.outside(start) });
        }
        Some(start)
    }

    /// Whether `tone` sounds from `begin` to `end`: neither does it end there nor begin.
    fn holds(&self, tone: &Tone, begin: u64, end: u64) -> bool {
        let (hz, apart_hz) = self.apart_hz(tone, BACK_FRETS);
        let length = self.samples((REACHED_WIDTHS / apart_hz).clamp(REACHED_S, 0.5 * LATER_S));
        let [first, last] =
            [begin, end.saturating_sub(length)].map(|from| self.power_at(hz, from, length));
        first.min(last) > HOLDS * first.max(last)
    }

    /// The lowest partial of `tone` that 60 ms can tell from all partials of the notes that sounded
    /// first and from its own `frets` away, or the one that lies farthest from them, in hertz; and how far that is.
    fn apart_hz(&self, tone: &Tone, frets: f64) -> (f64, f64) {
        let sounded = || {
            let other = |note: &&HeardPitch| !tone.is_note_of(&note.tone());
            self.strike.notes.iter().filter(other).map(HeardPitch::tone)
        };
        let gap = |hz: f64| {
            let nearest = |other: Tone| (hz - other.partial(other.nearest_partial(hz))).abs();
            sounded().map(nearest).fold(frets * FRET * hz, f64::min)
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
    pub(super) fn reached(&self, from: u64, end: u64, (hz, apart_hz): (f64, f64)) -> u64 {
        let length = self.samples((REACHED_WIDTHS / apart_hz).clamp(REACHED_S, LATER_S));
        let step = self.samples(0.01).max(1);
        let power = |from: u64| self.power_at(hz, from, length);
        let last = end.saturating_sub(length + self.samples(0.02)).max(from);
        let half = 0.25 * power(last);
        let mut at = last;
        while at > from + step && power(at - step) > half {
            at -= step;
        }
        if at <= from + 2 * step { from } else { at + length / 2 }
    }

    /// Power of what sounds at `hz` in `length` samples from `from` on.
    pub(super) fn power_at(&self, hz: f64, from: u64, length: u64) -> f64 {
        let samples = &self.stream[self.stretch(from, from + length)];
        line_at(samples, TAU * hz / self.rate).norm_sqr()
    }
}
