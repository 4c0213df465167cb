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

/// Inputs filtered at a time, at most.
const BLOCK: usize = 1024;

/// A low-pass filter that keeps every `factor`-th sample.
#[derive(Debug)]
pub struct Decimator {
    factor: usize,
    taps: Vec<f32>,
    /// The last `taps.len() - 1` inputs, then those of a block.
    history: Vec<f32>,
    /// Inputs until the next that an output ends with.
    until_output: usize,
}

impl Decimator {
    /// A decimator for input at `rate` samples a second.
    pub fn new(rate: u32) -> Self {
        let factor = (rate / LOWEST_RATE).max(1) as usize;
        let taps = if factor == 1 { vec![1.0] } else { low_pass(factor) };
        let mut history = Vec::with_capacity(taps.len() - 1 + BLOCK);
        history.resize(taps.len() - 1, 0.0);
        Self { factor, taps, history, until_output: 0 }
    }

    /// Input samples for one output sample.
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// How many input samples the output lags behind.
    pub fn delay_samples(&self) -> u64 {
        (self.taps.len() / 2) as u64
    }

    /// Filters `samples`; every output is handed to `on_sample`.
    pub fn push(&mut self, samples: &[f32], mut on_sample: impl FnMut(f32)) {
        if self.factor == 1 {
            samples.iter().for_each(|&s| on_sample(s));
            return;
        }
        let n = self.taps.len();
        for block in samples.chunks(BLOCK) {
            self.history.extend_from_slice(block);
            while self.until_output < block.len() {
                let window = &self.history[self.until_output..self.until_output + n];
                on_sample(dot(window, &self.taps));
                self.until_output += self.factor;
            }
            self.until_output -= block.len();
            self.history.copy_within(block.len().., 0);
            self.history.truncate(n - 1);
        }
    }

    /// Forgets everything heard.
    pub fn reset(&mut self) {
        self.history.fill(0.0);
        self.until_output = 0;
    }
}

/// Eight partial sums, so that the compiler may use vector registers.
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0.0_f32; 8];
    let ((a_chunks, a_rest), (b_chunks, b_rest)) = (a.as_chunks::<8>(), b.as_chunks::<8>());
    let rest: f32 = a_rest.iter().zip(b_rest).map(|(x, y)| x * y).sum();
    for (x, y) in a_chunks.iter().zip(b_chunks) {
        for i in 0..8 {
            sums[i] += x[i] * y[i];
        }
    }
    let [a, b, c, d] = [0, 1, 2, 3].map(|i| sums[i] + sums[i + 4]);
    (a + b) + (c + d) + rest
}

/// A Kaiser-windowed sinc with its −6 dB point at half the output rate, odd length, unit gain.
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
    taps.into_iter().map(|t| t as f32).collect()
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
