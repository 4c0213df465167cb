//! A judged take, counted: how many steps went how, and which fault came most often.
//!
//! **Conventions.** A fault is a step that is wrong, incomplete or not played, or a right note
//! further off than the tolerance. What rings on, what belongs to no step and what the recording
//! does not decide are no faults.

use std::collections::BTreeMap;

use crate::lick::expected::ExpectedNote;
use crate::practice::verdict::HeardNote;
use crate::practice::verdict::Status;
use crate::practice::verdict::StepJudgement;
use crate::practice::verdict::TakeJudgement;
use crate::practice::verdict::Verdict;
use crate::theory::fretboard::StringNumber;
use crate::theory::note::MidiNote;
use crate::units::Cents;

/// One kind of fault within a step that was played; in order of weight, which breaks ties.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// A note on this string came out this many semitones too high (negative: too low).
    OffBy {
        /// The string it was asked for on.
        string: StringNumber,
        /// Semitones above the note asked for.
        semitones: i16,
    },
    /// A note on this string did not sound.
    Missing {
        /// The string it was asked for on.
        string: StringNumber,
    },
    /// This note was struck and belongs to nothing.
    Extra {
        /// The note struck.
        note: MidiNote,
    },
    /// A right note on this string was sharp of the tolerance.
    Sharp {
        /// The string it was played on.
        string: StringNumber,
    },
    /// A right note on this string was flat of the tolerance.
    Flat {
        /// The string it was played on.
        string: StringNumber,
    },
}

/// The counts of one take.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Tally {
    /// Steps judged: every step of the lick that is no rest.
    pub steps: usize,
    /// Steps of which every note sounded and nothing else was struck.
    pub right: usize,
    /// Steps with something struck that does not belong.
    pub wrong: usize,
    /// Steps with something missing and nothing wrong.
    pub incomplete: usize,
    /// Steps that were not played.
    pub not_played: usize,
    /// Steps that the recording does not decide.
    pub unsure: usize,
    /// Right notes, in tune or not.
    pub right_notes: usize,
    /// Right notes further off than the tolerance.
    pub out_of_tune: usize,
    /// Right notes that may be in tune or not: further off, but by less than their error.
    pub perhaps_in_tune: usize,
    faults: BTreeMap<Fault, usize>,
}

impl Tally {
    /// Counts a take; a right note further off than `tolerance` is out of tune.
    pub fn of(take: &TakeJudgement, tolerance: Cents) -> Self {
        let mut tally = Self::default();
        for step in &take.steps {
            tally.count(step, tolerance);
        }
        tally
    }

    /// Whether the playing had a fault.
    pub fn has_fault(&self) -> bool {
        self.wrong + self.incomplete + self.not_played + self.out_of_tune > 0
    }

    /// The fault that came most often and how often; `None` unless one came at least twice.
    pub fn most_frequent(&self) -> Option<(Fault, usize)> {
        let most = self.faults.values().copied().max().filter(|&count| count > 1)?;
        self.faults.iter().find(|&(_, &count)| count == most).map(|(&fault, &count)| (fault, count))
    }

    fn count(&mut self, step: &StepJudgement, tolerance: Cents) {
        self.steps += 1;
        match step.verdict {
            Verdict::Right => self.right += 1,
            Verdict::Wrong => self.wrong += 1,
            Verdict::Incomplete => self.incomplete += 1,
            Verdict::NotPlayed => {
                self.not_played += 1;
                return;
            }
            Verdict::Unsure => {
                self.unsure += 1;
                return;
            }
        }
        for heard in &step.heard {
            let string = heard.expected.filter(|_| !is_doubled(step, heard)).map(|e| e.string);
            self.count_note(heard, string, tolerance);
        }
        for missing in missing_outright(step) {
            self.add(Fault::Missing { string: missing.string });
        }
    }

    /// `string` is the one it was played on, if that is known.
    fn count_note(&mut self, heard: &HeardNote, string: Option<StringNumber>, tolerance: Cents) {
        match heard.status {
            Status::Right => {
                self.right_notes += 1;
                if let Some(tuning) = out_of_tune(heard, tolerance) {
                    self.out_of_tune += 1;
                    if let Some(string) = string {
                        self.add(match tuning {
                            OutOfTune::Sharp => Fault::Sharp { string },
                            OutOfTune::Flat => Fault::Flat { string },
                        });
                    }
                } else if cents_off(heard).abs() > tolerance.0 {
                    self.perhaps_in_tune += 1;
                }
            }
            Status::Wrong { instead_of } => self.add(Fault::OffBy {
                string: instead_of.string,
                semitones: i16::from(heard.pitch.note.0) - i16::from(instead_of.note.0),
            }),
            Status::Extra => self.add(Fault::Extra { note: heard.pitch.note }),
            Status::Ringing => {}
        }
    }

