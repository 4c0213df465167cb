//! `doublecheck practice`: play along into a microphone and be judged as you play.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// Play along into a microphone and be judged as you play.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("practice is not written yet", "use another command"))
}
