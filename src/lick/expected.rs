//! What a step asks for, as sounding notes: the only view of a lick that the judge has.
//!
//! **Conventions.** Pitches are equal-tempered MIDI numbers as they *sound* (capo counted, a
//! harmonic at its sounding pitch). Times are in beats since the first step.

use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::note::MidiNote;

/// One note that has to sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExpectedNote {
    /// The string it is played on.
    pub string: StringNumber,
    /// The fret as written (for a harmonic the node that is touched).
    pub fret: Fret,
    /// The sounding note.
    pub note: MidiNote,
    /// How the note is made.
    pub technique: Technique,
}

/// How a note is made to sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Technique {
    /// Struck with finger or plectrum.
    Struck,
    /// Sounded by a finger hammered on to a higher fret.
    HammerOn,
    /// Sounded by pulling off to a lower fret.
    PullOff,
    /// Reached by sliding along the string.
    Slide,
    /// Reached by bending up to this pitch.
    Bend,
    /// A natural harmonic, touched at `fret`.
    NaturalHarmonic,
    /// An artificial harmonic: stopped at `stopped`, touched at `fret`.
    ArtificialHarmonic {
        /// The fret that is stopped.
        stopped: Fret,
    },
    /// Not struck: still sounding from the step before.
    Held,
}

/// A later stage of a step on one string: the target of a hammer-on, pull-off, slide or bend.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stage {
    /// The note reached, with the technique that reaches it.
    pub to: ExpectedNote,
    /// 1 for the first stage after the strike, 2 for the next of a chain, …
    pub order: u8,
}

/// Everything one step asks for.
#[derive(Debug, Clone, PartialEq)]
pub struct ExpectedStep {
    /// 1 for the first step of the lick, rests counted.
    pub number: usize,
    /// When the step begins, in quarter notes since the lick began.
    pub start_beats: f64,
    /// How long it lasts, in quarter notes.
    pub length_beats: f64,
    /// Notes struck at the start, lowest string first (no entry is `Held` here).
    pub struck: Vec<ExpectedNote>,
    /// Notes still sounding from the step before (`=`), lowest string first.
    pub held: Vec<ExpectedNote>,
    /// Later stages, in order of `order`, then lowest string first.
    pub stages: Vec<Stage>,
}

impl ExpectedStep {
    /// True when nothing is to be struck or held.
    pub fn is_rest(&self) -> bool {
        self.struck.is_empty() && self.held.is_empty()
    }
}

/// A lick as the judge sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// Title of the lick.
    pub title: String,
    /// Quarter notes a minute.
    pub tempo_bpm: f64,
    /// Open strings as they sound, capo counted, lowest string first.
    pub open_strings: Vec<(StringNumber, MidiNote)>,
    /// All steps, rests included.
    pub steps: Vec<ExpectedStep>,
}
