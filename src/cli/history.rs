//! `doublecheck history`: show progress over takes and sessions.

use std::io::Write;
use std::path::PathBuf;

use serde_json::Value;

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use crate::report::history;
use crate::report::history::Entry;

/// Show progress over takes and sessions.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Documents that `check --json` printed, oldest first
    #[arg(required = true, value_name = "DOCUMENT")]
    documents: Vec<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// A file that cannot be read or is no document of `check --json`.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let mut entries: Vec<Entry> = Vec::new();
    for path in &args.documents {
        let name = path.display();
        let text = std::fs::read_to_string(path).map_err(|cause| {
            Failure::new(format!("{name}: {cause}"), "name files that can be read")
        })?;
        let hint = "keep them with `doublecheck check LICK TAKE --json > DOCUMENT`";
        let document: Value = serde_json::from_str(&text)
            .map_err(|cause| Failure::new(format!("{name}: no JSON: {cause}"), hint))?;
        let found = history::entries(&document)
            .ok_or_else(|| Failure::new(format!("{name}: no document of `check --json`"), hint))?;
        entries.extend(found);
    }
    output::print(|out| {
        if common.json {
            writeln!(out, "{:#}", history::document(&entries))
        } else {
            history::text(out, &entries)
        }
    })?;
    Ok(Outcome::Done)
}
