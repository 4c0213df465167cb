//! Licks as learners play them: halting, with a step struck again once it was wrong, going back, beginning anew, leaving
//! a step out. What `check` says of it, and what the screen of `practice` shows in the end.

use std::collections::BTreeMap;

use rayon::prelude::*;

use doublecheck::practice::pass::Told;
use doublecheck::practice::session::News;
use doublecheck::practice::session::PassOver;
use doublecheck::practice::session::Session;
use doublecheck::practice::session::Settings;
use doublecheck::practice::verdict::Finding;
use doublecheck::practice::verdict::StepJudgement;
use doublecheck::practice::verdict::TakeJudgement;
use doublecheck::practice::verdict::Verdict;

use crate::Plan;
use crate::clicked;
use crate::licks;
use crate::licks::N_STEPS;
use crate::licks::Planted;
use crate::licks::Played;
use crate::licks::STRUM_S;
use crate::licks::UNEVEN_S;
use crate::licks::Way;
use crate::support::cases::Placed;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::RATE;
use crate::support::corpus::Set;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::neck::Place;
use crate::support::neck::midi;
use crate::support::neck::ringing;
use crate::support::neck::semitone_off;
use crate::support::neck::strum;
use crate::support::score;

pub const TEMPO_BPM: f64 = 90.0;
pub const EIGHTH_S: f64 = 30.0 / TEMPO_BPM;
/// The tempo of a learner, as a share of the one that is written.
const PACE: [f64; 2] = [0.6, 1.1];
/// A string rings on at most so long, in seconds.
pub const RINGS_S: f64 = 1.5;
/// One step in so many goes wrong.
pub const WRONG_IN: usize = 8;
/// Where the hand looks for its place, once in so many steps and before every step that is struck again, it takes so
/// long, in seconds.
const HALTS_IN: usize = 3;
const HALT_S: [f64; 2] = [0.2, 3.0];
/// … and before a step that is shown by itself.
const SHOWN_S: [f64; 2] = [1.5, 4.0];

#[derive(Debug, Clone, Copy, PartialEq)]
enum Learner {
    /// What the others are held against.
    Straight,
    Halting,
    /// What was wrong is struck once more.
    Mending,
    /// Goes back some steps after a wrong one.
    GoingBack,
    /// Breaks off after a wrong step and begins anew.
    Anew,
    /// Leaves two neighbouring steps out.
    Skipping,
    /// Shows every step by itself, slowly, then all of it.
    Teaching,
    /// Plays all of it several times.
    Repeating,
    /// Swings the eighths, which are written even.
    Swinging,
}

const LEARNERS: [Learner; 9] = [
    Learner::Straight,
    Learner::Halting,
    Learner::Mending,
    Learner::GoingBack,
    Learner::Anew,
    Learner::Skipping,
    Learner::Teaching,
    Learner::Repeating,
    Learner::Swinging,
];
/// The first eighth of a beat as a share of it: 1.5:1 to 2.5:1.
const SWUNG: [f64; 2] = [0.6, 0.714];
/// A tempo, and a share of the beat, that are told as near as this are told rightly.
const TEMPO_WITHIN: f64 = 0.03;
const SHARE_WITHIN: f64 = 0.02;
/// So many times.
const REPEATS: usize = 3;

/// A step as it was struck: which, and whether wrongly.
type Struck = (usize, bool);
pub type Verdicts = Vec<(bool, Verdict)>;

/// How the time that was kept was told.
#[derive(Debug, Default)]
struct Kept {
    /// Tempo told, by the one that was played.
    tempo: Option<f64>,
    /// How swung it was played: 0.5 for even eighths.
    share: f64,
    /// … and told.
    told: Option<f64>,
}

