//! Lengths in quarter notes, kept exact so that three triplet eighths make a beat.

use std::fmt;

/// A length in quarter notes, above 0 and at most [`Beats::LONGEST`]; a fraction in lowest terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Beats {
    numerator: u32,
    denominator: u32,
}

impl Beats {
    /// The longest step: 1000 quarter notes.
    pub const LONGEST: u32 = 1000;
    /// The finest division of a quarter note.
    const FINEST: u32 = 1_000_000;

    /// `numerator / denominator` quarter notes; `None` for no length, for more than
    /// [`Beats::LONGEST`] and for parts finer than a millionth.
    pub fn new(numerator: u32, denominator: u32) -> Option<Self> {
        if numerator == 0 || denominator == 0 {
            return None;
        }
        let divisor = gcd(numerator, denominator);
        let (numerator, denominator) = (numerator / divisor, denominator / divisor);
        (denominator <= Self::FINEST && numerator.div_ceil(denominator) <= Self::LONGEST)
            .then_some(Self { numerator, denominator })
    }

    /// The length that a decimal number names, to six places.
    pub fn from_number(quarters: f64) -> Option<Self> {
        if !quarters.is_finite() || quarters <= 0.0 || quarters > f64::from(Self::LONGEST) {
            return None;
        }
        let millionths = (quarters * f64::from(Self::FINEST)).round();
        Self::new(millionths as u32, Self::FINEST)
    }

    /// The length that a fraction such as `1/3` names.
    pub fn from_fraction(text: &str) -> Option<Self> {
        let (numerator, denominator) = text.split_once('/')?;
        let whole = |part: &str| {
            let digits = !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
            digits.then(|| part.parse().ok()).flatten()
        };
        Self::new(whole(numerator.trim())?, whole(denominator.trim())?)
    }

    /// The length in quarter notes.
    pub fn get(self) -> f64 {
        f64::from(self.numerator) / f64::from(self.denominator)
    }

    /// The fraction above the line.
    pub fn numerator(self) -> u32 {
        self.numerator
    }

    /// The fraction below the line.
    pub fn denominator(self) -> u32 {
        self.denominator
    }

    /// As a lick file writes it: a number where that is exact, else a fraction in quotes.
    pub fn to_toml(self) -> String {
        if Self::from_number(self.get()) == Some(self) {
            self.get().to_string()
        } else {
            format!("\"{self}\"")
        }
    }
}

impl fmt::Display for Beats {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.denominator {
            1 => f.pad(&self.numerator.to_string()),
            _ => f.pad(&format!("{}/{}", self.numerator, self.denominator)),
        }
    }
}

fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}
