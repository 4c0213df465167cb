//! What a step is in the words of theory, and whether what its author claims of it is true.
//!
//! **Conventions.** A moment is a set of notes that sound together: the first at the strike, one
//! more after every stage of a chain. Notes stand lowest first. An interval claim is about the
//! lowest and the highest note.

use super::Lick;
use super::expected::ExpectedNote;
use super::expected::ExpectedStep;
use super::expected::Technique;
use crate::theory::chord::Chord;
use crate::theory::chord::Role;
use crate::theory::interval::Interval;
use crate::theory::key::Key;
use crate::theory::names::Names;
use crate::theory::names::may_be;
use crate::theory::naming::ChordName;
use crate::theory::naming::name_chord;
use crate::theory::naming::name_sounding;
use crate::theory::note::MidiNote;
use crate::theory::spelling::Spelling;

/// A step explained.
#[derive(Debug, Clone, PartialEq)]
pub struct StepFacts {
    /// Number of the step, 1 for the first.
    pub number: usize,
    /// Bar it begins in, 1 for the first.
    pub bar: usize,
    /// Where in the bar it begins, in notes of the metre, 1 for the start.
    pub beat: f64,
    /// The harmony of the moment.
    pub harmony: Option<Chord>,
    /// What sounds at the strike and after every stage; empty for a rest.
    pub moments: Vec<Moment>,
    /// What the author says it is, if anything.
    pub claim: Option<Claim>,
}

/// Notes that sound together.
#[derive(Debug, Clone, PartialEq)]
pub struct Moment {
    /// The notes, lowest first.
    pub notes: Vec<SoundingNote>,
    /// What they are called together: a note, an interval, a chord.
    pub name: String,
    /// The chord they make, where there are three or more and it has a name.
    pub chord: Option<ChordName>,
    /// The interval of every note but the lowest above the lowest.
    pub intervals: Vec<Interval>,
}

/// A sounding note with its name.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoundingNote {
    /// Where and how it is played.
    pub played: ExpectedNote,
    /// How the step writes it ([`Names`]).
    pub spelling: Spelling,
    /// What it is to the harmony.
    pub role: Option<Role>,
}

/// An author's claim and what is true.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Claim {
    /// The interval that the author names.
    pub claimed: Interval,
    /// The interval between the lowest and the highest note of the strike; `None` for fewer than
    /// two notes.
    pub actual: Option<Interval>,
    /// How the one stands to the other.
    pub truth: Truth,
}

/// How a claim stands to what is true.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Truth {
    /// It is so.
    True,
    /// It is so after a stage of the step, not at the strike.
    TrueLater,
    /// It sounds so, but the key writes it with other letters.
    OtherSpelling,
    /// It is so of two other notes of the strike.
    OtherNotes,
    /// It is so but for whole octaves.
    OctavesApart,
    /// It is not so.
    False,
}

impl Lick {
    /// How every step writes its notes, those that it asks for and any other that is played there.
    pub fn names(&self) -> Vec<Names> {
        let asked = self.expected().steps;
        asked
            .iter()
            .zip(self.harmonies())
            .map(|(asked, harmony)| names(self, asked, harmony))
            .collect()
    }

    /// The harmony of every step.
    fn harmonies(&self) -> impl Iterator<Item = Option<&Chord>> {
        self.steps.iter().scan(None, |harmony, step| {
            *harmony = step.chord.as_ref().or(*harmony);
            Some(*harmony)
        })
    }
}

fn names(lick: &Lick, asked: &ExpectedStep, harmony: Option<&Chord>) -> Names {
    let notes = |moment: Vec<ExpectedNote>| moment.iter().map(|note| note.note).collect();
    let moments: Vec<Vec<MidiNote>> = asked.moments().into_iter().map(notes).collect();
    Names::of(&moments, Some(lick.key), harmony)
}

