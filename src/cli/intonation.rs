//! `doublecheck intonation`: check the twelfth fret against the open string or the harmonic.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// Check the twelfth fret against the open string or the harmonic.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("intonation is not written yet", "use another command"))
}
