//! A lick at its tempo, as notes on strings and clicks.
//!
//! **Conventions.** A string sounds until its step ends, longer where the next step lets it ring
//! (`=`), and no longer than until it is struck again. The stages of a step divide its length
//! evenly: a hammer-on falls on the half, two moves on the thirds. A slide arrives at its time, a
//! bend begins at it.
//! **Limits.** Even in time and force, as a thing to play along to should be.

use super::PitchPoint;
use super::PluckedNote;
use super::Room;
use super::click::Beat;
use super::click::Click;
use super::guitar::Guitar;
use crate::lick::expected::Expected;
use crate::lick::expected::ExpectedNote;
use crate::lick::expected::ExpectedStep;
use crate::lick::expected::Stage;
use crate::lick::expected::Technique;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::note::Reference;
use crate::units::SampleRate;

/// Peak of a struck note: six of them stay within full scale.
const NOTE_LEVEL: f64 = 0.16;
/// Peak of a click: heard beside two notes without covering them.
const CLICK_LEVEL: f64 = 0.12;
/// What follows the last step: the strings are damped and the room dies away.
const TAIL_S: f64 = 1.0;
/// Energy that a finger brings by hammering on, relative to a strike (from memory).
const HAMMER_ON: f64 = 0.35;
/// Energy that a finger brings by pulling off.
const PULL_OFF: f64 = 0.4;
/// Time a slide spends on a fret that it passes.
const SLIDE_FRET_S: f64 = 0.025;
/// Time a string takes to leap from fret to fret.
const LEAP_S: f64 = 0.006;
/// Time a bend takes to rise.
const BEND_S: f64 = 0.18;

/// When the click sounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ClickWhen {
    /// In the count-in and on every quarter note of the lick.
    Throughout,
    /// In the count-in only.
    CountIn,
    /// Not at all; the beats of the count-in are silent.
    Never,
}

/// How a lick is played.
#[derive(Debug, Clone, PartialEq)]
pub struct Manner {
    /// Factor on the tempo of the lick, greater than 0; 0.5 is half as fast.
    pub speed: f64,
    /// Quarter notes before the lick begins.
    pub count_in_beats: u32,
    /// Length of a bar in quarter notes, for the accent of the click.
    pub bar_beats: f64,
    /// When the click sounds.
    pub click: ClickWhen,
    /// Level of single strings, in decibels; strings not named play at 0.
    pub string_levels_db: Vec<(StringNumber, f64)>,
    /// How much later each string is struck than the one below it, in seconds.
    pub strum_s: f64,
    /// Frequency of A4.
    pub reference: Reference,
}

impl Default for Manner {
    /// At tempo, without count-in and click, all strings alike and together.
    fn default() -> Self {
        Self {
            speed: 1.0,
            count_in_beats: 0,
            bar_beats: 4.0,
            click: ClickWhen::Never,
            string_levels_db: Vec::new(),
            strum_s: 0.0,
            reference: Reference::default(),
        }
    }
}

/// A note and what it was played for.
#[derive(Debug, Clone, PartialEq)]
pub struct PlayedNote {
    /// Number of the step in which it is struck.
    pub step: usize,
    /// What the lick asks for.
    pub asked: ExpectedNote,
    /// How it sounds, later stages being its path.
    pub sound: PluckedNote,
}

/// A whole lick, ready to sound. Notes may be changed before it does.
#[derive(Debug, Clone, PartialEq)]
pub struct Performance {
    /// All notes, in order of time.
    pub notes: Vec<PlayedNote>,
    /// All clicks, in order of time.
    pub clicks: Vec<Click>,
    /// When the first step begins.
    pub start_s: f64,
    /// When everything has died away.
    pub length_s: f64,
}

impl Performance {
    /// Plays `lick` on a guitar with its open strings.
    pub fn new(lick: &Expected, manner: &Manner) -> Self {
        let beat_s = 60.0 / (lick.tempo_bpm * manner.speed);
        let start_s = f64::from(manner.count_in_beats) * beat_s;
        let guitar = Guitar::new(lick.open_strings.clone(), manner.reference);
        let mut notes: Vec<PlayedNote> = Vec::new();
        for step in &lick.steps {
            let begin_s = start_s + step.start_beats * beat_s;
            let end_s = begin_s + step.length_beats * beat_s;
            for held in &step.held {
                if let Some(note) = latest_on(&mut notes, held.string) {
                    note.sound.length_s = end_s - note.sound.start_s;
                }
            }
            for (order, asked) in step.struck.iter().enumerate() {
                let level = NOTE_LEVEL * level_of(asked.string, manner);
                if let Some(mut sound) = sound_of(&guitar, asked, end_s - begin_s, level) {
                    sound.start_s = begin_s + order as f64 * manner.strum_s;
                    sound.length_s = end_s - sound.start_s;
                    notes.push(PlayedNote { step: step.number, asked: *asked, sound });
                }
            }
            for (at_s, share_s, stage) in stages_of(step, begin_s, end_s) {
                if let Some(note) = latest_on(&mut notes, stage.to.string) {
                    note.go_on_to(stage, at_s, share_s);
                }
            }
        }
        let end_beats = lick.steps.last().map_or(0.0, |step| step.start_beats + step.length_beats);
        Self {
            notes,
            clicks: clicks(end_beats, start_s, beat_s, manner),
            start_s,
            length_s: start_s + end_beats * beat_s + TAIL_S,
        }
    }

