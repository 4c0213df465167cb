//! `doublecheck listen`: say what sounds: notes, interval or chord, cents.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// Say what sounds: notes, interval or chord, cents.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("listen is not written yet", "use another command"))
}
