//! A strike in, the first partial of every string that sounds out, as exactly as can be.
//!
//! The part of the sound after the attack is fitted as a whole, all strings together, from short
//! stretches to long ones; then again in parts, to see whether the pitch stands still.
//!
//! **Conventions.** Samples begin at the onset. Errors and drifts are in cents, one standard error
//! each. The first partial is told where the line of the stiff string has it, drawn through all
//! partials: heard for itself it may beat by some cents, against the string's other plane.
//! **Limits.** The tones must be known to some 20 cents. Two strings whose first partials lie closer
//! than one over the length of the strike are told apart by their upper partials only.
//! **Reference.** H. Fletcher 1964 (see [`super::tone`]); the weighted fit of partial frequencies
//! follows G. Golub, V. Pereyra 2003 (see [`super::fit`]).

use super::equations::Equations;
use super::fit::Fitter;
use super::fit::MAX_TONES;
use super::fit::Partial;
use super::tone::MAX_PARTIALS;
use super::tone::Tone;
use crate::dsp::spectrum::Spectrum;
use crate::dsp::spectrum::Transformer;

/// No more of a strike than this is measured, in seconds.
pub const LONGEST_S: f64 = 3.0;
/// What sounds earlier belongs to the attack: a string struck hard starts sharp and relaxes over
/// 100–300 ms.
const SETTLED_FROM_S: f64 = 0.3;
/// A settled part shorter than this is not measured.
const SHORTEST_S: f64 = 0.3;
/// A strike that has become this much quieter is over.
const FADED_DB: f64 = 30.0;
/// Shortest of the parts in which the pitch is followed, and how many there are at most.
const PART_S: f64 = 0.4;
const MOST_PARTS: usize = 5;
/// How many partials count, round by round, and whether they may bend the string's line: the higher
/// ones miss it by whole widths until the lower ones have shown where it runs.
const ROUNDS: [(usize, Stiffness); 7] = [
    (3, Stiffness::Kept),
    (3, Stiffness::Kept),
    (5, Stiffness::Fitted),
    (7, Stiffness::Fitted),
    (10, Stiffness::Fitted),
    (14, Stiffness::Fitted),
    (MAX_PARTIALS, Stiffness::Fitted),
];
/// A lone string needs no more of its sound than this to be told from others, in seconds; in a longer
/// stretch its partials, which beat and die away each in its own time, are lines no more.
const LONE_S: f64 = 1.2;
/// Partials of real strings lie this far from the line of an ideal stiff string, in cents: bridge,
/// body and magnets move them, the first most of all (it beats by ten cents on some low strings over a
/// strong pickup). What a string really does shows in the scatter of its partials.
const LINE_CENTS: f64 = 1.0;
/// Scatter below a fifth of that is luck.
const LEAST_SCATTER: f64 = 0.04;
/// Relative change of frequency that is one cent.
const CENT: f64 = std::f64::consts::LN_2 / 1200.0;

/// What was measured of one string.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// First partial and stiffness over the settled part.
    pub tone: Tone,
    /// One standard error of the first partial.
    pub error_cents: f64,
    /// How far the first partial moves from the beginning of the settled part to its end, by the
    /// straight line through its parts; 0 where there is only one part.
    pub drift_cents: f64,
    /// How far the parts stray from that line (root mean square).
    pub wander_cents: f64,
    /// Sum of squared amplitudes of its partials at the beginning of the settled part.
    pub power: f64,
    /// Sum of squared amplitudes of those of its first partials that no neighbour hides, over the
    /// whole settled part.
    pub clear_power: f64,
    /// The same of all its partials.
    pub whole_power: f64,
}

/// Measures strikes of one sampling rate.
#[derive(Debug)]
pub struct Meter {
    rate_hz: f64,
    transformer: Transformer,
    spectrum: Spectrum,
    fitter: Fitter,
}

/// The stiffness to expect of an open string at `f1`: 1.3e-4 at E2, falling to 1.6e-5 at E4, the
/// middle of what sets of strings have.
pub fn open_stiffness(f1: f64) -> f64 {
    1.3e-4 * (82.4 / f1).powf(1.5)
}

