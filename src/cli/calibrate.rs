//! `doublecheck calibrate`: measure the round-trip delay of this set-up.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// Measure the round-trip delay of this set-up.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("calibrate is not written yet", "use another command"))
}
