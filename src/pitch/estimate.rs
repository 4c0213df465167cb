//! A spectrum in, the tones that sound out; blind to what is expected.

use super::combination;
use super::combination::Combination;
use super::combination::IS_COMBINATION;
use super::fit::FittedTone;
use super::fit::Fitter;
use super::fit::MAX_TONES;
use super::presence::Evidence;
use super::presence::Signs;
use super::presence::examine;
use super::tone::Tone;
use crate::dsp::peaks::Peak;
use crate::dsp::peaks::find_peaks;
use crate::dsp::spectrum::Spectrum;
use crate::dsp::spectrum::Transformer;

/// Lowest and highest first partial looked for, in hertz: B1 of a seventh string to the highest
/// artificial harmonics.
pub const LOWEST_F1_HZ: f64 = 58.0;
/// See [`LOWEST_F1_HZ`].
pub const HIGHEST_F1_HZ: f64 = 2100.0;

/// Candidates less likely than this (log odds) are faint only if something else speaks for them, …
pub const LEAST_FAINT: f64 = -2.0;
/// … and less likely than this, not at all.
const LEAST_DOUBTED: f64 = -5.0;
/// A tone whose octave or twelfth was found may be what these belong to if its other partials give more
/// than these log odds: of tones that are not there 99 % give less, of those that are 20 %.
const LEFT_OVER: f64 = -8.0;
/// Candidates kept for closer examination.
const MAX_CANDIDATES: usize = 24;
/// A candidate less salient than this share of the best one is not examined: of 10 400 tones found in
/// mixes none had less than 0.13.
const LEAST_SALIENCE: f64 = 0.05;
/// Tones that are but combinations of two strings, at most.
const MOST_COMBINATIONS: usize = 2;
/// Candidates nearer to each other than this are one, in cents.
const SAME_CANDIDATE_CENTS: f64 = 45.0;

/// A first partial that could explain some peaks.
#[derive(Debug, Clone, Copy)]
pub struct Candidate {
    /// The tone.
    pub tone: Tone,
    /// How much it would explain.
    pub salience: f64,
}

/// Proposes candidates for closer examination.
#[derive(Debug)]
pub struct Proposer {
    peaks: Vec<Peak>,
    /// Compressed amplitude of every peak, 0 (60 dB below the loudest) to 1.
    compressed: Vec<f64>,
    candidates: Vec<Candidate>,
}

/// Peaks looked at, at most.
const MAX_PEAKS: usize = 400;

impl Proposer {
    /// Takes all the memory it will need.
    pub fn new() -> Self {
        Self {
            peaks: Vec::with_capacity(MAX_PEAKS),
            compressed: Vec::with_capacity(MAX_PEAKS),
            candidates: Vec::with_capacity(4 * MAX_PEAKS),
        }
    }

    /// Peaks of the spectrum given last.
    pub fn peaks(&self) -> &[Peak] {
        &self.peaks
    }

    /// Candidates for `spectrum`, most salient first.
    pub fn propose(&mut self, spectrum: &Spectrum) -> &[Candidate] {
        find_peaks(spectrum, 4.0, &mut self.peaks);
        self.candidates.clear();
        let loudest = self.peaks.iter().map(|p| p.amplitude).fold(0.0, f64::max);
        self.compressed.clear();
        self.compressed.extend(self.peaks.iter().map(|peak| {
            let relative = peak.amplitude / loudest.max(1e-12);
            if relative > 1e-3 { 1.0 + relative.log10() / 3.0 } else { 0.0 }
        }));
        for peak in &self.peaks {
            if peak.amplitude < 0.003 * loudest {
                continue;
            }
            for m in 1..=4_usize {
                let f1 = peak.hz / m as f64;
                if !(LOWEST_F1_HZ..=HIGHEST_F1_HZ).contains(&f1) {
                    continue;
                }
                let mut tone = Tone::at(f1);
                tone.f1 *= peak.hz / tone.partial(m);
                let salience = salience(&self.peaks, &self.compressed, tone, spectrum.width_hz);
                self.candidates.push(Candidate { tone, salience });
            }
        }
        let best = self.candidates.iter().map(|c| c.salience).fold(0.0, f64::max);
        self.candidates.retain(|c| c.salience >= LEAST_SALIENCE * best);
        self.candidates.sort_unstable_by(|a, b| {
            b.salience.total_cmp(&a.salience).then(a.tone.f1.total_cmp(&b.tone.f1))
        });
        let near = (SAME_CANDIDATE_CENTS / 1200.0).exp2();
        let mut kept = 0;
        for i in 0..self.candidates.len() {
            let candidate = self.candidates[i];
            let known = self.candidates[..kept]
                .iter()
                .map(|c| c.tone.f1)
                .any(|f1| f1 < near * candidate.tone.f1 && candidate.tone.f1 < near * f1);
            if !known {
                self.candidates[kept] = candidate;
                kept += 1;
                if kept == MAX_CANDIDATES {
                    break;
                }
            }
        }
        self.candidates.truncate(kept);
        &self.candidates
    }
}

