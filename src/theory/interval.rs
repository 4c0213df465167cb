//! Intervals with quality and number (minor sixth, perfect fourth, major tenth).
//!
//! **Conventions.** The number counts letters, both ends included; the quality follows from the
//! semitones. Short names are those of textbooks: `m3`, `M6`, `P4`, `A4`, `d5`, `m10`, doubled
//! letters for doubly diminished and augmented.

use std::fmt;
use std::str::FromStr;

use super::error::NameError;
use super::spelling::NoteName;
use super::spelling::Spelling;
use crate::units::Cents;

/// The widest number that has a name: four octaves.
const WIDEST: u8 = 29;
const ORDINALS: [&str; 29] = [
    "unison",
    "second",
    "third",
    "fourth",
    "fifth",
    "sixth",
    "seventh",
    "octave",
    "ninth",
    "tenth",
    "eleventh",
    "twelfth",
    "thirteenth",
    "fourteenth",
    "fifteenth",
    "sixteenth",
    "seventeenth",
    "eighteenth",
    "nineteenth",
    "twentieth",
    "twenty-first",
    "twenty-second",
    "twenty-third",
    "twenty-fourth",
    "twenty-fifth",
    "twenty-sixth",
    "twenty-seventh",
    "twenty-eighth",
    "twenty-ninth",
];

/// How wide an interval of one number is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Quality {
    /// Two semitones under perfect (three under major).
    DoublyDiminished,
    /// A semitone under perfect or minor.
    Diminished,
    /// A semitone under major.
    Minor,
    /// Unison, fourth, fifth, octave in their plain form.
    Perfect,
    /// Second, third, sixth, seventh in their wide form.
    Major,
    /// A semitone over perfect or major.
    Augmented,
    /// Two semitones over perfect or major.
    DoublyAugmented,
}

impl Quality {
    const NAMES: [(Self, &'static str, &'static str); 7] = [
        (Self::DoublyDiminished, "dd", "doubly diminished"),
        (Self::Diminished, "d", "diminished"),
        (Self::Minor, "m", "minor"),
        (Self::Perfect, "P", "perfect"),
        (Self::Major, "M", "major"),
        (Self::Augmented, "A", "augmented"),
        (Self::DoublyAugmented, "AA", "doubly augmented"),
    ];

    fn names(self) -> (&'static str, &'static str) {
        let (_, short, long) =
            Self::NAMES.iter().find(|(quality, ..)| *quality == self).expect("all are listed");
        (short, long)
    }

    /// Semitones over the perfect or major form; `None` if that number has no such quality.
    fn offset(self, perfect_kind: bool) -> Option<i8> {
        match (self, perfect_kind) {
            (Self::DoublyDiminished, true) => Some(-2),
            (Self::DoublyDiminished, false) => Some(-3),
            (Self::Diminished, true) | (Self::Minor, false) => Some(-1),
            (Self::Diminished, false) => Some(-2),
            (Self::Perfect, true) | (Self::Major, false) => Some(0),
            (Self::Augmented, _) => Some(1),
            (Self::DoublyAugmented, _) => Some(2),
            (Self::Minor | Self::Major, true) | (Self::Perfect, false) => None,
        }
    }
}

/// A distance between two written notes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Interval {
    quality: Quality,
    number: u8,
}

fn is_perfect_kind(number: u8) -> bool {
    matches!(number % 7, 1 | 4 | 5)
}

/// Semitones of the perfect or major interval of that number.
fn plain_semitones(number: u8) -> i8 {
    const WITHIN_OCTAVE: [i8; 7] = [0, 2, 4, 5, 7, 9, 11];
    let steps = number - 1;
    12 * (steps / 7) as i8 + WITHIN_OCTAVE[usize::from(steps % 7)]
}

impl Interval {
    /// `None` for a number of 0 or beyond four octaves, for a quality that number does not have
    /// (a perfect third), and for less than no semitones.
    pub fn new(quality: Quality, number: u8) -> Option<Self> {
        if !(1..=WIDEST).contains(&number) {
            return None;
        }
        let offset = quality.offset(is_perfect_kind(number))?;
        (plain_semitones(number) + offset >= 0).then_some(Self { quality, number })
    }

    /// The interval between two notes as written, whichever is lower.
    ///
    /// Where the spelling gives no interval with a name (more than doubly augmented, letters
    /// crossed), the usual one of as many semitones. `None` beyond four octaves.
    pub fn between(one: Spelling, other: Spelling) -> Option<Self> {
        let (low, high) = (one.midi()?.min(other.midi()?), one.midi()?.max(other.midi()?));
        let semitones = high.0 - low.0;
        let steps = (other.staff_steps() - one.staff_steps())
            * if other.midi()? < one.midi()? { -1 } else { 1 };
        u8::try_from(if semitones == 0 { steps.abs() } else { steps })
            .ok()
            .and_then(|steps| Self::from_parts(steps.checked_add(1)?, semitones))
            .or_else(|| Self::from_semitones(semitones))
    }

    /// The interval of that number that spans `semitones`.
    fn from_parts(number: u8, semitones: u8) -> Option<Self> {
        Quality::NAMES
            .iter()
            .filter_map(|(quality, ..)| Self::new(*quality, number))
            .find(|interval| interval.semitones() == semitones)
    }

    /// The usual interval of so many semitones (6 is an augmented fourth); `None` beyond 48.
    pub fn from_semitones(semitones: u8) -> Option<Self> {
        const NUMBERS: [u8; 12] = [1, 2, 2, 3, 3, 4, 4, 5, 6, 6, 7, 7];
        let number = 7 * (semitones / 12) + NUMBERS[usize::from(semitones % 12)];
        Self::from_parts(number, semitones)
    }

