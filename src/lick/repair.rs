//! Repairs of a lick file where there is no doubt what is meant.
//!
//! **Conventions.** Only the wrong words are changed; everything else of the text, comments too,
//! stays as it is. Repaired are: claims of intervals that are not so, chords spelled against the
//! key, keys without a signature, keys and chords in another common writing, slips in the names of keys
//! of the file, and backslashes between double quotes.
//! **Limits.** What to play is never changed, nor is a claim about a step of other than two notes,
//! which may mean any pair of them.

use std::ops::Range;

use super::error::LickError;
use super::facts::Truth;
use super::facts::explain_steps;
use super::fault::Fault;
use super::fault::nearest;
use super::file::Written;
use crate::theory::chord::Chord;
use crate::theory::error::NameError;
use crate::theory::interval::Interval;
use crate::theory::key::Key;
use crate::theory::spelling::NoteName;

/// Faults that are repaired one after the other before giving up.
const MOST_FAULTS: usize = 100;

/// A repaired text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repaired {
    /// The whole text.
    pub text: String,
    /// What was changed, in order of lines.
    pub repairs: Vec<Repair>,
}

/// One change of one line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repair {
    /// The line, 1 for the first.
    pub line: usize,
    /// The words before.
    pub before: String,
    /// The words after.
    pub after: String,
    /// Why.
    pub why: String,
}

/// A change by bytes of the text.
struct Change {
    span: Range<usize>,
    after: String,
    why: String,
}

/// Repairs `text`; `name` stands for it in messages.
///
/// # Errors
/// The first fault that leaves a doubt.
pub fn repair(text: &str, name: &str) -> Result<Repaired, LickError> {
    let mut repaired = Repaired { text: text.to_owned(), repairs: Vec::new() };
    for _ in 0..MOST_FAULTS {
        match Written::parse(&repaired.text, name) {
            Ok(written) => {
                repaired.apply(names_and_claims(&written));
                break;
            }
            Err(LickError::Malformed { place, fault }) => {
                match certain(&repaired.text, &place.span, &fault) {
                    Some(change) => repaired.apply(vec![change]),
                    None => return Err(LickError::Malformed { place, fault }),
                }
            }
            Err(other) => return Err(other),
        }
    }
    // A repair that leads nowhere is told as the fault it leaves.
    Written::parse(&repaired.text, name)?;
    repaired.repairs.sort_by_key(|repair| repair.line);
    Ok(repaired)
}

impl Repaired {
    fn apply(&mut self, mut changes: Vec<Change>) {
        // From the end, so that the places before stay valid.
        changes.sort_by_key(|change| std::cmp::Reverse(change.span.start));
        for Change { span, after, why } in changes {
            let line = self.text[..span.start].matches('\n').count() + 1;
            let before = self.text[span.clone()].to_owned();
            self.text.replace_range(span, &after);
            self.repairs.push(Repair { line, before, after, why });
        }
    }
}

/// The change that a fault leaves no doubt about.
fn certain(text: &str, span: &Range<usize>, fault: &Fault) -> Option<Change> {
    let put = |after: String| Some(Change { span: span.clone(), after, why: fault.to_string() });
    match fault {
        Fault::Name(NameError::RemoteKey { instead, .. }) => put(format!("\"{instead}\"")),
        Fault::Name(NameError::Key { found }) => put(format!("\"{}\"", Key::meant_by(found)?)),
        Fault::Name(NameError::Chord { found }) => put(format!("\"{}\"", Chord::meant_by(found)?)),
        Fault::Name(NameError::Interval { found }) => match &Interval::meant_by(found)[..] {
            [meant] => put(format!("\"{meant}\"")),
            _ => None,
        },
        Fault::UnknownKey { found, known } => put(nearest(found, known)?.to_owned()),
        Fault::Escape => {
            let start =
                text[..span.start].rfind(['"', '\n']).filter(|&at| text[at..].starts_with('"'))?;
            let rest = &text[start + 1..];
            let length = rest.find(['"', '\n', '\'']).filter(|&at| rest[at..].starts_with('"'))?;
            Some(Change {
                span: start..start + length + 2,
                after: format!("'{}'", &rest[..length]),
                why: fault.to_string(),
            })
        }
        _ => None,
    }
}

/// Chords as the key spells them, and claims as they are true.
fn names_and_claims(written: &Written) -> Vec<Change> {
    let lick = &written.lick;
    let facts = explain_steps(lick);
    let mut changes = Vec::new();
    for ((step, places), facts) in lick.steps.iter().zip(&written.places).zip(&facts) {
        if let (Some(chord), Some(span)) = (&step.chord, &places.chord)
            && let Some(respelled) = respelled(chord, lick.key)
        {
            let why = format!("{} has {}", lick.key, respelled.root());
            let after = format!("\"{respelled}\"");
            changes.push(Change { span: span.clone(), after, why });
        }
        if let (Some(claim), Some(span)) = (facts.claim, &places.interval)
            && let Some(actual) = claim.actual
            && facts.moments.first().is_some_and(|moment| moment.double_stop().is_some())
            && !matches!(claim.truth, Truth::True | Truth::TrueLater)
        {
            let why = format!("step {} is {}", facts.number, actual.with_article());
            changes.push(Change { span: span.clone(), after: format!("\"{actual}\""), why });
        }
    }
    changes
}

/// The chord with the root and bass of the key; `None` if it is spelled so already.
fn respelled(chord: &Chord, key: Key) -> Option<Chord> {
    let of_key = |name: NoteName| {
        let class = name.pitch_class();
        if key.contains(class) { key.name(class) } else { name }
    };
    let root = of_key(chord.root());
    let bass = chord.bass().map(of_key);
    if root == chord.root() && bass == chord.bass() {
        return None;
    }
    Chord::new(root, chord.suffix(), bass).ok()
}
