//! Three to six notes at once, against the step and blind.

use std::ops::Range;

use rayon::prelude::*;

use doublecheck::engine::Take;
use doublecheck::practice::judge;
use doublecheck::practice::verdict::Verdict;

use crate::Plan;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::Set;
use crate::support::counting::Frames;
use crate::support::counting::Notes;
use crate::support::counting::Sounding;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::nearest_midi;
use crate::support::neck::Place;
use crate::support::neck::midi;
use crate::support::neck::places;
use crate::support::neck::semitone_off;
use crate::support::neck::strum;
use crate::support::score::hear;
use crate::support::score::lick;
use crate::support::score::step;
use crate::support::score::struck_notes;
use crate::support::score::told;
use crate::support::shapes::MORE;
use crate::support::shapes::THREE;

/// Shapes are moved up by less than this.
const MOST_UP: usize = 8;
/// From string to string, at once and slowly.
const AT_ONCE_S: Range<f64> = 0.0..0.008;
const SLOWLY_S: Range<f64> = 0.02..0.08;
const START_S: f64 = 0.3;
/// Noise below the synthesiser's strings; real notes bring their own.
const NOISE_DB: f64 = 35.0;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Class {
    Right,
    SemitoneOff,
    Missing,
}

const CLASSES: [Class; 3] = [Class::Right, Class::SemitoneOff, Class::Missing];

struct Outcome {
    set: String,
    class: Class,
    verdict: Verdict,
    /// As told against the step, and blind.
    judged: Notes,
    blind: Notes,
    frame: Frames,
    told: String,
}

impl Outcome {
    fn is_correct(&self) -> bool {
        self.verdict
            == match self.class {
                Class::Right => Verdict::Right,
                Class::SemitoneOff => Verdict::Wrong,
                Class::Missing => Verdict::Incomplete,
            }
    }
}

pub fn measure(plan: &Plan) {
    let (three, more) =
        ((Target::AtLeast(98.0), Target::None), (Target::None, Target::AtLeast(0.97)));
    for (title, shapes, gap_s, (exact, f1), seed) in [
        ("three notes", &THREE[..], AT_ONCE_S, three, 2050),
        ("four to six notes", &MORE[..], AT_ONCE_S, more, 2051),
        ("three notes, strummed slowly", &THREE[..], SLOWLY_S, three, 2052),
        ("four to six notes, strummed slowly", &MORE[..], SLOWLY_S, more, 2053),
    ] {
        let mut outcomes = Vec::new();
        for set in plan.instruments() {
            outcomes.extend(outcomes_of(plan, set, shapes, &gap_s, Random(seed)));
        }
        println!("\n{title} ({} cases)", outcomes.len());
        for set in plan.instruments() {
            figures(&set.name, &outcomes, |o| o.set == set.name, exact, f1);
        }
        figures("real together", &outcomes, |o| o.set != plan.synthetic[0].name, exact, f1);
        plan.tell(outcomes.iter().filter(|o| is_faulty(o)).map(|o| &o.told));
    }
}

fn is_faulty(outcome: &Outcome) -> bool {
    !outcome.is_correct() || outcome.judged.f1() < 1.0 || outcome.blind.f1() < 1.0
}

fn outcomes_of(
    plan: &Plan,
    set: &Set,
    shapes: &[(&str, &str)],
    gap_s: &Range<f64>,
    mut random: Random,
) -> Vec<Outcome> {
    let mut wanted = Vec::new();
    for &(name, shape) in shapes {
        for class in CLASSES {
            for _ in 0..plan.n.div_ceil(2) {
                wanted.push((name, shape, class, Random(random.next_u64())));
            }
        }
    }
    let wanted = plan.thinned(wanted);
    let run = |(name, shape, class, random)| {
        outcome(plan, set, (name, shape), class, gap_s.clone(), random)
    };
    wanted.into_par_iter().filter_map(run).collect()
}

fn outcome(
    plan: &Plan,
    set: &Set,
    (name, shape): (&str, &str),
    class: Class,
    gap_s: Range<f64>,
    mut random: Random,
) -> Option<Outcome> {
    // A real set may lack some note: try other frets.
    (0..50).find_map(|_| {
        let movable = !shape.split_whitespace().any(|mark| mark == "0");
        let up = if movable { random.below(MOST_UP) as u8 } else { 0 };
        let asked = places(shape, up);
        let played = played(&asked, class, &mut random)?;
        let placed = strum(set, &played, START_S, gap_s.clone(), &mut random)?;
        let noise_db = set.is_synthetic().then_some(NOISE_DB);
        let samples = mix(&placed, START_S + plan.length_s, noise_db, &mut random);
        let truth: Vec<Sounding> =
            placed.iter().map(|p| Sounding { onset_s: p.start_s, hz: p.note.f1_hz }).collect();
        let title = format!("{} {class:?} {name} +{up}", set.name);
        Some(score(plan, set, class, &asked, &played, &truth, &samples, title))
    })
}

