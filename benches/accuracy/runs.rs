//! Fast runs: triplets and sixteenths, in which a strike sounds for a tenth of a second or little more; and double stops
//! struck again and again.

use rayon::prelude::*;

use doublecheck::practice::verdict::Verdict;

use crate::Plan;
use crate::licks::N_STEPS;
use crate::licks::Planted;
use crate::licks::Played;
use crate::licks::WAYS;
use crate::licks::Way;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::Set;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;

/// What is played, and how many steps that is a minute.
type Pace = (&'static str, f64);

const PACES: [Pace; 4] = [
    ("triplets at 100", 300.0),
    ("triplets at 120", 360.0),
    ("sixteenths at 108", 432.0),
    ("sixteenths at 126", 504.0),
];
const REPEATED: [Pace; 4] = [
    ("eighths at 100", 200.0),
    ("eighths at 140", 280.0),
    ("triplets at 120", 360.0),
    ("sixteenths at 108", 432.0),
];
const PLANTED: [Planted; 3] = [Planted::Semitones, Planted::Strings, Planted::Gaps];
const NOISE_DB: f64 = 40.0;

/// What one run gave: what was planted, and the verdict.
struct Outcome {
    pace: Pace,
    way: Way,
    planted: Planted,
    is_synthetic: bool,
    verdicts: Vec<(bool, Verdict)>,
    faults: Vec<String>,
}

pub fn measure(plan: &Plan) {
    play(plan, PACES, &WAYS);
}

/// Each double stop two to four times.
pub fn repeats(plan: &Plan) {
    play(plan, REPEATED, &[Way::Again]);
}

fn play(plan: &Plan, paces: [Pace; 4], ways: &[Way]) {
    let mut outcomes = Vec::new();
    for set in plan.instruments() {
        let mut wanted = Vec::new();
        for pace in paces {
            for &way in ways {
                for planted in PLANTED {
                    wanted.extend((0..plan.n as u64).map(|i| (pace, way, planted, i)));
                }
            }
        }
        let run = |(pace, way, planted, i)| {
            outcome(plan, set, (pace, way, planted), &mut Random(9700 + i))
        };
        let wanted = plan.thinned(wanted);
        outcomes.extend(wanted.into_par_iter().filter_map(run).collect::<Vec<_>>());
    }
    println!("{} runs of {N_STEPS} steps", outcomes.len());
    for (name, is_synthetic) in [("synthetic", true), ("real together", false)] {
        for pace in paces {
            for &way in ways {
                let these: Vec<&Outcome> = outcomes
                    .iter()
                    .filter(|o| (o.is_synthetic, o.pace, o.way) == (is_synthetic, pace, way))
                    .collect();
                figures(&format!("{name}, {}, {way:?} strings", pace.0), &these);
            }
        }
    }
    plan.tell(outcomes.iter().flat_map(|o| &o.faults));
}

fn figures(name: &str, outcomes: &[&Outcome]) {
    let share = |planted: Planted, wrong: bool, verdict: Verdict| {
        let these = outcomes.iter().filter(|o| o.planted == planted);
        let verdicts = these.flat_map(|o| &o.verdicts).filter(|v| v.0 == wrong);
        percent(verdicts.clone().filter(|v| v.1 == verdict).count(), verdicts.count())
    };
    if outcomes.is_empty() {
        return;
    }
    let right = |verdict| share(Planted::Semitones, false, verdict);
    figure(&format!("{name}: right"), right(Verdict::Right), "%", Target::None);
    for verdict in [Verdict::Wrong, Verdict::Incomplete, Verdict::NotPlayed, Verdict::Unsure] {
        figure(&format!("… {verdict:?}"), right(verdict), "%", Target::None);
    }
    for (what, planted, verdict) in [
        ("planted semitones told wrong", Planted::Semitones, Verdict::Wrong),
        ("planted strings told wrong", Planted::Strings, Verdict::Wrong),
        ("notes left out told missing", Planted::Gaps, Verdict::Incomplete),
        ("… unsure", Planted::Gaps, Verdict::Unsure),
        ("… right", Planted::Gaps, Verdict::Right),
    ] {
        figure(what, share(planted, true, verdict), "%", Target::None);
    }
}

fn outcome(
    plan: &Plan,
    set: &Set,
    (pace, way, planted): (Pace, Way, Planted),
    random: &mut Random,
) -> Option<Outcome> {
    let a_minute = pace.1;
    let step_s = 60.0 / a_minute;
    let played = Played::new(set, way, planted, step_s, random)?;
    let is_synthetic = set.is_synthetic();
    let noise_db = is_synthetic.then_some(NOISE_DB);
    let samples = mix(&played.notes, 0.3 + N_STEPS as f64 * step_s + 0.5, noise_db, random);
    // Steps of a lick are eighths there.
    let judgement = played.judged(0.5 * a_minute, &samples, plan.rate);
    let verdicts = played.each(&judgement).collect();
    let head = format!("{} {way:?} {}", set.name, pace.0);
    let faults = judgement.steps.iter().enumerate().filter_map(|(k, step)| played.fault(k, step));
    let faults = faults.map(|fault| format!("{head} {fault}")).collect();
    Some(Outcome { pace, way, planted, is_synthetic, verdicts, faults })
}
