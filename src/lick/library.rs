//! Licks that come with the program, each known by the name of its file.

use std::io;
use std::path::Path;

use super::Lick;
use super::error::LickError;
use super::fault::nearest;
use super::file::read_text;

macro_rules! licks {
    ($($name:literal),* $(,)?) => {
        [$(($name, include_str!(concat!("library/", $name, ".toml")))),*]
    };
}

const LICKS: [(&str, &str); 11] = licks![
    "ferry-landing-sixths",
    "glass-marbles",
    "harbour-lights-chords",
    "long-ladder-tenths",
    "loose-gate-shuffle",
    "low-tide-drone",
    "mill-wheel-hammers",
    "orchard-gate-thirds",
    "slate-staircase",
    "three-lanterns",
    "two-brooks",
];

/// A commented lick to start from, not one of the library.
pub const STARTER: &str = include_str!("library/starter.toml");

/// The names of the licks that come with the program, in alphabetical order.
pub fn names() -> impl Iterator<Item = &'static str> {
    LICKS.iter().map(|(name, _)| *name)
}

/// The name of an embedded lick that `found` may have meant: a slip of the pen, blanks for hyphens, a
/// part of it.
pub(super) fn near(found: &str) -> Option<&'static str> {
    let found = found.trim_end_matches(".toml").to_lowercase().replace([' ', '_'], "-");
    let names: Vec<_> = names().collect();
    let has_part = |name: &&str| found.len() >= 4 && name.contains(&found);
    nearest(&found, &names).or_else(|| names.iter().copied().find(has_part))
}

/// The file of an embedded lick.
pub fn text(name: &str) -> Option<&'static str> {
    LICKS.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}

/// The lick in the file at `name_or_path`, or, where there is no such file, the embedded lick of
/// that name.
///
/// # Errors
/// A file that is not a lick, or neither a file nor a name.
pub fn find(name_or_path: impl AsRef<Path>) -> Result<Lick, LickError> {
    let path = name_or_path.as_ref();
    find_text(path).and_then(|text| Lick::parse(&text, &path.to_string_lossy()))
}

/// The text of what [`find`] finds.
///
/// # Errors
/// Neither a readable file nor a name.
pub fn find_text(name_or_path: impl AsRef<Path>) -> Result<String, LickError> {
    let path = name_or_path.as_ref();
    match (read_text(path), path.to_str().and_then(text)) {
        (Err(LickError::Read { source, .. }), Some(embedded))
            if source.kind() == io::ErrorKind::NotFound =>
        {
            Ok(embedded.to_owned())
        }
        (read, _) => read,
    }
}
