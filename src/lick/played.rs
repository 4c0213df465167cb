//! What was played, before it is written down: strikes in seconds, notes without a lick.

use crate::theory::fretboard::StringNumber;
use crate::theory::note::MidiNote;

/// One strike.
#[derive(Debug, Clone, PartialEq)]
pub struct Strike {
    /// When it was struck, in seconds.
    pub start_s: f64,
    /// Up to when it sounded, the next strike at the latest, in seconds.
    pub end_s: f64,
    /// What was struck, rising in pitch, no note twice.
    pub notes: Vec<Note>,
}

/// One note of a strike.
#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    /// What it is.
    pub note: MidiNote,
    /// Whether it is more than likely there.
    pub is_sure: bool,
    /// How likely it was played on each string where it lies, 0–1; empty where nothing is known.
    pub strings: Vec<(StringNumber, f64)>,
    /// What it became without another strike, in order.
    pub then: Vec<MidiNote>,
}
