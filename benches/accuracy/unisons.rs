//! One note on two strings, which are a little apart or are not; and the same note on one.

use rayon::prelude::*;

use doublecheck::lick::expected::Technique;
use doublecheck::practice::verdict::HeardNote;
use doublecheck::practice::verdict::Status;
use doublecheck::practice::verdict::StepJudgement;
use doublecheck::practice::verdict::Verdict;

use crate::Plan;
use crate::support::cases::AT_ONCE_S;
use crate::support::cases::Placed;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::Note;
use crate::support::corpus::Set;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::figures::spread;
use crate::support::moves;
use crate::support::moves::moved;
use crate::support::moves::tuned;
use crate::support::neck::Place;
use crate::support::neck::midi;
use crate::support::score::judge;
use crate::support::score::lick;
use crate::support::score::step;
use crate::support::score::told;

/// How far the strings are apart, in cents, either way; one string where there is none.
const APART_CENTS: [Option<f64>; 7] =
    [None, Some(0.0), Some(5.0), Some(12.0), Some(20.0), Some(30.0), Some(45.0)];
/// Frets of the upper string; the note is four or five frets further up on its neighbour.
const N_FRETS: usize = 8;
const NOISE_DB: f64 = 40.0;
/// Levels of the strings, either way, in decibels.
const SPREAD_DB: f64 = 3.0;

struct Outcome {
    set: String,
    apart: Option<f64>,
    step: StepJudgement,
    /// Errors of the notes told of those played, in cents, where both were told.
    errors: Option<[f64; 2]>,
    title: String,
}

/// How far off the note of the upper string the lower one is bent, in cents, either way.
const BENT_CENTS: [f64; 4] = [0.0, 12.0, 20.0, 30.0];
const BENT_BEATS: f64 = 2.0;
const TEMPO_BPM: f64 = 90.0;

pub fn measure(plan: &Plan) {
    struck(plan);
    bent(plan);
}

fn struck(plan: &Plan) {
    let mut outcomes = Vec::new();
    for set in plan.instruments() {
        let mut random = Random(9900);
        let wanted = APART_CENTS.iter().flat_map(|&apart| vec![apart; 4 * plan.n]);
        let wanted = wanted.map(|apart| (apart, Random(random.next_u64()))).collect();
        let run = |(apart, mut random)| outcome(plan, set, apart, &mut random);
        outcomes.extend(plan.thinned(wanted).into_par_iter().filter_map(run).collect::<Vec<_>>());
    }
    for (name, is_synthetic) in [("synthetic", true), ("real", false)] {
        for apart in APART_CENTS {
            let these: Vec<&Outcome> = outcomes
                .iter()
                .filter(|o| (o.set == plan.synthetic[0].name) == is_synthetic && o.apart == apart)
                .collect();
            let how = apart.map_or("one string".into(), |cents| format!("{cents} cents apart"));
            figures(&format!("{name}, {how}"), &these);
        }
    }
    let faulty = |o: &&Outcome| {
        o.step.verdict != Verdict::Right || o.errors.is_some() != (o.apart > Some(10.0))
    };
    plan.tell(&outcomes.iter().filter(faulty).map(|o| o.title.clone()).collect::<Vec<_>>());
}

fn figures(name: &str, outcomes: &[&Outcome]) {
    let share = |verdict: Verdict| {
        percent(outcomes.iter().filter(|o| o.step.verdict == verdict).count(), outcomes.len())
    };
    figure(&format!("{name}: right"), share(Verdict::Right), "%", Target::None);
    figure("… wrong", share(Verdict::Wrong), "%", Target::None);
    let both: Vec<f64> = outcomes.iter().filter_map(|o| o.errors).flatten().collect();
    figure("… two strings told", percent(both.len() / 2, outcomes.len()), "%", Target::None);
    if !both.is_empty() {
        spread("… cents of these", &both, "c", Target::None, Target::None);
    }
}

