//! Quantities that are easily confused, each with a type of its own.
//!
//! **Conventions.** Instants and spans of a stream are counted in samples ([`SampleIndex`],
//! [`SampleCount`]); seconds and milliseconds are plain `f64` whose name ends in `_s` or `_ms`.
//! **Limits.** One rate for the life of a stream.

/// A frequency in hertz. Always finite and greater than zero.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Hertz(f64);

impl Hertz {
    /// Returns `None` unless `hz` is finite and greater than zero.
    pub fn new(hz: f64) -> Option<Self> {
        (hz.is_finite() && hz > 0.0).then_some(Self(hz))
    }

    /// The plain number, in hertz.
    pub fn get(self) -> f64 {
        self.0
    }

    /// Distance from `reference` up to `self`: `1200 · log2(self / reference)`.
    ///
    /// Positive when `self` is sharp of `reference`.
    pub fn cents_above(self, reference: Self) -> Cents {
        Cents(1200.0 * (self.0 / reference.0).log2())
    }

    /// The frequency `cents` above `self` (below for negative `cents`).
    pub fn raised(self, cents: Cents) -> Self {
        Self(self.0 * (cents.0 / 1200.0).exp2())
    }
}

/// An interval in hundredths of an equal-tempered semitone. Positive is sharp.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Cents(pub f64);

/// A level in decibels; 0 is a full-scale sine.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Decibels(pub f64);

/// Samples a second, at least 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct SampleRate(u32);

impl SampleRate {
    /// Returns `None` for a rate of zero.
    pub fn new(samples_per_second: u32) -> Option<Self> {
        (samples_per_second > 0).then_some(Self(samples_per_second))
    }

    /// The plain number, in samples a second.
    pub fn get(self) -> u32 {
        self.0
    }

    /// The number of samples nearest to `seconds` (0 for a negative span).
    pub fn samples_in(self, seconds: f64) -> SampleCount {
        SampleCount((seconds * f64::from(self.0)).round().max(0.0) as u64)
    }
}

/// A point in a stream: how many samples came before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct SampleIndex(pub u64);

impl SampleIndex {
    /// The instant in seconds since the stream began.
    pub fn seconds(self, rate: SampleRate) -> f64 {
        self.0 as f64 / f64::from(rate.get())
    }
}

/// A span of a stream in samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct SampleCount(pub u64);

impl SampleCount {
    /// The span in seconds.
    pub fn seconds(self, rate: SampleRate) -> f64 {
        self.0 as f64 / f64::from(rate.get())
    }
}

/// Counts samples that were cut off at the top of the scale: some in a row at full scale or above, and all
/// the same. The crest of a loud wave is neither, nor is what goes beyond full scale, as floats may.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Clipping {
    last: f32,
    flat: u64,
    count: u64,
}

impl Clipping {
    const FULL_SCALE: f32 = 0.999;
    /// So many equal samples are no crest (common practice).
    const FLAT: u64 = 3;

    /// Takes the next sample of a stream.
    #[expect(clippy::float_cmp, reason = "clipping repeats the very same sample")]
    pub fn add(&mut self, sample: f32) {
        self.flat = match sample.abs() >= Self::FULL_SCALE {
            true if sample == self.last => self.flat + 1,
            true => 1,
            false => 0,
        };
        self.last = sample;
        if self.flat == Self::FLAT {
            self.count += Self::FLAT;
        } else if self.flat > Self::FLAT {
            self.count += 1;
        }
    }

    /// How many samples so far were cut off.
    pub fn count(&self) -> SampleCount {
        SampleCount(self.count)
    }
}
