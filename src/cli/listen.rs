//! `doublecheck listen`: say what sounds, without a lick.

use std::path::PathBuf;

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::recording::Channel;
use super::recording::Progress;
use super::recording::hear;
use crate::report::listen;

/// Say what sounds: notes, interval or chord, cents.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A recording; `-` reads it from standard input
    recording: Option<PathBuf>,
    #[command(flatten)]
    channel: Channel,
}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let Some(path) = args.recording else {
        return Err(Failure::new(
            "no recording given",
            "name a recording, or `-` to read one from standard input",
        ));
    };
    let heard = hear(&path, args.channel, common.a4, &Progress::new())?;
    if let Some(damage) = &heard.damage {
        output::tell(&format!("{}: damaged {damage}; what could be read is told", path.display()));
    }
    output::print(|out| {
        if common.json {
            listen::json(out, &heard.take, common.a4)
        } else {
            listen::text(out, &heard.take, common.a4)
        }
    })?;
    Ok(Outcome::Done)
}
