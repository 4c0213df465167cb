//! Brings any sampling rate down to the 16–32 kHz that strings need.
//!
//! **Conventions.** The output rate is the input rate divided by a whole number; the filter's delay
//! is known ([`Decimator::delay_samples`]) and taken off by the caller's clock.
//! **Limits.** Flat within 0.1 dB up to [`PASS_HZ`], at least 60 dB down from [`STOP_HZ`] on, whatever
//! the rate: what lies above is no string's, and the same noise must do the same harm at every rate.
//! An input of fewer than 2 · [`STOP_HZ`] samples a second passes as it is.
//! **Reference.** J. F. Kaiser, «Nonrecursive digital filter design using the I0-sinh window
//! function», 1974.

/// The lowest rate an input is brought down to, in samples a second.
const LOWEST_RATE: u32 = 16_000;

/// Up to here nothing is lost.
pub const PASS_HZ: f64 = 6_400.0;

/// From here on nothing comes through, nor folds back to below [`PASS_HZ`].
pub const STOP_HZ: f64 = 9_600.0;

/// Half the filter's length, in seconds.
const HALF_LENGTH_S: f64 = 0.000_64;

/// A low-pass filter that keeps every `factor`-th sample.
#[derive(Debug)]
pub struct Decimator {
    factor: usize,
    phases: Vec<Phase>,
    /// Inputs of a phase that are kept for the outputs to come.
    kept: usize,
    /// Phase of the next input.
    next: usize,
    output: Vec<f32>,
}

/// Every `factor`-th input and every `factor`-th tap of the filter.
#[derive(Debug)]
struct Phase {
    taps: Vec<f32>,
    inputs: Vec<f32>,
}

/// Inputs filtered at a time, at most.
const BLOCK: usize = 1024;

impl Decimator {
    /// A decimator for input at `rate` samples a second.
    pub fn new(rate: u32) -> Self {
        let factor = (rate / LOWEST_RATE).max(1) as usize;
        let taps = low_pass(f64::from(rate), factor);
        let kept = (taps.len() - 1) / factor;
        let phase = |p: usize| {
            let mut inputs = Vec::with_capacity(kept + BLOCK);
            inputs.resize(kept, 0.0);
            Phase { taps: taps.iter().skip(p).step_by(factor).copied().collect(), inputs }
        };
        let phases = (0..factor).map(phase).collect();
        Self { factor, phases, kept, next: 0, output: Vec::with_capacity(BLOCK) }
    }

    /// Input samples for one output sample.
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// How many input samples the output lags behind.
    pub fn delay_samples(&self) -> u64 {
        (self.kept * self.factor / 2) as u64
    }

    /// Filters `samples`; every output is handed to `on_sample`.
    pub fn push(&mut self, samples: &[f32], mut on_sample: impl FnMut(f32)) {
        for block in samples.chunks(BLOCK) {
            for (p, phase) in self.phases.iter_mut().enumerate() {
                let first = (p + self.factor - self.next) % self.factor;
                phase.inputs.extend(block.iter().skip(first).step_by(self.factor));
            }
            self.next = (self.next + block.len()) % self.factor;
            // The first input of a phase 0 ends an output.
            let n = self.phases[0].inputs.len() - self.kept;
            self.output.clear();
            self.output.resize(n, 0.0);
            for phase in &mut self.phases {
                // Tap by tap over all outputs: no sum waits for itself.
                for (i, tap) in phase.taps.iter().enumerate().filter(|(_, tap)| **tap != 0.0) {
                    let inputs = &phase.inputs[i..i + n];
                    self.output.iter_mut().zip(inputs).for_each(|(sum, input)| *sum += tap * input);
                }
                phase.inputs.copy_within(n.., 0);
                phase.inputs.truncate(phase.inputs.len() - n);
            }
            self.output.iter().for_each(|&s| on_sample(s));
        }
    }

