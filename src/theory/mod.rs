//! Music without sound: notes, intervals, chords, and where they lie on the neck.

pub mod chord;
pub mod fretboard;
pub mod interval;
pub mod note;