impl Default for Proposer {
    fn default() -> Self {
        Self::new()
    }
}

/// Compressed amplitude of the peaks near a tone's partials, later partials counting less.
fn salience(peaks: &[Peak], compressed: &[f64], tone: Tone, width_hz: f64) -> f64 {
    let mut sum = 0.0;
    let mut start = 0;
    for n in 1..=10 {
        let hz = tone.partial(n);
        let reach = (0.012 * hz).max(0.6 * width_hz).min(2.0 * width_hz + 0.004 * hz);
        start += peaks[start..].iter().take_while(|p| p.hz < hz - reach).count();
        let best = peaks[start..]
            .iter()
            .zip(&compressed[start..])
            .take_while(|(p, _)| p.hz <= hz + reach)
            .map(|(p, &compressed)| {
                let off = (p.hz - hz) / reach;
                compressed * (1.0 - off * off)
            })
            .reduce(f64::max);
        let weight = 1.0 / (n as f64).sqrt();
        sum += if let Some(best) = best {
            weight * best
        } else if n <= 3 {
            -0.25 * weight
        } else {
            0.0
        };
    }
    sum
}

/// Power of all peaks.
pub fn total_power(peaks: &[Peak]) -> f64 {
    peaks.iter().map(|p| p.amplitude * p.amplitude).sum()
}

/// Puts `pair` in the place of tone `index` of the first `n`, and of those that are the same notes; how many
/// there are.
fn replace(tones: &mut [Tone; MAX_TONES], n: usize, index: usize, pair: [Tone; 2]) -> usize {
    let before = *tones;
    let others = before[..n].iter().enumerate().filter_map(|(i, tone)| {
        (i != index && !pair.iter().any(|t| t.is_note_of(tone))).then_some(*tone)
    });
    let mut kept = 0;
    for (slot, tone) in tones.iter_mut().zip(others.chain(pair)) {
        *slot = tone;
        kept += 1;
    }
    kept
}

/// A tone found in a spectrum.
#[derive(Debug, Clone, Copy)]
pub struct Found {
    /// The tone with its fit.
    pub fitted: FittedTone,
    /// What speaks for it.
    pub evidence: Evidence,
}

/// Finds the tones of a spectrum; all memory is taken in `new`.
#[derive(Debug)]
pub struct Estimator {
    proposer: Proposer,
    fitter: Fitter,
    residual: Spectrum,
    found: Vec<Found>,
    faint: Vec<Evidence>,
    combination: Option<Combination>,
}

impl Estimator {
    /// An estimator for spectra made by `transformer`.
    pub fn new(transformer: &Transformer) -> Self {
        let residual = transformer.make_spectrum();
        Self {
            proposer: Proposer::new(),
            fitter: Fitter::new(residual.bins.capacity()),
            residual,
            found: Vec::with_capacity(MAX_TONES),
            faint: Vec::with_capacity(2 * MAX_CANDIDATES),
            combination: None,
        }
    }

