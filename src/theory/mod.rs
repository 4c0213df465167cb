//! Music without sound: notes, intervals, chords, and where they lie on the neck.

pub mod chord;
pub mod error;
pub mod fretboard;
pub mod interval;
pub mod key;
pub mod key_finding;
pub mod names;
pub mod naming;
pub mod note;
pub mod spelling;
