//! `doublecheck new`: write a commented starter lick.

use std::path::PathBuf;

use serde::Serialize;

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::output::Existing;
use crate::lick::library;
use crate::report::json;

/// Write a commented starter lick.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Where to write it; without it the lick goes to standard output
    #[arg(value_name = "FILE")]
    file: Option<PathBuf>,
    /// Start from this embedded lick instead
    #[arg(long, value_name = "NAME", value_parser = clap::builder::PossibleValuesParser::new(library::names()))]
    like: Option<String>,
}

#[derive(Serialize)]
struct Document<'a> {
    schema: u32,
    file: Option<String>,
    lick: &'a str,
}

/// Runs the command.
///
/// # Errors
/// A file of that name exists, or cannot be written.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let lick = args.like.as_deref().and_then(library::text).unwrap_or(library::STARTER);
    if let Some(path) = &args.file {
        output::save(path, lick.as_bytes(), Existing::Keep)?;
        output::tell(&format!(
            "{} written; `doublecheck explain` shows what it says",
            path.display()
        ));
    }
    let file = args.file.as_ref().map(|path| path.display().to_string());
    output::print(|out| match (common.json, &file) {
        (true, _) => json::document(out, &Document { schema: json::SCHEMA, file, lick }),
        (false, None) => std::io::Write::write_all(out, lick.as_bytes()),
        (false, Some(_)) => Ok(()),
    })?;
    Ok(Outcome::Done)
}
