//! Why there is no lick, where it went wrong, and the way out.
//!
//! **Conventions.** `Display` is one lower-case line with the place first; [`LickError::excerpt`]
//! shows the place, [`LickError::hint`] the way out.

use std::fmt::Display;
use std::io;
use std::path::Path;

use super::fault::Fault;
use super::fault::list;
use super::fault::lower_first;
use super::library;
use super::place::Place;
use super::place::printable;

/// Why there is no lick.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LickError {
    /// The file cannot be read.
    #[error("{name}: {}", told_by_system(source))]
    Read {
        /// The path as given.
        name: String,
        /// What the system said.
        source: io::Error,
    },
    /// The file is too long to be a lick.
    #[error("{name}: longer than {} megabytes", super::file::LONGEST_FILE >> 20)]
    TooLong {
        /// The path as given.
        name: String,
    },
    /// The file is not text.
    #[error("{name}:{line}: not UTF-8 text")]
    NotText {
        /// The path as given.
        name: String,
        /// The line of the first byte that is not text.
        line: usize,
    },
    /// The file is called otherwise than a lick and cannot be read as one.
    #[error("{name}: {}, not a lick", if is_recording(name) { "a recording" } else { "a score or tab" })]
    Other {
        /// The path as given.
        name: String,
    },
    /// The text is not a lick.
    #[error("{}:{}:{}: {}", place.name, place.line, place.column, one_line(fault))]
    Malformed {
        /// Where.
        place: Box<Place>,
        /// What is wrong there.
        fault: Fault,
    },
}

impl LickError {
    /// This error, unless the name says that no lick was meant.
    pub(super) fn or_other(self, name: &str) -> Self {
        match is_notation(name) || is_recording(name) {
            true => Self::Other { name: name.to_owned() },
            false => self,
        }
    }

    /// What to do about it.
    pub fn hint(&self) -> String {
        match self {
            Self::Read { name, source } if source.kind() == io::ErrorKind::NotFound => {
                let names: Vec<_> = library::names().collect();
                let file = Some(format!("{name}.toml")).filter(|file| Path::new(file).is_file());
                let meant = file
                    .or_else(|| library::near(name).map(str::to_owned))
                    .map_or(String::new(), |meant| format!("did you mean `{meant}`? "));
                format!(
                    "{meant}give the path of a lick file, or an embedded lick: {}",
                    list(&names)
                )
            }
            Self::Read { .. } => "check the path and that the file may be read".to_owned(),
            Self::Other { name } if is_recording(name) => {
                "a lick comes first and recordings after it: the two may be swapped".to_owned()
            }
            Self::Other { name } => {
                let lick = Path::new(name).with_extension("toml").display().to_string();
                let (name, lick) = (as_typed(name), as_typed(&lick));
                format!("make a lick of it first: doublecheck convert {name} -o {lick}")
            }
            Self::NotText { .. } => {
                "save it as UTF-8 text in your editor; `doublecheck new` writes a lick to start from"
                    .to_owned()
            }
            Self::TooLong { .. } => {
                "a lick is a short TOML file; `doublecheck new` writes one to start from".to_owned()
            }
            Self::Malformed { fault, .. } => fault.hint(),
        }
    }

    /// The lines around the place with the place marked, no line wider than `width` cells if there is
    /// one; empty where there is no place.
    pub fn excerpt(&self, width: Option<usize>) -> String {
        match self {
            Self::Malformed { place, .. } => place.excerpt(width),
            _ => String::new(),
        }
    }
}

/// What the system says of a file, without its number for it.
pub fn told_by_system(error: impl Display) -> String {
    let words = lower_first(error);
    words.split(" (os error").next().unwrap_or_default().to_owned()
}

/// A path as it is typed on a command line.
fn as_typed(path: &str) -> String {
    let is_plain = |c: char| c.is_alphanumeric() || "._-/".contains(c);
    if path.chars().all(is_plain) { path.to_owned() } else { format!("\"{path}\"") }
}

fn ends_in(name: &str, endings: &[&str]) -> bool {
    let ending = Path::new(name).extension().unwrap_or_default();
    endings.iter().any(|known| ending.eq_ignore_ascii_case(known))
}

/// Whether the name is that of a file that `convert` reads.
fn is_notation(name: &str) -> bool {
    ends_in(name, &["musicxml", "xml", "mxl", "mid", "midi", "tab", "txt"])
}

/// Whether the name is that of a recording.
pub fn is_recording(name: &str) -> bool {
    ends_in(
        name,
        &[
            "wav", "flac", "mp3", "ogg", "oga", "opus", "webm", "mka", "mp4", "m4a", "aif", "aiff",
            "caf",
        ],
    )
}

/// A message without line breaks and control characters, cut where it gets long.
fn one_line(fault: &Fault) -> String {
    const LONGEST: usize = 200;
    let message = printable(&fault.to_string()).replace('\n', " ");
    match message.char_indices().nth(LONGEST) {
        Some((end, _)) => format!("{}…", &message[..end]),
        None => message,
    }
}
