//! `doublecheck sheet`: write a printable practice sheet.

use std::io::Write;
use std::path::Path;
use std::path::PathBuf;

use serde_json::json;

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::output::Existing;
use crate::lick;
use crate::report::json;
use crate::report::json::SCHEMA;
use crate::report::sheet::sheet;

/// Write a printable practice sheet.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lick file, or the name of an embedded lick
    #[arg(value_name = "LICK")]
    lick: PathBuf,
    /// The page to write (HTML), `-` for standard output; print it from a browser, on A4 or Letter
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Write over a file that is there
    #[arg(long)]
    force: bool,
}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let lick = lick::find(&args.lick)?;
    let page = sheet(&lick, common.a4);
    if args.output == Path::new("-") {
        output::alone(common)?;
        return output::print(|out| out.write_all(page.as_bytes())).map(|()| Outcome::Done);
    }
    output::names_a_page(&args.output)?;
    output::save(&args.output, page.as_bytes(), Existing::unless(args.force))?;
    output::tell(&format!("{} written; a browser shows and prints it", args.output.display()));
    if common.json {
        let document = json!({
            "schema": SCHEMA,
            "lick": lick.title,
            "output": args.output.display().to_string(),
        });
        output::print(|out| json::document(out, &document))?;
    }
    Ok(Outcome::Done)
}
