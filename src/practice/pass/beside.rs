//! Beside a click: which step a strike is in time for, and what goes on without the player.
//!
//! **What.** A player is with the click, or as late as with the strike before: who comes in a beat late and stays so,
//! rushes or drags is followed like one who jumps between steps at his own pace, and so is one who is in again
//! after a rest.
//! **Conventions.** Lateness is in samples; *bare* is without any delay. Off is how far out of time a strike is, as a
//! share of the way to the neighbouring step: up to a half it is in time.

use super::Delay;
use super::LAST_STRIKE_S;
use super::Pace;
use super::Pass;
use super::Told;
use super::Try;
use crate::lick::expected::ExpectedStep;
use crate::practice::alignment::Place;
use crate::practice::timing::MIN_STRIKES;
use crate::practice::timing::estimated_delay;
use crate::practice::verdict::Verdict;
use crate::units::SampleIndex;

/// Taken for the delay until there are strikes to estimate it from, in seconds.
const GUESSED_DELAY_S: f64 = 0.04;
/// No delay is longer, in seconds: what is comes of the player (wireless headphones take 0.1 to 0.3; common practice).
const LONGEST_DELAY_S: f64 = 0.3;
/// How long after a strike the first guess comes, with a margin, in seconds.
const FIRST_GUESS_S: f64 = 0.15;
/// What a click is followed by before the pass is over, in seconds.
const TAIL_S: f64 = 0.5;
/// Who was late stays so sooner than being with the click again, which is off by so much of the way back to it.
const BACK: f64 = 0.2;
/// Off by more than this a strike is out of time for a step.
const IN_TIME: f64 = 0.5;
/// Who is out of time is believed to mean a step if more than half of it is there, in the unit of
/// [`crate::practice::matching::Match::distance`].
const LIKE: f64 = 0.4;

/// When a strike came, and how much later than they are due clicks are heard: so much is reckoned once a strike.
#[derive(Debug, Clone, Copy)]
pub(super) struct Instant {
    onset: SampleIndex,
    delay: f64,
}

impl Pass {
    /// Every strike's lateness against the bare click, in samples, for the pass that follows; what no delay explains
    /// less the whole beats in it. Those on the beat alone, if they are enough: others are late where they are swung.
    pub fn lateness(&self) -> Vec<f64> {
        let mut lateness = self.lateness.clone();
        if self.manner.pace == Pace::Click {
            let late = |(index, found): (usize, &Option<Try>)| {
                Some((index, self.bare_lateness(index, found.as_ref()?.onset)?))
            };
            let tries = || self.tries.iter().enumerate().filter_map(late);
            let is_on_beat = |&(index, _): &(usize, f64)| !self.steps[index].is_off_beat;
            let go_by_beats = tries().filter(is_on_beat).count() >= MIN_STRIKES;
            let struck = tries().filter(|late| !go_by_beats || is_on_beat(late)).map(|late| late.1);
            let beat = self.samples(self.manner.beat_s);
            let delay = -0.5 * beat..=self.samples(LONGEST_DELAY_S);
            lateness.extend(struck.map(|late| match delay.contains(&late) {
                true => late,
                false => late - beat * (late / beat).round(),
            }));
        }
        lateness
    }

    /// How late a strike at `start_s` of the pass is for step `number`, in milliseconds; `None`
    /// without a click, and while the delay is neither measured nor to be estimated.
    pub fn late_ms(&self, number: usize, start_s: f64) -> Option<f64> {
        if self.manner.pace == Pace::Free {
            return None;
        }
        let step = self.steps.iter().find(|step| step.number == number)?;
        let late = self.samples(start_s) - self.bare_click(step)? - self.known_delay()?;
        Some(1000.0 * late / f64::from(self.manner.rate.get()))
    }

    /// The middle lateness so far, in samples.
    pub fn estimated_delay(&self) -> Option<f64> {
        estimated_delay(&self.lateness())
    }

    /// Whether it is not known yet when the clicks come.
    pub(super) fn is_timeless(&self) -> bool {
        self.manner.pace == Pace::Click && self.origin.is_none()
    }

    /// The step most in time, unless it was struck already: that is told once more is known.
    pub(super) fn place_by_click(&self, onset: SampleIndex) -> Place {
        if self.is_timeless() {
            return Place::Nothing;
        }
        let at = self.instant(onset);
        let ways = (0..self.steps.len()).map(|to| (to, self.way(at, self.due, to, 0.0)));
        let nearest = ways.min_by(|a, b| a.1.0.total_cmp(&b.1.0));
        let is_open = |&(to, (_, from)): &(usize, (f64, usize))| {
            self.tries[to].is_none() && self.off(at, Some(from), to) <= IN_TIME
        };
        nearest.filter(is_open).map_or(Place::Nothing, |(to, _)| Place::Step(to))
    }

    pub(super) fn instant(&self, onset: SampleIndex) -> Instant {
        Instant { onset, delay: self.delay() }
    }

