//! Scenes by the thousand, and what is seen in each as lines of CSV; sounds as the engine has them.

use rayon::prelude::*;

use doublecheck::dsp::decimate::Decimator;

use super::cases::Random;
use super::corpus::RATE;
use super::corpus::Set;
use super::corpus::real_sets;
use super::corpus::sampled_sets;
use super::corpus::synthetic_set;

/// Prints `header`, then the lines of `n` scenes, or of as many as the variable `N` says, of every guitar there
/// is. `cargo test --benches` only sees whether it runs.
pub fn write(header: &str, n: u64, seed: u64, scene: fn(&Set, &mut Random) -> Vec<String>) {
    let quick = !std::env::args().any(|arg| arg == "--bench");
    let n = std::env::var("N").ok().and_then(|n| n.parse().ok()).unwrap_or(n);
    let n: u64 = if quick { 2 } else { n };
    let mut sets = vec![synthetic_set(&mut Random(2026))];
    if !quick {
        sets.extend(real_sets());
        sets.extend(sampled_sets());
    }
    println!("{header}");
    for (s, set) in (0..).zip(&sets) {
        let scenes = (0..n).into_par_iter();
        let lines = scenes.flat_map_iter(|i| scene(set, &mut Random(seed + 10_000 * s + i)));
        lines.collect::<Vec<_>>().iter().for_each(|line| println!("{line}"));
    }
}

/// `samples` at the rate at which the engine works, and that rate.
pub fn decimated(samples: &[f32]) -> (Vec<f32>, f64) {
    let mut decimator = Decimator::new(RATE);
    let mut stream = Vec::new();
    decimator.push(samples, |sample| stream.push(sample));
    (stream, f64::from(RATE) / decimator.factor() as f64)
}