/// How the stiffness of a string is treated.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Stiffness {
    Fitted,
    Kept,
}

impl Meter {
    /// A meter for samples at `rate_hz` a second.
    pub fn new(rate_hz: f64) -> Self {
        let transformer = Transformer::new(rate_hz, (LONGEST_S * rate_hz) as usize + 16);
        let spectrum = transformer.make_spectrum();
        let fitter = Fitter::new(spectrum.bins.capacity());
        Self { rate_hz, transformer, spectrum, fitter }
    }

    /// Whether the strike that `samples` begin with sounds for long enough to be measured.
    pub fn can_measure(&self, samples: &[f32]) -> bool {
        self.audible_s(samples) >= SETTLED_FROM_S + SHORTEST_S
    }

    /// Measures `tones` in the strike that `samples` begin with, their stiffness being a first guess;
    /// `None` if it is too short.
    pub fn measure(&mut self, samples: &[f32], tones: &[Tone]) -> Option<Vec<Reading>> {
        if !self.can_measure(samples) || tones.is_empty() {
            return None;
        }
        let length_s = self.audible_s(samples);
        let mut tones = tones[..tones.len().min(MAX_TONES)].to_vec();
        let priors: Vec<f64> = tones.iter().map(|tone| tone.stiffness.max(1e-6)).collect();
        let mut scatter = vec![0.0; tones.len()];
        let fitted_s = match tones.len() {
            1 => length_s.min(SETTLED_FROM_S + LONE_S),
            _ => length_s,
        };
        // From coarse to fine: the offset of a partial is known only within a width.
        let mut until = SETTLED_FROM_S + SHORTEST_S;
        loop {
            self.look(samples, SETTLED_FROM_S, until.min(fitted_s));
            for (most, stiffness) in ROUNDS {
                self.fitter.fit(&self.spectrum, &tones, 0);
                for (t, tone) in tones.iter_mut().enumerate() {
                    scatter[t] = self.refine(t, tone, priors[t], stiffness, most);
                }
            }
            if until >= fitted_s {
                break;
            }
            until = SETTLED_FROM_S + 2.0 * (until - SETTLED_FROM_S);
        }
        let clear: Vec<_> = (0..tones.len()).map(|t| self.clear_power(t)).collect();
        let whole: Vec<f64> = self.fitter.tones().iter().map(|tone| tone.power).collect();
        let parts = self.parts(samples, length_s, &tones);
        self.look(samples, SETTLED_FROM_S, SETTLED_FROM_S + SHORTEST_S);
        self.fitter.fit(&self.spectrum, &tones, 0);
        let fitted = self.fitter.tones();
        let readings = tones.iter().enumerate().map(|(t, &tone)| {
            let path: Vec<f64> = parts.iter().map(|part| part[t]).collect();
            let (drift_cents, wander_cents) = straight_line(&path);
            let n = (path.len() as f64).max(1.0);
            Reading {
                tone,
                error_cents: scatter[t].hypot(wander_cents / n.sqrt()),
                drift_cents,
                wander_cents,
                power: fitted[t].power,
                clear_power: clear[t],
                whole_power: whole[t],
            }
        });
        Some(readings.collect())
    }

    /// Until when the strike sounds, in seconds: what has died away tells of its neighbours only.
    fn audible_s(&self, samples: &[f32]) -> f64 {
        let block = ((0.05 * self.rate_hz) as usize).max(1);
        let power = |block: &[f32]| block.iter().map(|s| f64::from(s * s)).sum::<f64>();
        let longest = ((LONGEST_S * self.rate_hz) as usize).min(samples.len());
        let powers: Vec<f64> = samples[..longest].chunks(block).map(power).collect();
        let loudest = powers.iter().copied().fold(0.0, f64::max);
        let audible = loudest * 10_f64.powf(-FADED_DB / 10.0);
        let last = powers.iter().rposition(|&p| p > audible).map_or(0, |last| last + 1);
        (last * block).min(longest) as f64 / self.rate_hz
    }