    /// What it costs that step `to` was struck then, the strike before being that of step `from`.
    pub(super) fn out_of_time(&self, at: Instant, from: Option<usize>, to: usize) -> f64 {
        let [click, before] = self.offs(at, from, to).map(|off| off.min(1.0));
        self.jump_to(to) * before.min(click + BACK * before)
    }

    /// Whether what was struck then, so far from step `to`, is out of time for it and too little of it.
    pub(super) fn is_astray(
        &self,
        onset: SampleIndex,
        from: Option<usize>,
        to: usize,
        distance: f64,
    ) -> bool {
        distance > LIKE && self.off(self.instant(onset), from, to) > IN_TIME
    }

    /// Goes on with the click, as late as the player is.
    pub(super) fn follow_click(&mut self, now: SampleIndex, told: &mut Vec<Told>) {
        let Some(origin) = self.origin else { return };
        let (now, delay) = (now.0 as f64, self.delay());
        let behind = self.behind(delay);
        let before = self.due;
        while self.due < self.steps.len() {
            let index = self.due;
            let click = self.bare_click(&self.steps[index]).expect("there is an origin") + delay;
            let until = click + behind + self.reach_of(index, true) + self.samples(FIRST_GUESS_S);
            if self.tries[index].is_none() {
                if now < until {
                    break;
                }
                told.push(Told::Missed(self.steps[index].number));
            }
            self.due += 1;
        }
        if self.due != before {
            told.push(Told::Due(self.due()));
        }
        let beats = |beats: f64| self.samples((beats - self.first_beats) * self.manner.beat_s);
        let last = self.steps.last().map_or(self.first_beats, |step| step.start_beats);
        let ends = (beats(self.end_beats) + self.samples(TAIL_S))
            .max(beats(last) + self.samples(LAST_STRIKE_S));
        let ends = origin + delay + ends;
        let ends = match self.tries.last() {
            Some(Some(last)) => ends.max(last.onset.0 as f64 + self.samples(LAST_STRIKE_S)),
            _ => ends + behind,
        };
        if now > ends {
            self.end(SampleIndex(now as u64), told);
        }
    }

    /// How late the last strike was, 0 if it was early; later than the lick is long is no lateness.
    fn behind(&self, delay: f64) -> f64 {
        let last = self.follower.last();
        let late = last.and_then(|(index, onset)| self.bare_lateness(index?, onset));
        let most = self.samples((self.end_beats - self.first_beats) * self.manner.beat_s);
        late.map_or(0.0, |late| (late - delay).clamp(0.0, most))
    }

    /// Whether what was struck at `onset` of step `index` came before and nearer to its click.
    pub(super) fn is_repeated(&self, index: usize, onset: SampleIndex, before: &Try) -> bool {
        let off = |onset| self.bare_lateness(index, onset).map(|bare| (bare - self.delay()).abs());
        before.judgement.verdict == Verdict::Right && off(before.onset) <= off(onset)
    }

    /// How far out of time a strike is for step `to`, the strike before being that of step `from`.
    fn off(&self, at: Instant, from: Option<usize>, to: usize) -> f64 {
        let [click, before] = self.offs(at, from, to);
        click.min(before)
    }

    /// How far off it is for one who is with the click, and for one who is as late as with the strike before.
    fn offs(&self, at: Instant, from: Option<usize>, to: usize) -> [f64; 2] {
        let Some(bare) = self.bare_lateness(to, at.onset) else { return [f64::INFINITY; 2] };
        let before = self.follower.last().zip(from);
        let before = before.and_then(|((_, onset), from)| self.bare_lateness(from, onset));
        let share = |late: f64| IN_TIME * late.abs() / self.reach_of(to, late > 0.0);
        let click = share(bare - at.delay);
        [click, before.map_or(click, |before| share(bare - before))]
    }

    /// How far from its click a strike may be and still be in time for the step: half of the way to
    /// the next step, a beat at most.
    fn reach_of(&self, index: usize, late: bool) -> f64 {
        let at = |index: usize| self.steps.get(index).map(|step| step.start_beats);
        let other = if late { at(index + 1) } else { index.checked_sub(1).and_then(at) };
        let own = self.steps[index].start_beats;
        let beats = other.map_or(1.0, |other| (0.5 * (other - own).abs()).min(1.0));
        self.samples(beats * self.manner.beat_s)
    }

    /// When the click of `step` was asked for, in samples.
    fn bare_click(&self, step: &ExpectedStep) -> Option<f64> {
        let beats = step.start_beats - self.first_beats;
        Some(self.origin? + self.samples(beats * self.manner.beat_s))
    }

    fn bare_lateness(&self, index: usize, onset: SampleIndex) -> Option<f64> {
        Some(onset.0 as f64 - self.bare_click(&self.steps[index])?)
    }

    /// Of a click, in samples.
    fn delay(&self) -> f64 {
        self.known_delay().unwrap_or_else(|| self.samples(GUESSED_DELAY_S))
    }

    /// The delay, where it was measured or there is playing to estimate it from.
    fn known_delay(&self) -> Option<f64> {
        match self.manner.delay {
            Delay::Measured(ms) => Some(self.samples(ms / 1000.0)),
            Delay::Estimated => self.estimated_delay(),
        }
    }
}
