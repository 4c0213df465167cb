//! Real notes made to move: bends and slides by reading a note faster or slower, hammer-ons and
//! pull-offs by going over to another note of the same instrument.
//!
//! **Limits.** An approximation: a slide has no squeak, a hammered note brings the decay and
//! the partials of a struck one, without its first 12 ms.

use std::f64::consts::TAU;
use std::ops::Range;

use doublecheck::lick::Lick;
use doublecheck::lick::expected::Expected;
use doublecheck::lick::expected::ExpectedNote;
use doublecheck::lick::expected::ExpectedStep;
use doublecheck::lick::expected::Stage;
use doublecheck::lick::expected::Technique;

use super::cases::Placed;
use super::cases::Random;
use super::cases::mix;
use super::corpus::Note;
use super::corpus::RATE;
use super::corpus::Set;

/// Time a bend takes (common practice: a fifth of a second).
const BEND_S: f64 = 0.18;
/// Time a slide takes from fret to fret, and the leap itself.
const FRET_S: f64 = 0.03;
const LEAP_S: f64 = 0.008;
/// The finger falls on the string, or leaves it, within this.
const CROSS_S: f64 = 0.006;
/// Of the note that is gone over to, so much is left out: the pick.
const PICK_S: f64 = 0.012;
/// Level after a hammer-on or pull-off against that before, in decibels.
const AFTER_DB: [f64; 2] = [-5.0, 1.0];
/// A grace note is over so many seconds after the strike (common practice: it takes what a thirty-second does).
pub const GRACE_S: [f64; 2] = [0.06, 0.12];
/// The first step begins here.
pub const START_S: f64 = 0.3;

/// A lick of steps of these marks, lowest string first, all of them so many beats long.
///
/// # Panics
/// On marks that are none.
pub fn lick<'a>(
    steps: impl Iterator<Item = &'a Vec<String>>,
    beats: f64,
    tempo_bpm: f64,
) -> Expected {
    let step = |s: &Vec<String>| format!("  {{ beats = {beats}, frets = \"{}\" }},\n", s.join(" "));
    let steps: String = steps.map(step).collect();
    let text = format!(
        "title = \"bench\"\nkey = \"C major\"\ntempo = {tempo_bpm:.3}\nmeter = \"4/4\"\nsteps = [\n{steps}]\n"
    );
    Lick::parse(&text, "bench").expect("a lick of known marks").expected()
}

/// The lick played with notes of `set`, stages when they are due; a string is hammered on or pulled off once at
/// most. `None` if a note lacks.
pub fn play(set: &Set, lick: &Expected, random: &mut Random) -> Option<Vec<f32>> {
    let beat_s = 60.0 / lick.tempo_bpm;
    play_at(set, lick, |step, stage| beat_s * step.due_beats(stage), random)
}

/// The same, stages so many seconds after the strike as `due_s` says.
pub fn play_at(
    set: &Set,
    lick: &Expected,
    due_s: impl Fn(&ExpectedStep, &Stage) -> f64,
    random: &mut Random,
) -> Option<Vec<f32>> {
    let beat_s = 60.0 / lick.tempo_bpm;
    let mut notes: Vec<(Note, f64, f64)> = Vec::new();
    for step in &lick.steps {
        let begin_s = START_S + beat_s * step.start_beats;
        for struck in &step.struck {
            let note = pick(set, struck, random)?;
            let stages: Vec<&Stage> =
                step.stages.iter().filter(|s| s.to.string == struck.string).collect();
            let due_s = |stage: &Stage| due_s(step, stage);
            let note = match stages.first().map(|s| (s.to, s.to.technique)) {
                None => note.clone(),
                Some((to, Technique::HammerOn | Technique::PullOff)) => {
                    gone_over(note, pick(set, &to, random)?, due_s(stages[0]), random)
                }
                Some(_) => bent(note, |at_s| {
                    let mut from = struck.note;
                    let moves = stages.iter().map(|stage| {
                        let semitones = i32::from(stage.to.note.0) - i32::from(from.0);
                        from = stage.to.note;
                        cents(stage.to.technique, semitones, at_s - due_s(stage))
                    });
                    moves.sum()
                }),
            };
            let start_s = begin_s + random.between(0.0, 0.01);
            notes.push((note, start_s, begin_s + beat_s * step.length_beats));
        }
    }
    let placed: Vec<Placed<'_>> = notes
        .iter()
        .map(|(note, start_s, end_s)| {
            let gain_db = random.between(-3.0, 3.0);
            Placed { note, start_s: *start_s, end_s: *end_s - 0.02, gain_db }
        })
        .collect();
    let beats = lick.steps.last().map_or(0.0, |s| s.start_beats + s.length_beats);
    Some(mix(&placed, START_S + beat_s * beats + 0.3, None, random))
}

