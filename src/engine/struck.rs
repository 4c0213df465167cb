//! Struck now, or ringing on? The stretches before and after the onset that tell, and what else is known.

use std::ops::Range;
use std::ops::RangeInclusive;

use super::Engine;
use super::STRUM_S;
use super::several::Several;
use crate::pitch::estimate::LEAST_FAINT;
use crate::pitch::fit::MAX_TONES;
use crate::pitch::struck::Partials;
use crate::pitch::tone::Tone;

/// Length of the stretches before and after the onset that tell struck notes from ringing ones.
const COMPARE_S: f64 = 0.15;
/// … and before it where notes lie so far apart, in hertz, that this parts them: a string struck
/// again is often damped just before, by the pick or the finger.
const BEFORE_S: f64 = 0.09;
const APART_HZ: f64 = 3.6 / BEFORE_S;
/// What nobody heard at the end of the strike before is so much likelier struck (log odds).
const UNHEARD_BEFORE: f64 = 2.0;
/// What is louder now than all that sounded before did not ring on: so many decibels louder, and what
/// each beyond that weighs.
const LOUDER_DB: f64 = 6.0;
const LOUDER_WEIGHT: f64 = 0.3;
/// Multiples of a ringing tone on which others are looked for.
const MULTIPLES: RangeInclusive<usize> = 2..=6;
/// … and from which log odds on they count where no partial there lies apart from others'.
const UNCLEAR_ABOVE: f64 = 0.0;
/// Log odds where there is nothing to compare with: it is taken for struck.
pub(super) const SURELY: f64 = 20.0;

/// What is known of tones at an onset.
#[derive(Debug)]
pub(super) struct Struck {
    /// Log odds that each was struck then and does not ring on from before.
    pub(super) odds: [f64; MAX_TONES],
    /// Tones on multiples of ringing ones whose partials there changed, with log odds.
    above: [(Tone, f64); MAX_TONES],
    n_above: usize,
}

impl Struck {
    /// Where there is nothing to compare with.
    pub(super) fn surely() -> Self {
        Self { odds: [SURELY; MAX_TONES], above: [(Tone::at(440.0), 0.0); MAX_TONES], n_above: 0 }
    }

    pub(super) fn above(&self) -> &[(Tone, f64)] {
        &self.above[..self.n_above]
    }

    /// Looks on the multiples of tone `t` for others that were struck while it rang on: its partials are no
    /// proof of them, but that these alone changed is.
    fn look_above(
        &mut self,
        tones: &[Tone],
        t: usize,
        [before, after]: &[Partials; 2],
        apart_s: f64,
    ) {
        for multiple in MULTIPLES {
            let others = after.change_beside(before, t, multiple, apart_s).log_odds();
            if others.is_none_or(|odds| odds > 0.0) {
                continue;
            }
            let change = after.change_above(before, t, multiple, apart_s);
            let above = Tone::at(after.hz(t, multiple));
            let known = tones.iter().any(|other| above.is_note_of(other));
            let log_odds = change
                .log_odds()
                .filter(|&odds| (change.n_clear > 0 || odds > UNCLEAR_ABOVE) && !known);
            if let Some(log_odds) = log_odds.filter(|&odds| odds > LEAST_FAINT)
                && let Some(slot) = self.above.get_mut(self.n_above)
            {
                *slot = (above, log_odds);
                self.n_above += 1;
            }
        }
    }
}

/// The stretches before and after an onset, whose spectra are kept in `attack` and `spectrum`.
#[derive(Debug)]
pub(super) struct Around {
    /// From middle to middle, in seconds.
    apart_s: f64,
    power_before: f64,
    /// What rang before.
    rang: Several,
}

impl Engine {
    /// Which of `tones` were struck at the onset, and what else was; `rang` is what sounded before.
    pub(super) fn struck(
        &mut self,
        onset: u64,
        end: u64,
        tones: &Several,
        rang: &Several,
    ) -> Struck {
        let around = self.look_around(onset, end, tones, rang);
        around.map_or_else(Struck::surely, |around| self.compare(&around, tones))
    }

