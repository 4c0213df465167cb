//! `doublecheck explain`: show a lick's tab, notes, intervals and chord roles, and check the
//! author's claims.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use crate::lick;
use crate::report::explain;

/// Show a lick's tab, notes, intervals and chord roles, and check the author's claims.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lick file, or the name of an embedded lick
    #[arg(value_name = "LICK")]
    lick: String,
}

/// Runs the command.
///
/// # Errors
/// A lick that cannot be read.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let lick = lick::find(&args.lick)?;
    let explanation = lick.explain();
    output::print(|out| match common.json {
        true => explain::json(out, &lick, &explanation),
        false => explain::text(out, &lick, &explanation),
    })?;
    Ok(Outcome::Done)
}
