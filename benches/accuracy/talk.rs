//! Licks in recordings in which somebody talks: before and after them, in a pause, or while they are played.

use rayon::prelude::*;

use doublecheck::practice::verdict::Verdict;

use crate::Plan;
use crate::licks;
use crate::licks::N_STEPS;
use crate::licks::Planted;
use crate::licks::Played;
use crate::licks::STRUM_S;
use crate::licks::Way;
use crate::support::cases::Placed;
use crate::support::cases::Random;
use crate::support::cases::add;
use crate::support::cases::mix;
use crate::support::corpus::RATE;
use crate::support::corpus::Set;
use crate::support::neck::strum;
use crate::support::spoil::decibels;
use crate::support::talk::Speaker;
use crate::support::talk::speakers;

const TEMPO_BPM: f64 = 100.0;
const EIGHTH_S: f64 = 30.0 / TEMPO_BPM;
/// How long is talked at a time, and between talk and play, in seconds.
const TALK_S: [f64; 2] = [3.0, 8.0];
const GAP_S: [f64; 2] = [0.4, 1.2];
/// In a lesson, before a step and while it sounds.
const SHOWN_S: [f64; 2] = [1.0, 3.0];
/// Talk against the lick, peak to peak, in decibels, and where both sound at once.
const LEVEL_DB: [f64; 2] = [-12.0, 0.0];
const ALONG_DB: [f64; 2] = [-30.0, -12.0];
/// The step before which the player pauses to talk.
const PAUSES_AT: usize = 6;

/// When somebody talks.
#[derive(Debug, Clone, Copy, PartialEq)]
enum When {
    Never,
    BeforeAndAfter,
    InAPause,
    /// Before every step, which is then shown by itself; the lick comes at the end.
    Lesson,
    AllAlong,
}

/// What one lick gave: what was planted, and the verdict.
struct Outcome {
    when: When,
    is_synthetic: bool,
    verdicts: Vec<(bool, Verdict)>,
}

pub fn measure(plan: &Plan) {
    let speakers = speakers();
    if speakers.is_empty() {
        println!("skipped: asterisk-core-sounds-en-wav and its like are not installed");
        return;
    }
    let all = [When::Never, When::BeforeAndAfter, When::InAPause, When::Lesson, When::AllAlong];
    let mut outcomes = Vec::new();
    for set in plan.instruments() {
        for when in all {
            let run = |i: u64| {
                let speaker = &speakers[i as usize % speakers.len()];
                outcome(plan, set, speaker, when, &mut Random(9000 + i))
            };
            let some: Vec<Outcome> = (0..plan.n as u64).into_par_iter().filter_map(run).collect();
            outcomes.extend(some);
        }
    }
    for (name, is_synthetic) in [("synthetic", true), ("real together", false)] {
        for when in all {
            let these =
                outcomes.iter().filter(|o| o.when == when && o.is_synthetic == is_synthetic);
            let verdicts: Vec<(bool, Verdict)> = these.flat_map(|o| o.verdicts.clone()).collect();
            if verdicts.is_empty() {
                continue;
            }
            licks::shares(&format!("{name}, talk {when:?}"), &verdicts);
        }
    }
}

fn outcome(
    plan: &Plan,
    set: &Set,
    speaker: &Speaker,
    when: When,
    random: &mut Random,
) -> Option<Outcome> {
    let way = if random.below(2) == 0 { Way::Along } else { Way::Across };
    let mut played = Played::new(set, way, Planted::Semitones, EIGHTH_S, random)?;
    let length_s = 0.3 + N_STEPS as f64 * EIGHTH_S + 0.5;
    let noise_db = set.is_synthetic().then_some(40.0);
    let [before, pause, after] = [0; 3].map(|_| random.between(TALK_S[0], TALK_S[1]));
    let gap_s = random.between(GAP_S[0], GAP_S[1]);
    let samples = match when {
        When::Never => mix(&played.notes, length_s, noise_db, random),
        When::BeforeAndAfter => {
            let lick = mix(&played.notes, length_s, noise_db, random);
            let gap = vec![0.0; (gap_s * f64::from(RATE)) as usize];
            let mut talk = |length_s| {
                let gain = decibels(random.between(LEVEL_DB[0], LEVEL_DB[1])) as f32;
                speaker.talk(length_s, random).into_iter().map(|s| gain * s).collect()
            };
            [talk(before), gap.clone(), lick, gap, talk(after)].concat()
        }
        When::InAPause => {
            let stops_s = played.begins_s[PAUSES_AT - 1] + EIGHTH_S + gap_s;
            let moved_s = 2.0 * gap_s + pause;
            for note in &mut played.notes {
                if note.start_s > played.begins_s[PAUSES_AT] - 0.02 {
                    note.start_s += moved_s;
                    note.end_s += moved_s;
                }
            }
            let lick = mix(&played.notes, length_s + moved_s, noise_db, random);
            let gain = decibels(random.between(LEVEL_DB[0], LEVEL_DB[1]));
            add(lick, &speaker.talk(pause, random), stops_s, gain)
        }
        When::Lesson => {
            let (mut shown, mut talks, mut at_s) = (Vec::new(), Vec::new(), 0.3);
            for step in &played.asked {
                let talk_s = random.between(SHOWN_S[0], SHOWN_S[1]);
                talks.push((at_s, talk_s));
                at_s += talk_s + 0.3;
                let notes = strum(set, step, at_s, STRUM_S, random)?;
                at_s += random.between(SHOWN_S[0], SHOWN_S[1]);
                shown.extend(notes.into_iter().map(|note| Placed { end_s: at_s - 0.1, ..note }));
            }
            let moved_s = at_s + gap_s;
            let moved = played.notes.iter().map(|note| Placed {
                start_s: note.start_s + moved_s,
                end_s: note.end_s + moved_s,
                ..*note
            });
            shown.extend(moved);
            let gain = decibels(random.between(LEVEL_DB[0], LEVEL_DB[1]));
            let lesson = mix(&shown, length_s + moved_s, noise_db, random);
            talks.into_iter().fold(lesson, |lesson, (at_s, talk_s)| {
                add(lesson, &speaker.talk(talk_s, random), at_s, gain)
            })
        }
        When::AllAlong => {
            let lick = mix(&played.notes, length_s, noise_db, random);
            let gain = decibels(random.between(ALONG_DB[0], ALONG_DB[1]));
            add(lick, &speaker.talk(length_s, random), 0.0, gain)
        }
    };
    let verdicts = played.verdicts(TEMPO_BPM, &samples, plan.rate);
    Some(Outcome { when, is_synthetic: set.is_synthetic(), verdicts })
}
