//! Judged takes that this machine keeps, for `doublecheck history`.
//!
//! **Conventions.** One file a take, in the form of `check --json` with the time of the recording and
//! the path of its file added; its name begins with that time, so that names sort as the takes were played,
//! and ends in the path. Names are short, and so may be alike: a number then tells takes apart. Judging the
//! same recording again replaces its file, under another name or in another folder too. Whoever asks for JSON
//! keeps takes as they like: nothing is written behind a script's back.

use std::fs;
use std::io;
use std::path::Path;
use std::path::PathBuf;
use std::time::SystemTime;

use etcetera::BaseStrategy;
use serde_json::Value;
use time::OffsetDateTime;
use time::UtcOffset;
use time::format_description::well_known::Rfc3339;

use super::exit::Failure;
use super::output;
use crate::audio::Whole;
use crate::report::Page;
use crate::report::TakeReport;
use crate::report::json;

/// Most characters of a title or of a recording's path in the name of a file.
const NAME_CHARACTERS: usize = 40;

/// Most bytes of either: no file system takes names of more than 255, time, number and ending included.
const NAME_BYTES: usize = 110;

/// The part of a time that names begin with.
const WHOLE_SECONDS: usize = "2026-03-07T18:05:59".len();

/// A time of [RFC 3339](https://www.rfc-editor.org/rfc/rfc3339) as clocks in this place showed it then; as it is
/// where it is no such time or the place is not known.
pub fn on_this_clock(time: &str) -> String {
    let here = || {
        let time = OffsetDateTime::parse(time, &Rfc3339).ok()?;
        let offset = UtcOffset::local_offset_at(time).ok()?;
        time.to_offset(offset).format(&Rfc3339).ok()
    };
    here().unwrap_or_else(|| time.to_owned())
}

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
        // What cannot be kept of one take keeps none of the others.
        let kept = judged.iter().map(|take| keep_one(&folder, page, take));
        let lost: Vec<Failure> = kept.filter_map(Result::err).collect();
        Ok((folder, lost))
    });
    let of_all = |lost: usize| match judged.len() {
        1 => "take".to_owned(),
        all if lost == all => "takes".to_owned(),
        all => format!("{lost} of {all} takes"),
    };
    output::tell(&match written {
        Ok((folder, lost)) if lost.is_empty() => format!(
            "{} kept for `doublecheck history` in {} (--no-history keeps nothing)",
            of_all(judged.len()),
            folder.display()
        ),
        Ok((_, lost)) => {
            let takes = of_all(lost.len());
            format!("{takes} not kept for `doublecheck history`: {}", lost[0].error)
        }
        Err(failure) => {
            let takes = of_all(judged.len());
            format!("{takes} not kept for `doublecheck history`: {}", failure.error)
        }
    });
}

fn keep_one(folder: &Path, page: &Page, take: &TakeReport) -> Result<(), Failure> {
    let failed = |cause: &dyn std::fmt::Display| Failure::new(cause.to_string(), "");
    let mut document =
        json::value(page, std::slice::from_ref(take)).map_err(|error| failed(&error))?;
    // What comes from standard input, or was not recorded, has no file.
    let is_file = take.recording != "-";
    let file = is_file.then(|| Path::new(&take.recording).canonicalize().ok()).flatten();
    let recorded_at = timestamp(when_recorded(file.as_deref()));
    document["takes"][0]["recorded_at"] = recorded_at.as_str().into();
    document["takes"][0]["file"] = file.as_ref().map(|file| file.to_string_lossy()).into();
    let place = file.unwrap_or_else(|| PathBuf::from(&take.recording)).with_extension("");
    let begins = format!(
        "{}Z-{}-",
        recorded_at[..WHOLE_SECONDS].replace(':', ""),
        plain(document["lick"].as_str().unwrap_or_default())
    );
    let name = format!("{begins}{}", plain_end(&place.to_string_lossy()));
    let earlier = under_an_earlier_name(folder, &begins, &document);
    let text = format!("{document:#}\n");
    let mut number = 1;
    loop {
        let ending = if number > 1 { format!("_{number}.json") } else { ".json".to_owned() };
        let path = folder.join(format!("{name}{ending}"));
        let same = holds(&path, &document);
        match Whole::write(&path, text.as_bytes(), same) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists && !same => number += 1,
            written => {
                let told = |error: io::Error| format!("{}: {}", path.display(), error.kind());
                written.map_err(|error| failed(&told(error)))?;
                break;
            }
        }
    }
    // That it stays is no harm: the take is then listed twice.
    earlier.into_iter().for_each(|path| drop(fs::remove_file(path)));
    Ok(())
}

