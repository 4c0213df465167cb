//! Judged takes that this machine keeps, for `doublecheck history`.
//!
//! **Conventions.** One file a take, in the form of `check --json` with the time of the recording
//! added; its name begins with that time, so that names sort as the takes were played, and ends in the
//! path of the recording, for the takes of two folders may have one name and one time. Judging the same
//! recording again replaces its file. Whoever asks for JSON keeps takes as they like: nothing is written
//! behind a script's back.

use std::fs;
use std::io;
use std::path::Path;
use std::path::PathBuf;
use std::time::SystemTime;

use etcetera::BaseStrategy;
use serde_json::Value;
use time::OffsetDateTime;

use super::exit::Failure;
use super::output;
use super::output::Existing;
use crate::report::Page;
use crate::report::TakeReport;
use crate::report::json;

/// Most characters of a title or of a recording's path in the name of a file.
const NAME_CHARACTERS: usize = 40;

/// Keeps every take that was judged, and tells where. What cannot be kept is told and no error: the
/// judgement stands.
pub fn keep<'a>(page: &Page, takes: impl IntoIterator<Item = &'a TakeReport>) {
    let judged: Vec<&TakeReport> = takes.into_iter().filter(|take| take.outcome.is_ok()).collect();
    if judged.is_empty() {
        return;
    }
    let written = folder().and_then(|folder| {
        fs::create_dir_all(&folder).map_err(|error| {
            Failure::new(format!("{}: cannot be made: {}", folder.display(), error.kind()), "")
        })?;
        judged.iter().try_for_each(|take| keep_one(&folder, page, take))?;
        Ok(folder)
    });
    let takes = if judged.len() == 1 { "take" } else { "takes" };
    output::tell(&match written {
        Ok(folder) => format!(
            "{takes} kept for `doublecheck history` in {} (--no-history keeps nothing)",
            folder.display()
        ),
        Err(failure) => format!("{takes} not kept for `doublecheck history`: {}", failure.error),
    });
}

fn keep_one(folder: &Path, page: &Page, take: &TakeReport) -> Result<(), Failure> {
    let recording = Path::new(&take.recording);
    let recorded_at = timestamp(when_recorded(recording));
    let failed = |cause: &dyn std::fmt::Display| Failure::new(cause.to_string(), "");
    let mut text = Vec::new();
    json::check(&mut text, page, std::slice::from_ref(take)).map_err(|error| failed(&error))?;
    let mut document: Value = serde_json::from_slice(&text).map_err(|error| failed(&error))?;
    document["takes"][0]["recorded_at"] = recorded_at.as_str().into();
    let title = document["lick"].as_str().unwrap_or_default();
    let place =
        recording.canonicalize().unwrap_or_else(|_| recording.to_owned()).with_extension("");
    let time = recorded_at.replace(':', "");
    let name = format!("{time}-{}-{}.json", plain(title), plain_end(&place.to_string_lossy()));
    output::save(&folder.join(name), format!("{document:#}\n").as_bytes(), Existing::Replace)
}

/// The documents that are kept, oldest first, each with its file.
///
/// # Errors
/// A folder that is there and cannot be read, or no home folder at all.
pub fn documents() -> Result<Vec<PathBuf>, Failure> {
    let folder = folder()?;
    let entries = match fs::read_dir(&folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => {
            return Err(Failure::new(
                format!("{}: cannot be read: {}", folder.display(), error.kind()),
                "check the permissions of the folder",
            ));
        }
    };
    let mut paths: Vec<PathBuf> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|extension| extension == "json"))
        .collect();
    paths.sort();
    Ok(paths)
}

/// Where takes are kept.
fn folder() -> Result<PathBuf, Failure> {
    let places = etcetera::choose_base_strategy()
        .map_err(|_| Failure::new("there is no home folder", "set HOME or XDG_DATA_HOME"))?;
    Ok(places.data_dir().join("doublecheck").join("history"))
}

/// When the file was last written, which is when its recording ended; now, if it is no file.
#[expect(clippy::disallowed_methods, reason = "what comes from standard input was played now")]
fn when_recorded(recording: &Path) -> SystemTime {
    let written = fs::metadata(recording).and_then(|found| found.modified());
    written.unwrap_or_else(|_| SystemTime::now())
}

/// `2026-03-07T18:05:59Z` (RFC 3339).
fn timestamp(time: SystemTime) -> String {
    let time = OffsetDateTime::from(time);
    let (hour, minute, second) = time.to_hms();
    format!("{}T{hour:02}:{minute:02}:{second:02}Z", time.date())
}

/// The beginning of `text` as every file system takes it.
fn plain(text: &str) -> String {
    text.chars().map(plain_letter).take(NAME_CHARACTERS).collect()
}

/// The end of `text` as every file system takes it.
fn plain_end(text: &str) -> String {
    let before = text.chars().count().saturating_sub(NAME_CHARACTERS);
    text.chars().map(plain_letter).skip(before).collect()
}

fn plain_letter(letter: char) -> char {
    if letter.is_alphanumeric() { letter } else { '-' }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    /// Seconds since 1970 and dates as `date -u -d @SECONDS` of GNU coreutils tells them.
    #[test]
    fn times_are_written_as_rfc_3339_has_them() {
        for (seconds, written) in
            [(0, "1970-01-01T00:00:00Z"), (1_772_906_759, "2026-03-07T18:05:59Z")]
        {
            let time = SystemTime::UNIX_EPOCH + Duration::from_secs(seconds);
            assert_eq!(timestamp(time), written);
        }
    }

    #[test]
    fn names_of_files_are_plain_and_short() {
        assert_eq!(plain("../a b/ü?"), "---a-b-ü-");
        assert_eq!(plain(&"x".repeat(100)).len(), NAME_CHARACTERS);
        assert_eq!(plain_end("/a b/ü"), "-a-b-ü");
        let long = format!("{}/12", "x".repeat(100));
        assert_eq!(plain_end(&long), format!("{}-12", "x".repeat(NAME_CHARACTERS - 3)));
    }
}
