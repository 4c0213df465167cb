//! Grace notes: double stops to which one string or both come within a tenth of a second, by a hammer-on, a pull-off
//! or a slide.
//!
//! Moves of real notes (`support/moves.rs`). Written are the grace notes, or only the notes they lead to.

use rayon::prelude::*;

use doublecheck::lick::expected::ExpectedStep;
use doublecheck::lick::expected::Stage;
use doublecheck::practice::verdict::StepJudgement;
use doublecheck::practice::verdict::Verdict;

use crate::Plan;
use crate::grid::Spoil;
use crate::support::cases::Random;
use crate::support::corpus::Set;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::moves;
use crate::support::moves::GRACE_S;
use crate::support::moves::lick;
use crate::support::score::judge;
use crate::support::score::told;
use crate::support::spoil;

#[derive(Debug, Clone, Copy)]
enum Kind {
    HammerOn,
    PullOff,
    Slide,
    /// Of both strings.
    Slides,
    /// Below one or two others.
    ChordHammerOn,
}

const KINDS: [(&str, Kind); 5] = [
    ("hammer-on", Kind::HammerOn),
    ("pull-off", Kind::PullOff),
    ("slide", Kind::Slide),
    ("slide of both", Kind::Slides),
    ("hammer-on in a chord", Kind::ChordHammerOn),
];

const N_STEPS: usize = 4;

/// Marks of a step from its lowest string.
type Marks = Vec<String>;

/// A step with its grace note, with that alone, and with the note it leads to alone.
struct Step {
    graced: Marks,
    grace: Marks,
    plain: Marks,
}

impl Step {
    fn new(kind: Kind, random: &mut Random) -> Self {
        let string = random.below(5);
        let (fret, far) = (3 + random.below(8), 1 + random.below(2));
        let up = random.below(3) > 0;
        let (from, to) = match kind {
            Kind::HammerOn | Kind::ChordHammerOn => (fret, fret + far),
            Kind::PullOff => (fret + far, fret),
            Kind::Slide | Kind::Slides if up => (fret, fret + far),
            Kind::Slide | Kind::Slides => (fret + far, fret),
        };
        let sign = match kind {
            Kind::HammerOn | Kind::ChordHammerOn => 'h',
            Kind::PullOff => 'p',
            Kind::Slide | Kind::Slides => 's',
        };
        // The other string, as far off at both ends where it comes along.
        let (off, comes_along) = (random.below(3), matches!(kind, Kind::Slides));
        let lead = random.below(2);
        let marks = |mark: &dyn Fn(usize, usize) -> String| {
            let mut marks = vec!["x".to_owned(); 6];
            let beside = if comes_along { from + off } else { to + off };
            marks[string + lead] = mark(from, to);
            marks[string + 1 - lead] = mark(beside, to + off);
            if matches!(kind, Kind::ChordHammerOn) {
                marks.iter_mut().enumerate().skip(string + 2).take(2).for_each(|(other, mark)| {
                    *mark = (to + other - string).to_string();
                });
            }
            marks
        };
        Self {
            graced: marks(&|from, to| match from == to {
                true => to.to_string(),
                false => format!("{from}{sign}{to}"),
            }),
            grace: marks(&|from, _| from.to_string()),
            plain: marks(&|_, to| to.to_string()),
        }
    }
}

/// What is asked of a step, or played of it.
type Part = fn(&Step) -> &Marks;

/// What is written, what is played, and whether that is right.
const WAYS: [(&str, Part, Part, bool); 4] = [
    ("as written", |s| &s.graced, |s| &s.graced, true),
    ("written plain", |s| &s.plain, |s| &s.graced, true),
    ("its notes struck straight", |s| &s.graced, |s| &s.plain, false),
    ("never moved", |s| &s.graced, |s| &s.grace, false),
];

/// How they are recorded.
const ROOMS: [(&str, Spoil); 2] = [("", |samples, _| samples), (", through a phone", spoil::phone)];

pub fn measure(plan: &Plan) {
    println!("{} steps each", N_STEPS * plan.n);
    for (room, spoil) in ROOMS {
        for (i, (name, kind)) in KINDS.into_iter().enumerate() {
            for (k, (how, asked, played, is_right)) in WAYS.into_iter().enumerate() {
                let random = Random(4100 + (4 * i + k) as u64);
                let case = Case { kind, asked, played, spoil };
                figures(plan, &case, &format!("{name}{room}, {how}"), is_right, random);
            }
        }
    }
}

fn figures(plan: &Plan, case: &Case, title: &str, is_right: bool, mut random: Random) {
    let seeds: Vec<u64> = (0..plan.n).map(|_| random.next_u64()).collect();
    let mut all = Vec::new();
    for set in plan.instruments().filter(|set| !set.is_synthetic()) {
        let run = |seed| outcomes(plan, set, case, Random(seed));
        let seeds = plan.thinned(seeds.clone()).into_par_iter();
        let told: Vec<(Verdict, String)> = seeds.flat_map_iter(run).collect();
        let target = if is_right { Target::AtLeast(97.0) } else { Target::None };
        let title = format!("{title}, {}: right", set.name);
        figure(&title, share(&told, Verdict::Right), "%", target);
        all.extend(told);
    }
    for (name, verdict) in [
        ("wrong", Verdict::Wrong),
        ("incomplete", Verdict::Incomplete),
        ("unsure", Verdict::Unsure),
    ] {
        figure(&format!("… of all guitars {name}"), share(&all, verdict), "%", Target::None);
    }
    let amiss = all.iter().filter(|(told, _)| (*told == Verdict::Right) != is_right);
    plan.tell(amiss.map(|(_, fault)| fault));
}

fn share(all: &[(Verdict, String)], wanted: Verdict) -> f64 {
    percent(all.iter().filter(|(told, _)| *told == wanted).count(), all.len())
}

struct Case {
    kind: Kind,
    asked: Part,
    played: Part,
    spoil: Spoil,
}

/// A lick of some steps, judged by how it is written.
fn outcomes(plan: &Plan, set: &Set, case: &Case, mut random: Random) -> Vec<(Verdict, String)> {
    let &Case { kind, asked, played, spoil } = case;
    let tempo_bpm = random.between(60.0, 100.0);
    // A real set may lack a note: try another lick.
    let found = (0..50).find_map(|_| {
        let steps: Vec<Step> = (0..N_STEPS).map(|_| Step::new(kind, &mut random)).collect();
        let after_s: Vec<f64> =
            (0..N_STEPS).map(|_| random.between(GRACE_S[0], GRACE_S[1])).collect();
        let sounding = lick(steps.iter().map(played), 1.0, tempo_bpm);
        let due_s = |step: &ExpectedStep, _: &Stage| after_s[step.number - 1];
        moves::play_at(set, &sounding, due_s, &mut random).map(|samples| (steps, after_s, samples))
    });
    let Some((steps, after_s, samples)) = found else { return Vec::new() };
    let samples = spoil(samples, &mut random);
    let judgement = judge(&lick(steps.iter().map(asked), 1.0, tempo_bpm), &samples, plan.rate);
    let outcome = |judged: &StepJudgement| {
        let k = judged.step - 1;
        let (asked, played) = (asked(&steps[k]).join(" "), played(&steps[k]).join(" "));
        let after_s = after_s[k];
        (
            judged.verdict,
            format!("{} {asked}, played {played} {after_s:.2}: {}", set.name, told(judged)),
        )
    };
    judgement.steps.iter().map(outcome).collect()
}
