//! The partials of a stiff string.
//!
//! **Conventions.** A tone is named by its *first partial* `f1`, which is what a tuner shows; `n`
//! counts partials from 1.
//! **Reference.** H. Fletcher, «Normal vibration frequencies of a stiff piano string», J. Acoust.
//! Soc. Am. 36 (1964): `f_n = n f0 √(1 + B n²)`.

/// Partials looked at, at most.
pub const MAX_PARTIALS: usize = 24;

/// Tones nearer to each other than this ratio are one note: 60 cents, more than half a semitone, so
/// that a fit drawn aside is no second note, and less than a whole one.
const SAME_NOTE: f64 = 1.035_264_923_841_377_6;

/// The largest stiffness B a guitar string has, with room to spare.
pub const MAX_STIFFNESS: f64 = 2.5e-3;

/// A stiff string's tone: where its partials lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// First partial in hertz.
    pub f1: f64,
    /// Stiffness B, 0 for an ideal string.
    pub stiffness: f64,
}

/// A measured stiffness.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stiffness {
    /// B, 0 for an ideal string.
    pub b: f64,
    /// One standard error of `b`.
    pub error: f64,
}

impl Tone {
    /// A tone of ordinary stiffness, before anything is measured.
    pub fn at(f1: f64) -> Self {
        Self { f1, stiffness: typical_stiffness(f1) }
    }

    /// Frequency of partial `n`:
    ///
    /// ```text
    /// f_n = n · f1 · √((1 + B n²) / (1 + B))
    /// ```
    pub fn partial(&self, n: usize) -> f64 {
        let n = n as f64;
        let b = self.stiffness;
        n * self.f1 * ((1.0 + b * n * n) / (1.0 + b)).sqrt()
    }

    /// Number of the partial nearest to `hz`, stiffness aside.
    pub fn nearest_partial(&self, hz: f64) -> usize {
        (hz / self.f1).round().max(1.0) as usize
    }

    /// Relative change of partial `n` per unit of stiffness: `∂ ln f_n / ∂B`.
    pub fn stiffness_slope(&self, n: usize) -> f64 {
        let n2 = (n * n) as f64;
        let b = self.stiffness;
        0.5 * (n2 / (1.0 + b * n2) - 1.0 / (1.0 + b))
    }

    /// The tone with its first partial `shift` higher, relative, and so much stiffer, as far as strings
    /// are.
    pub fn moved(&self, shift: f64, stiffer: f64) -> Self {
        let stiffness = (self.stiffness + stiffer).clamp(0.0, MAX_STIFFNESS);
        Self { f1: self.f1 * (1.0 + shift), stiffness }
    }

    /// How far its first partial lies above that of `other`, in cents.
    pub fn cents_from(&self, other: &Self) -> f64 {
        1200.0 * (self.f1 / other.f1).log2()
    }

    /// Whether it is the same note as `other`, give or take how far fits of one string differ.
    pub fn is_note_of(&self, other: &Self) -> bool {
        self.f1 < SAME_NOTE * other.f1 && other.f1 < SAME_NOTE * self.f1
    }

    /// Whether all its partials lie beside some of `other`: it is an octave, a twelfth or two octaves
    /// above, to a third of a semitone.
    pub fn is_overtone_of(&self, other: &Self) -> bool {
        let cents = self.cents_from(other);
        [2.0_f64, 3.0, 4.0].into_iter().any(|n| (cents - 1200.0 * n.log2()).abs() < 35.0)
    }

    /// How many partials lie below `top_hz`, at most [`MAX_PARTIALS`].
    pub fn n_partials(&self, top_hz: f64) -> usize {
        (1..=MAX_PARTIALS).take_while(|&n| self.partial(n) < top_hz).count()
    }
}

/// What to assume of a string before its partials are fitted: the middle of what six strings of a
/// guitar give at that pitch (B of open strings grows with the fret as 2^(fret/6)).
pub fn typical_stiffness(f1: f64) -> f64 {
    let ratio = f1 / 350.0;
    1.0e-4 * (1.0 + ratio * ratio.sqrt()).min(6.0)
}
