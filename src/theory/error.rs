//! What can be wrong with a name of this floor: a note, a key, an interval or a chord.

use super::key::Key;

/// A text that names nothing.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NameError {
    /// Not a note in scientific pitch notation, or beyond MIDI 0–127.
    #[error("`{found}` is not a note")]
    Note {
        /// The text as found.
        found: String,
    },
    /// Not a tonic and a mode.
    #[error("`{found}` is not a key")]
    Key {
        /// The text as found.
        found: String,
    },
    /// A key that would need more than seven sharps or flats.
    #[error("`{found}` needs more than seven sharps or flats")]
    RemoteKey {
        /// The text as found.
        found: String,
        /// The key of the same sound that has a signature.
        instead: Key,
    },
    /// Not an interval.
    #[error("`{found}` is not an interval")]
    Interval {
        /// The text as found.
        found: String,
    },
    /// Not a chord symbol.
    #[error("`{found}` is not a chord symbol")]
    Chord {
        /// The text as found.
        found: String,
    },
}
