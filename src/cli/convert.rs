//! `doublecheck convert`: convert between lick files, MusicXML, Standard MIDI Files and plain-text tab.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;

/// Convert between lick files, MusicXML, Standard MIDI Files and plain-text tab.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(Failure::new("convert is not written yet", "use another command"))
}
