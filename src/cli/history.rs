//! `doublecheck history`: show progress over takes and sessions.

use std::collections::BTreeSet;
use std::io;
use std::path::Path;
use std::path::PathBuf;

use serde_json::Value;

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
use super::kept;
use super::output;
use crate::lick::error::told_by_system;
use crate::report::history;
use crate::report::history::Entry;
use crate::report::history::NoTakes;
use crate::report::json;

/// Takes shown of each lick without `--all`.
const SHOWN: usize = 15;

/// Show progress over takes and sessions.
///
/// Without documents it shows the takes that `check` and `practice` kept on this machine. A take in
/// which nothing was played is listed as that and counts for nothing.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Documents that `check --json` printed, oldest first
    #[arg(value_name = "DOCUMENT")]
    documents: Vec<PathBuf>,
    /// Only licks with this in their title
    #[arg(long, value_name = "TITLE")]
    lick: Option<String>,
    /// Show all takes, not only the newest of each lick
    #[arg(long)]
    all: bool,
}

/// Runs the command.
///
/// # Errors
/// A file that cannot be read or is no document of `check --json`.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let mut entries: Vec<Entry> = Vec::new();
    for path in &args.documents {
        entries.extend(read(path)?);
    }
    if args.documents.is_empty() {
        for path in kept::documents()? {
            match read(&path) {
                Ok(found) => entries.extend(found),
                // One spoilt file must not hide the others.
                Err(failure) => output::tell(&format!("left out: {}", failure.error)),
            }
        }
    }
    if entries.is_empty() {
        output::tell(
            "No takes are kept yet: `doublecheck check` and `doublecheck practice` keep them.",
        );
    } else if let Some(title) = &args.lick {
        let licks: BTreeSet<String> = entries.iter().map(|entry| entry.lick.clone()).collect();
        let wanted = title.to_lowercase();
        entries.retain(|entry| entry.lick.to_lowercase().contains(&wanted));
        if entries.is_empty() {
            let licks: Vec<String> = licks.into_iter().collect();
            output::tell(&format!(
                "No lick with `{title}` in its title; there are takes of: {}.",
                licks.join(", ")
            ));
        }
    }
    let shown = if args.all { usize::MAX } else { SHOWN };
    match common.json {
        true => output::print(|out| json::document(out, &history::document(&entries))),
        false => {
            for at in entries.iter_mut().filter_map(|entry| entry.recorded_at.as_mut()) {
                *at = kept::on_this_clock(at);
            }
            output::print_text(|out, look| history::text(out, &entries, shown, look.width))
        }
    }?;
    Ok(Outcome::Done)
}

fn read(path: &Path) -> Result<Vec<Entry>, Failure> {
    let name = path.display();
    let hint = "history takes documents of `check --json`, not recordings: keep them with \
                `doublecheck check LICK TAKE --json > DOCUMENT`";
    let text = std::fs::read_to_string(path).map_err(|cause| match cause.kind() {
        io::ErrorKind::InvalidData => Failure::new(format!("{name}: not text"), hint),
        _ => Failure::new(
            format!("{name}: {}", told_by_system(&cause)),
            "name files that can be read",
        ),
    })?;
    let document: Value = serde_json::from_str(&text)
        .map_err(|cause| Failure::new(format!("{name}: no JSON: {cause}"), hint))?;
    history::entries(&document).map_err(|none| {
        let hint = match none {
            NoTakes::Newer { .. } => "show it with the version of doublecheck that wrote it",
            _ => hint,
        };
        Failure::new(format!("{name}: {none}"), hint)
    })
}