pub fn measure(plan: &Plan) {
    let sets: &[Set] = if plan.real.is_empty() { &plan.synthetic } else { &plan.real };
    for learner in LEARNERS {
        let run = |(set, i)| outcome(plan, set, learner, &mut Random(9900 + i));
        let all = sets.iter().flat_map(|set| (0..plan.n as u64).map(move |i| (set, i)));
        let all: Vec<_> = all.collect::<Vec<_>>().into_par_iter().filter_map(run).collect();
        let (checked, (shown, kept)): (Vec<Verdicts>, (Vec<Verdicts>, Vec<Kept>)) =
            all.into_iter().map(|(checked, shown, kept)| (checked, (shown, kept))).unzip();
        licks::shares(&format!("{learner:?}, checked"), &checked.concat());
        if matches!(learner, Learner::Straight | Learner::Swinging) {
            let figure = |what: &str, so: fn(&Kept) -> bool| {
                let n = kept.iter().filter(|kept| so(kept)).count();
                figure(what, percent(n, kept.len()), "%", Target::None);
            };
            figure("… tempo told rightly", |kept| {
                kept.tempo.is_some_and(|tempo| (tempo - 1.0).abs() < TEMPO_WITHIN)
            });
            figure("… told swung", |kept| kept.told.is_some());
            figure("… how swung told rightly", |kept| {
                (kept.told.unwrap_or(0.5) - kept.share).abs() < SHARE_WITHIN
            });
        }
        // A pass is over with its last step: of a lesson it is what is shown, of several the first.
        if !matches!(learner, Learner::Teaching | Learner::Repeating) {
            licks::shares(&format!("{learner:?}, on the screen"), &shown.concat());
        }
    }
    clicked::measure(plan, sets);
}

/// The steps in the order in which `learner` strikes them.
fn order(learner: Learner, random: &mut Random) -> Vec<Struck> {
    let times = if learner == Learner::Repeating { REPEATS } else { 1 };
    let mut step = |i: usize| (i % N_STEPS, random.below(WRONG_IN) == 0);
    let mut run: Vec<Struck> = (0..times * N_STEPS).map(&mut step).collect();
    let at = 2 + random.below(N_STEPS - 4);
    match learner {
        Learner::Straight | Learner::Halting | Learner::Repeating | Learner::Swinging => run,
        Learner::Mending => {
            let again = |(k, is_wrong): Struck| [is_wrong.then_some((k, true)), Some((k, false))];
            run.into_iter().flat_map(again).flatten().collect()
        }
        Learner::GoingBack | Learner::Anew => {
            let back = if learner == Learner::Anew { 0 } else { at - 1 - random.below(at.min(3)) };
            let first = (0..at).map(|k| (k, false)).chain([(at, true)]);
            first.chain(run.split_off(back)).collect()
        }
        Learner::Teaching => (0..N_STEPS).map(|k| (k, false)).chain(run).collect(),
        Learner::Skipping => {
            run.drain(at..at + 2);
            run
        }
    }
}

/// Whether the last strike of every step that was struck was wrong, in every pass of several, and the verdicts: of
/// `check`, and on the screen; and what `check` says of tempo and swing.
fn outcome(
    plan: &Plan,
    set: &Set,
    learner: Learner,
    random: &mut Random,
) -> Option<(Verdicts, Verdicts, Kept)> {
    let asked = Played::new(set, Way::Along, Planted::Gaps, EIGHTH_S, random)?;
    let order = order(learner, random);
    let eighth_s = EIGHTH_S / random.between(PACE[0], PACE[1]);
    let share = match learner {
        Learner::Swinging => random.between(SWUNG[0], SWUNG[1]),
        _ => 0.5,
    };
    let (notes, length_s) = strikes(
        set,
        &asked.asked,
        &order,
        learner,
        [share, 1.0 - share].map(|s| 2.0 * s * eighth_s),
        random,
    )?;
    let samples = mix(&notes, length_s, set.is_synthetic().then_some(40.0), random);
    let expected = asked.expected(TEMPO_BPM);
    let checked = score::judge(&expected, &samples, plan.rate);
    if learner == Learner::Repeating {
        return Some((every_pass(&order, checked), Vec::new(), Kept::default()));
    }
    let session = Session::new(expected.clone(), Settings::at_leisure(plan.rate));
    let (shown, _) = practise(session, None, &samples);
    let last: BTreeMap<usize, bool> = order.into_iter().collect();
    let of = |verdict: &dyn Fn(usize) -> Verdict| {
        last.iter().map(|(&k, &is_wrong)| (is_wrong, verdict(k))).collect()
    };
    let on_screen = |k| shown.get(&(k + 1)).copied().unwrap_or(Verdict::NotPlayed);
    let told = checked.findings.iter().find_map(|finding| match finding {
        Finding::Swung { played, .. } => Some(*played),
        _ => None,
    });
    let kept = Kept { tempo: checked.tempo_bpm.map(|bpm| bpm * eighth_s / 30.0), share, told };
    Some((of(&|k| checked.steps[k].verdict), of(&on_screen), kept))
}

