//! Double stops and licks through an overdriven amplifier, and as voice messages.

use rayon::prelude::*;

use doublecheck::practice::verdict::Verdict;

use crate::Plan;
use crate::grid;
use crate::grid::Grid;
use crate::grid::Spoil;
use crate::licks;
use crate::licks::N_STEPS;
use crate::licks::Planted;
use crate::licks::Played;
use crate::licks::Way;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::Set;
use crate::support::spoil::amplifier;
use crate::support::spoil::message;
use crate::support::spoil::phone;

/// How far it is driven, in decibels: on the edge, crunch, and more.
const DRIVES_DB: [(f64, f64, Spoil); 3] = [
    (-6.0, 0.0, |samples, random| amplifier(&samples, random.between(-6.0, 0.0))),
    (0.0, 6.0, |samples, random| amplifier(&samples, random.between(0.0, 6.0))),
    (6.0, 12.0, |samples, random| amplifier(&samples, random.between(6.0, 12.0))),
];
/// What messengers spend on a voice message, in bits a second: of what is played, and of what a phone hears of it.
const MESSAGES: [(i32, [Spoil; 2]); 2] = [
    (
        16_000,
        [
            |samples, _| message(&samples, 16_000),
            |samples, random| message(&phone(samples, random), 16_000),
        ],
    ),
    (
        24_000,
        [
            |samples, _| message(&samples, 24_000),
            |samples, random| message(&phone(samples, random), 24_000),
        ],
    ),
];
const TEMPO_BPM: f64 = 100.0;
const EIGHTH_S: f64 = 30.0 / TEMPO_BPM;

pub fn driven(plan: &Plan) {
    for (low, high, spoil) in DRIVES_DB {
        measure(plan, &format!("driven {low} to {high} dB"), spoil, 2043);
    }
}

pub fn messages(plan: &Plan) {
    for (bits_a_second, [clean, phone]) in MESSAGES {
        let how = format!("Opus for voice, {} kbit/s", bits_a_second / 1000);
        measure(plan, &how, clean, 2044);
        measure(plan, &format!("through a phone, then {how}"), phone, 2045);
    }
}

fn measure(plan: &Plan, how: &str, spoil: Spoil, seed: u64) {
    let title = format!("double stops, {how}");
    let recipe = grid::plain(plan.length_s);
    grid::measure(plan, sets(plan), &Grid { title, recipe, spoil, target: 98.0, seed });
    in_licks(plan, how, spoil);
}

/// Real notes where they are there.
fn sets(plan: &Plan) -> &[Set] {
    if plan.real.is_empty() { &plan.synthetic } else { &plan.real }
}

/// Licks of which `spoil` is heard.
pub fn in_licks(plan: &Plan, how: &str, spoil: Spoil) {
    let one = |(set, i)| verdicts(plan, set, spoil, &mut Random(9700 + i));
    let licks = sets(plan).iter().flat_map(|set| (0..plan.n as u64).map(move |i| (set, i)));
    let verdicts: Vec<Vec<(bool, Verdict)>> =
        licks.collect::<Vec<_>>().into_par_iter().filter_map(one).collect();
    licks::shares(&format!("licks, {how}"), &verdicts.concat());
}

/// What was planted in the steps of a lick of `set`, and the verdicts.
fn verdicts(
    plan: &Plan,
    set: &Set,
    spoil: Spoil,
    random: &mut Random,
) -> Option<Vec<(bool, Verdict)>> {
    let way = if random.below(2) == 0 { Way::Along } else { Way::Across };
    let played = Played::new(set, way, Planted::Semitones, EIGHTH_S, random)?;
    let length_s = 0.3 + N_STEPS as f64 * EIGHTH_S + 0.5;
    let samples = mix(&played.notes, length_s, Some(50.0), random);
    Some(played.verdicts(TEMPO_BPM, &spoil(samples, random), plan.rate))
}
