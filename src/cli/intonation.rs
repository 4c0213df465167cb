//! `doublecheck intonation`: check the twelfth fret against the open string or the harmonic, or the
//! whole neck.

use std::path::PathBuf;

use super::Common;
use super::devices::for_live_only;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::plucks::Guitar;
use super::plucks::Next;
use crate::practice::intonation::Against;
use crate::practice::intonation::Heard;
use crate::practice::intonation::IntonationCheck;
use crate::practice::intonation::Order;
use crate::practice::intonation::Plan;
use crate::practice::neck;
use crate::practice::neck::NeckMap;
use crate::practice::pluck::PluckListener;
use crate::report;
use crate::report::plucks;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::LAST_FRET;
use crate::theory::fretboard::StringNumber;
use crate::theory::fretboard::Tuning;
use crate::theory::key::Key;

/// Plucks of each note asked for live where nobody says how many.
const PLUCKS: u8 = 3;

/// Check the twelfth fret against the open string or the harmonic, string by string.
///
/// Let every pluck ring for two seconds and damp it before the next. Strings may come in any order;
/// where harmonics are compared, play them before the fretted notes of the same string, as many of
/// each. Without a recording it listens to the sound card and says what to play.
#[derive(Debug, clap::Args)]
#[command(after_help = plucks::CARE_SADDLE)]
pub struct Args {
    /// Recordings, heard one after the other; `-` reads one from standard input
    #[arg(value_name = "RECORDING")]
    recordings: Vec<PathBuf>,
    /// What the fretted note is compared with: `open`, `harmonic`, or a fret, an octave above which
    /// is played
    #[arg(long, value_name = "WHAT", default_value = "open", value_parser = against, conflicts_with = "frets")]
    against: Against,
    /// Map the neck instead: play the open string and then these frets, going up each string in turn
    #[arg(long, value_name = "FROM-TO", value_parser = frets)]
    frets: Option<(Fret, Fret)>,
    /// Look at this string only, 1 being the highest (may be given several times)
    #[arg(long = "string", value_name = "N")]
    strings: Vec<u8>,
    /// Scale length, from nut to saddle
    #[arg(long, value_name = "MM", default_value = "648", value_parser = scale)]
    scale_mm: f64,
    /// How many plucks of each note are asked for when listening live [default: 3]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=20), conflicts_with = "frets")]
    plucks: Option<u8>,
    #[command(flatten)]
    guitar: Guitar,
}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out; a recording that cannot be listened to is
/// told after the others have been.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    if args.plucks.is_some() && !args.recordings.is_empty() {
        return Err(for_live_only("--plucks"));
    }
    args.guitar.drawn.may_be_written()?;
    let (tuning, key) = args.guitar.strings()?;
    let strings = chosen(&args.strings, &tuning)?;
    match args.frets {
        Some(frets) => map_neck(&args, common, tuning, key, strings, frets),
        None => compare(&args, common, tuning, key, strings),
    }
}

fn compare(
    args: &Args,
    common: &Common,
    tuning: Tuning,
    key: Option<Key>,
    strings: Vec<StringNumber>,
) -> Result<Outcome, Failure> {
    let reference = common.a4;
    let live = args.recordings.is_empty();
    let mut check = IntonationCheck::new(Plan {
        tuning,
        strings,
        reference,
        against: args.against,
        plucks: usize::from(args.plucks.unwrap_or(PLUCKS)),
        order: if live { Order::Asked } else { Order::Halves },
        scale_mm: args.scale_mm,
        tolerance: args.guitar.tolerance,
    });
    let mut unheard = None;
    if live {
        let first = wanted(&check).unwrap_or_default();
        args.guitar.hear_live(PluckListener::new, &first, |pluck| {
            match check.push(pluck) {
                Heard::Nothing => return Next::GoOn,
                Heard::Refused(refused) => output::tell(&plucks::refused(&refused, reference)),
                Heard::Taken { string, role, count } => output::tell(&format!(
                    "string {}, {}: {count} taken",
                    string.0,
                    report::intonation::role(check.plan().against, role)
                )),
            }
            ask(wanted(&check))
        })?;
    } else {
        unheard = args.guitar.hear(&args.recordings, PluckListener::new, |pluck| {
            check.push(pluck);
        })?;
    }
    args.guitar.drawn.save(|| report::intonation::page(&check, key))?;
    match common.json {
        true => output::print(|out| report::intonation::json(out, &check, key)),
        false => output::print_text(|out, _| report::intonation::text(out, &check, key)),
    }?;
    unheard.map_or(Ok(Outcome::Done), Err)
}

