//! How a run ends: 0 done, 1 a fault in the playing (with `--fail-on-fault`), 2 could not be done.

use std::error::Error;
use std::fmt;
use std::process::ExitCode;

use super::output;
use crate::audio::AudioError;
use crate::lick::error::LickError;
use crate::lick::error::told_by_system;
use crate::lick::place::escaped;

/// What a command that did its job found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Nothing to object to, or nobody asked.
    Done,
    /// The playing had a fault and `--fail-on-fault` was given.
    Fault,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Done => Self::SUCCESS,
            Outcome::Fault => Self::from(1),
        }
    }
}

/// Why a job could not be done, and the way out.
///
/// `error` says what is wrong and where (file, line, column, device), in one lower-case sentence
/// without a full stop; `excerpt` shows the place, if there is one to show; `hint` says what would
/// be right.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// What is wrong, and where.
    pub error: String,
    /// The lines of a file the error is in, marked; empty if there are none.
    pub excerpt: String,
    /// What to do about it.
    pub hint: String,
}

impl Failure {
    /// A failure without an excerpt.
    pub fn new(error: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { error: error.into(), excerpt: String::new(), hint: hint.into() }
    }

    /// One failure for those of `all` recordings that could not be judged; `None` if all could.
    pub fn of_recordings(mut failures: Vec<Self>, all: usize) -> Option<Self> {
        if all == 1 {
            return failures.pop();
        }
        let errors: Vec<&str> = failures.iter().map(|failure| failure.error.as_str()).collect();
        let mut hints: Vec<&str> = failures.iter().map(|failure| failure.hint.as_str()).collect();
        hints.dedup();
        let count = failures.len();
        (count > 0).then(|| {
            Self::new(
                format!("{count} of {all} recordings could not be judged: {}", errors.join("; ")),
                hints.join("; "),
            )
        })
    }
}

impl From<LickError> for Failure {
    fn from(error: LickError) -> Self {
        let excerpt = error.excerpt(output::message_width());
        Self { error: error.to_string(), excerpt, hint: error.hint() }
    }
}

impl From<AudioError> for Failure {
    fn from(error: AudioError) -> Self {
        let cause = error.source().map(|cause| format!(": {}", told_by_system(cause)));
        let cause = cause.unwrap_or_default();
        Self::new(format!("{error}{cause}"), error.hint())
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "error: {}", escaped(&self.error))?;
        if !self.excerpt.is_empty() {
            writeln!(f, "{}", self.excerpt.trim_end())?;
        }
        write!(f, "hint: {}", escaped(&self.hint))
    }
}

impl Error for Failure {}