    /// What share of the sound just after the attack no partial of `tones` explains, in decibels;
    /// the rattle of a buzzing string lies there. The strike must be long enough to be measured.
    pub fn unexplained_db(&mut self, samples: &[f32], tones: &[Tone]) -> f64 {
        let length_s = samples.len() as f64 / self.rate_hz;
        self.look(samples, 0.08, 0.48_f64.min(length_s));
        let mut tones = tones[..tones.len().min(MAX_TONES)].to_vec();
        let priors: Vec<f64> = tones.iter().map(|tone| tone.stiffness.max(1e-6)).collect();
        for _ in 0..3 {
            self.fitter.fit(&self.spectrum, &tones, 0);
            for (t, tone) in tones.iter_mut().enumerate() {
                self.refine(t, tone, priors[t], Stiffness::Fitted, MAX_PARTIALS);
            }
        }
        self.fitter.fit(&self.spectrum, &tones, 0);
        self.fitter.subtract(&self.spectrum);
        let lowest = tones.iter().map(|tone| tone.f1).fold(f64::INFINITY, f64::min);
        // Mains hum and handling noise lie below the strings, partials not looked at above.
        let bin = |hz: f64| ((hz / self.spectrum.bin_hz) as usize).min(self.spectrum.bins.len());
        let range = bin(0.8 * lowest)..bin(lowest * (MAX_PARTIALS as f64 - 0.5));
        let power = |bins: &[rustfft::num_complex::Complex32]| {
            bins[range.clone()].iter().map(|b| f64::from(b.norm_sqr())).sum::<f64>()
        };
        let (left, all) = (power(self.fitter.residual()), power(&self.spectrum.bins));
        10.0 * ((left + 1e-15) / (all + 1e-15)).log10()
    }

    /// The first partial within `reach_cents` of `near` that explains most of what the settled
    /// tones `others` leave over at the beginning of the strike, which must be long enough to be
    /// measured.
    pub fn search(
        &mut self,
        samples: &[f32],
        near: Tone,
        reach_cents: f64,
        others: &[Tone],
    ) -> Tone {
        const STEP_CENTS: f64 = 4.0;
        let length_s = samples.len() as f64 / self.rate_hz;
        self.look(samples, 0.1, 0.9_f64.min(length_s));
        let mut tones = others[..others.len().min(MAX_TONES - 1)].to_vec();
        tones.push(near);
        let last = tones.len() - 1;
        let steps = (reach_cents / STEP_CENTS).round() as i32;
        let top = ((16.0 * near.f1) / self.spectrum.bin_hz) as usize;
        let mut best = (f64::INFINITY, near);
        for step in -steps..=steps {
            let cents = STEP_CENTS * f64::from(step);
            tones[last] = Tone { f1: near.f1 * (cents / 1200.0).exp2(), ..near };
            self.fitter.fit(&self.spectrum, &tones, 0);
            self.fitter.subtract(&self.spectrum);
            let residual = &self.fitter.residual()[..top.min(self.fitter.residual().len())];
            let left: f64 = residual.iter().map(|b| f64::from(b.norm_sqr())).sum();
            if left < best.0 {
                best = (left, tones[last]);
            }
        }
        best.1
    }

    /// The spectrum of the stretch between two times after the onset.
    fn look(&mut self, samples: &[f32], from_s: f64, to_s: f64) {
        let at = |s: f64| ((s * self.rate_hz) as usize).min(samples.len());
        let (from, to) = (at(from_s), at(to_s));
        self.transformer.transform(&samples[from..to], &mut self.spectrum);
    }

    /// Cents from `tones` in equal parts of the settled stretch.
    fn parts(&mut self, samples: &[f32], length_s: f64, tones: &[Tone]) -> Vec<Vec<f64>> {
        let settled_s = length_s - SETTLED_FROM_S;
        let n = ((settled_s / PART_S) as usize).clamp(1, MOST_PARTS);
        let part_s = settled_s / n as f64;
        let start = |i: usize| SETTLED_FROM_S + i as f64 * part_s;
        (0..n).map(|i| self.part(samples, start(i), start(i + 1), tones)).collect()
    }