/// `note`, of which its string goes over to `to`, `at_s` after the strike.
pub fn moved(note: &Note, to: (&Note, Technique), at_s: f64, random: &mut Random) -> Note {
    match to {
        (next, Technique::Slide | Technique::Bend) => {
            let semitones = i32::from(next.midi) - i32::from(note.midi);
            bent(note, |now_s| cents(to.1, semitones, now_s - at_s))
        }
        (next, _) => gone_over(note, next, at_s, random),
    }
}

fn pick<'a>(set: &'a Set, asked: &ExpectedNote, random: &mut Random) -> Option<&'a Note> {
    set.at((asked.string.0, asked.fret.0), i32::from(asked.note.0), random)
}

/// Cents of a slide or bend by `semitones`, `at_s` after its time: a slide has arrived then, a bend
/// begins.
fn cents(technique: Technique, semitones: i32, at_s: f64) -> f64 {
    let smooth = |done: f64| {
        let done = done.clamp(0.0, 1.0);
        done * done * (3.0 - 2.0 * done)
    };
    if technique == Technique::Bend {
        return 100.0 * f64::from(semitones) * smooth(at_s / BEND_S);
    }
    let leaps = (1..=semitones.abs()).map(|k| {
        let leap_at_s = -FRET_S * f64::from(semitones.abs() - k);
        smooth((at_s - leap_at_s) / LEAP_S)
    });
    100.0 * f64::from(semitones.signum()) * leaps.sum::<f64>()
}

/// `samples` with a vibrato of so many cents, either way, and hertz within `while_s`, in seconds.
pub fn wavering(samples: &[f32], while_s: Range<f64>, cents: f64, hz: f64) -> Vec<f32> {
    warped(samples, |at_s| match while_s.contains(&at_s) {
        true => cents * (TAU * hz * (at_s - while_s.start)).sin(),
        false => 0.0,
    })
}

/// `note`, tuned so many cents higher.
pub fn tuned(note: &Note, cents: f64) -> Note {
    Note { f1_hz: note.f1_hz * (cents / 1200.0).exp2(), ..bent(note, |_| cents) }
}

/// `note` with its pitch moved by `cents(at_s)`, `at_s` from its onset on.
fn bent(note: &Note, cents: impl Fn(f64) -> f64) -> Note {
    let samples = warped(&note.samples, |at_s| cents(at_s - note.onset_s));
    Note { samples, ..note.clone() }
}

/// `samples` with all pitches moved by `cents(at_s)` (cubic interpolation).
fn warped(s: &[f32], cents: impl Fn(f64) -> f64) -> Vec<f32> {
    let mut samples = Vec::with_capacity(s.len());
    let mut at = 0.0_f64;
    while at < s.len() as f64 - 3.0 {
        let i = at as usize;
        let u = (at - i as f64) as f32;
        let [a, b, c, d] = [s[i.saturating_sub(1)], s[i], s[i + 1], s[i + 2]];
        let curve = 2.0 * a - 5.0 * b + 4.0 * c - d + u * (3.0 * (b - c) + d - a);
        samples.push(b + 0.5 * u * (c - a + u * curve));
        let at_s = samples.len() as f64 / f64::from(RATE);
        at += (cents(at_s) / 1200.0).exp2();
    }
    samples
}

/// `note` until `at_s` after its onset, then `next` at about the level that is left.
fn gone_over(note: &Note, next: &Note, at_s: f64, random: &mut Random) -> Note {
    let rate = f64::from(RATE);
    let at = (((note.onset_s + at_s) * rate) as usize).min(note.samples.len());
    let skip = (((next.onset_s + PICK_S) * rate) as usize).min(next.samples.len());
    let tenth = (0.1 * rate) as usize;
    let power = |samples: &[f32]| samples.iter().map(|s| f64::from(s * s)).sum::<f64>();
    let left = power(&note.samples[at.saturating_sub(tenth)..at]);
    let brought = power(&next.samples[skip..(skip + tenth).min(next.samples.len())]);
    let change = 10_f64.powf(random.between(AFTER_DB[0], AFTER_DB[1]) / 20.0);
    let gain = (change * (left / brought.max(1e-12)).sqrt()) as f32;
    let cross = CROSS_S * rate;
    let mut samples = note.samples[..at].to_vec();
    for (i, &sample) in next.samples[skip..].iter().enumerate() {
        let now = (i as f64 / cross).min(1.0) as f32;
        let before = note.samples.get(at + i).copied().unwrap_or(0.0);
        samples.push(sample * gain * now + before * (1.0 - now));
    }
    Note { samples, ..note.clone() }
}
