//! Finds chirps in what came back, and how late each was.
//!
//! **Conventions.** A delay is what lies between the sample that was arriving when the chirp was
//! asked for and the sample it is found at, see [`super::Output::heard_at`].
//! **Limits.** Delays up to a second; a chirp that does not stand out of its surroundings is
//! left out rather than guessed.
//! **Reference.** Matched filtering of linear frequency-modulated pulses: M. A. Richards,
//! *Fundamentals of Radar Signal Processing*, chapter 4.

use std::f64::consts::TAU;

use crate::units::SampleCount;
use crate::units::SampleRate;

/// Sweep of a chirp, in hertz: loudspeakers and microphones of every size carry it.
const SWEEP_HZ: (f64, f64) = (800.0, 6_000.0);

/// Length of a chirp in seconds. With the sweep, a peak of the matched filter a fifth of a
/// millisecond wide.
const CHIRP_S: f64 = 0.03;

/// Peak level of a chirp: −12 dB, so that headphones left on stay bearable.
const CHIRP_LEVEL: f64 = 0.25;

/// The longest delay looked for, in seconds.
const LONGEST_S: f64 = 1.0;

/// Silence before the first chirp, in seconds: streams must find their pace.
const SETTLE_S: f64 = 1.5;

/// How much earlier than asked for a chirp may seem to come, in seconds: the clocks of two streams
/// are aligned by their best blocks only.
const EARLIEST_S: f64 = 0.02;

/// How far the peak must stand above the mean magnitude around it. Noise alone reaches 5 to 6
/// in a second of samples, as Gaussian extremes do.
const STANDS_OUT: f64 = 9.0;

/// What is played: chirps with silence between.
#[derive(Debug, Clone)]
pub struct Chirps {
    rate: SampleRate,
    /// Mono samples to play.
    pub samples: Vec<f32>,
    /// Where each chirp begins.
    pub starts: Vec<SampleCount>,
}

/// Makes `n` chirps. Their distances differ, so that an echo is not taken for the next one.
pub fn chirps(n: usize, rate: SampleRate) -> Chirps {
    let shape = chirp(rate);
    let mut samples = vec![0.0; rate.samples_in(SETTLE_S).0 as usize];
    let mut starts = Vec::new();
    for number in 0..n {
        starts.push(SampleCount(samples.len() as u64));
        samples.extend_from_slice(&shape);
        let pause_s = LONGEST_S + 0.037 * ((number * 3) % 5) as f64;
        samples.resize(samples.len() + rate.samples_in(pause_s).0 as usize, 0.0);
    }
    Chirps { rate, samples, starts }
}

/// A rising sine under a Hann window:
///
/// ```text
/// x(t) = level · sin²(π t / T) · sin(2π (f₀ t + (f₁ − f₀) t² / 2T))
/// ```
fn chirp(rate: SampleRate) -> Vec<f32> {
    let (from, to) = SWEEP_HZ;
    let samples = rate.samples_in(CHIRP_S).0;
    (0..samples)
        .map(|n| {
            let t = n as f64 / f64::from(rate.get());
            let window = (TAU / 2.0 * t / CHIRP_S).sin().powi(2);
            let phase = TAU * (from * t + (to - from) * t * t / (2.0 * CHIRP_S));
            (CHIRP_LEVEL * window * phase.sin()) as f32
        })
        .collect()
}

impl Chirps {
    /// How late each chirp was, in samples of an input of the same rate; those that did not stand
    /// out are left out.
    ///
    /// `heard` is the whole input; `asked_at` gives, for each chirp, the index in it of the sample
    /// that was arriving when the chirp was asked for.
    pub fn delays(&self, heard: &[f32], asked_at: &[f64]) -> Vec<f64> {
        let shape = chirp(self.rate);
        asked_at.iter().filter_map(|&asked| self.delay(&shape, heard, asked)).collect()
    }

