//! How well the program hears: verdicts, cents, onsets, on mixes of real, sampled and synthetic notes.
//!
//! `cargo bench --bench accuracy [-- WHAT]`, WHAT being one of the parts below; `V=1` tells every
//! case that went wrong, `N=30` sets the number of cases a cell.
#![allow(missing_docs, clippy::print_stdout)]

mod support;

use rayon::prelude::*;

use doublecheck::units::SampleRate;
use support::cases::CLASSES;
use support::cases::Case;
use support::cases::Class;
use support::cases::INTERVALS;
use support::cases::Random;
use support::cases::Recipe;
use support::cases::case;
use support::corpus::RATE;
use support::corpus::Set;
use support::corpus::real_sets;
use support::corpus::sampled_sets;
use support::corpus::synthetic_set;
use support::score::Outcome;
use support::score::quantile;
use support::score::run;
use support::score::tally;

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with("--")).collect();
    let wants = |what: &str| wanted.is_empty() || wanted.iter().any(|w| w == what);
    // `cargo test --benches` only sees whether it runs.
    let quick = !std::env::args().any(|a| a == "--bench");
    let n = number("N").unwrap_or(if quick { 1 } else { 20 });
    let length_s = std::env::var("LEN").ok().and_then(|s| s.parse().ok()).unwrap_or(1.0);
    let mut random = Random(2026);
    let plain = Recipe { length_s, spread_db: 6.0, noise_db: None };
    if wants("synthetic") {
        let set = synthetic_set(&mut random);
        for noise_db in [30.0, 15.0] {
            let recipe = Recipe { noise_db: Some(noise_db), ..plain };
            grid(
                &format!("synthetic, {noise_db} dB"),
                std::slice::from_ref(&set),
                recipe,
                n,
                &mut random,
            );
        }
    }
    // Every part has its own seed, so that it gives the same alone as with the others.
    let mut random = Random(2027);
    if wants("real") {
        let sets = real_sets();
        if sets.is_empty() {
            println!("real mixes: skipped, ../shared/data is not there");
        } else {
            grid("mixes of real notes", &sets, plain, n, &mut random);
        }
    }
    let mut random = Random(2028);
    if wants("sampled") {
        let sets = sampled_sets();
        if sets.is_empty() {
            println!("sampled guitars: skipped, the package fluid-soundfont-gm is not installed");
        } else {
            grid("mixes of sampled notes", &sets, plain, n, &mut random);
        }
    }
}

fn number(name: &str) -> Option<usize> {
    std::env::var(name).ok()?.parse().ok()
}

/// All classes on all intervals, `n` cases each from every set.
fn grid(title: &str, sets: &[Set], recipe: Recipe, n: usize, random: &mut Random) {
    let mut wanted: Vec<(&Set, Class, i32, Random)> = Vec::new();
    for set in sets {
        for class in CLASSES {
            for interval in INTERVALS {
                for _ in 0..n {
                    wanted.push((set, class, interval, Random(random.next_u64())));
                }
            }
        }
    }
    let rate = SampleRate::new(RATE).expect("positive");
    let outcomes: Vec<Outcome> = wanted
        .into_par_iter()
        .filter_map(|(set, class, interval, mut random)| {
            case(set, class, interval, recipe, &mut random)
        })
        .map(|case: Case| run(&case, rate))
        .collect();
    println!("\n{title} ({} cases of {} s)", outcomes.len(), recipe.length_s);
    println!(
        "{:>14} {:>8} {:>8} {:>8} {:>8} {:>8}",
        "", "right", "semitone", "missing", "open", "above"
    );
    let by_interval = tally(&outcomes, |o| (o.interval, o.class));
    for interval in INTERVALS {
        row(&interval.to_string(), |class| {
            by_interval.get(&(interval, class)).map(|c| c.percent())
        });
    }
    let by_set = tally(&outcomes, |o| (o.set.clone(), o.class));
    for set in sets {
        row(&set.name, |class| by_set.get(&(set.name.clone(), class)).map(|c| c.percent()));
    }
    let by_class = tally(&outcomes, |o| o.class);
    row("all", |class| by_class.get(&class).map(|c| c.percent()));
    let four: Vec<f64> =
        CLASSES[..4].iter().filter_map(|c| by_class.get(c)).map(|c| c.percent()).collect();
    println!("balanced over four classes: {:.2} %", four.iter().sum::<f64>() / four.len() as f64);
    let cents: Vec<(f64, f64)> = outcomes.iter().flat_map(|o| o.cents.iter().copied()).collect();
    let errors: Vec<f64> = cents.iter().map(|c| c.0.abs()).collect();
    let within = |k: f64| {
        let told: Vec<_> = cents.iter().filter(|c| c.1.is_finite()).collect();
        100.0 * told.iter().filter(|c| c.0.abs() <= k * c.1).count() as f64
            / told.len().max(1) as f64
    };
    println!(
        "cents: median {:.3}, 95 % {:.3}; inside one cents_error {:.0} %, two {:.0} %",
        quantile(&errors, 0.5),
        quantile(&errors, 0.95),
        within(1.0),
        within(2.0)
    );
    let onsets: Vec<f64> = outcomes.iter().filter_map(|o| o.onset_ms).collect();
    let off: Vec<f64> = onsets.iter().map(|o| o.abs()).collect();
    println!(
        "onset: median {:+.1} ms, absolute median {:.1}, 95 % {:.1} ms",
        quantile(&onsets, 0.5),
        quantile(&off, 0.5),
        quantile(&off, 0.95)
    );
    if std::env::var("V").is_ok() {
        outcomes.iter().filter(|o| !o.correct).for_each(|o| println!("  {}", o.told));
    }
}

fn row(name: &str, percent: impl Fn(Class) -> Option<f64>) {
    let cells: Vec<String> = CLASSES
        .iter()
        .map(|&c| percent(c).map_or("       –".to_owned(), |p| format!("{p:8.1}")))
        .collect();
    println!("{name:>14} {}", cells.join(" "));
}