/// What is kept of the same recording from before it was renamed or moved: made at the same thousandth of a
/// second, judged alike to the last figure, and no longer where it was.
fn under_an_earlier_name(folder: &Path, begins: &str, document: &Value) -> Vec<PathBuf> {
    let take = &document["takes"][0];
    let is_earlier = |path: &PathBuf| {
        let text = fs::read(path).unwrap_or_default();
        let kept: Value = serde_json::from_slice(&text).unwrap_or_default();
        let before = &kept["takes"][0];
        let same = |name: &str| before[name] == take[name];
        let is_gone = before["file"].as_str().is_some_and(|file| !Path::new(file).exists());
        kept["lick"] == document["lick"] && same("recorded_at") && same("steps") && is_gone
    };
    let named = |path: &PathBuf| {
        path.file_name().is_some_and(|name| name.to_string_lossy().starts_with(begins))
    };
    let is_file = take["file"].is_string();
    let all = fs::read_dir(folder).into_iter().flatten().filter(|_| is_file);
    all.filter_map(|entry| Some(entry.ok()?.path())).filter(named).filter(is_earlier).collect()
}

/// Whether what is kept at `path` is the same recording, judged before against the same lick.
fn holds(path: &Path, document: &Value) -> bool {
    let text = fs::read(path).unwrap_or_default();
    let kept: Value = serde_json::from_slice(&text).unwrap_or_default();
    let (earlier, take) = (&kept["takes"][0], &document["takes"][0]);
    let name = |take: &Value| {
        let path = Path::new(take["recording"].as_str().unwrap_or_default());
        path.file_name().map(ToOwned::to_owned)
    };
    let same_file = match &earlier["file"] {
        // The first takes that were kept tell no file.
        Value::Null => name(earlier) == name(take),
        file => *file == take["file"] && earlier["recorded_at"] == take["recorded_at"],
    };
    same_file && !take["file"].is_null() && kept["lick"] == document["lick"]
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
fn when_recorded(file: Option<&Path>) -> SystemTime {
    let written = file.and_then(|file| fs::metadata(file).ok()?.modified().ok());
    written.unwrap_or_else(SystemTime::now)
}

/// `2026-03-07T18:05:59.250Z` (RFC 3339).
fn timestamp(time: SystemTime) -> String {
    let time = OffsetDateTime::from(time);
    let (hour, minute, second, thousandths) = time.to_hms_milli();
    format!("{}T{hour:02}:{minute:02}:{second:02}.{thousandths:03}Z", time.date())
}

/// The beginning of `text` as every file system takes it.
fn plain(text: &str) -> String {
    short(text.chars()).collect()
}

/// The end of `text` as every file system takes it.
fn plain_end(text: &str) -> String {
    let backwards: Vec<char> = short(text.chars().rev()).collect();
    backwards.into_iter().rev().collect()
}

fn short(letters: impl Iterator<Item = char>) -> impl Iterator<Item = char> {
    let plain = letters.map(|letter| if letter.is_alphanumeric() { letter } else { '-' });
    let mut bytes = 0;
    plain.take(NAME_CHARACTERS).take_while(move |letter| {
        bytes += letter.len_utf8();
        bytes <= NAME_BYTES
    })
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    /// Seconds since 1970 and dates as `date -u -d @SECONDS` of GNU coreutils tells them.
    #[test]
    fn times_are_written_as_rfc_3339_has_them() {
        for (thousandths, written) in
            [(0, "1970-01-01T00:00:00.000Z"), (1_772_906_759_250, "2026-03-07T18:05:59.250Z")]
        {
            let time = SystemTime::UNIX_EPOCH + Duration::from_millis(thousandths);
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
        let steps = format!("{}上下", "階".repeat(100));
        for short in [plain(&steps), plain_end(&steps)] {
            assert!((NAME_BYTES - 3..=NAME_BYTES).contains(&short.len()), "{short}");
        }
        assert!(plain_end(&steps).ends_with("階上下"));
    }
}
