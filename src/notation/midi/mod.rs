//! Standard MIDI Files.
//!
//! **Conventions.** One track. Each string has a channel of its own (string 1 the first; the
//! percussion channel is passed over), so that a bend moves no other string. A slide goes by
//! semitones, as frets make it, and arrives at its time; a bend goes smoothly and begins at it.
//! A hammer-on or pull-off is a note of its own, softer than a struck one.
//! **Rule on the way in.** Strings and frets are chosen so that the hand keeps still, by the rule of
//! `notation/hand.rs`. Pitch that moves
//! by whole semitones is a slide, pitch that rises between them a bend; where it stays for a
//! sixteenth of a beat or longer, one move ends and the next begins.
//! The tuning is the one that is named, else the usual one, the sixth string down to D2 where notes lie so low.
//! **Limits.** A file is read from one track, with the first tempo, metre and key in it.
//! **Reference.** Standard MIDI Files 1.0 (RP-001), MIDI 1.0 Detailed Specification (RPN 0),
//! General MIDI 1 (programs, percussion), MIDI Manufacturers Association.

mod read;
mod write;

pub use read::read;
pub use read::read_tuned;
pub use write::Options;
pub use write::losses;
pub use write::write;

/// Semitones to either side that our pitch bends reach: from the nut to the last fret.
const BEND_RANGE: u8 = 24;

/// The channel of percussion, counted from 0.
const PERCUSSION: u8 = 9;
