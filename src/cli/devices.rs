//! `doublecheck devices`: list audio inputs and outputs.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// List audio inputs and outputs.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("devices is not written yet", "use another command"))
}
