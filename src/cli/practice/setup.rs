//! What was asked for: which steps, and where recordings belong.

use std::path::PathBuf;

use etcetera::BaseStrategy;

use super::Args;
use crate::cli::exit::Failure;
use crate::lick::Lick;
use crate::lick::expected::Expected;

/// First and last step to be played.
///
/// # Errors
/// The lick has no such steps.
pub fn range(args: &Args, lick: &Lick) -> Result<(usize, usize), Failure> {
    let last = lick.steps.len();
    let (from, to) = (args.from.unwrap_or(1), args.to.unwrap_or(last));
    if (1..=last).contains(&from) && (from..=last).contains(&to) {
        return Ok((from, to));
    }
    Err(Failure::new(
        format!("steps {from} to {to}: the lick has steps 1 to {last}"),
        "choose --from and --to within it, --from not after --to",
    ))
}

/// How many passes are played.
///
/// # Errors
/// One alone, of which none after it can be faster.
pub fn passes(args: &Args) -> Result<usize, Failure> {
    if args.faster > 0.0 && args.repeat == 1 {
        return Err(Failure::new(
            "--faster is for the passes after the first, and one is to be played",
            "say how many passes: --repeat 5",
        ));
    }
    Ok(usize::from(args.repeat))
}

/// The steps of that range.
///
/// # Errors
/// There is nothing to strike in it.
pub fn part(mut expected: Expected, from: usize, to: usize) -> Result<Expected, Failure> {
    expected.steps.retain(|step| (from..=to).contains(&step.number));
    if expected.steps.iter().all(|step| step.struck.is_empty()) {
        return Err(Failure::new(
            format!("steps {from} to {to}: nothing to strike in them"),
            "choose a range with notes in it",
        ));
    }
    Ok(expected)
}

/// Where recordings belong; made if it is not there.
///
/// # Errors
/// It cannot be made.
pub fn folder(args: &Args) -> Result<PathBuf, Failure> {
    let folder = match &args.keep_in {
        Some(folder) => folder.clone(),
        None => {
            let places = etcetera::choose_base_strategy().map_err(|_| {
                Failure::new("no home folder to keep recordings in", "name one with --keep-in")
            })?;
            places.data_dir().join("doublecheck").join("takes")
        }
    };
    if folder.is_file() {
        return Err(Failure::new(
            format!("{}: a file, not a folder", folder.display()),
            "name a folder with --keep-in",
        ));
    }
    std::fs::create_dir_all(&folder).map_err(|error| {
        Failure::new(
            format!("{}: cannot be made: {}", folder.display(), error.kind()),
            "name another folder with --keep-in",
        )
    })?;
    Ok(folder)
}
