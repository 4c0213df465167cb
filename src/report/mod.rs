//! From judgements to bytes in an `impl io::Write`: text for the player, JSON for programs.
//!
//! **Conventions.** Rounding happens here and only here. Colour is an argument and never the only
//! carrier of meaning.

pub mod columns;
pub mod explain;
pub mod history;
mod html;
pub mod intonation;
pub mod json;
pub mod listen;
pub mod live;
pub mod neck;
pub mod offsets_page;
pub mod plucks;
#[cfg(test)]
mod sample;
pub mod screen;
pub mod sheet;
mod summary;
pub mod tally;
pub mod text;
pub mod tuning;

pub use summary::finding;

use crate::lick::Lick;
use crate::lick::Step;
use crate::practice::verdict::TakeJudgement;
use crate::practice::verdict::Verdict;
use crate::theory::names::Names;
use crate::units::Cents;

/// What the reports say of the lick itself.
#[derive(Debug, Clone)]
pub struct Page {
    /// Title of the lick.
    pub title: String,
    /// How every step writes notes, the first step first.
    pub names: Vec<Names>,
    /// How notes that belong to no step are written: as the key has them.
    pub beside: Names,
    /// The tempo it is written at, in quarter notes a minute.
    pub tempo_bpm: f64,
    /// The tab of every step as written, the first step first.
    pub tabs: Vec<String>,
    /// How far off a right note may be and still count as in tune.
    pub tolerance: Cents,
}

impl Page {
    /// The page of `lick`, with notes further off than `tolerance` told as out of tune.
    pub fn of(lick: &Lick, tolerance: Cents) -> Self {
        let tab = |step: &Step| {
            let marks: Vec<String> = step.marks.iter().map(ToString::to_string).collect();
            marks.join(" ")
        };
        Self {
            title: lick.title.clone(),
            names: lick.names(),
            beside: Names::of(&[], Some(lick.key), None),
            tempo_bpm: lick.tempo_bpm,
            tabs: lick.steps.iter().map(tab).collect(),
            tolerance,
        }
    }

    /// How the step of that number writes notes.
    fn names_in(&self, step: usize) -> &Names {
        step.checked_sub(1).and_then(|index| self.names.get(index)).unwrap_or(&self.beside)
    }
}

/// One recording and what became of it.
#[derive(Debug, Clone)]
pub struct TakeReport {
    /// The recording as the user named it.
    pub recording: String,
    /// The judgement, or why there is none.
    pub outcome: Result<TakeJudgement, Unjudged>,
}

/// Why a recording could not be judged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unjudged {
    /// What is wrong, and where.
    pub error: String,
    /// The way out.
    pub hint: String,
}

/// How text may look where it is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Whether it may have colours.
    pub colour: Colour,
    /// Cells in a line of the terminal; `None` where it is no terminal, and lines stay whole.
    pub width: Option<usize>,
}

/// Whether text may carry terminal colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Colour {
    /// Bytes of plain text only.
    Plain,
    /// ANSI escape sequences (ECMA-48) around the verdicts.
    Ansi,
}

/// The verdict in words.
fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Right => "right",
        Verdict::Wrong => "wrong",
        Verdict::Incomplete => "incomplete",
        Verdict::NotPlayed => "not played",
        Verdict::Unsure => "unsure",
    }
}

/// What a recording is called in text.
pub fn called(recording: &str) -> &str {
    if recording == "-" { "standard input" } else { recording }
}

/// `1 step`, `2 steps`.
pub fn plural(count: usize, noun: &str) -> String {
    if count == 1 { format!("1 {noun}") } else { format!("{count} {noun}s") }
}