    /// Cents from `tones` between two times, their stiffness being known.
    fn part(&mut self, samples: &[f32], from_s: f64, to_s: f64, tones: &[Tone]) -> Vec<f64> {
        self.look(samples, from_s, to_s);
        let mut moved = tones.to_vec();
        for _ in 0..4 {
            self.fitter.fit(&self.spectrum, &moved, 0);
            for (t, tone) in moved.iter_mut().enumerate() {
                self.refine(t, tone, tones[t].stiffness, Stiffness::Kept, MAX_PARTIALS);
            }
        }
        moved.iter().zip(tones).map(|(now, whole)| now.cents_from(whole)).collect()
    }

    /// Sum of squared amplitudes of the first six partials of tone `t` that lie clear of neighbours.
    fn clear_power(&self, t: usize) -> f64 {
        let partials = self.fitter.partials().iter().filter(|p| p.tone == t && p.n <= 6);
        partials.filter(|p| p.gap_widths > 1.0).map(|p| p.amplitude.norm_sqr()).sum()
    }

    /// Variance of what a partial says of the relative frequency of the first one; `None` if it
    /// says nothing.
    fn variance(&self, partial: &Partial) -> Option<f64> {
        let clarity = partial.clarity(&self.spectrum);
        let apart = partial.apart();
        if clarity < 2.0 || apart == 0.0 {
            return None;
        }
        let noise = 0.35 * self.spectrum.width_hz / (clarity * partial.hz);
        let line = LINE_CENTS * CENT;
        Some((noise * noise + line * line) / apart)
    }

    /// One weighted Gauss–Newton step for first partial and stiffness of tone `t` by its `most`
    /// lowest partials, the stiffness being around `prior`; tells the standard error of the first partial
    /// in cents.
    fn refine(
        &self,
        t: usize,
        tone: &mut Tone,
        prior: f64,
        stiffness: Stiffness,
        most: usize,
    ) -> f64 {
        let partials = || self.fitter.partials().iter().filter(|p| p.tone == t && p.n <= most);
        let prior_weight = match stiffness {
            Stiffness::Fitted => (2.0 * prior).powi(-2),
            Stiffness::Kept => 1e30,
        };
        let pull = match stiffness {
            Stiffness::Fitted => prior - tone.stiffness,
            Stiffness::Kept => 0.0,
        };
        let (mut shift, mut bend, mut error) = (0.0, 0.0, f64::INFINITY);
        // Again with partials that stray from the line counting less.
        for _ in 0..3 {
            let mut equations = Equations::default();
            equations.trust_stiffness(prior_weight, pull);
            let (mut chi2, mut n) = (0.0, 0.0);
            for partial in partials() {
                let Some(variance) = self.variance(partial) else { continue };
                let slope = tone.stiffness_slope(partial.n);
                let measured = partial.offset_widths * self.spectrum.width_hz / partial.hz;
                let stray = (measured - shift - bend * slope).abs() / variance.sqrt();
                let huber = (3.0 / stray.max(1e-12)).min(1.0);
                equations.add(huber * huber / variance, slope, measured);
                chi2 += (stray * huber).powi(2);
                n += 1.0;
            }
            let Some(line) = equations.solve() else { return f64::INFINITY };
            (shift, bend) = (line.shift, line.bend);
            let scatter = if n > 2.0 { f64::max(chi2 / (n - 2.0), LEAST_SCATTER) } else { 4.0 };
            error = (scatter * line.spread[0]).sqrt() / CENT;
        }
        *tone = tone.moved(shift.clamp(-0.01, 0.01), bend);
        error
    }
}

/// The straight line through equally spaced values: how far it moves over all of them, and how far
/// they stray from it (root mean square, two unknowns allowed for).
fn straight_line(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    if values.len() < 2 {
        return (0.0, 0.0);
    }
    let mean = values.iter().sum::<f64>() / n;
    let at = |i: usize| (i as f64 + 0.5) / n - 0.5;
    let spread: f64 = (0..values.len()).map(|i| at(i) * at(i)).sum();
    let slope = values.iter().enumerate().map(|(i, v)| at(i) * (v - mean)).sum::<f64>() / spread;
    let rest: f64 =
        values.iter().enumerate().map(|(i, v)| (v - mean - slope * at(i)).powi(2)).sum();
    let freedom = (n - 2.0).max(1.0);
    (slope, (rest / freedom).sqrt())
}
