//! `doublecheck demo`: judge an embedded take with planted mistakes: no file or sound card needed.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// Judge an embedded take with planted mistakes: no file or sound card needed.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("demo is not written yet", "use another command"))
}
