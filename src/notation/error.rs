//! What can be wrong with a file to be read, and where.

use std::fmt;

use crate::lick::check::Flaw;

/// Where in a file something is wrong. Lines, columns, tracks and bars count from 1, bytes and ticks from 0.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// A line and column of a text file, columns counted in characters.
    Text {
        /// The line.
        line: usize,
        /// The column.
        column: usize,
    },
    /// A byte of a binary file.
    Byte(usize),
    /// A tick of a track of a MIDI file.
    Tick {
        /// The track.
        track: usize,
        /// Ticks since the track began.
        tick: u64,
    },
    /// A file inside an archive.
    Entry(String),
    /// The file as a whole.
    File,
}

impl Place {
    /// The line and column of a byte offset in `text`; past the end is the end.
    pub fn in_text(text: &str, offset: usize) -> Self {
        let before = text.as_bytes().get(..offset).unwrap_or(text.as_bytes());
        let line = before.iter().filter(|&&byte| byte == b'\n').count() + 1;
        let start = before.iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
        // Counts characters by their first bytes, so that a cut inside one does no harm.
        let column = before[start..].iter().filter(|&&byte| byte & 0xC0 != 0x80).count() + 1;
        Self::Text { line, column }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Text { line, column } => write!(f, "line {line}, column {column}"),
            Self::Byte(byte) => write!(f, "byte {byte}"),
            Self::Tick { track, tick } => write!(f, "track {track}, tick {tick}"),
            Self::Entry(name) => write!(f, "entry {name}"),
            Self::File => write!(f, "the file"),
        }
    }
}

/// Why a file cannot be read as music.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NotationError {
    /// It breaks the rules of its own format.
    #[error("{place}: {problem}")]
    Malformed {
        /// Where.
        place: Place,
        /// Which rule, and what was found.
        problem: String,
    },
    /// A tuning without octaves, or of no notes at all.
    #[error("{place}: {found:?} is no tuning")]
    Tuning {
        /// Where.
        place: Place,
        /// What is written there.
        found: String,
    },
    /// It asks for what a trusting reader would pay for: entities, outside files, swelling archives.
    #[error("{place}: {problem}")]
    Hostile {
        /// Where.
        place: Place,
        /// What was asked for.
        problem: String,
    },
    /// It is larger than any lick.
    #[error("{place}: more than {limit} {what}")]
    TooBig {
        /// Where the limit was passed.
        place: Place,
        /// What there is too much of.
        what: &'static str,
        /// The limit.
        limit: u64,
    },
    /// It is well-formed, and says something that a lick cannot hold at all.
    #[error("{place}: {problem}")]
    Unsupported {
        /// Where.
        place: Place,
        /// What it says.
        problem: String,
    },
    /// It can be read, but not played.
    #[error("what was read cannot be played: {0}")]
    Unplayable(#[from] Flaw),
}

impl NotationError {
    /// The line of `text` that the error is in, with its number and a mark under the column, cut to
    /// `width` cells if there is one; empty where there is no line to show.
    pub fn excerpt(&self, text: &str, width: Option<usize>) -> String {
        let place = match self {
            Self::Malformed { place, .. }
            | Self::Tuning { place, .. }
            | Self::Hostile { place, .. }
            | Self::TooBig { place, .. }
            | Self::Unsupported { place, .. } => place,
            Self::Unplayable(_) => return String::new(),
        };
        let Place::Text { line, column } = *place else { return String::new() };
        let Some(shown) = text.lines().nth(line - 1) else { return String::new() };
        // Of a long line only what is around the place.
        let room = width.map_or(90, |width| width.saturating_sub(8).clamp(12, 90));
        let from = column.saturating_sub(room / 2);
        let part: String = shown.chars().skip(from).take(room).collect();
        let part = part.replace(|c: char| c.is_control(), " ");
        let indent = " ".repeat(column - 1 - from.min(column - 1));
        format!("{line:>5} | {part}\n      | {indent}^")
    }
}
