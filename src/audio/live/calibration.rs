//! The round-trip delay of each pair of devices, measured once and kept.
//!
//! **Conventions.** One small JSON file in the user's configuration folder; a newer measurement of
//! a pair replaces the older one.
//! **Limits.** A delay holds for the rate and buffers it was measured with; other buffers shift it
//! by their difference.

use std::fs;
use std::io;
use std::path::Path;
use std::path::PathBuf;

use etcetera::BaseStrategy;
use serde::Deserialize;
use serde::Serialize;

use crate::audio::Whole;

/// How the file is laid out.
const SCHEMA: u32 = 1;

/// The measured delay of a pair of devices.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasuredDelay {
    /// Id of the input.
    pub input: String,
    /// Id of the output.
    pub output: String,
    /// Samples a second of both.
    pub rate_hz: u32,
    /// Buffer of the input in samples.
    pub input_buffer_samples: u64,
    /// Buffer of the output in samples.
    pub output_buffer_samples: u64,
    /// From asking for a sample to its arrival, in milliseconds; the middle of all chirps.
    pub delay_ms: f64,
    /// The farthest chirp from the middle, in milliseconds.
    pub spread_ms: f64,
    /// How many chirps were heard.
    pub chirps_heard: usize,
}

/// Why delays cannot be read or kept.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CalibrationError {
    /// The system does not say where settings belong.
    #[error("no home folder to keep the delay in")]
    NoHome,
    /// The file cannot be read or written.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The file was written by a later version, whose figures may mean something else.
    #[error("{}: written in schema {schema}, this version knows {SCHEMA}", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// What the file calls its schema.
        schema: u32,
    },
    /// The file is not what was written.
    #[error("{}: not a list of delays ({source})", path.display())]
    Spoilt {
        /// The file.
        path: PathBuf,
        /// Where reading it failed.
        source: serde_json::Error,
    },
}

#[derive(Debug, Serialize, Deserialize)]
struct Kept {
    schema: u32,
    delays: Vec<MeasuredDelay>,
}

/// Where delays are kept.
///
/// # Errors
/// [`CalibrationError::NoHome`].
pub fn path() -> Result<PathBuf, CalibrationError> {
    let places = etcetera::choose_base_strategy().map_err(|_| CalibrationError::NoHome)?;
    Ok(places.config_dir().join("doublecheck").join("delays.json"))
}

/// The delay of this pair, if it was ever measured. A file that cannot be read is no delay.
pub fn lookup(input: &str, output: &str) -> Option<MeasuredDelay> {
    let kept = read(&path().ok()?).ok()?;
    kept.into_iter().find(|delay| delay.input == input && delay.output == output)
}

/// Keeps a measurement; tells where.
///
/// # Errors
/// The file or its folder cannot be written, or holds something else: nothing is overwritten then.
pub fn keep(delay: MeasuredDelay) -> Result<PathBuf, CalibrationError> {
    let path = path()?;
    keep_in(&path, delay)?;
    Ok(path)
}

fn keep_in(path: &Path, delay: MeasuredDelay) -> Result<(), CalibrationError> {
    let mut delays = read(path)?;
    delays.retain(|old| (&old.input, &old.output) != (&delay.input, &delay.output));
    delays.push(delay);
    let text = serde_json::to_string_pretty(&Kept { schema: SCHEMA, delays })
        .expect("numbers and text are always JSON");
    let folder = path.parent().unwrap_or(Path::new("."));
    let write = || -> io::Result<()> {
        fs::create_dir_all(folder)?;
        Whole::write(path, format!("{text}\n").as_bytes(), true)
    };
    write().map_err(|source| CalibrationError::Io { path: path.to_owned(), source })
}

fn read(path: &Path) -> Result<Vec<MeasuredDelay>, CalibrationError> {
    let text = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(source) => return Err(CalibrationError::Io { path: path.to_owned(), source }),
    };
    let path = || path.to_owned();
    match serde_json::from_str(&text) {
        Ok(Kept { schema: SCHEMA, delays }) => Ok(delays),
        Ok(Kept { schema, .. }) => Err(CalibrationError::Newer { path: path(), schema }),
        Err(source) => Err(CalibrationError::Spoilt { path: path(), source }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn delay(input: &str, delay_ms: f64) -> MeasuredDelay {
        MeasuredDelay {
            input: input.to_owned(),
            output: "alsa:out".to_owned(),
            rate_hz: 48_000,
            input_buffer_samples: 512,
            output_buffer_samples: 512,
            delay_ms,
            spread_ms: 0.2,
            chirps_heard: 8,
        }
    }

    #[test]
    fn the_newest_measurement_of_each_pair_is_kept() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("new/delays.json");
        for kept in [delay("a", 10.0), delay("b", 20.0), delay("a", 11.0)] {
            keep_in(&path, kept).expect("the folder is ours");
        }
        assert_eq!(read(&path).expect("just written"), [delay("b", 20.0), delay("a", 11.0)]);
    }

    #[test]
    fn a_file_of_a_later_version_is_neither_believed_nor_overwritten() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("delays.json");
        keep_in(&path, delay("a", 10.0)).expect("the folder is ours");
        let later = fs::read_to_string(&path).expect("just written").replace(": 1,", ": 2,");
        fs::write(&path, &later).expect("the folder is ours");
        let error = keep_in(&path, delay("a", 11.0)).expect_err("a later version");
        assert!(matches!(error, CalibrationError::Newer { schema: 2, .. }), "{error}");
        assert_eq!(fs::read_to_string(&path).expect("still there"), later);
    }

    #[test]
    fn a_spoilt_file_is_not_overwritten() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("delays.json");
        fs::write(&path, "my own notes").expect("the folder is ours");
        let error = keep_in(&path, delay("a", 10.0)).expect_err("not a list of delays");
        assert!(matches!(error, CalibrationError::Spoilt { .. }), "{error}");
        assert_eq!(fs::read_to_string(&path).expect("still there"), "my own notes");
    }
}