    /// The tones found last.
    pub fn found(&self) -> &[Found] {
        &self.found
    }

    /// What sounds beside them less likely than not: log odds from −5 to 0, and those below
    /// [`LEAST_FAINT`] need something else to speak for them.
    pub fn faint(&self) -> &[Evidence] {
        &self.faint
    }

    /// One of the tones found that may be but a combination of two strings, as those of an overdriven amplifier
    /// are.
    pub fn combination(&self) -> Option<&Combination> {
        self.combination.as_ref()
    }

    /// The tones of `spectrum`, at most six, rising in frequency.
    pub fn estimate(&mut self, spectrum: &Spectrum) -> &[Found] {
        let mut tones = [Tone { f1: 1.0, stiffness: 0.0 }; MAX_TONES];
        let mut n = 0;
        self.fitter.fit(spectrum, &[], 0);
        self.fitter.subtract(spectrum);
        self.proposer.propose(spectrum);
        let power = total_power(self.proposer.peaks());
        self.found.clear();
        self.combination = None;
        while n < MAX_TONES - 1 {
            let mut best: Option<Evidence> = None;
            self.faint.clear();
            for candidate in &self.proposer.candidates {
                let e = examine(spectrum, &self.fitter, candidate.tone, power);
                if e.log_odds < LEAST_DOUBTED || tones[..n].iter().any(|t| e.tone.is_note_of(t)) {
                    continue;
                }
                if e.log_odds <= 0.0 {
                    self.faint.push(e);
                } else if best.is_none_or(|b| e.prominence.total_cmp(&b.prominence).is_ge()) {
                    best = Some(e);
                }
            }
            let Some(best) = best else { break };
            tones[n] = best.tone;
            n += 1;
            self.fitter.fit(spectrum, &tones[..n], 2);
            self.fitter.subtract(spectrum);
            for (tone, fitted) in tones[..n].iter_mut().zip(self.fitter.tones()) {
                *tone = fitted.tone;
            }
            self.residual.clone_from(spectrum);
            self.residual.bins.copy_from_slice(self.fitter.residual());
            self.proposer.propose(&self.residual);
        }
        let mut evidence = self.weed_out(spectrum, power, &mut tones, &mut n);
        for _ in 0..MOST_COMBINATIONS {
            let (fitter, known) = (&mut self.fitter, &tones[..n]);
            let found = combination::find(spectrum, fitter, known, &evidence[..n], power);
            self.combination = found.map(|(_, combination)| combination);
            let Some((index, is)) = found.filter(|(_, c)| c.log_odds > IS_COMBINATION) else {
                break;
            };
            n = replace(&mut tones, n, index, is.pair);
            evidence = self.weed_out(spectrum, power, &mut tones, &mut n);
        }
        self.fitter.fit(spectrum, &tones[..n], 4);
        for (fitted, evidence) in self.fitter.tones().iter().zip(evidence) {
            self.found.push(Found { fitted: *fitted, evidence });
        }
        self.faint.retain(|e| !tones[..n].iter().any(|t| e.tone.is_note_of(t)));
        self.look_below(spectrum, power);
        self.found.sort_unstable_by(|a, b| a.fitted.tone.f1.total_cmp(&b.fitted.tone.f1));
        &self.found
    }

    /// Leaves out those of the first `n` tones that the others explain, the least likely first: one taken early
    /// may turn out to be explained by those that came later, and is faint then. The evidence for the rest.
    fn weed_out(
        &mut self,
        spectrum: &Spectrum,
        power: f64,
        tones: &mut [Tone; MAX_TONES],
        n: &mut usize,
    ) -> [Evidence; MAX_TONES] {
        let (tone, signs) = (tones[0], Signs::default());
        let mut evidence = [Evidence { tone, signs, log_odds: 0.0, prominence: 0.0 }; MAX_TONES];
        loop {
            let mut worst = (f64::INFINITY, 0);
            for i in 0..*n {
                let mut rest = *tones;
                rest[i..*n].rotate_left(1);
                self.fitter.fit(spectrum, &rest[..*n - 1], 1);
                self.fitter.subtract(spectrum);
                let e = examine(spectrum, &self.fitter, tones[i], power);
                evidence[i] = e;
                if e.log_odds < worst.0 {
                    worst = (e.log_odds, i);
                }
            }
            if *n < 2 || worst.0 >= 0.0 {
                return evidence;
            }
            if worst.0 > LEAST_DOUBTED {
                self.add_faint(evidence[worst.1]);
            }
            tones[worst.1..*n].rotate_left(1);
            *n -= 1;
        }
    }

