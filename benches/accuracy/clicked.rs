//! Licks as learners play them beside a click: what the screen of `practice` shows in the end, what is told of the
//! pass, and how early or late it was.

use rayon::prelude::*;

use doublecheck::practice::pass::Delay;
use doublecheck::practice::pass::Pace;
use doublecheck::practice::session::Session;
use doublecheck::practice::session::Settings;
use doublecheck::practice::verdict::Finding;
use doublecheck::practice::verdict::Verdict;

use crate::Plan;
use crate::learners::EIGHTH_S;
use crate::learners::RINGS_S;
use crate::learners::TEMPO_BPM;
use crate::learners::Verdicts;
use crate::learners::WRONG_IN;
use crate::learners::practise;
use crate::learners::wrongly;
use crate::licks::N_STEPS;
use crate::licks::Planted;
use crate::licks::Played;
use crate::licks::STRUM_S;
use crate::licks::UNEVEN_S;
use crate::licks::Way;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::Set;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::neck::ringing;
use crate::support::neck::strum;
use crate::support::score::quantile;

/// The click of the first step: half a second, and a bar of four beats.
const CLICK_S: f64 = 0.5 + 8.0 * EIGHTH_S;
/// Of a click, through loudspeaker, air and microphone.
const DELAY_S: [f64; 2] = [0.02, 0.2];
/// Most of a player who is always late or early, in seconds.
const LATE_S: f64 = 0.1;
/// What timing is told within, to be right, in milliseconds: hardly anybody hears it (common practice).
const WITHIN_MS: f64 = 20.0;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Player {
    /// This far off the click, one standard deviation in milliseconds.
    Uneven(u8),
    Late,
    /// Late or early, the delay being unknown.
    Unmeasured,
    /// Half a beat ahead or behind in the end.
    Drifting,
    /// Leaves two steps out, and is in again.
    DroppingOut,
    /// Comes in a step or a beat late, or a beat early, and stays so.
    OffThroughout,
    /// Strikes what was wrong again at once, between two clicks.
    Mending,
    /// Begins before the count-in is over, breaks off, and comes in with the others.
    FalseStart,
}

const PLAYERS: [Player; 9] = [
    Player::Uneven(15),
    Player::Uneven(40),
    Player::Late,
    Player::Unmeasured,
    Player::Drifting,
    Player::DroppingOut,
    Player::OffThroughout,
    Player::Mending,
    Player::FalseStart,
];

/// A strike: of which step, whether wrongly, and how late in seconds.
#[derive(Debug, Clone, Copy)]
struct Strike {
    step: usize,
    is_wrong: bool,
    late_s: f64,
}

#[derive(Debug, Default)]
struct Outcome {
    shown: Verdicts,
    told: Verdicts,
    /// How far off timing was told, in milliseconds.
    timing_ms: Vec<Option<f64>>,
    /// Whether the pass as a whole was told late, early, rushed or dragged.
    is_off: bool,
}

pub fn measure(plan: &Plan, sets: &[Set]) {
    for player in PLAYERS {
        let run = |(set, i)| outcome(plan, set, player, &mut Random(9950 + i));
        let all = sets.iter().flat_map(|set| (0..plan.n as u64).map(move |i| (set, i)));
        let all: Vec<Outcome> = all.collect::<Vec<_>>().into_par_iter().filter_map(run).collect();
        let share = |of: fn(&Outcome) -> &Verdicts, wrong: bool| {
            let these = all.iter().flat_map(of).filter(|v| v.0 == wrong);
            let told = if wrong { Verdict::Wrong } else { Verdict::Right };
            percent(these.clone().filter(|v| v.1 == told).count(), these.count())
        };
        let named = |what: &str, of: fn(&Outcome) -> &Verdicts| {
            figure(&format!("{player:?}, {what}: right"), share(of, false), "%", Target::None);
            if player != Player::Mending {
                figure("… wrong notes told wrong", share(of, true), "%", Target::None);
            }
        };
        named("beside a click, on the screen", |o| &o.shown);
        named("of the pass", |o| &o.told);
        let off = all.iter().flat_map(|o| &o.timing_ms);
        let within = off.clone().filter(|ms| ms.is_some_and(|ms| ms.abs() <= WITHIN_MS)).count();
        figure("… timing told rightly", percent(within, off.count()), "%", Target::None);
        let n_off = all.iter().filter(|o| o.is_off).count();
        figure(
            "… passes told late throughout or adrift",
            percent(n_off, all.len()),
            "%",
            Target::None,
        );
    }
}

