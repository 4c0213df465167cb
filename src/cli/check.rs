//! `doublecheck check`: judge recorded takes against a lick, step by step.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// Judge recorded takes against a lick, step by step.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("check is not written yet", "use another command"))
}
