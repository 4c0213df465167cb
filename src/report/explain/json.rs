//! An explanation as one JSON document.

use std::io;
use std::io::Write;

use serde::Serialize;

use super::super::json::SCHEMA;
use super::super::json::document;
use super::words;
use crate::lick::Lick;
use crate::lick::expected::Technique;
use crate::lick::explanation::Explanation;
use crate::lick::facts::Claim;
use crate::lick::facts::Moment;
use crate::lick::facts::SoundingNote;
use crate::lick::facts::StepFacts;
use crate::lick::facts::Truth;
use crate::lick::hand::HardSpot;
use crate::lick::hand::Hardship;
use crate::lick::places::OtherPlace;
use crate::lick::runs::Direction;
use crate::lick::runs::Motion;
use crate::lick::runs::Run;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::naming::ChordName;

/// Writes the explanation as the document of `explain`.
///
/// # Errors
/// Whatever `out` fails with.
pub fn json(out: &mut impl Write, lick: &Lick, explanation: &Explanation) -> io::Result<()> {
    let steps = lick.steps.iter().zip(&explanation.steps).zip(&explanation.places);
    document(
        out,
        &Document {
            schema: SCHEMA,
            lick: &lick.title,
            key: lick.key.to_string(),
            tempo_bpm: lick.tempo_bpm,
            meter: format!("{}/{}", lick.meter.count, lick.meter.unit),
            swing: lick.swing.map(|swing| swing.to_string()),
            tuning: lick.open_names().iter().map(ToString::to_string).collect(),
            capo: lick.capo,
            steps: steps
                .map(|((written, facts), places)| Step {
                    step: facts.number,
                    bar: facts.bar,
                    beat: round(facts.beat, 1e6),
                    beats: round(written.beats.get(), 1e6),
                    frets: written.marks.iter().map(ToString::to_string).collect(),
                    chord: facts.harmony.as_ref().map(ToString::to_string),
                    moments: facts.moments.iter().map(Sounding::of).collect(),
                    claim: facts.claim.map(|claim| Claimed::of(lick, facts, claim)),
                    elsewhere: places.iter().map(Place::of).collect(),
                })
                .collect(),
            runs: explanation.runs.iter().map(Parallel::of).collect(),
            hard_spots: explanation.hard_spots.iter().map(Spot::of).collect(),
        },
    )
}

#[derive(Serialize)]
struct Document<'a> {
    schema: u32,
    lick: &'a str,
    key: String,
    tempo_bpm: f64,
    meter: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    swing: Option<String>,
    tuning: Vec<String>,
    capo: u8,
    steps: Vec<Step>,
    runs: Vec<Parallel>,
    hard_spots: Vec<Spot>,
}

#[derive(Serialize)]
struct Step {
    step: usize,
    bar: usize,
    beat: f64,
    beats: f64,
    frets: Vec<String>,
    chord: Option<String>,
    moments: Vec<Sounding>,
    claim: Option<Claimed>,
    elsewhere: Vec<Place>,
}

#[derive(Serialize)]
struct Sounding {
    name: String,
    notes: Vec<Note>,
    chord: Option<String>,
    inversion: Option<u8>,
    intervals: Vec<Named>,
}

#[derive(Serialize)]
struct Note {
    string: u8,
    fret: u8,
    note: String,
    midi: u8,
    technique: &'static str,
    tempered_offset_cents: f64,
    role: Option<String>,
    in_chord: Option<bool>,
}

#[derive(Serialize)]
struct Named {
    short: String,
    name: String,
    semitones: u8,
}

#[derive(Serialize)]
struct Claimed {
    interval: String,
    truth: &'static str,
    actual: Option<String>,
    why: Option<String>,
}

#[derive(Serialize)]
struct Position {
    string: u8,
    fret: u8,
}

#[derive(Serialize)]
struct Place {
    positions: [Position; 2],
    shift_frets: Option<i16>,
    in_reach: Option<bool>,
}

#[derive(Serialize)]
struct Parallel {
    first_step: usize,
    last_step: usize,
    intervals: Vec<String>,
    motion: &'static str,
    direction: &'static str,
    text: String,
}

#[derive(Serialize)]
struct Spot {
    step: usize,
    kind: &'static str,
    text: String,
}

impl Sounding {
    fn of(moment: &Moment) -> Self {
        Self {
            name: moment.name.clone(),
            chord: moment.chord.as_ref().map(ToString::to_string),
            inversion: moment.chord.as_ref().and_then(ChordName::inversion),
            notes: moment.notes.iter().map(Note::of).collect(),
            intervals: moment
                .intervals
                .iter()
                .map(|interval| Named {
                    short: interval.short(),
                    name: interval.name(),
                    semitones: interval.semitones(),
                })
                .collect(),
        }
    }
}

impl Note {
    fn of(note: &SoundingNote) -> Self {
        Self {
            string: note.played.string.0,
            fret: note.played.fret.0,
            note: note.spelling.to_string(),
            midi: note.played.note.0,
            technique: match note.played.technique {
                Technique::Struck => "struck",
                Technique::HammerOn => "hammer-on",
                Technique::PullOff => "pull-off",
                Technique::Slide => "slide",
                Technique::Bend => "bend",
                Technique::NaturalHarmonic => "natural harmonic",
                Technique::ArtificialHarmonic { .. } => "artificial harmonic",
                Technique::Held => "held",
            },
            tempered_offset_cents: round(note.played.tempered_offset().0, 100.0),
            role: note.role.map(|role| role.to_string()),
            in_chord: note.role.map(|role| role.in_chord),
        }
    }
}

impl Claimed {
    fn of(lick: &Lick, step: &StepFacts, claim: Claim) -> Self {
        Self {
            interval: claim.claimed.short(),
            truth: match claim.truth {
                Truth::True => "true",
                Truth::TrueLater => "true later",
                Truth::OtherSpelling => "other spelling",
                Truth::OtherNotes => "other notes",
                Truth::OctavesApart => "octaves apart",
                Truth::False => "false",
            },
            actual: claim.actual.map(|interval| interval.short()),
            why: words::claim(step, claim, lick.key),
        }
    }
}

impl Place {
    fn of(place: &OtherPlace) -> Self {
        let position =
            |(string, fret): (StringNumber, Fret)| Position { string: string.0, fret: fret.0 };
        Self {
            positions: [position(place.low), position(place.high)],
            shift_frets: place.shift_frets,
            in_reach: place.shift_frets.map(|frets| frets == 0),
        }
    }
}

impl Parallel {
    fn of(run: &Run) -> Self {
        Self {
            first_step: run.first,
            last_step: run.last,
            intervals: run.intervals.iter().map(ToString::to_string).collect(),
            motion: match run.motion {
                Motion::Chromatic => "chromatic",
                Motion::WholeTones => "whole tones",
                Motion::InKey => "in key",
                Motion::Free => "free",
            },
            direction: match run.direction {
                Direction::Rising => "rising",
                Direction::Falling => "falling",
                Direction::Turning => "turning",
            },
            text: words::run(run),
        }
    }
}

impl Spot {
    fn of(spot: &HardSpot) -> Self {
        Self {
            step: spot.step,
            kind: match spot.what {
                Hardship::Stretch { .. } => "stretch",
                Hardship::Fingers { .. } => "fingers",
                Hardship::Jump { .. } => "jump",
            },
            text: words::hardship(spot),
        }
    }
}

/// `value` to one part in `parts`.
fn round(value: f64, parts: f64) -> f64 {
    (value * parts).round() / parts
}
