//! The lick file: what it may say, what is wrong with it, and what it sounds like over time.
//!
//! [`Lick`] is the file as written; [`expected`] is what the rest of the program needs of it: for
//! every step the notes that have to sound.

pub mod beats;
pub mod check;
pub mod error;
pub mod expected;
pub mod explanation;
pub mod facts;
pub mod fault;
pub mod file;
pub mod hand;
pub mod library;
pub mod mark;
pub mod place;
pub mod places;
pub mod played;
pub mod repair;
pub mod runs;
pub mod swing;

use crate::theory::chord::Chord;
use crate::theory::fretboard::Tuning;
use crate::theory::interval::Interval;
use crate::theory::key::Key;
use crate::theory::key::spell_open;
use crate::theory::spelling::Spelling;
use beats::Beats;
pub use library::find;
use mark::Mark;
use swing::Swing;

/// A lick as its author wrote it down.
#[derive(Debug, Clone, PartialEq)]
pub struct Lick {
    /// Its title.
    pub title: String,
    /// The key, which decides how notes are spelled.
    pub key: Key,
    /// Quarter notes a minute.
    pub tempo_bpm: f64,
    /// Metre.
    pub meter: Meter,
    /// How its eighths are swung; `None` for even ones.
    pub swing: Option<Swing>,
    /// Open strings without capo.
    pub tuning: Tuning,
    /// Fret the capo is clamped at; frets are counted from it. 0 for none.
    pub capo: u8,
    /// The steps in the order they are played.
    pub steps: Vec<Step>,
}

impl Lick {
    /// The open strings without capo by name, lowest string first: naturals as such, others as
    /// the key writes them.
    pub fn open_names(&self) -> Vec<Spelling> {
        self.tuning.strings().map(|(_, note)| spell_open(note, Some(self.key))).collect()
    }
}

/// One column of tab.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// How long it lasts.
    pub beats: Beats,
    /// One mark for each string, lowest string first.
    pub marks: Vec<Mark>,
    /// The harmony that begins here.
    pub chord: Option<Chord>,
    /// The interval that the author says it is.
    pub interval: Option<Interval>,
}

/// A metre: so many notes of one length in a bar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Meter {
    /// Notes in a bar.
    pub count: u8,
    /// Their length: 4 for quarter notes, 8 for eighths.
    pub unit: u8,
}

impl Meter {
    /// `None` unless there are 1 to 64 notes of length 1, 2, 4, 8, 16 or 32.
    pub fn new(count: u8, unit: u8) -> Option<Self> {
        ((1..=64).contains(&count) && unit.is_power_of_two() && unit <= 32)
            .then_some(Self { count, unit })
    }

    /// Whether an eighth is half a beat, so that it may be swung.
    pub fn may_swing(self) -> bool {
        self.unit <= 4
    }

    /// Length of a bar in quarter notes.
    pub fn bar_beats(self) -> f64 {
        4.0 * f64::from(self.count) / f64::from(self.unit)
    }
}
