//! `doublecheck explain`: show a lick's tab, notes, intervals and chord roles, and check the
//! author's claims.

use std::io;
use std::io::IsTerminal;
use std::path::PathBuf;

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::output::Existing;
use crate::lick;
use crate::lick::library;
use crate::lick::repair::repair;
use crate::report::explain;
use crate::report::explain::repairs;

/// Show a lick's tab, notes, intervals and chord roles, and check the author's claims.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lick file, or the name of an embedded lick
    #[arg(value_name = "LICK")]
    lick: PathBuf,
    /// Repair what is certain (spelling, claims): show the difference, ask, then write the file
    #[arg(long)]
    fix: bool,
    /// Write the repairs without asking
    #[arg(long, requires = "fix")]
    yes: bool,
}

/// Runs the command.
///
/// # Errors
/// A lick that cannot be read, or a repair that cannot be written.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    if args.fix {
        return fix(&args, common);
    }
    let lick = lick::find(&args.lick)?;
    let explanation = lick.explain();
    match common.json {
        true => output::print(|out| explain::json(out, &lick, &explanation)),
        false => {
            output::print_text(|out, look| explain::text(out, &lick, &explanation, look.width))
        }
    }?;
    Ok(Outcome::Done)
}

fn fix(args: &Args, common: &Common) -> Result<Outcome, Failure> {
    let original = library::find_text(&args.lick)?;
    let name = args.lick.display().to_string();
    let repaired = repair(&original, &name)?;
    if !common.json {
        output::print(|out| repairs::text(out, &original, &repaired))?;
    }
    let wanted = !repaired.repairs.is_empty() && (args.yes || (!common.json && agreed(&name)));
    if wanted {
        output::save(&args.lick, repaired.text.as_bytes(), Existing::Replace)?;
        output::tell(&format!("{name} written"));
    } else if !repaired.repairs.is_empty() {
        output::tell(&format!("{name} not changed; --yes writes it without asking"));
    }
    if common.json {
        output::print(|out| repairs::json(out, &name, &repaired, wanted))?;
    }
    Ok(Outcome::Done)
}

/// Asks at the terminal; without one nobody can agree.
fn agreed(file: &str) -> bool {
    if !io::stdin().is_terminal() || !io::stderr().is_terminal() {
        return false;
    }
    output::tell(&format!("Write this to {file}? Type y for yes."));
    let mut answer = String::new();
    io::stdin().read_line(&mut answer).is_ok() && matches!(answer.trim(), "y" | "Y" | "yes" | "Yes")
}
