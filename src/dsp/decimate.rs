//! Brings any sampling rate down to the 16–32 kHz that strings need.
//!
//! **Conventions.** The output rate is the input rate divided by a whole number; the filter's delay
//! is known ([`Decimator::delay_samples`]) and taken off by the caller's clock.
//! **Limits.** Flat within 0.1 dB up to 0.4 of the output rate, at least 60 dB down above 0.6.
//! **Reference.** J. F. Kaiser, «Nonrecursive digital filter design using the I0-sinh window
//! function», 1974.

/// The lowest rate an input is brought down to, in samples a second.
const LOWEST_RATE: u32 = 16_000;

/// Half the filter's length, in output samples.
const HALF_LENGTH_OUT: usize = 12;

/// A low-pass filter that keeps every `factor`-th sample.
#[derive(Debug)]
pub struct Decimator {
    factor: usize,
    phases: Vec<Phase>,
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
/// Inputs of a phase that are kept for the outputs to come.
const KEPT: usize = 2 * HALF_LENGTH_OUT;

impl Decimator {
    /// A decimator for input at `rate` samples a second.
    pub fn new(rate: u32) -> Self {
        let factor = (rate / LOWEST_RATE).max(1) as usize;
        let taps = low_pass(factor);
        let phase = |p: usize| {
            let mut inputs = Vec::with_capacity(KEPT + BLOCK);
            inputs.resize(KEPT, 0.0);
            Phase { taps: taps.iter().skip(p).step_by(factor).copied().collect(), inputs }
        };
        let phases = (0..factor).map(phase).collect();
        Self { factor, phases, next: 0, output: Vec::with_capacity(BLOCK) }
    }

    /// Input samples for one output sample.
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// How many input samples the output lags behind.
    pub fn delay_samples(&self) -> u64 {
        if self.factor == 1 { 0 } else { (HALF_LENGTH_OUT * self.factor) as u64 }
    }

    /// Filters `samples`; every output is handed to `on_sample`.
    pub fn push(&mut self, samples: &[f32], mut on_sample: impl FnMut(f32)) {
        if self.factor == 1 {
            samples.iter().for_each(|&s| on_sample(s));
            return;
        }
        for block in samples.chunks(BLOCK) {
            for (p, phase) in self.phases.iter_mut().enumerate() {
                let first = (p + self.factor - self.next) % self.factor;
                phase.inputs.extend(block.iter().skip(first).step_by(self.factor));
            }
            self.next = (self.next + block.len()) % self.factor;
            // The first input of a phase 0 ends an output.
            let n = self.phases[0].inputs.len() - KEPT;
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

    /// Forgets everything heard.
    pub fn reset(&mut self) {
        for phase in &mut self.phases {
            phase.inputs.clear();
            phase.inputs.resize(KEPT, 0.0);
        }
        self.next = 0;
    }
}

/// A Kaiser-windowed sinc with its −6 dB point at half the output rate, odd length, unit gain. Where
/// it passes through zero, rounding aside, it is zero: every other tap for a factor of 2.
fn low_pass(factor: usize) -> Vec<f32> {
    const BETA: f64 = 6.0;
    let half = (HALF_LENGTH_OUT * factor) as i64;
    let cutoff = 0.5 / factor as f64;
    let mut taps: Vec<f64> = (-half..=half)
        .map(|i| {
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