/// Whether every strike was wrong, and its verdict; where passes are too few or too many, those that were played
/// count as not played.
fn every_pass(order: &[Struck], checked: TakeJudgement) -> Verdicts {
    let mut passes: BTreeMap<usize, Vec<StepJudgement>> =
        checked.other_passes.into_iter().map(|pass| (pass.number, pass.steps)).collect();
    passes.insert(checked.pass, checked.steps);
    let is_so = passes.len() * N_STEPS == order.len();
    let verdicts = passes.into_values().flatten().map(|step| step.verdict);
    let verdicts = verdicts.filter(|_| is_so).chain(std::iter::repeat(Verdict::NotPlayed));
    order.iter().zip(verdicts).map(|(&(_, is_wrong), verdict)| (is_wrong, verdict)).collect()
}

/// The notes of steps struck in this order, and how long all of it takes; so long is the first eighth of a beat, and
/// the second.
fn strikes<'a>(
    set: &'a Set,
    asked: &[[Place; 2]],
    order: &[Struck],
    learner: Learner,
    eighths_s: [f64; 2],
    random: &mut Random,
) -> Option<(Vec<Placed<'a>>, f64)> {
    let mut at_s = 0.3;
    let mut before = None;
    let mut placed: Vec<(u8, Placed<'a>)> = Vec::new();
    for &(k, is_wrong) in order {
        let is_again = before.is_some_and(|before| k <= before);
        if is_again || learner == Learner::Halting && random.below(HALTS_IN) == 0 {
            at_s += random.between(HALT_S[0], HALT_S[1]);
        }
        if learner == Learner::Teaching && placed.len() < 2 * N_STEPS {
            at_s += random.between(SHOWN_S[0], SHOWN_S[1]);
        }
        let step = if is_wrong { wrongly(set, asked[k], random)? } else { asked[k] };
        let uneven_s = random.between(-UNEVEN_S, UNEVEN_S);
        let notes = strum(set, &step, at_s + uneven_s, STRUM_S, random)?;
        placed.extend(step.iter().map(|place| place.0).zip(notes));
        before = Some(k);
        at_s += eighths_s[k % 2];
    }
    Some((ringing(placed, RINGS_S), at_s + 2.0))
}

/// One of the two notes a semitone off.
pub fn wrongly(set: &Set, mut step: [Place; 2], random: &mut Random) -> Option<[Place; 2]> {
    let off = (0..20).find_map(|_| {
        let i = random.below(2);
        let off = semitone_off(step[i], &step, random)?;
        set.at(off, midi(off), random).is_some().then_some((i, off))
    });
    let (i, off) = off?;
    step[i] = off;
    Some(step)
}

/// What the screen shows of every step in the end, and the pass once it is over; the first click at this second.
pub fn practise(
    mut session: Session,
    click_s: Option<f64>,
    samples: &[f32],
) -> (BTreeMap<usize, Verdict>, Option<PassOver>) {
    let (mut shown, mut news, mut over) = (BTreeMap::new(), Vec::new(), None);
    session.begin(&mut news);
    if let Some(at_s) = click_s {
        session.click_begins(at_s * f64::from(RATE));
    }
    for block in samples.chunks(512) {
        session.push(block, &mut news);
        for news in news.drain(..) {
            match news {
                News::Pass(Told::Step(found)) => {
                    shown.insert(found.judgement.step, found.judgement.verdict);
                }
                News::Pass(Told::TakenBack(step) | Told::Meant { step, .. }) => {
                    shown.remove(&step);
                }
                News::Over(pass) => over = Some(*pass),
                News::Pass(_) | News::Hole { .. } => {}
            }
        }
    }
    (shown, over)
}
