//! `doublecheck tuning`: check the open strings.

use std::path::PathBuf;

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::plucks::Guitar;
use super::plucks::Next;
use crate::practice::pluck::PluckListener;
use crate::practice::tuning::Heard;
use crate::practice::tuning::TuningCheck;
use crate::practice::tuning::Verdict;
use crate::practice::tuning::Wanted;
use crate::report::plucks;
use crate::report::tuning;
use crate::theory::chord::Chord;
use crate::theory::key::Key;

/// Check the open strings, plucked one by one in any order or strummed together.
///
/// Let every string ring for two seconds. Without a recording it listens to the sound card, tells every
/// pluck, and ends when all strings are good.
#[derive(Debug, clap::Args)]
#[command(after_help = plucks::CARE_TUNING)]
pub struct Args {
    /// A recording; `-` reads it from standard input
    recording: Option<PathBuf>,
    /// Want intervals pure within this chord, its root being equal-tempered
    #[arg(long, value_name = "CHORD", value_parser = chord)]
    pure: Option<Chord>,
    #[command(flatten)]
    guitar: Guitar,
}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    args.guitar.drawn.may_be_written()?;
    let (tuning, key) = args.guitar.strings()?;
    let reference = common.a4;
    let open: Vec<_> = tuning.strings().map(|(_, note)| reference.frequency(note)).collect();
    let listener = |listener| PluckListener::for_open_strings(listener, open.clone());
    let tolerance = args.guitar.tolerance;
    let mut check = TuningCheck::new(Wanted { tuning, reference, pure: args.pure, tolerance });
    match args.recording {
        Some(path) => {
            args.guitar.hear(&[path], listener, |pluck| {
                check.push(pluck);
            })?;
        }
        None => {
            let ask = "Pluck the open strings one by one and let each ring for two seconds.";
            args.guitar.hear_live(listener, ask, |pluck| {
                for heard in check.push(pluck) {
                    output::tell(&told(&heard, &check, key));
                }
                let good = check.strings().iter().all(|string| string.verdict == Verdict::Good);
                if good { Next::Done } else { Next::GoOn }
            })?;
        }
    }
    args.guitar.drawn.save(|| tuning::page(&check, key))?;
    match common.json {
        true => output::print(|out| tuning::json(out, &check, key)),
        false => output::print_text(|out, _| tuning::text(out, &check, key)),
    }?;
    Ok(Outcome::Done)
}

/// One line for what was just played.
fn told(heard: &Heard, check: &TuningCheck, key: Option<Key>) -> String {
    match heard {
        Heard::Refused(refused) => plucks::refused(refused, check.wanted().reference),
        Heard::Taken { string, cents } => {
            let strings = check.strings();
            let now = strings.iter().find(|now| now.string == *string);
            now.map_or_else(String::new, |now| {
                tuning::taken(now, *cents, check.wanted().reference, key)
            })
        }
    }
}

fn chord(text: &str) -> Result<Chord, String> {
    text.parse().map_err(|error| format!("{error}"))
}
