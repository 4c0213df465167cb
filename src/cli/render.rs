//! `doublecheck render`: synthesise a reference performance of a lick.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// Synthesise a reference performance of a lick.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("render is not written yet", "use another command"))
}