    /// Adds a faint tone; of two that are one note the likelier stays.
    fn add_faint(&mut self, evidence: Evidence) {
        let is_same = |faint: &Evidence| evidence.tone.is_note_of(&faint.tone);
        if let Some(known) = self.faint.iter_mut().find(|faint| is_same(faint)) {
            if evidence.log_odds > known.log_odds {
                *known = evidence;
            }
        } else if self.faint.len() < self.faint.capacity() {
            self.faint.push(evidence);
        }
    }

    /// Adds tones to the faint ones whose octave or twelfth was found: these may be but their partials,
    /// if what is left of the tone shows at all.
    fn look_below(&mut self, spectrum: &Spectrum, power: f64) {
        self.fitter.subtract(spectrum);
        let mut below = [None; 2 * MAX_TONES];
        let places = self.found.iter().flat_map(|found| {
            let f1 = found.fitted.tone.f1;
            [2.0, 3.0].map(|ratio| Tone::at(f1 / ratio))
        });
        for (slot, tone) in below.iter_mut().zip(places) {
            let known = self.found.iter().any(|found| tone.is_note_of(&found.fitted.tone))
                || self.faint.iter().any(|e| e.log_odds > LEAST_FAINT && tone.is_note_of(&e.tone));
            let left_over = || examine(spectrum, &self.fitter, tone, power).log_odds;
            *slot = (tone.f1 > LOWEST_F1_HZ && !known && left_over() > LEFT_OVER).then_some(tone);
        }
        for tone in below.into_iter().flatten() {
            let mut rest = [tone; MAX_TONES];
            let mut n = 0;
            for found in self.found.iter().filter(|f| !f.fitted.tone.is_overtone_of(&tone)) {
                rest[n] = found.fitted.tone;
                n += 1;
            }
            self.fitter.fit(spectrum, &rest[..n], 1);
            self.fitter.subtract(spectrum);
            let e = examine(spectrum, &self.fitter, tone, power);
            if e.log_odds > 0.0 {
                // What was found speaks for itself as well: even odds.
                self.add_faint(Evidence { log_odds: 0.0, ..e });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    const RATE_HZ: f64 = 11_025.0;
    const SAMPLES: usize = 1900;

    /// What is found, and what faintly, where F2 sounds and partials of E3 with these amplitudes.
    fn heard(amplitude: impl Fn(usize) -> f64) -> (Vec<f64>, Vec<f64>) {
        let (low, tone) = (Tone::at(87.31), Tone::at(164.81));
        let sample = |i: usize| {
            let t = i as f64 / RATE_HZ;
            let wave = |hz: f64, n: usize| (TAU * hz * t + 2.3 * n as f64).cos();
            let partial = |n: usize| {
                0.3 / n as f64 * wave(low.partial(n), n) + amplitude(n) * wave(tone.partial(n), n)
            };
            ((1..=12).map(partial).sum::<f64>() + noise(i)) as f32
        };
        let samples: Vec<f32> = (0..SAMPLES).map(sample).collect();
        estimated(&samples)
    }

    /// What is found in `samples`, and what faintly.
    fn estimated(samples: &[f32]) -> (Vec<f64>, Vec<f64>) {
        let mut transformer = Transformer::new(RATE_HZ, samples.len());
        let mut spectrum = transformer.make_spectrum();
        transformer.transform(samples, &mut spectrum);
        let mut estimator = Estimator::new(&transformer);
        let found = estimator.estimate(&spectrum).iter().map(|f| f.fitted.tone.f1).collect();
        (found, estimator.faint().iter().map(|e| e.tone.f1).collect())
    }

    /// A little noise, or ratios would be infinite.
    fn noise(i: usize) -> f64 {
        1e-4 * (TAU * ((i * i % 7919) as f64 / 7919.0)).sin()
    }

    fn holds(tones: &[f64], f1: f64) -> bool {
        tones.iter().any(|t| Tone::at(*t).is_note_of(&Tone::at(f1)))
    }

    #[test]
    fn a_tone_that_hides_below_its_octave_is_faint() {
        let hidden = |n: usize| if n.is_multiple_of(2) { 0.3 / n as f64 } else { 0.003 };
        let (found, faint) = heard(hidden);
        assert!(holds(&found, 329.6) && !holds(&found, 164.8), "{found:?}");
        assert!(holds(&faint, 164.8), "{faint:?}");
    }

    #[test]
    fn what_is_weeded_out_is_faint() {
        let weeded = |level_db: f64| {
            let (low, high) = (Tone::at(110.0), Tone::at(246.94));
            let amplitude = 10_f64.powf(level_db / 20.0);
            let sample = |i: usize| {
                let t = i as f64 / RATE_HZ;
                let wave =
                    |hz: f64, n: usize| 0.3 / n as f64 * (TAU * hz * t + 2.3 * n as f64).cos();
                let partial =
                    |n: usize| wave(low.partial(n), n) + amplitude * wave(high.partial(n), n);
                ((1..=12).map(partial).sum::<f64>() + noise(i)) as f32
            };
            let samples: Vec<f32> = (0..SAMPLES).map(sample).collect();
            let mut transformer = Transformer::new(RATE_HZ, samples.len());
            let mut spectrum = transformer.make_spectrum();
            transformer.transform(&samples, &mut spectrum);
            let mut estimator = Estimator::new(&transformer);
            estimator.fitter.fit(&spectrum, &[low], 2);
            let power = estimator.fitter.tones()[0].power;
            let mut tones = [low; MAX_TONES];
            tones[1] = high;
            let mut n = 2;
            estimator.weed_out(&spectrum, power, &mut tones, &mut n);
            (n, estimator.faint().iter().map(|e| e.tone.f1).collect::<Vec<_>>())
        };
        assert_eq!(weeded(-20.0), (2, vec![]), "it sounds");
        let (n, faint) = weeded(-29.0);
        assert!(n == 1 && holds(&faint, 246.9), "{faint:?}");
        assert_eq!(weeded(-40.0), (1, vec![]), "it does not");
    }

    #[test]
    fn nothing_hides_below_a_lone_octave() {
        let (found, faint) = heard(|n| if n.is_multiple_of(2) { 0.3 / n as f64 } else { 0.0 });
        assert!(holds(&found, 329.6), "{found:?}");
        assert!(!holds(&faint, 164.8), "{faint:?}");
    }

    /// Two strings a fifth apart as guitars have them: the first partials lie some cents off their line,
    /// and something hums where a string an octave below the lower would begin.
    #[test]
    fn a_fifth_is_no_string_an_octave_below() {
        let waves = [
            (194.65, -44.0),
            (389.3, 0.0),
            (587.5, -1.0),
            (781.9, -17.0),
            (1174.7, -24.0),
            (1568.6, -29.0),
            (1765.4, -30.0),
        ];
        let sample = |i: usize| {
            let t = i as f64 / RATE_HZ;
            let wave = |(hz, db): (f64, f64)| 0.3 * 10_f64.powf(db / 20.0) * (TAU * hz * t).cos();
            (waves.map(wave).iter().sum::<f64>() + noise(i)) as f32
        };
        let samples: Vec<f32> = (0..3 * SAMPLES).map(sample).collect();
        let (found, _) = estimated(&samples);
        assert!(holds(&found, 391.0) && holds(&found, 587.5), "{found:?}");
        assert!(!holds(&found, 194.7), "{found:?}");
    }
}