    /// Sounds the performance; the clicks stand outside the `room`.
    pub fn render(&self, rate: SampleRate, room: &Room, seed: u64) -> Vec<f32> {
        let notes: Vec<PluckedNote> = self.notes.iter().map(|note| note.sound.clone()).collect();
        let mut samples = super::render(&notes, self.length_s, rate, room, seed);
        for click in &self.clicks {
            click.add_to(&mut samples, rate);
        }
        samples
    }
}

impl PlayedNote {
    /// Moves the sounding string on to `stage` at `at_s`, `share_s` after the stage before it.
    fn go_on_to(&mut self, stage: &Stage, at_s: f64, share_s: f64) {
        let at_s = at_s - self.sound.start_s;
        let before = self.sound.path.last().map_or(0.0, |point| point.cents);
        let cents = 100.0 * (f64::from(stage.to.note.0) - f64::from(self.asked.note.0));
        let leap =
            |at_s, cents, excitation| PitchPoint { at_s, lasting_s: LEAP_S, cents, excitation };
        match stage.to.technique {
            Technique::Slide => {
                let n_frets = ((cents - before) / 100.0).abs().round().max(1.0);
                let lasting_s = (SLIDE_FRET_S * n_frets).min(0.5 * share_s);
                self.sound.path.extend((1..=n_frets as u32).map(|k| {
                    let done = f64::from(k) / n_frets;
                    leap(at_s - lasting_s * (1.0 - done), before + (cents - before) * done, 0.0)
                }));
            }
            Technique::Bend => self.sound.path.push(PitchPoint {
                lasting_s: BEND_S.min(0.5 * share_s),
                ..leap(at_s, cents, 0.0)
            }),
            Technique::PullOff => self.sound.path.push(leap(at_s, cents, PULL_OFF)),
            Technique::HammerOn
            | Technique::Struck
            | Technique::Held
            | Technique::NaturalHarmonic
            | Technique::ArtificialHarmonic { .. } => {
                self.sound.path.push(leap(at_s, cents, HAMMER_ON));
            }
        }
    }
}

fn latest_on(notes: &mut [PlayedNote], string: StringNumber) -> Option<&mut PlayedNote> {
    notes.iter_mut().rev().find(|note| note.asked.string == string)
}

fn level_of(string: StringNumber, manner: &Manner) -> f64 {
    let level_db = manner
        .string_levels_db
        .iter()
        .find(|(number, _)| *number == string)
        .map_or(0.0, |&(_, level_db)| level_db);
    10_f64.powf(level_db / 20.0)
}

fn sound_of(
    guitar: &Guitar,
    asked: &ExpectedNote,
    length_s: f64,
    level: f64,
) -> Option<PluckedNote> {
    let ExpectedNote { string, fret, note, technique } = *asked;
    match technique {
        Technique::NaturalHarmonic => guitar.harmonic(string, Fret(0), note, length_s, level),
        Technique::ArtificialHarmonic { stopped } => {
            guitar.harmonic(string, stopped, note, length_s, level)
        }
        _ => guitar.note(string, fret, length_s, level),
    }
}

/// When each stage begins and how long after the stage before it, with the stage.
fn stages_of(
    step: &ExpectedStep,
    begin_s: f64,
    end_s: f64,
) -> impl Iterator<Item = (f64, f64, &Stage)> {
    step.stages.iter().map(move |stage| {
        let same_string = |other: &&Stage| other.to.string == stage.to.string;
        let n_parts = step.stages.iter().filter(same_string).count() + 1;
        let share_s = (end_s - begin_s) / n_parts as f64;
        (begin_s + f64::from(stage.order) * share_s, share_s, stage)
    })
}

fn clicks(end_beats: f64, start_s: f64, beat_s: f64, manner: &Manner) -> Vec<Click> {
    let bar_beats = manner.bar_beats.max(1.0);
    let click =
        |at_beats: f64, beat| Click { at_s: start_s + at_beats * beat_s, beat, level: CLICK_LEVEL };
    let beat_at = |beats_into_bar: f64| {
        if beats_into_bar < 1e-9 { Beat::First } else { Beat::Other }
    };
    let count_in = (1..=manner.count_in_beats)
        .rev()
        .map(f64::from)
        .map(|before| click(-before, beat_at((-before).rem_euclid(bar_beats))));
    let n_bars = (end_beats / bar_beats).ceil() as u32;
    let lick = (0..n_bars).map(|bar| f64::from(bar) * bar_beats).flat_map(|bar| {
        (0..bar_beats.ceil() as u32)
            .map(f64::from)
            .map(move |into| (bar + into, into))
            .filter(|&(at, into)| at < end_beats && into < bar_beats)
            .map(move |(at, into)| click(at, beat_at(into)))
    });
    match manner.click {
        ClickWhen::Never => Vec::new(),
        ClickWhen::CountIn => count_in.collect(),
        ClickWhen::Throughout => count_in.chain(lick).collect(),
    }
}