    /// Looks at the stretches before and after `onset` that tell most of `tones`; `None` where there is
    /// nothing to compare.
    pub(super) fn look_around(
        &mut self,
        onset: u64,
        end: u64,
        tones: &Several,
        rang: &Several,
    ) -> Option<Around> {
        let near = |u: &u64| onset > *u && onset - *u < self.samples(STRUM_S);
        let struck_from = self.unheard.filter(near).unwrap_or(onset);
        let all = tones.with(rang);
        let is_near = |(i, t): (usize, &Tone)| {
            all[..i].iter().any(|other| (other.f1 - t.f1).abs() < APART_HZ)
        };
        let are_near = all.iter().enumerate().any(is_near);
        let before_s = if are_near { COMPARE_S } else { BEFORE_S };
        let before = self.stretch(
            struck_from.saturating_sub(self.samples(before_s + 0.006)),
            struck_from.saturating_sub(self.samples(0.006)),
        );
        if before.len() < self.samples(0.05) as usize {
            return None;
        }
        let samples = &self.stream[before.clone()];
        let power_before =
            samples.iter().map(|&s| f64::from(s * s)).sum::<f64>() / samples.len() as f64 + 1e-12;
        let after_from = onset + self.samples(0.015);
        let after = self.stretch(after_from, (after_from + self.samples(COMPARE_S)).min(end));
        if after.len() < self.samples(0.03) as usize {
            return None;
        }
        let middle = |stretch: &Range<usize>| 0.5 * (stretch.start + stretch.end) as f64;
        let apart_s = (middle(&after) - middle(&before)) / self.rate;
        self.transformer.transform(&self.stream[before], &mut self.attack);
        self.transformer.transform(&self.stream[after], &mut self.spectrum);
        Some(Around { apart_s, power_before, rang: *rang })
    }

    /// Which of `tones` were struck between the stretches looked at last, and what else was.
    pub(super) fn compare(&mut self, around: &Around, tones: &Several) -> Struck {
        let mut struck = Struck::surely();
        let all = tones.with(&around.rang);
        let partials = self.partials_around(&all);
        for t in 0..tones.len() {
            if let Some(odds) = around.odds(&all, t, &partials) {
                struck.odds[t] = odds;
            }
        }
        if !around.rang.is_empty() {
            (0..all.len()).for_each(|t| struck.look_above(&all, t, &partials, around.apart_s));
        }
        struck
    }

    /// Log odds that `tone`, hardly there beside `tones`, was struck between the stretches looked at last.
    pub(super) fn compare_one(
        &mut self,
        around: &Around,
        tones: &Several,
        tone: Tone,
    ) -> Option<f64> {
        let n = tones.len().min(MAX_TONES - 1);
        let tones = Several::of(tones[..n].iter().copied().chain([tone]));
        let all = tones.with(&around.rang);
        let partials = self.partials_around(&all);
        around.odds(&all, n, &partials)
    }

    /// The partials of `tones` before and after: what rang takes its share in both stretches.
    fn partials_around(&mut self, tones: &[Tone]) -> [Partials; 2] {
        [&self.attack, &self.spectrum].map(|spectrum| {
            self.fitter.fit(spectrum, tones, 0);
            Partials::of(&self.fitter, spectrum)
        })
    }
}

impl Around {
    /// Log odds that tone `t` was struck; `None` where none of its partials is heard.
    fn odds(&self, tones: &[Tone], t: usize, [before, after]: &[Partials; 2]) -> Option<f64> {
        let log_odds = after.change(before, t, self.apart_s).log_odds()?;
        let known = self.rang.iter().any(|rang| rang.is_note_of(&tones[t]));
        let gain_db = 10.0 * (after.power(t) / self.power_before).log10();
        Some(
            log_odds
                + if known { 0.0 } else { UNHEARD_BEFORE }
                + LOUDER_WEIGHT * (gain_db - LOUDER_DB).max(0.0),
        )
    }
}
