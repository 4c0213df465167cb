//! The verdict on double stops: every class of case on every interval.

use rayon::prelude::*;

use doublecheck::practice::verdict::Verdict;

use crate::Plan;
use crate::support::cases::AT_ONCE_S;
use crate::support::cases::CLASSES;
use crate::support::cases::Class;
use crate::support::cases::INTERVALS;
use crate::support::cases::Random;
use crate::support::cases::Recipe;
use crate::support::cases::case;
use crate::support::corpus::Set;
use crate::support::corpus::sampled_sets;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::honesty;
use crate::support::figures::percent;
use crate::support::figures::spread;
use crate::support::score::Outcome;
use crate::support::score::run;
use crate::support::score::tally;

/// The classes over which the verdict is balanced; the last stands apart.
const FOUR: [Class; 4] = [Class::Right, Class::SemitoneOff, Class::Missing, Class::ExtraOpen];
/// Intervals that are counted apart, for all classes.
const APART: [(&str, &[i32]); 4] =
    [("octave", &[12]), ("fifth", &[7]), ("minor second", &[1]), ("tenths", &[15, 16])];

/// From the first string to the last, at most, in seconds, of strings struck slowly.
const SLOWLY_S: f64 = 0.12;

/// What is done to a mix before it is heard.
pub type Spoil = fn(Vec<f32>, &mut Random) -> Vec<f32>;

/// A grid: what it is called, how its cases are made, and what its verdicts should reach.
pub struct Grid {
    pub title: String,
    pub recipe: Recipe,
    pub spoil: Spoil,
    pub target: f64,
    pub seed: u64,
}

pub fn plain(length_s: f64) -> Recipe {
    Recipe { length_s, strum_s: AT_ONCE_S, spread_db: 6.0, noise_db: None }
}

fn untouched(samples: Vec<f32>, _: &mut Random) -> Vec<f32> {
    samples
}

pub fn synthetic(plan: &Plan) {
    for (noise_db, target) in [(30.0, 99.5), (15.0, 99.0)] {
        let recipe = Recipe { noise_db: Some(noise_db), ..plain(plan.length_s) };
        let title = format!("synthetic, {noise_db} dB");
        let grid = Grid { title, recipe, spoil: untouched, target, seed: 2030 };
        measure(plan, &plan.synthetic, &grid);
    }
}

pub fn real(plan: &Plan) {
    if plan.real.is_empty() {
        println!("skipped, ../shared/data is not there");
        return;
    }
    let title = "mixes of real notes".to_owned();
    let recipe = plain(plan.length_s);
    let grid = Grid { title, recipe, spoil: untouched, target: 99.5, seed: 2027 };
    measure(plan, &plan.real, &grid);
    let title = "the same, struck slowly".to_owned();
    let recipe = Recipe { strum_s: SLOWLY_S, ..recipe };
    measure(plan, &plan.real, &Grid { title, recipe, ..grid });
}

pub fn sampled(plan: &Plan) {
    let sets = sampled_sets();
    if sets.is_empty() {
        println!("skipped, the package fluid-soundfont-gm is not installed");
        return;
    }
    let title = "mixes of sampled notes".to_owned();
    let recipe = plain(plan.length_s);
    let grid = Grid { title, recipe, spoil: untouched, target: 99.5, seed: 2028 };
    measure(plan, &sets, &grid);
}

/// All classes on all intervals, `plan.n` cases each from every set.
pub fn measure(plan: &Plan, sets: &[Set], grid: &Grid) {
    let mut random = Random(grid.seed);
    let mut wanted: Vec<(&Set, Class, i32, Random)> = Vec::new();
    for set in sets {
        for class in CLASSES {
            for interval in INTERVALS {
                for _ in 0..plan.n {
                    wanted.push((set, class, interval, Random(random.next_u64())));
                }
            }
        }
    }
    let outcomes: Vec<Outcome> = plan
        .thinned(wanted)
        .into_par_iter()
        .filter_map(|(set, class, interval, mut random)| {
            let mut case = case(set, class, interval, grid.recipe, &mut random)?;
            case.samples = (grid.spoil)(case.samples, &mut random);
            Some(run(&case, plan.rate))
        })
        .collect();
    println!("\n{} ({} cases of {} s)", grid.title, outcomes.len(), grid.recipe.length_s);
    table(sets, &outcomes);
    figures(sets, &outcomes, grid.target);
    plan.tell(outcomes.iter().filter(|o| !o.correct).map(|o| &o.told));
}

