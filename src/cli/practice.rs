//! `doublecheck practice`: play along into a microphone and be judged as you play.

#[cfg(feature = "live")]
mod ear;
#[cfg(feature = "live")]
mod live;
#[cfg(feature = "live")]
mod setup;
#[cfg(feature = "live")]
mod show;
#[cfg(feature = "live")]
mod tape;

use std::path::PathBuf;

use super::CAUTION;
#[cfg(not(feature = "live"))]
use super::Common;
use super::check::Judging;
use super::devices::SoundCard;
#[cfg(not(feature = "live"))]
use super::exit::Failure;
#[cfg(not(feature = "live"))]
use super::exit::Outcome;
use super::recording::Channel;
use crate::practice::pass::Pace;

/// Play along into a microphone and be judged as you play.
///
/// Every pass is recorded as it is played; `doublecheck check` says the same of the recording. With
/// `--json` every event is a line, the report the last one.
#[derive(Debug, clap::Args)]
#[command(after_help = CAUTION)]
pub struct Args {
    /// The lick file, or the name of an embedded lick
    lick: PathBuf,
    /// `free`: the lick waits for you, a step is done when it was struck; `click`: it goes on with
    /// a click, after a count-in
    #[arg(long, value_name = "PACE", default_value = "free", value_parser = pace)]
    pace: Pace,
    /// Share of the lick's tempo, as a percentage or a factor: 60% or 0.6
    #[arg(long, value_name = "SPEED", default_value = "100%", value_parser = super::speed)]
    speed: f64,
    /// How many passes to play
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..))]
    repeat: u16,
    /// How much faster it gets after a pass without a fault
    #[arg(long, value_name = "PERCENT", default_value = "0%", value_parser = faster)]
    faster: f64,
    /// First step to play
    #[arg(long, value_name = "STEP")]
    from: Option<usize>,
    /// Last step to play
    #[arg(long, value_name = "STEP")]
    to: Option<usize>,
    /// Sound the lick first
    #[arg(long)]
    play: bool,
    /// Print one line a step instead of a screen (as is done where the output is no terminal, or TERM
    /// is dumb)
    #[arg(long)]
    plain: bool,
    /// Folder for the recordings [default: this program's folder for data]
    #[arg(long, value_name = "FOLDER")]
    keep_in: Option<PathBuf>,
    #[command(flatten)]
    judging: Judging,
    /// Make no entry of these takes in the `history`, as --json makes none; the recordings stay where
    /// they are told to be
    #[arg(long)]
    no_history: bool,
    #[command(flatten)]
    card: SoundCard,
    #[command(flatten)]
    channel: Channel,
}

/// Runs the command.
///
/// # Errors
/// A program built without sound card support.
#[cfg(not(feature = "live"))]
pub fn run(args: Args, _common: &Common) -> Result<Outcome, Failure> {
    // Understood, so that the message is about the program and not about the options.
    let _ = args;
    Err(super::devices::no_live())
}

#[cfg(feature = "live")]
pub use live::run;

fn pace(text: &str) -> Result<Pace, String> {
    match text {
        "free" => Ok(Pace::Free),
        "click" => Ok(Pace::Click),
        _ => Err("expected free or click".to_owned()),
    }
}

/// `5%` or `5`, as a factor.
fn faster(text: &str) -> Result<f64, String> {
    let number = text.strip_suffix('%').unwrap_or(text).trim();
    match number.parse::<f64>() {
        Ok(percent) if (0.0..=100.0).contains(&percent) => Ok(percent / 100.0),
        _ => Err("expected a percentage between 0% and 100%".to_owned()),
    }
}