fn played(asked: &[Place], class: Class, random: &mut Random) -> Option<Vec<Place>> {
    let mut played = asked.to_vec();
    let chosen = random.below(played.len());
    match class {
        Class::Right => {}
        Class::SemitoneOff => played[chosen] = semitone_off(asked[chosen], asked, random)?,
        Class::Missing => {
            played.remove(chosen);
        }
    }
    Some(played)
}

#[expect(clippy::too_many_arguments, reason = "a case and its truth")]
fn score(
    plan: &Plan,
    set: &Set,
    class: Class,
    asked: &[Place],
    played: &[Place],
    truth: &[Sounding],
    samples: &[f32],
    title: String,
) -> Outcome {
    let numbers = |places: &[Place]| places.iter().map(|&p| midi(p)).collect::<Vec<i32>>();
    let (asked, played) = (numbers(asked), numbers(played));
    let take = hear(samples, plan.rate);
    let expected = lick(vec![step(1, 0.0, &asked)], 60.0);
    let judgement = judge::judge_take(&expected, &take, &judge::Settings::default());
    let judged_step = &judgement.steps[0];
    let heard: Vec<i32> = struck_notes(judged_step).collect();
    let blind = blind(&take);
    let pitches = |notes: &[Sounding]| notes.iter().map(|n| n.hz).collect::<Vec<f64>>();
    let numbers_told: Vec<i32> = blind.iter().map(|n| nearest_midi(n.hz)).collect();
    Outcome {
        set: set.name.clone(),
        class,
        verdict: judged_step.verdict,
        judged: Notes {
            matched: played.iter().filter(|p| heard.contains(p)).count(),
            reference: played.len(),
            estimate: heard.len(),
        },
        blind: Notes::of(truth, &blind),
        frame: Frames::of(&pitches(truth), &pitches(&blind)),
        told: format!(
            "{title} asked {asked:?} played {played:?}: {} blind {numbers_told:?} in {} strikes",
            told(judged_step),
            take.strikes.len()
        ),
    }
}

/// Everything struck, without asking the step.
pub fn blind(take: &Take) -> Vec<Sounding> {
    let second = |strike: &doublecheck::engine::Strike| strike.onset.seconds(take.rate);
    let notes = take.strikes.iter().flat_map(|strike| {
        let struck = strike.likely_struck(take.rate);
        struck.map(move |(note, _)| Sounding { onset_s: second(strike), hz: note.frequency.get() })
    });
    notes.collect()
}

fn figures(
    name: &str,
    outcomes: &[Outcome],
    chosen: impl Fn(&Outcome) -> bool,
    exact: Target,
    f1: Target,
) {
    let these: Vec<&Outcome> = outcomes.iter().filter(|o| chosen(o)).collect();
    if these.is_empty() {
        return;
    }
    let share = |class: Class, wanted: &dyn Fn(&Outcome) -> bool| {
        let of_class: Vec<_> = these.iter().filter(|o| o.class == class).collect();
        percent(of_class.iter().filter(|o| wanted(o)).count(), of_class.len())
    };
    let correct = |o: &Outcome| o.is_correct();
    figure(&format!("{name}: right chord told right"), share(Class::Right, &correct), "%", exact);
    let wrong = share(Class::Right, &|o| o.verdict == Verdict::Wrong);
    figure("… told wrong", wrong, "%", Target::AtMost(0.3));
    figure("one note a semitone off told wrong", share(Class::SemitoneOff, &correct), "%", exact);
    figure("one note missing told incomplete", share(Class::Missing, &correct), "%", exact);
    let sum = |of: &dyn Fn(&Outcome) -> Notes| {
        let mut all = Notes::default();
        these.iter().for_each(|o| all += of(o));
        all
    };
    let judged = sum(&|o| o.judged);
    figure("note F1 against the step", judged.f1(), "", f1);
    let blind = sum(&|o| o.blind);
    let all = these.iter().filter(|o| o.blind.f1() == 1.0).count();
    figure("blind: chord exact", percent(all, these.len()), "%", exact);
    figure("… note F1", blind.f1(), "", f1);
    figure("… precision", blind.precision(), "", Target::None);
    figure("… recall", blind.recall(), "", Target::None);
    let mut frames = Frames::default();
    these.iter().for_each(|o| frames += o.frame);
    let [substituted, missed, false_alarms] = frames.errors();
    println!(
        "  per note asked: {substituted:.3} other, {missed:.3} missed, {false_alarms:.3} false"
    );
}
