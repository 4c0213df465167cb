//! What was put into the takes of `test-audio/`, as the files beside them tell it.

use std::fs;
use std::path::Path;
use std::path::PathBuf;

use serde::Deserialize;
use serde::Serialize;

/// The truth about one take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// What the take shows, in words.
    pub about: String,
    /// How sharp the guitar is tuned as a whole.
    pub tuned_cents: f64,
    /// One entry for every step of the lick.
    pub steps: Vec<TrueStep>,
    /// Everything that was put in, in order of time.
    pub notes: Vec<TrueNote>,
}

/// The truth about one step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueStep {
    pub step: usize,
    /// As in the JSON of `check`.
    pub verdict: String,
    /// When it was played; more than one where it was repeated, and any of them is right.
    pub starts_s: Vec<f64>,
}

/// A note that was put in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueNote {
    pub start_s: f64,
    pub end_s: f64,
    pub string: u8,
    /// As played (for a harmonic the node).
    pub fret: u8,
    /// The nearest MIDI note.
    pub midi: u8,
    /// First partial against that note at A4 = 440 Hz, the tuning of the guitar counted.
    pub cents: f64,
    /// `struck`, `hammer-on`, `pull-off`, `slide`, `bend` or `harmonic`.
    pub how: String,
    /// The step it was played for; none for a false start.
    pub step: Option<usize>,
}

/// The folder `test-audio/`.
pub fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("test-audio")
}

/// The names of all takes, in alphabetical order: `NAME.wav`, `NAME.toml`, `NAME.truth.toml`.
pub fn takes() -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder())
        .expect("test-audio is part of the sources")
        .map(|entry| entry.expect("a readable folder").file_name())
        .filter_map(|name| Some(name.to_str()?.strip_suffix(".wav")?.to_owned()))
        .collect();
    names.sort();
    names
}

impl Truth {
    /// The truth about the take called `name`.
    pub fn of(name: &str) -> Self {
        let path = folder().join(format!("{name}.truth.toml"));
        let text =
            fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
    }
}