    /// What a text in another common writing may mean: `third`, `P3`, `b7`, `maj6`, `octave`, `tritone`; the
    /// usual one first. Empty for a text that names no number.
    pub fn meant_by(text: &str) -> Vec<Self> {
        let text = text.trim().to_lowercase();
        if text == "tritone" {
            return [Quality::Augmented, Quality::Diminished]
                .into_iter()
                .zip([4, 5])
                .filter_map(|(quality, number)| Self::new(quality, number))
                .collect();
        }
        let last = text.rsplit(' ').next().unwrap_or_default();
        let figures = text.trim_matches(|c: char| !c.is_ascii_digit());
        let number = match ORDINALS.iter().position(|known| *known == last) {
            Some(index) => Some(index as u8 + 1),
            None => figures.parse().ok(),
        };
        let word: String = text.chars().take_while(char::is_ascii_alphabetic).collect();
        // One letter is no word: `P3` is not known to be meant as perfect, nor `b3` as minor.
        let is_said = |name: &str| word.len() >= 3 && name.starts_with(&word);
        let mut usual = [Quality::Perfect, Quality::Minor, Quality::Major].to_vec();
        if number.is_some_and(is_perfect_kind) {
            usual.extend([Quality::Augmented, Quality::Diminished]);
        }
        if let Some((said, ..)) = Quality::NAMES.iter().find(|(.., name)| is_said(name)) {
            usual = vec![*said];
        }
        usual.into_iter().filter_map(|quality| Self::new(quality, number?)).collect()
    }

    /// Its quality.
    pub fn quality(self) -> Quality {
        self.quality
    }

    /// Its number: letters spanned, both ends included.
    pub fn number(self) -> u8 {
        self.number
    }

    /// Equal-tempered semitones.
    pub fn semitones(self) -> u8 {
        let offset = self.quality.offset(is_perfect_kind(self.number)).expect("checked in `new`");
        (plain_semitones(self.number) + offset) as u8
    }

    /// The same interval within an octave; an octave stays an octave.
    pub fn simple(self) -> Self {
        let number = match self.number {
            8.. if (self.number - 1).is_multiple_of(7) => 8,
            number => (number - 1) % 7 + 1,
        };
        Self { quality: self.quality, number }
    }

    /// The note name this far above `root`; `None` beyond double accidentals.
    pub fn above(self, root: NoteName) -> Option<NoteName> {
        root.above((self.number - 1) % 7, self.semitones() % 12)
    }

    /// The textbook short name: `m6`.
    pub fn short(self) -> String {
        format!("{}{}", self.quality.names().0, self.number)
    }

    /// The name in words: `minor sixth`.
    pub fn name(self) -> String {
        format!("{} {}", self.quality.names().1, ORDINALS[usize::from(self.number - 1)])
    }

    /// The name in words with its article: `a minor sixth`, `an augmented fourth`.
    pub fn with_article(self) -> String {
        let vowel = self.quality == Quality::Augmented;
        format!("{} {}", if vowel { "an" } else { "a" }, self.name())
    }

    /// The five-limit just ratio, upper to lower; `None` for qualities without a usual one.
    ///
    /// The minor seventh is taken as 16:9, the augmented fourth as 45:32.
    pub fn just_ratio(self) -> Option<(u32, u32)> {
        let simple = self.simple();
        let (upper, lower) = match (simple.quality, simple.number) {
            (Quality::Perfect, 1) => (1, 1),
            (Quality::Minor, 2) => (16, 15),
            (Quality::Major, 2) => (9, 8),
            (Quality::Minor, 3) => (6, 5),
            (Quality::Major, 3) => (5, 4),
            (Quality::Perfect, 4) => (4, 3),
            (Quality::Augmented, 4) => (45, 32),
            (Quality::Diminished, 5) => (64, 45),
            (Quality::Perfect, 5) => (3, 2),
            (Quality::Minor, 6) => (8, 5),
            (Quality::Major, 6) => (5, 3),
            (Quality::Minor, 7) => (16, 9),
            (Quality::Major, 7) => (15, 8),
            (Quality::Perfect, 8) => (2, 1),
            _ => return None,
        };
        let octaves = (self.number - simple.number) / 7;
        let upper = upper << octaves;
        let divisor = gcd(upper, lower);
        Some((upper / divisor, lower / divisor))
    }

    /// How far the equal-tempered interval is wider than the just one; `None` as for
    /// [`Interval::just_ratio`].
    pub fn tempered_minus_just(self) -> Option<Cents> {
        let (upper, lower) = self.just_ratio()?;
        let just = 1200.0 * (f64::from(upper) / f64::from(lower)).log2();
        Some(Cents(100.0 * f64::from(self.semitones()) - just))
    }
}

fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}

impl fmt::Display for Interval {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.short())
    }
}

impl FromStr for Interval {
    type Err = NameError;

    /// Reads short names and names in words.
    fn from_str(text: &str) -> Result<Self, NameError> {
        let short = || {
            let digits = text.find(|c: char| c.is_ascii_digit())?;
            let (quality, number) = text.split_at(digits);
            let quality = Quality::NAMES.iter().find(|(_, short, _)| *short == quality)?.0;
            if number.starts_with('0') {
                return None;
            }
            Self::new(quality, number.parse().ok()?)
        };
        let long = || {
            let (quality, ordinal) = text.rsplit_once(' ')?;
            let quality = Quality::NAMES.iter().find(|(.., long)| *long == quality)?.0;
            let number = ORDINALS.iter().position(|&known| known == ordinal)? as u8 + 1;
            Self::new(quality, number)
        };
        short().or_else(long).ok_or_else(|| NameError::Interval { found: text.to_owned() })
    }
}