/// What to play next; `None` if all was heard.
fn wanted(check: &IntonationCheck) -> Option<String> {
    check.next().map(|next| format!("play {}", report::intonation::ask(check.plan(), next)))
}

fn ask(wanted: Option<String>) -> Next {
    wanted.map_or(Next::Done, |wanted| {
        output::tell(&wanted);
        Next::GoOn
    })
}

fn map_neck(
    args: &Args,
    common: &Common,
    tuning: Tuning,
    key: Option<Key>,
    strings: Vec<StringNumber>,
    frets: (Fret, Fret),
) -> Result<Outcome, Failure> {
    let reference = common.a4;
    let tolerance = args.guitar.tolerance;
    let mut map = NeckMap::new(neck::Plan { tuning, strings, frets, reference, tolerance });
    let mut unheard = None;
    if args.recordings.is_empty() {
        let first = wanted_place(&map).unwrap_or_default();
        args.guitar.hear_live(PluckListener::new, &first, |pluck| {
            match map.push(pluck) {
                neck::Heard::Nothing => return Next::GoOn,
                neck::Heard::Refused(refused) => {
                    output::tell(&plucks::refused(&refused, reference));
                }
                neck::Heard::Taken { string, fret } => {
                    output::tell(&format!("string {}, fret {}: taken", string.0, fret.0));
                }
            }
            ask(wanted_place(&map))
        })?;
    } else {
        unheard = args.guitar.hear(&args.recordings, PluckListener::new, |pluck| {
            map.push(pluck);
        })?;
    }
    args.guitar.drawn.save(|| report::neck::page(&map, args.scale_mm, key))?;
    match common.json {
        true => output::print(|out| report::neck::json(out, &map, args.scale_mm)),
        false => output::print_text(|out, look| {
            report::neck::text(out, &map, args.scale_mm, key, look.width)
        }),
    }?;
    unheard.map_or(Ok(Outcome::Done), Err)
}

/// Which place of the neck to play next; `None` if all were heard.
fn wanted_place(map: &NeckMap) -> Option<String> {
    let (string, fret) = map.next()?;
    Some(match fret {
        Fret(0) => format!("play string {}: open", string.0),
        fret => format!("play string {}: fret {}", string.0, fret.0),
    })
}

/// The strings to look at, lowest first.
fn chosen(numbers: &[u8], tuning: &Tuning) -> Result<Vec<StringNumber>, Failure> {
    if let Some(number) = numbers.iter().find(|n| tuning.open(StringNumber(**n)).is_none()) {
        return Err(Failure::new(
            format!("--string {number}: there is no such string"),
            format!("strings are numbered 1 (the highest) to {}", tuning.n_strings()),
        ));
    }
    let all = tuning.strings().map(|(string, _)| string);
    Ok(all.filter(|string| numbers.is_empty() || numbers.contains(&string.0)).collect())
}

fn against(text: &str) -> Result<Against, String> {
    match text {
        "open" => Ok(Against::Stopped(Fret(0))),
        "harmonic" => Ok(Against::Harmonic),
        _ => match text.parse() {
            Ok(fret) if fret <= LAST_FRET.0 - 12 => Ok(Against::Stopped(Fret(fret))),
            _ => Err(format!("expected open, harmonic, or a fret up to {}", LAST_FRET.0 - 12)),
        },
    }
}

fn frets(text: &str) -> Result<(Fret, Fret), String> {
    let parsed = text.split_once('-').and_then(|(from, to)| {
        let (from, to): (u8, u8) = (from.trim().parse().ok()?, to.trim().parse().ok()?);
        (from >= 1 && from < to && to <= LAST_FRET.0).then_some((Fret(from), Fret(to)))
    });
    parsed.ok_or_else(|| format!("expected two frets between 1 and {}, as in 1-12", LAST_FRET.0))
}

fn scale(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(mm) if (200.0..=1200.0).contains(&mm) => Ok(mm),
        _ => Err("expected millimetres between 200 and 1200".to_owned()),
    }
}