    fn add(&mut self, fault: Fault) {
        *self.faults.entry(fault).or_default() += 1;
    }
}

/// Notes missing from `step` in whose place nothing was struck either.
pub(super) fn missing_outright(step: &StepJudgement) -> impl Iterator<Item = &ExpectedNote> {
    step.missing.iter().filter(|missing| {
        let replaced = Status::Wrong { instead_of: **missing };
        !step.heard.iter().any(|heard| heard.status == replaced)
    })
}

/// Whether another string was struck on the same note: which of the two is which nobody hears.
fn is_doubled(step: &StepJudgement, heard: &HeardNote) -> bool {
    let is_other = |other: &HeardNote| {
        other.status == Status::Right
            && other.expected != heard.expected
            && (other.pitch.note, other.start_s) == (heard.pitch.note, heard.start_s)
    };
    step.heard.iter().any(is_other)
}

/// Which way a right note is out of tune.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OutOfTune {
    /// Above the note by more than the tolerance.
    Sharp,
    /// Below the note by more than the tolerance.
    Flat,
}

/// Standard errors that a note must lie beyond the tolerance to be called out of tune.
const SURE: f64 = 2.0;

/// Which way `heard` is out of tune; `None` if it may be within `tolerance`, its error allowed for, or is
/// not a right note.
pub fn out_of_tune(heard: &HeardNote, tolerance: Cents) -> Option<OutOfTune> {
    let cents = cents_off(heard);
    let doubt = SURE * heard.pitch.cents_error.map_or(0.0, |error| error.0);
    if heard.status != Status::Right || cents.abs() <= tolerance.0 + doubt {
        return None;
    }
    Some(if cents > 0.0 { OutOfTune::Sharp } else { OutOfTune::Flat })
}

/// How far off `heard` is, in cents. A harmonic is held to where its string puts it.
fn cents_off(heard: &HeardNote) -> f64 {
    let by_nature = heard.expected.map_or(0.0, |expected| expected.tempered_offset().0);
    heard.pitch.cents.0 - by_nature
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    const TEN: Cents = Cents(10.0);

    #[test]
    fn every_step_is_counted_once() {
        let tally = Tally::of(&sample::take(), TEN);
        let counted =
            tally.right + tally.wrong + tally.incomplete + tally.not_played + tally.unsure;
        assert_eq!(tally.steps, sample::take().steps.len());
        assert_eq!(counted, tally.steps);
        assert!(tally.has_fault());
    }

    #[test]
    fn a_right_note_is_a_fault_only_beyond_the_tolerance() {
        let mut take = sample::take();
        take.steps.truncate(1);
        assert!(!Tally::of(&take, TEN).has_fault());
        take.steps[0].heard[0].pitch.cents_error = Some(Cents(0.0));
        take.steps[0].heard[0].pitch.cents = Cents(10.0);
        assert!(!Tally::of(&take, TEN).has_fault(), "the tolerance itself is allowed");
        take.steps[0].heard[0].pitch.cents = Cents(-10.1);
        let tally = Tally::of(&take, TEN);
        assert_eq!((tally.right, tally.out_of_tune), (1, 1), "told, and still right");
        assert!(tally.has_fault());
        assert!(!Tally::of(&take, Cents(12.0)).has_fault());
        take.steps[0].heard[0].pitch.cents = Cents(-17.0);
        take.steps[0].heard[0].pitch.cents_error = Some(Cents(4.0));
        let tally = Tally::of(&take, TEN);
        assert!(!tally.has_fault() && tally.perhaps_in_tune == 1, "it may be in tune");
        take.steps[0].heard[0].pitch.cents_error = Some(Cents(3.0));
        assert!(Tally::of(&take, TEN).has_fault());
    }

    #[test]
    fn the_most_frequent_fault_came_at_least_twice() {
        let mut take = sample::take();
        take.steps.retain(|step| step.verdict == Verdict::Incomplete);
        assert_eq!(take.steps.len(), 1);
        assert_eq!(Tally::of(&take, TEN).most_frequent(), None);
        take.steps.push(take.steps[0].clone());
        let string = take.steps[0].missing[0].string;
        assert_eq!(Tally::of(&take, TEN).most_frequent(), Some((Fault::Missing { string }, 2)));
    }

    #[test]
    fn what_the_recording_does_not_decide_is_no_fault() {
        let mut take = sample::take();
        take.steps.retain(|step| step.verdict == Verdict::Unsure);
        assert_eq!(take.steps.len(), 1);
        assert!(!Tally::of(&take, TEN).has_fault());
    }
}