fn strikes(player: Player, random: &mut Random) -> Vec<Strike> {
    let way = if random.below(2) == 0 { -1.0 } else { 1.0 };
    let always_s = match player {
        Player::Late | Player::Unmeasured => way * random.between(0.02, LATE_S),
        Player::OffThroughout => [1.0, 2.0, -2.0][random.below(3)] * EIGHTH_S,
        _ => 0.0,
    };
    let late_s = |step: usize, random: &mut Random| match player {
        Player::Uneven(ms) => 0.001 * f64::from(ms) * random.normal(),
        _ => {
            let share = step as f64 / (N_STEPS - 1) as f64;
            let drift_s = if player == Player::Drifting { way * share * EIGHTH_S } else { 0.0 };
            always_s + drift_s + random.between(-UNEVEN_S, UNEVEN_S)
        }
    };
    let mut strikes = Vec::new();
    if player == Player::FalseStart {
        let beats = 1 + random.below(3);
        let n = 1 + random.below(2 * beats - 1);
        let early_s = -2.0 * EIGHTH_S * beats as f64;
        strikes.extend((0..n).map(|step| Strike { step, is_wrong: false, late_s: early_s }));
    }
    let out = 2 + random.below(N_STEPS - 4);
    for step in 0..N_STEPS {
        let is_wrong = random.below(WRONG_IN) == 0;
        let late_s = late_s(step, random);
        if player == Player::DroppingOut && (out..out + 2).contains(&step) {
            continue;
        }
        strikes.push(Strike { step, is_wrong, late_s });
        if player == Player::Mending && is_wrong {
            let late_s = random.between(0.4, 0.6) * EIGHTH_S;
            strikes.push(Strike { step, is_wrong: false, late_s });
        }
    }
    strikes
}

fn outcome(plan: &Plan, set: &Set, player: Player, random: &mut Random) -> Option<Outcome> {
    let lick = Played::new(set, Way::Along, Planted::Gaps, EIGHTH_S, random)?;
    let strikes = strikes(player, random);
    let delay_s = random.between(DELAY_S[0], DELAY_S[1]);
    let mut placed = Vec::new();
    for strike in &strikes {
        let asked = lick.asked[strike.step];
        let step = if strike.is_wrong { wrongly(set, asked, random)? } else { asked };
        let at_s = CLICK_S + EIGHTH_S * strike.step as f64 + strike.late_s + delay_s;
        let notes = strum(set, &step, at_s, STRUM_S, random)?;
        placed.extend(step.iter().map(|place| place.0).zip(notes));
    }
    let length_s = CLICK_S + EIGHTH_S * N_STEPS as f64 + 4.0;
    let noise_db = set.is_synthetic().then_some(40.0);
    let samples = mix(&ringing(placed, RINGS_S), length_s, noise_db, random);
    let expected = lick.expected(TEMPO_BPM);
    let known = player != Player::Unmeasured;
    let settings = Settings {
        pace: Pace::Click,
        delay: if known { Delay::Measured(1000.0 * delay_s) } else { Delay::Estimated },
        ..Settings::at_leisure(plan.rate)
    };
    let session = Session::new(expected, settings);
    let (shown, over) = practise(session, Some(CLICK_S), &samples);
    // Unmeasured, what all strikes have in common is taken for the delay.
    let late_s: Vec<f64> = strikes.iter().map(|strike| strike.late_s).collect();
    let common_s = if known { 0.0 } else { quantile(&late_s, 0.5).max(-delay_s) };
    let mut findings = over.iter().flat_map(|over| &over.judgement.findings);
    let is_off =
        findings.any(|f| matches!(f, Finding::LateThroughout { .. } | Finding::Drifted { .. }));
    let mut outcome = Outcome { is_off, ..Outcome::default() };
    for (step, is_wrong, late_s) in (0..N_STEPS).filter_map(|step| {
        let last = strikes.iter().rfind(|strike| strike.step == step)?;
        Some((step, last.is_wrong, last.late_s))
    }) {
        let on_screen = shown.get(&(step + 1)).copied().unwrap_or(Verdict::NotPlayed);
        outcome.shown.push((is_wrong, on_screen));
        let told = over.as_ref().map(|over| &over.judgement.steps[step]);
        outcome.told.push((is_wrong, told.map_or(Verdict::NotPlayed, |told| told.verdict)));
        let timing_ms = told.and_then(|told| told.timing_ms);
        outcome.timing_ms.push(timing_ms.map(|ms| ms - 1000.0 * (late_s - common_s)));
    }
    Some(outcome)
}