fn outcome(plan: &Plan, set: &Set, apart: Option<f64>, random: &mut Random) -> Option<Outcome> {
    let string = 1 + random.below(5) as u8;
    let upper: Place = (string, random.below(N_FRETS) as u8);
    let number = midi(upper);
    let lower: Place = (string + 1, (number - midi((string + 1, 0))) as u8);
    let sign = if random.below(2) == 0 { 1.0 } else { -1.0 };
    let mut notes: Vec<Note> = Vec::new();
    for (place, cents) in [(upper, Some(0.0)), (lower, apart)] {
        let Some(cents) = cents else { continue };
        let note = set.at(place, number, random)?;
        // As far off as the first is, and so much more.
        let common = notes.first().map_or(0.0, |first| 1200.0 * (first.f1_hz / note.f1_hz).log2());
        notes.push(tuned(note, common + sign * cents));
    }
    let place = |note| Placed {
        note,
        start_s: 0.3 + random.between(0.0, AT_ONCE_S),
        end_s: f64::INFINITY,
        gain_db: random.between(-SPREAD_DB, SPREAD_DB),
    };
    let placed: Vec<Placed<'_>> = notes.iter().map(place).collect();
    let noise_db = set.is_synthetic().then_some(NOISE_DB);
    let samples = mix(&placed, 0.3 + plan.length_s, noise_db, random);
    let asked = lick(vec![step(1, 0.0, &[number, number])], 60.0);
    let step = judge(&asked, &samples, plan.rate).steps.remove(0);
    let mut heard: Vec<f64> = step
        .heard
        .iter()
        .filter(|h| h.status == Status::Right)
        .map(|h| h.pitch.frequency.get())
        .collect();
    let mut played: Vec<f64> = notes.iter().map(|n| n.sounded_hz(plan.length_s)).collect();
    [&mut heard, &mut played].into_iter().for_each(|all| all.sort_by(f64::total_cmp));
    let off = |i: usize| 1200.0 * (heard[i] / played[i.min(played.len() - 1)]).log2();
    let errors = (heard.len() == 2).then(|| [off(0), off(1)]);
    let places: Vec<_> = notes.iter().map(|n| n.place).collect();
    let title = format!("{} {number} {apart:?} {sign} {places:?}: {}", set.name, told(&step));
    Some(Outcome { set: set.name.clone(), apart, step, errors, title })
}

/// Bends up to the note of the string above, half-way through a half note.
fn bent(plan: &Plan) {
    for off in BENT_CENTS {
        let mut bends = Vec::new();
        for set in plan.instruments() {
            let mut random = Random(9901);
            let wanted = (0..4 * plan.n).map(|_| Random(random.next_u64())).collect();
            let run = |mut random| bend(plan, set, off, &mut random);
            bends.extend(plan.thinned(wanted).into_par_iter().filter_map(run).collect::<Vec<_>>());
        }
        let share = |verdict: Verdict| {
            percent(bends.iter().filter(|b| b.0 == verdict).count(), bends.len())
        };
        println!();
        figure(
            &format!("bent up to {off} cents off: right"),
            share(Verdict::Right),
            "%",
            Target::None,
        );
        figure("… wrong", share(Verdict::Wrong), "%", Target::None);
        let told: Vec<f64> = bends.iter().filter_map(|b| b.1).collect();
        figure("… told where it came to", percent(told.len(), bends.len()), "%", Target::None);
        if !told.is_empty() {
            spread("… cents of these", &told, "c", Target::None, Target::None);
        }
        plan.tell(bends.iter().map(|b| &b.2));
    }
}

/// The verdict, how far off the truth the bent string was told, and all of it in words.
fn bend(
    plan: &Plan,
    set: &Set,
    off: f64,
    random: &mut Random,
) -> Option<(Verdict, Option<f64>, String)> {
    let string = 1 + random.below(2) as u8;
    let upper: Place = (string, 1 + random.below(N_FRETS) as u8);
    let number = midi(upper);
    let reached: Place = (string + 1, (number - midi((string + 1, 0))) as u8);
    let begun: Place = (reached.0, reached.1 - 2);
    let off = if random.below(2) == 0 { off } else { -off };
    let held = set.at(upper, number, random)?;
    let from = set.at(begun, midi(begun), random)?;
    let to = set.at(reached, number, random)?;
    let common = 1200.0 * (held.f1_hz / from.f1_hz).log2() - 200.0;
    let beat_s = 60.0 / TEMPO_BPM;
    let moving = moved(from, (to, Technique::Bend), 0.5 * BENT_BEATS * beat_s, random);
    let moving = tuned(&moving, common + off);
    let place = |note| Placed {
        note,
        start_s: 0.3 + random.between(0.0, AT_ONCE_S),
        end_s: 0.3 + BENT_BEATS * beat_s,
        gain_db: random.between(-SPREAD_DB, SPREAD_DB),
    };
    let placed: Vec<Placed<'_>> = [held, &moving].into_iter().map(place).collect();
    let noise_db = set.is_synthetic().then_some(NOISE_DB);
    let samples = mix(&placed, 0.5 + BENT_BEATS * beat_s, noise_db, random);
    let mut marks = vec!["x".to_owned(); 6];
    marks[6 - usize::from(upper.0)] = upper.1.to_string();
    marks[6 - usize::from(begun.0)] = format!("{}b{}", begun.1, reached.1);
    let asked = moves::lick([marks].iter(), BENT_BEATS, TEMPO_BPM);
    let step = judge(&asked, &samples, plan.rate).steps.remove(0);
    let is_bend = |h: &&HeardNote| h.expected.is_some_and(|e| e.technique == Technique::Bend);
    let told_hz = step.heard.iter().find(is_bend).map(|h| h.pitch.frequency.get());
    let truth_hz = held.f1_hz * (off / 1200.0).exp2();
    let error = told_hz.map(|hz| 1200.0 * (hz / truth_hz).log2());
    let title = format!("{} {upper:?} {begun:?} {off}: {} {error:.1?}", set.name, told(&step));
    Some((step.verdict, error, title))
}
