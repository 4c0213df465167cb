//! Random numbers that are the same everywhere.
//!
//! **Reference.** G. Steele, D. Lea and C. Flood, "Fast splittable pseudorandom number generators",
//! OOPSLA 2014: the generator known as SplitMix64.

/// The golden ratio in 64 bits, the step of the generator.
const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// The stream numbered `stream` of `seed`; streams do not resemble each other.
    pub fn new(seed: u64, stream: u64) -> Self {
        Self(mixed(seed ^ mixed(stream.wrapping_mul(STEP))))
    }

    /// 64 bits, each as often 0 as 1.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(STEP);
        mixed(self.0)
    }

    /// Between 0 (excluded) and 1 (included), evenly.
    pub fn uniform(&mut self) -> f64 {
        ((self.bits() >> 11) + 1) as f64 / (1_u64 << 53) as f64
    }

    /// Normally distributed, mean 0, variance 1 (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

fn mixed(mut bits: u64) -> u64 {
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    bits ^ (bits >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_numbers_have_mean_0_and_variance_1() {
        const N: usize = 100_000;
        // Four standard errors: of the mean 1/√N, of the variance √(2/N).
        let bound = 4.0 / (N as f64).sqrt();
        let mut random = Random::new(7, 0);
        let drawn: Vec<f64> = (0..N).map(|_| random.normal()).collect();
        let mean = drawn.iter().sum::<f64>() / N as f64;
        let variance = drawn.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / N as f64;
        assert!(mean.abs() < bound, "mean {mean}");
        assert!((variance - 1.0).abs() < bound * 2_f64.sqrt(), "variance {variance}");
    }
}
