//! For how long what sounds holds still: of a vibrato or a bend only the beginning tells what was struck, for a
//! line that moves looks like several; and after a slide another note sounds.

use std::f64::consts::TAU;
use std::ops::RangeInclusive;

use rustfft::num_complex::Complex64;

use super::Engine;
use super::several::Several;
use crate::dsp::spectrum::line_at;
use crate::dsp::spectrum::magnitude;
use crate::pitch::tone::Tone;

/// What moves by more, from lowest to highest, in cents, is decided by what was before that, so many seconds at
/// least: what holds still moves by 10 in one case of a hundred, a vibrato of 10 cents either way by 15 or more.
const MOVES_CENTS: f64 = 15.0;
const LEAST_S: f64 = 0.12;
/// One partial is followed: loud and high, in hertz, and so far from those of other tones, of which the softest,
/// by power, may be but what a moving line looks like.
const FOLLOWED_HZ: RangeInclusive<f64> = 80.0..=700.0;
const APART_HZ: f64 = 40.0;
const OTHERS: f64 = 0.03;
const N_PARTIALS: usize = 6;
/// … in stretches of this length, which begin so far apart, in seconds, from the first that holds no attack; one
/// much softer than the loudest does not count.
const WINDOW_S: f64 = 0.08;
const STEP_S: f64 = 0.03;
const ATTACK_S: f64 = 0.05;
const SOFT: f64 = 0.25;

/// A tone is gone where a partial of it is that much softer than so many steps before, and for so many more; its
/// partials in this range tell, in hertz.
const GONE_STEPS: usize = 4;
const GONE_FOR: usize = 3;
const GONE_HZ: RangeInclusive<f64> = 300.0..=1400.0;
const N_GONE: usize = 8;

const CENTS_A_NEPER: f64 = 1200.0 / std::f64::consts::LN_2;

impl Engine {
    /// Until when, `to` at the latest, what was found last and sounds from `from` on is to be listened to.
    pub(super) fn steady_until(&self, from: u64, to: u64) -> u64 {
        let least = from + self.samples(LEAST_S);
        if to < least + self.samples(WINDOW_S) {
            return to;
        }
        let moves = self.followed().and_then(|hz| self.moves_at(hz, from, to));
        moves.map_or(to, |at| at.clamp(least, to))
    }

    /// When the first of `tones`, all of which sound from `from` on, is gone, if any is before `to`: so much softer, by
    /// power. A string dies away by less, but where it is stopped or moves on.
    pub(super) fn gone_at(&self, tones: &[Tone], from: u64, to: u64, softer: f64) -> Option<u64> {
        let samples = &self.stream[self.stretch(from, to)];
        let length = self.samples(WINDOW_S) as usize;
        let step = self.samples(STEP_S).max(1) as usize;
        // In less nothing can be told gone.
        if samples.len() < length + (GONE_STEPS + GONE_FOR - 1) * step {
            return None;
        }
        let first = &samples[..length];
        let power = |samples: &[f32], hz: f64| line_at(samples, TAU * hz / self.rate).norm_sqr();
        let loudest = |t: usize| {
            let partials = (1..=N_GONE).map(|n| tones[t].partial(n));
            let apart = partials.filter(|&hz| GONE_HZ.contains(&hz) && is_apart(tones, t, hz));
            let weighed = apart.map(|hz| (power(first, hz) * hz * hz, hz));
            weighed.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, hz)| hz)
        };
        let gone = |hz: f64| {
            let mut before = [0.0_f64; GONE_STEPS];
            let mut n_soft = 0;
            for (i, start) in (0..=samples.len() - length).step_by(step).enumerate() {
                let now = power(&samples[start..start + length], hz);
                let was = &mut before[i % GONE_STEPS];
                if now < softer * *was {
                    n_soft += 1;
                    if n_soft == GONE_FOR {
                        return Some(start - (GONE_FOR - 1) * step);
                    }
                } else {
                    n_soft = 0;
                    *was = now;
                }
            }
            None
        };
        let all = (0..tones.len()).filter_map(loudest).filter_map(gone);
        all.min().map(|at| from + at as u64)
    }

    /// The partial that tells most of how a pitch moves, in hertz.
    fn followed(&self) -> Option<f64> {
        let found = self.estimator.found();
        let loudest = found.iter().map(|found| found.fitted.power).fold(0.0, f64::max);
        let tones = found.iter().filter(|found| found.fitted.power > OTHERS * loudest);
        let tones = Several::of(tones.map(|found| found.fitted.tone));
        let level = |hz: f64| {
            let bins = &self.spectrum.bins[self.spectrum.range_around(hz, self.spectrum.width_hz)];
            bins.iter().map(|bin| bin.norm()).fold(0.0, f32::max)
        };
        let all = tones
            .iter()
            .enumerate()
            .flat_map(|(t, tone)| (1..=N_PARTIALS).map(move |n| (t, tone.partial(n))));
        all.filter(|&(t, hz)| FOLLOWED_HZ.contains(&hz) && is_apart(&tones, t, hz))
            .map(|(_, hz)| (f64::from(level(hz)) * hz, hz))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, hz)| hz)
    }

    /// When the partial at `hz` has moved, if it does before `to`.
    fn moves_at(&self, hz: f64, from: u64, to: u64) -> Option<u64> {
        let from = from + self.samples(ATTACK_S);
        let samples = &self.stream[self.stretch(from, to)];
        let length = self.samples(WINDOW_S) as usize;
        let step = self.samples(STEP_S).max(1) as usize;
        let turn = TAU * hz / self.rate;
        let starts = (0..samples.len().saturating_sub(length)).step_by(step);
        // Each against the one before, in the phase it would have had.
        let ahead = Complex64::cis(turn * step as f64);
        let (mut last, mut loudest) = (Complex64::ZERO, 0.0_f64);
        let mut was_off_hz = None;
        let [mut lowest, mut highest] = [f64::INFINITY, f64::NEG_INFINITY];
        for start in starts {
            let now = line_at(&samples[start..start + length], turn);
            loudest = loudest.max(magnitude(now));
            let is_loud = magnitude(last) > SOFT * loudest && magnitude(now) > SOFT * loudest;
            let off_hz = is_loud
                .then(|| (now * (last * ahead).conj()).arg() * self.rate / (TAU * step as f64));
            // The mean of two in a row: noise moves them against each other.
            if let (Some(was), Some(off)) = (was_off_hz, off_hz) {
                lowest = lowest.min(0.5 * (was + off));
                highest = highest.max(0.5 * (was + off));
                if CENTS_A_NEPER * (highest - lowest) > MOVES_CENTS * hz {
                    return Some(from + start as u64);
                }
            }
            (last, was_off_hz) = (now, off_hz);
        }
        None
    }
}

/// Whether no partial of the others of `tones` lies near `hz`, where one of tone `t` does.
pub(super) fn is_apart(tones: &[Tone], t: usize, hz: f64) -> bool {
    tones.iter().enumerate().filter(|(other, _)| *other != t).all(|(_, other)| {
        let nearest = other.partial(other.nearest_partial(hz));
        (nearest - hz).abs() > APART_HZ
    })
}
