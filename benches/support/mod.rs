//! Recordings, mixes and scores that the benches share.
#![allow(dead_code, missing_docs)]

pub mod cases;
pub mod comping;
pub mod corpus;
pub mod counting;
pub mod figures;
pub mod moves;
pub mod neck;
pub mod scenes;
pub mod score;
pub mod shapes;
pub mod spoil;
pub mod talk;
pub mod truth;

/// MIDI number of `hz`, with its fraction (69 is A4, 440 Hz: MIDI 1.0 and ISO 16:1975).
pub fn midi_number(hz: f64) -> f64 {
    69.0 + 12.0 * (hz / 440.0).log2()
}

/// MIDI number of the note nearest to `hz`.
pub fn nearest_midi(hz: f64) -> i32 {
    midi_number(hz).round() as i32
}
