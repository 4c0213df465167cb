//! The command line: the only place that prints, reads the clock and decides exit codes.

pub mod calibrate;
pub mod check;
pub mod convert;
pub mod demo;
pub mod devices;
mod drawn;
pub mod exit;
pub mod explain;
pub mod history;
pub mod intonation;
pub mod kept;
pub mod listen;
#[cfg(feature = "live")]
pub mod live_input;
pub mod new;
pub mod output;
pub mod plucks;
pub mod practice;
pub mod recording;
pub mod render;
pub mod sheet;
pub mod tuning;

use std::process::ExitCode;

use clap::Parser;
use clap::Subcommand;
use clap::error::ErrorKind;

use self::exit::Failure;
use self::exit::Outcome;
use crate::theory::note::Reference;
use crate::units::Hertz;

/// What whoever plays should know; said once as listening begins, and in the help.
const CAUTION: &str = "Keep headphones at a moderate level, rest your hands, stop if it hurts";

/// Options that every command takes.
#[derive(Debug, Clone, clap::Args)]
pub struct Common {
    /// Print JSON on standard output and nothing else there: one document, of `practice` a line an
    /// event
    #[arg(long, global = true)]
    pub json: bool,
    /// Frequency of A4 in hertz
    #[arg(long, global = true, value_name = "HZ", default_value = "440", value_parser = reference)]
    pub a4: Reference,
}

/// Checks double stops: which notes were right, how far off in cents, and when.
#[derive(Debug, Parser)]
#[command(version, about, max_term_width = 100)]
pub struct Cli {
    #[command(flatten)]
    common: Common,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Judge an embedded take with planted mistakes: no file or sound card needed
    Demo(demo::Args),
    /// Judge recorded takes against a lick, step by step
    Check(check::Args),
    /// Play along into a microphone and be judged as you play
    Practice(practice::Args),
    /// Say what sounds: notes, interval or chord, cents
    Listen(listen::Args),
    /// Check the open strings
    Tuning(tuning::Args),
    /// Check the twelfth fret against the open string or the harmonic
    Intonation(intonation::Args),
    /// Show a lick's tab, notes, intervals and chord roles, and check the author's claims
    Explain(explain::Args),
    /// Synthesise a reference performance of a lick
    Render(render::Args),
    /// Convert between lick files, MusicXML, Standard MIDI Files and plain-text tab, or write a recording down
    Convert(convert::Args),
    /// Write a printable practice sheet
    Sheet(sheet::Args),
    /// Write a commented starter lick
    New(new::Args),
    /// Show progress over takes and sessions
    History(history::Args),
    /// List audio inputs and outputs
    Devices(devices::Args),
    /// Measure the round-trip delay of this set-up
    Calibrate(calibrate::Args),
}

/// Parses the command line, runs it and says how it ended.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return not_understood(&error),
    };
    match run(cli) {
        Ok(outcome) => outcome.into(),
        Err(failure) => {
            output::tell_lines(&failure.to_string());
            ExitCode::from(2)
        }
    }
}

fn run(cli: Cli) -> Result<Outcome, Failure> {
    let common = &cli.common;
    match cli.command {
        Command::Demo(args) => demo::run(args, common),
        Command::Check(args) => check::run(args, common),
        Command::Practice(args) => practice::run(args, common),
        Command::Listen(args) => listen::run(args, common),
        Command::Tuning(args) => tuning::run(args, common),
        Command::Intonation(args) => intonation::run(args, common),
        Command::Explain(args) => explain::run(args, common),
        Command::Render(args) => render::run(args, common),
        Command::Convert(args) => convert::run(args, common),
        Command::Sheet(args) => sheet::run(args, common),
        Command::New(args) => new::run(args, common),
        Command::History(args) => history::run(args, common),
        Command::Devices(args) => devices::run(args, common),
        Command::Calibrate(args) => calibrate::run(args, common),
    }
}

/// Help and version were asked for; everything else the parser stops at is a bad option.
fn not_understood(error: &clap::Error) -> ExitCode {
    match error.kind() {
        ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => {
            // A closed pipe is no error, and there is nobody to tell any other.
            let _ = error.print();
            ExitCode::SUCCESS
        }
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand => {
            let hint = "`doublecheck demo` shows what it does, `doublecheck --help` all commands";
            output::tell_lines(&Failure::new("no command given", hint).to_string());
            ExitCode::from(2)
        }
        _ => {
            let text = error.render().to_string();
            let told = text.split("\n\nFor more information").next().unwrap_or(&text);
            output::tell_lines(told.trim_end());
            output::tell("hint: add `--help` to see what the command takes");
            ExitCode::from(2)
        }
    }
}

/// `60%`, `60` or `0.6`, as a factor on the tempo. No factor is as large as the least percentage, so
/// that none needs its sign.
fn speed(text: &str) -> Result<f64, String> {
    const LEAST: f64 = 0.1;
    const MOST: f64 = 4.0;
    let percent = text.strip_suffix('%');
    let number = percent.unwrap_or(text).trim().parse::<f64>();
    let factor = number.map(|number| match percent {
        None if number <= MOST => number,
        _ => number / 100.0,
    });
    factor
        .ok()
        .filter(|factor| (LEAST..=MOST).contains(factor))
        .ok_or_else(|| "expected a factor from 0.1 to 4, or 10% to 400%".to_owned())
}

fn reference(text: &str) -> Result<Reference, String> {
    text.parse()
        .ok()
        .and_then(Hertz::new)
        .and_then(Reference::new)
        .ok_or_else(|| "expected a frequency between 380 and 500 hertz".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_speed_is_a_factor_or_a_percentage() {
        for text in ["0.6", "60%", "60", "60 %"] {
            assert_eq!(speed(text), Ok(0.6), "{text}");
        }
        assert_eq!(speed("4"), Ok(4.0));
        assert_eq!(speed("10"), Ok(0.1));
        for text in ["5", "0.6%", "0", "-1", "401", "NaN", "inf", "%", "fast", ""] {
            assert!(speed(text).is_err(), "{text}");
        }
    }
}
