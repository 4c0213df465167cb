//! `doublecheck explain`: show a lick's tab, notes, intervals and chord roles, and check the author's claims.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// Show a lick's tab, notes, intervals and chord roles, and check the author's claims.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("explain is not written yet", "use another command"))
}
