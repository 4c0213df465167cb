//! Licks as hands play them: with a vibrato on what is held, with fingers heard on the strings, or with dead strokes
//! between.

use std::ops::Range;

use rayon::prelude::*;

use doublecheck::practice::verdict::Verdict;

use crate::Plan;
use crate::grid;
use crate::grid::Grid;
use crate::licks;
use crate::licks::N_STEPS;
use crate::licks::Planted;
use crate::licks::Played;
use crate::licks::Way;
use crate::support::cases::Placed;
use crate::support::cases::Random;
use crate::support::cases::add;
use crate::support::cases::mix;
use crate::support::corpus::Note;
use crate::support::corpus::RATE;
use crate::support::corpus::Set;
use crate::support::corpus::fret_noises;
use crate::support::moves::START_S;
use crate::support::moves::wavering;
use crate::support::spoil::decibels;

const TEMPO_BPM: f64 = 100.0;
const EIGHTH_S: f64 = 30.0 / TEMPO_BPM;
/// A vibrato either way, in cents, and its hertz (common practice).
const VIBRATO_CENTS: [f64; 2] = [5.0, 20.0];
const VIBRATO_HZ: [f64; 2] = [4.0, 7.0];
/// It begins so long after a strike, in seconds, in a lick and on a double stop held so long.
const SOON_S: f64 = 0.1;
const LATE_S: f64 = 0.25;
const HELD_S: f64 = 1.5;
/// A finger is heard before one strike of so many, until so long before it at most, in seconds, and so loud
/// against the lick, peak to peak, in decibels.
const HEARD_IN: usize = 2;
const GAP_S: f64 = 0.06;
const NOISE_DB: [f64; 2] = [-30.0, -15.0];

/// Half-way to the next step the hand damps all strings and strikes so many of them, each sounding for so long, in
/// seconds, the next so much later, at this level (common practice); in one step of so many.
const DEAD_IN: usize = 2;
const N_DEAD: [usize; 2] = [2, 4];
const DEAD_S: [f64; 2] = [0.01, 0.03];
const DEAD_GAP_S: f64 = 0.006;
const DEAD_DB: [f64; 2] = [-6.0, 0.0];

#[derive(Debug, Clone, Copy, PartialEq)]
enum Hand {
    Still,
    Vibrato,
    Dead,
    Noise,
}

/// What one lick gave: what was planted, and the verdict.
struct Outcome {
    hand: Hand,
    is_synthetic: bool,
    verdicts: Vec<(bool, Verdict)>,
}

pub fn measure(plan: &Plan) {
    let noises = fret_noises();
    let mut hands = vec![Hand::Still, Hand::Vibrato, Hand::Dead, Hand::Noise];
    if noises.is_empty() {
        println!("noises of the fingers: skipped, fluid-soundfont-gm is not installed");
        hands.pop();
    }
    let mut outcomes = Vec::new();
    for set in plan.instruments() {
        for &hand in &hands {
            let run = |i| outcome(plan, set, hand, &noises, &mut Random(9500 + i));
            let some: Vec<Outcome> = (0..plan.n as u64).into_par_iter().filter_map(run).collect();
            outcomes.extend(some);
        }
    }
    let title = "double stops of real notes, held with a vibrato".to_owned();
    let recipe = grid::plain(HELD_S);
    let held = Grid { title, recipe, spoil: held_long, target: 99.5, seed: 2042 };
    if !plan.real.is_empty() {
        grid::measure(plan, &plan.real, &held);
    }
    for (name, is_synthetic) in [("synthetic", true), ("real together", false)] {
        for &hand in &hands {
            let these =
                outcomes.iter().filter(|o| o.hand == hand && o.is_synthetic == is_synthetic);
            let verdicts: Vec<(bool, Verdict)> = these.flat_map(|o| o.verdicts.clone()).collect();
            if !verdicts.is_empty() {
                licks::shares(&format!("{name}, {hand:?}"), &verdicts);
            }
        }
    }
}

fn outcome(
    plan: &Plan,
    set: &Set,
    hand: Hand,
    noises: &[Vec<f32>],
    random: &mut Random,
) -> Option<Outcome> {
    let way = if random.below(2) == 0 { Way::Along } else { Way::Across };
    let played = Played::new(set, way, Planted::Semitones, EIGHTH_S, random)?;
    let length_s = 0.3 + N_STEPS as f64 * EIGHTH_S + 0.5;
    let noise_db = set.is_synthetic().then_some(40.0);
    let samples = match hand {
        Hand::Still => mix(&played.notes, length_s, noise_db, random),
        Hand::Vibrato => {
            let moved: Vec<Note> = played.notes.iter().map(|p| held(p.note, random)).collect();
            let notes = played.notes.iter().zip(&moved).map(|(p, note)| Placed { note, ..*p });
            mix(&notes.collect::<Vec<_>>(), length_s, noise_db, random)
        }
        Hand::Dead => mix(&with_dead_strokes(&played, set, random), length_s, noise_db, random),
        Hand::Noise => {
            let mut samples = mix(&played.notes, length_s, noise_db, random);
            for &begin_s in &played.begins_s {
                if random.below(HEARD_IN) == 0 {
                    let end_s = begin_s - random.between(0.0, GAP_S);
                    let gain = decibels(random.between(NOISE_DB[0], NOISE_DB[1]));
                    let noise = &noises[random.below(noises.len())];
                    let at_s = end_s - noise.len() as f64 / f64::from(RATE);
                    samples = add(samples, noise, at_s, gain);
                }
            }
            samples
        }
    };
    let verdicts = played.verdicts(TEMPO_BPM, &samples, plan.rate);
    Some(Outcome { hand, is_synthetic: set.is_synthetic(), verdicts })
}

/// `note` with a vibrato until the hand goes on to the next step.
fn held(note: &Note, random: &mut Random) -> Note {
    let while_s = note.onset_s + SOON_S..note.onset_s + EIGHTH_S;
    Note { samples: vibrato(&note.samples, while_s, random), ..note.clone() }
}

/// The mix of a double stop that is held with a vibrato.
fn held_long(samples: Vec<f32>, random: &mut Random) -> Vec<f32> {
    vibrato(&samples, START_S + LATE_S..f64::INFINITY, random)
}

fn vibrato(samples: &[f32], while_s: Range<f64>, random: &mut Random) -> Vec<f32> {
    let cents = random.between(VIBRATO_CENTS[0], VIBRATO_CENTS[1]);
    wavering(samples, while_s, cents, random.between(VIBRATO_HZ[0], VIBRATO_HZ[1]))
}

/// What was played, with dead strokes half-way between steps.
fn with_dead_strokes<'a>(
    played: &Played<'a>,
    set: &'a Set,
    random: &mut Random,
) -> Vec<Placed<'a>> {
    let mut notes = played.notes.clone();
    for begin_s in &played.begins_s {
        if random.below(DEAD_IN) > 0 {
            continue;
        }
        let mut at_s = begin_s + 0.5 * EIGHTH_S;
        for note in notes.iter_mut().filter(|note| note.start_s < at_s) {
            note.end_s = note.end_s.min(at_s - 0.02);
        }
        for _ in 0..N_DEAD[0] + random.below(N_DEAD[1] - N_DEAD[0] + 1) {
            let note = &set.notes[random.below(set.notes.len())];
            let end_s = at_s + random.between(DEAD_S[0], DEAD_S[1]);
            let gain_db = random.between(DEAD_DB[0], DEAD_DB[1]);
            notes.push(Placed { note, start_s: at_s, end_s, gain_db });
            at_s += DEAD_GAP_S;
        }
    }
    notes
}