    fn delay(&self, shape: &[f32], heard: &[f32], asked: f64) -> Option<f64> {
        let rate = f64::from(self.rate.get());
        let from = (asked - EARLIEST_S * rate).max(0.0) as usize;
        let to = ((asked + LONGEST_S * rate) as usize + shape.len()).min(heard.len());
        // Polarity may be reversed on the way: magnitudes.
        let fit: Vec<f64> = heard
            .get(from..to)?
            .windows(shape.len())
            .map(|part| part.iter().zip(shape).map(|(a, b)| f64::from(a * b)).sum::<f64>().abs())
            .collect();
        let (peak, &height) = fit.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
        let mean = fit.iter().sum::<f64>() / fit.len() as f64;
        if height <= STANDS_OUT * mean || height <= f64::from(f32::EPSILON) {
            return None;
        }
        let around = |offset: isize| peak.checked_add_signed(offset).and_then(|at| fit.get(at));
        let fraction = match (around(-1), around(1)) {
            (Some(left), Some(right)) => {
                let curvature = left - 2.0 * height + right;
                if curvature < 0.0 { 0.5 * (left - right) / curvature } else { 0.0 }
            }
            _ => 0.0,
        };
        Some(from as f64 + peak as f64 + fraction - asked)
    }
}

/// The middle of `delays` and how far the farthest of them is from it; `None` if there are none.
pub fn middle_and_spread(delays: &[f64]) -> Option<(f64, f64)> {
    let mut sorted = delays.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    let (low, high) = (sorted.get(n.checked_sub(1)? / 2)?, sorted.get(n / 2)?);
    let middle = 0.5 * (low + high);
    let spread = sorted.iter().map(|delay| (delay - middle).abs()).fold(0.0, f64::max);
    Some((middle, spread))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::random::Random;

    fn rate() -> SampleRate {
        SampleRate::new(48_000).expect("not zero")
    }

    /// Plays chirps through a made-up room: late, softer, upside down, echoed, noisy.
    fn room(chirps: &Chirps, late: usize, gain: f32, noise: f32) -> Vec<f32> {
        let mut heard = vec![0.0; chirps.samples.len() + 96_000];
        let mut random = Random::new(7, 0); // fixed, so that a failure repeats
        for (n, sample) in heard.iter_mut().enumerate() {
            let at = |back: usize| n.checked_sub(back).and_then(|n| chirps.samples.get(n));
            let direct = at(late).copied().unwrap_or(0.0);
            let echo = at(late + 700).copied().unwrap_or(0.0);
            let hiss = 2.0 * random.uniform() as f32 - 1.0;
            *sample = -gain * (direct + 0.5 * echo) + noise * hiss;
        }
        heard
    }

    fn starts(chirps: &Chirps) -> Vec<f64> {
        chirps.starts.iter().map(|start| start.0 as f64).collect()
    }

    #[test]
    fn delays_are_found_within_a_tenth_of_a_sample() {
        let chirps = chirps(5, rate());
        for late in [0, 37, 1_000, 20_000, 47_000] {
            let delays = chirps.delays(&room(&chirps, late, 0.1, 0.0), &starts(&chirps));
            let (middle, spread) = middle_and_spread(&delays).expect("clean chirps are found");
            assert_eq!(delays.len(), 5, "delay {late}");
            assert!((middle - late as f64).abs() < 0.1, "delay {late}: found {middle}");
            assert!(spread < 0.1, "delay {late}: spread {spread}");
        }
    }

    #[test]
    fn a_soft_chirp_in_noise_is_found_and_noise_alone_is_not() {
        let chirps = chirps(5, rate());
        // Chirp peaks of 0.025 in noise of ±0.02.
        let delays = chirps.delays(&room(&chirps, 1_000, 0.1, 0.02), &starts(&chirps));
        let (middle, spread) = middle_and_spread(&delays).expect("found in noise");
        assert_eq!(delays.len(), 5);
        assert!((middle - 1_000.0).abs() < 2.0 && spread < 5.0, "{middle} ± {spread}");
        for nothing in [room(&chirps, 0, 0.0, 0.1), room(&chirps, 0, 0.0, 0.0), Vec::new()] {
            assert!(chirps.delays(&nothing, &starts(&chirps)).is_empty());
        }
    }
}
