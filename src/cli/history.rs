//! `doublecheck history`: show progress over takes and sessions.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// Show progress over takes and sessions.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("history is not written yet", "use another command"))
}