fn table(sets: &[Set], outcomes: &[Outcome]) {
    println!(
        "{:>14} {:>8} {:>8} {:>8} {:>8} {:>8}",
        "", "right", "semitone", "missing", "open", "above"
    );
    let by_interval = tally(outcomes, |o| (o.interval, o.class));
    for interval in INTERVALS {
        row(&interval.to_string(), |class| {
            by_interval.get(&(interval, class)).map(|c| c.percent())
        });
    }
    let by_set = tally(outcomes, |o| (o.set.clone(), o.class));
    for set in sets {
        row(&set.name, |class| by_set.get(&(set.name.clone(), class)).map(|c| c.percent()));
    }
    let by_class = tally(outcomes, |o| o.class);
    row("all", |class| by_class.get(&class).map(|c| c.percent()));
}

fn row(name: &str, percent: impl Fn(Class) -> Option<f64>) {
    let cells: Vec<String> = CLASSES
        .iter()
        .map(|&c| percent(c).map_or("       –".to_owned(), |p| format!("{p:8.1}")))
        .collect();
    println!("{name:>14} {}", cells.join(" "));
}

fn figures(sets: &[Set], outcomes: &[Outcome], target: f64) {
    let balanced = |chosen: &dyn Fn(&Outcome) -> bool| {
        let shares: Vec<f64> = FOUR
            .iter()
            .filter_map(|&class| {
                let these: Vec<&Outcome> =
                    outcomes.iter().filter(|o| o.class == class && chosen(o)).collect();
                let correct = these.iter().filter(|o| o.correct).count();
                (!these.is_empty()).then(|| percent(correct, these.len()))
            })
            .collect();
        shares.iter().sum::<f64>() / shares.len() as f64
    };
    for set in sets {
        let name = format!("verdict, balanced: {}", set.name);
        figure(&name, balanced(&|o| o.set == set.name), "%", Target::AtLeast(target));
    }
    if sets.len() > 1 {
        figure("verdict, balanced: all", balanced(&|_| true), "%", Target::AtLeast(target));
    }
    let least = Target::AtLeast(97.0);
    let worst = INTERVALS
        .iter()
        .map(|&i| (balanced(&|o| o.interval == i), i))
        .filter(|(share, _)| share.is_finite())
        .min_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((share, interval)) = worst {
        figure(&format!("worst single interval: {interval} semitones"), share, "%", least);
    }
    for (name, intervals) in APART {
        let share = balanced(&|o| intervals.contains(&o.interval));
        figure(&format!("… {name}"), share, "%", least);
    }
    let count = |chosen: &dyn Fn(&Outcome) -> bool| outcomes.iter().filter(|o| chosen(o)).count();
    let right = count(&|o| o.class == Class::Right);
    let right_told = |verdict: Verdict| {
        percent(count(&|o| o.class == Class::Right && o.verdict == verdict), right)
    };
    figure("a right step called wrong", right_told(Verdict::Wrong), "%", Target::AtMost(0.3));
    let (incomplete, silent) = (right_told(Verdict::Incomplete), right_told(Verdict::NotPlayed));
    figure("… called incomplete", incomplete, "%", Target::None);
    figure("… called not played", silent, "%", Target::None);
    let above = count(&|o| o.class == Class::ExtraAbove);
    let found = count(&|o| o.class == Class::ExtraAbove && o.extra_told);
    figure("an extra octave or twelfth above told", percent(found, above), "%", {
        Target::AtLeast(95.0)
    });
    let without = count(&|o| o.class != Class::ExtraAbove);
    let false_above = count(&|o| o.class != Class::ExtraAbove && o.false_above);
    figure("… where there is none", percent(false_above, without), "%", Target::AtMost(0.5));
    let unsure = count(&|o| o.verdict == Verdict::Unsure);
    figure("told unsure", percent(unsure, outcomes.len()), "%", Target::None);
    let doubtful = count(&|o| o.doubtful);
    let name = "decided with a note of confidence under 0.9";
    figure(name, percent(doubtful, outcomes.len()), "%", Target::None);
    let cents: Vec<(f64, f64)> = outcomes.iter().flat_map(|o| o.cents.iter().copied()).collect();
    let errors: Vec<f64> = cents.iter().map(|c| c.0).collect();
    spread("cents, two notes", &errors, "c", Target::AtMost(0.15), Target::AtMost(1.0));
    honesty("true errors", &cents);
    let onsets: Vec<f64> = outcomes.iter().filter_map(|o| o.onset_ms).collect();
    spread("strike time", &onsets, "ms", Target::AtMost(3.0), Target::AtMost(10.0));
}