    /// Forgets everything heard; the next input is the one at `at`, counted from the first: outputs
    /// stay on the inputs that are multiples of the factor.
    pub fn skip_to(&mut self, at: u64) {
        self.next = (at % self.factor as u64) as usize;
        for (p, phase) in self.phases.iter_mut().enumerate() {
            // Between two outputs these phases have had no input since the last one.
            let waits = self.next > 0 && p >= self.next;
            phase.inputs.clear();
            phase.inputs.resize(self.kept - usize::from(waits), 0.0);
        }
    }
}

/// A Kaiser-windowed sinc with its −6 dB point between both bands, unit gain; zeros on either side
/// make its middle an input that is kept. At rates too low for a stop band, a single one.
fn low_pass(rate: f64, factor: usize) -> Vec<f32> {
    if rate < 2.0 * STOP_HZ {
        return vec![1.0];
    }
    const BETA: f64 = 6.0;
    let half = (HALF_LENGTH_S * rate).round() as i64;
    let padded = (half as usize).next_multiple_of(factor) as i64;
    let cutoff = 0.5 * (PASS_HZ + STOP_HZ) / rate;
    let mut taps: Vec<f64> = (-padded..=padded)
        .map(|i| {
            if i.abs() > half {
                return 0.0;
            }
            let x = i as f64;
            let sinc = if i == 0 {
                2.0 * cutoff
            } else {
                (std::f64::consts::TAU * cutoff * x).sin() / (std::f64::consts::PI * x)
            };
            let edge = x / (half as f64 + 1.0);
            sinc * bessel_i0(BETA * (1.0 - edge * edge).sqrt())
        })
        .collect();
    let gain: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= gain);
    taps.into_iter().map(|t| if t.abs() < 1e-12 { 0.0 } else { t as f32 }).collect()
}

/// Modified Bessel function of the first kind, order 0, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..40 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// The level of a sine of `hz` after decimation, over that before, in decibels.
    fn gain_db(hz: f64, rate: u32) -> f64 {
        let angle = |n: u32| TAU * hz * f64::from(n) / f64::from(rate);
        let sine: Vec<f32> = (0..rate / 4).map(|n| angle(n).sin() as f32).collect();
        let (mut decimator, mut out) = (Decimator::new(rate), Vec::new());
        decimator.push(&sine, |sample| out.push(f64::from(sample)));
        let settled = &out[out.len() / 2..];
        let power = settled.iter().map(|s| s * s).sum::<f64>() / settled.len() as f64;
        10.0 * (2.0 * power).log10()
    }

    #[test]
    fn the_same_is_let_through_at_every_rate() {
        for rate in [22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000] {
            for hz in [80.0, 1_000.0, 3_333.0, 6_400.0] {
                let gain = gain_db(hz, rate);
                assert!(gain.abs() <= 0.1, "{hz} Hz at {rate}: {gain} dB");
            }
            for hz in [9_600.0, 9_700.0, 10_900.0, 13_500.0, 21_000.0, 40_000.0] {
                let gain = gain_db(hz, rate);
                assert!(
                    2.0 * hz > f64::from(rate) || gain <= -60.0,
                    "{hz} Hz at {rate}: {gain} dB"
                );
            }
        }
        assert!(gain_db(3_000.0, 8_000).abs() < 0.1, "a low rate passes as it is");
    }

    #[test]
    fn outputs_stay_where_they_are_after_a_hole() {
        for rate in [8_000, 44_100, 48_000, 192_000] {
            for at in 0..20 {
                let hum = |i: usize| if i < at { 0.0 } else { (0.1 * i as f32).sin() };
                let samples: Vec<f32> = (0..500).map(hum).collect();
                let (mut decimator, mut whole) = (Decimator::new(rate), Vec::new());
                decimator.push(&samples, |sample| whole.push(sample));
                // What was heard before is forgotten.
                decimator.push(&[1.0; 700], |_| {});
                decimator.skip_to(at as u64);
                let mut rest = Vec::new();
                decimator.push(&samples[at..], |sample| rest.push(sample));
                let before = at.div_ceil(decimator.factor());
                assert_eq!(whole[before..], rest, "{rate} Hz, from {at} on");
            }
        }
    }
}
