//! `doublecheck check`: judge recorded takes against a lick, step by step.

use std::num::NonZeroUsize;
use std::path::PathBuf;

use rayon::prelude::*;

use super::Common;
use super::drawn::Drawn;
use super::exit::Failure;
use super::exit::Outcome;
use super::kept;
use super::output;
use super::recording::Channel;
use super::recording::Heard;
use super::recording::Progress;
use super::recording::hear;
use super::recording::read_once;
use crate::lick;
use crate::lick::expected::Expected;
use crate::practice::doubt::doubt_all;
use crate::practice::judge::Settings;
use crate::practice::judge::judge_take;
use crate::practice::verdict::Finding;
use crate::practice::verdict::TakeJudgement;
use crate::report::Page;
use crate::report::TakeReport;
use crate::report::Unjudged;
use crate::report::json;
use crate::report::sheet::judged;
use crate::report::tally::Tally;
use crate::report::text;
use crate::units::Cents;

/// Judge recorded takes against a lick, step by step.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lick file, or the name of an embedded lick
    lick: PathBuf,
    /// Takes of it: WAV, FLAC, MP3, M4A, Ogg or WebM (Opus or Vorbis), AIFF or CAF; `-` reads one from standard input
    #[arg(required = true, value_name = "RECORDING")]
    recordings: Vec<PathBuf>,
    #[command(flatten)]
    judging: Judging,
    /// Of several passes through the lick in one take, judge this one, 1 for the first, not the best;
    /// then nothing is kept for `history`
    #[arg(long, value_name = "NUMBER")]
    pass: Option<NonZeroUsize>,
    /// Keep nothing of these takes for `history`; with --json nothing is kept anyway
    #[arg(long)]
    no_history: bool,
    #[command(flatten)]
    channel: Channel,
}

/// Options of every command that judges takes.
#[derive(Debug, Clone, clap::Args)]
pub struct Judging {
    /// How far off a right note may be and still count as in tune, in cents
    #[arg(long, value_name = "CENTS", default_value = "10", value_parser = cents)]
    pub tolerance: Cents,
    /// Exit with status 1 if the playing had a fault: a step wrong, incomplete or not played (so if
    /// nothing was heard at all), or a right note further off than the tolerance; of several passes in
    /// one take the one that is shown counts
    #[arg(long)]
    pub fail_on_fault: bool,
    /// Whether a page is drawn.
    #[command(flatten)]
    pub drawn: Drawn,
}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out: a lick that cannot be read, or any
/// recording that cannot be judged, told after the others have been.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let lick = lick::find(&args.lick)?;
    args.judging.drawn.may_be_written()?;
    read_once(&args.recordings)?;
    let expected = lick.expected();
    let progress = Progress::new();
    let takes: Vec<TakeReport> = args
        .recordings
        .par_iter()
        .map(|path| {
            let heard = hear(path, args.channel, &progress);
            let recording = path.display().to_string();
            let judged = heard.map(|heard| judge(&expected, heard, args.pass, common));
            let judged = judged.and_then(|take| has_pass(take, args.pass, &recording));
            TakeReport { recording, outcome: judged.map_err(unjudged) }
        })
        .collect();
    drop(progress);
    let page = Page::of(&lick, args.judging.tolerance);
    print(&page, &takes, common)?;
    if !args.no_history && !common.json && args.pass.is_none() {
        kept::keep(&page, &takes);
    }
    if takes.iter().any(|take| take.outcome.is_ok()) {
        args.judging.drawn.save(|| judged(&lick, &page, &takes))?;
    }
    let failures = takes.iter().filter_map(|take| take.outcome.as_ref().err());
    let failures = failures.map(|why| Failure::new(&why.error, &why.hint)).collect();
    match Failure::of_recordings(failures, takes.len()) {
        Some(failure) => Err(failure),
        None => Ok(outcome(&takes, &args.judging)),
    }
}

/// Judges what was heard, the best pass or that of the number `pass`; damage to the file is told with the judgement.
pub(super) fn judge(
    expected: &Expected,
    heard: Heard,
    pass: Option<NonZeroUsize>,
    common: &Common,
) -> TakeJudgement {
    let settings = Settings { reference: common.a4, pass };
    let mut judgement = judge_take(expected, &heard.take, &settings);
    for finding in judgement.findings.iter_mut().filter(|finding| **finding == Finding::Silent) {
        *finding = heard.if_nothing.clone();
    }
    let silent = judgement.findings.iter().find_map(|finding| match finding {
        Finding::Silent => Some("the recording holds no sound"),
        Finding::SilentChannel { .. } => Some("the channel holds no sound"),
        _ => None,
    });
    if judgement.findings.contains(&Finding::TooShort) {
        doubt_all(&mut judgement.steps, "the recording is too short to hold it");
    } else if let Some(why) = silent.filter(|_| heard.holds_no_sound) {
        doubt_all(&mut judgement.steps, why);
    }
    judgement.findings.extend(heard.damage.map(|cause| Finding::Damaged { cause }));
    judgement
}

/// `take`, if it is the pass that was asked for.
fn has_pass(
    take: TakeJudgement,
    pass: Option<NonZeroUsize>,
    recording: &str,
) -> Result<TakeJudgement, Failure> {
    match pass {
        Some(pass) if take.pass != pass.get() => {
            let (error, hint) = match take.other_passes.len() + 1 {
                1 => ("there is but one pass in it".to_owned(), "leave out --pass".to_owned()),
                n => (
                    format!("there is no pass {pass} in it"),
                    format!("choose from --pass 1 to {n}"),
                ),
            };
            Err(Failure::new(format!("{recording}: {error}"), hint))
        }
        _ => Ok(take),
    }
}

/// Prints the takes on standard output, as text or as JSON.
pub(super) fn print(page: &Page, takes: &[TakeReport], common: &Common) -> Result<(), Failure> {
    match common.json {
        true => output::print(|out| json::check(out, page, takes)),
        false => output::print_text(|out, look| text::check(out, page, takes, look)),
    }
}

/// A fault counts only if somebody asked; that there is no take at all, for nothing was played, is one
/// like a take in which nothing was, or nothing was heard.
pub(super) fn outcome(takes: &[TakeReport], judging: &Judging) -> Outcome {
    let judged = takes.iter().filter_map(|take| take.outcome.as_ref().ok());
    let is_fault = |take: &TakeJudgement| {
        let nothing_heard = take.steps.iter().all(|step| step.start_s.is_none());
        nothing_heard && !take.steps.is_empty() || Tally::of(take, judging.tolerance).has_fault()
    };
    let fault = takes.is_empty() || judged.into_iter().any(is_fault);
    if judging.fail_on_fault && fault { Outcome::Fault } else { Outcome::Done }
}

fn unjudged(failure: Failure) -> Unjudged {
    Unjudged { error: failure.error, hint: failure.hint }
}

fn cents(text: &str) -> Result<Cents, String> {
    match text.parse() {
        Ok(cents) if (0.0..=100.0).contains(&cents) => Ok(Cents(cents)),
        _ => Err("expected cents between 0 and 100".to_owned()),
    }
}