/// Explains every step of `lick`.
pub fn explain_steps(lick: &Lick) -> Vec<StepFacts> {
    let expected = lick.expected();
    let steps = lick.steps.iter().zip(&expected.steps).zip(lick.harmonies());
    let mut end_beats = 0.0;
    steps
        .map(|((written, asked), harmony)| {
            let names = names(lick, asked, harmony);
            let moments = asked.moments().into_iter();
            let moments: Vec<_> =
                moments.map(|sounding| Moment::new(sounding, &names, harmony)).collect();
            // Thirds of a beat do not add up exactly: a hair short of the bar line is on it.
            let bars = end_beats / lick.meter.bar_beats() + 1e-9;
            end_beats += written.beats.get();
            StepFacts {
                number: asked.number,
                bar: bars as usize + 1,
                beat: 1.0 + bars.fract() * f64::from(lick.meter.count),
                harmony: harmony.cloned(),
                claim: written
                    .interval
                    .map(|claimed| Claim::check(claimed, &moments, lick.key, harmony)),
                moments,
            }
        })
        .collect()
}

impl Moment {
    fn new(mut sounding: Vec<ExpectedNote>, names: &Names, harmony: Option<&Chord>) -> Self {
        // At equal pitch the thicker string comes first.
        sounding.sort_by_key(|note| (note.note, std::cmp::Reverse(note.string)));
        let midi: Vec<MidiNote> = sounding.iter().map(|note| note.note).collect();
        let notes: Vec<_> = sounding
            .into_iter()
            .map(|played| SoundingNote {
                played,
                spelling: names.spell(played.note),
                role: harmony.map(|chord| chord.role(played.note)),
            })
            .collect();
        let intervals = notes
            .iter()
            .skip(1)
            .filter_map(|note| Interval::between(notes[0].spelling, note.spelling))
            .collect();
        Self {
            name: name_sounding(&midi, names),
            chord: name_chord(&midi, names),
            notes,
            intervals,
        }
    }

    /// The interval between the lowest and the highest note; `None` for fewer than two.
    pub fn span(&self) -> Option<Interval> {
        self.intervals.last().copied()
    }

    /// True if the lowest and the highest note can be written as `interval` in `key` and `harmony`.
    fn may_be(&self, interval: Interval, key: Key, harmony: Option<&Chord>) -> bool {
        match &self.notes[..] {
            [low, .., high] => make(low, high, interval, key, harmony),
            _ => false,
        }
    }

    /// Two of the notes that can be written as `interval` in `key` and `harmony`, the lower one first;
    /// `None` if there are none.
    pub fn pair(
        &self,
        interval: Interval,
        key: Key,
        harmony: Option<&Chord>,
    ) -> Option<[&SoundingNote; 2]> {
        self.notes.iter().enumerate().find_map(|(index, low)| {
            let mut higher = self.notes[index + 1..].iter();
            let high = higher.find(|high| make(low, high, interval, key, harmony))?;
            Some([low, high])
        })
    }

    /// The lower and the upper note where exactly two sound.
    pub fn double_stop(&self) -> Option<[&SoundingNote; 2]> {
        match &self.notes[..] {
            [low, high] => Some([low, high]),
            _ => None,
        }
    }
}

/// Whether two notes can be written as `interval`.
fn make(
    low: &SoundingNote,
    high: &SoundingNote,
    interval: Interval,
    key: Key,
    harmony: Option<&Chord>,
) -> bool {
    may_be(interval, [low.played.note, high.played.note], key, harmony)
}

impl SoundingNote {
    /// True for a note that is struck, pressed to a fret or open: no harmonic, nothing held.
    pub fn is_plain(&self) -> bool {
        self.played.technique == Technique::Struck
    }
}

impl Claim {
    fn check(claimed: Interval, moments: &[Moment], key: Key, harmony: Option<&Chord>) -> Self {
        let actual = moments.first().and_then(Moment::span);
        let may_be = |moment: &Moment| moment.may_be(claimed, key, harmony);
        let truth = match actual {
            Some(_) if may_be(&moments[0]) => Truth::True,
            _ if moments.iter().any(may_be) => Truth::TrueLater,
            Some(_) if moments[0].pair(claimed, key, harmony).is_some() => Truth::OtherNotes,
            Some(actual) if actual.semitones() == claimed.semitones() => Truth::OtherSpelling,
            Some(actual) if octaves_apart(actual, claimed) => Truth::OctavesApart,
            _ => Truth::False,
        };
        Self { claimed, actual, truth }
    }
}

fn octaves_apart(one: Interval, other: Interval) -> bool {
    one.quality() == other.quality() && one.number() % 7 == other.number() % 7
}
