//! How well the program hears, each figure beside its target.
//!
//! `cargo bench --bench accuracy [-- PART ...]`, PART being one of [`PARTS`]; `V=1` tells every case
//! that went wrong, `N=30` sets the number of cases a cell, `LEN=0.5` the length of double stops in
//! seconds, `FONT=other.sf2` the guitars of that soundfont, or of a folder of notes, in the place of the
//! real ones. Every part has seeds
//! of its own: it gives the same alone as with the others.
#![allow(missing_docs, clippy::print_stdout)]

mod chords;
mod clicked;
mod comping;
mod graces;
mod grid;
mod hands;
mod learners;
mod licks;
mod listen;
mod phone;
mod runs;
mod single;
mod spoiled;
mod stages;
mod strings;
#[path = "../support/mod.rs"]
mod support;
mod talk;
mod unisons;
mod written;

use std::sync::LazyLock;

use doublecheck::units::SampleRate;
use support::cases::Random;
use support::corpus::RATE;
use support::corpus::Set;
use support::corpus::font_sets;
use support::corpus::real_sets;
use support::corpus::synthetic_set;

/// A part: its name, what it measures, how.
type Part = (&'static str, &'static str, fn(&Plan));

const PARTS: [Part; 21] = [
    ("synthetic", "double stops of the synthesiser, 30 dB and 15 dB", grid::synthetic),
    ("real", "double stops mixed from two real notes", grid::real),
    ("sampled", "double stops mixed from two sampled notes", grid::sampled),
    ("phone", "double stops and licks through a phone in a kitchen", phone::measure),
    ("driven", "double stops and licks through an overdriven amplifier", spoiled::driven),
    ("messages", "double stops and licks as voice messages", spoiled::messages),
    ("unisons", "one note on two strings, in tune and not", unisons::measure),
    ("chords", "three to six notes at once", chords::measure),
    ("licks", "double stops in tempo, strings ringing on", licks::measure),
    ("runs", "fast runs, triplets and sixteenths", runs::measure),
    ("repeats", "double stops struck two to four times", runs::repeats),
    ("hands", "licks with vibrato, and with noises of the fingers", hands::measure),
    ("learners", "licks as learners play them, and beside a click", learners::measure),
    ("written", "licks written down from recordings", written::measure),
    ("talk", "licks in recordings in which somebody talks", talk::measure),
    ("stages", "hammer-ons, pull-offs, slides, bends, harmonics", stages::measure),
    ("graces", "double stops that strings come to in no time", graces::measure),
    ("comping", "strums and plucked chords in quick succession, blind", comping::measure),
    ("listen", "a real take, blind", listen::measure),
    ("single", "cents of one note and of two, and the bound on them", single::measure),
    ("strings", "which string a note came from", strings::measure),
];

/// What all parts go by.
struct Plan {
    /// Cases a cell.
    n: usize,
    /// Length of double stops, in seconds.
    length_s: f64,
    /// Tell what went wrong.
    verbose: bool,
    /// Only see whether it runs.
    quick: bool,
    rate: SampleRate,
    synthetic: LazyLock<Vec<Set>>,
    real: LazyLock<Vec<Set>>,
}

impl Plan {
    /// Some of `cases` where they only have to run.
    fn thinned<T>(&self, cases: Vec<T>) -> Vec<T> {
        let every = if self.quick { cases.len().div_ceil(2).max(1) } else { 1 };
        cases.into_iter().step_by(every).collect()
    }

    /// The synthetic instrument and the real ones, if they are there.
    fn instruments(&self) -> impl Iterator<Item = &Set> {
        if self.real.is_empty() {
            println!("real notes: skipped, ../shared/data is not there");
        }
        let n = if self.quick { 2 } else { usize::MAX };
        self.synthetic.iter().chain(self.real.iter()).take(n)
    }

    /// Prints what went wrong, if asked for.
    fn tell<'a>(&self, faults: impl IntoIterator<Item = &'a String>) {
        if self.verbose {
            faults.into_iter().for_each(|fault| println!("    {fault}"));
        }
    }
}

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with("--")).collect();
    // `cargo test --benches` only sees whether it runs.
    let quick = !std::env::args().any(|a| a == "--bench");
    let number = |name: &str| std::env::var(name).ok().and_then(|s| s.parse::<f64>().ok());
    let plan = Plan {
        n: number("N").map_or(if quick { 1 } else { 20 }, |n| n as usize),
        length_s: number("LEN").unwrap_or(1.0),
        verbose: std::env::var("V").is_ok(),
        quick,
        rate: SampleRate::new(RATE).expect("positive"),
        synthetic: LazyLock::new(|| vec![synthetic_set(&mut Random(2026))]),
        real: LazyLock::new(|| match std::env::var_os("FONT") {
            Some(path) => {
                let sets = font_sets(path.as_ref());
                assert!(!sets.is_empty(), "FONT: {} cannot be opened", path.display());
                sets
            }
            None => real_sets(),
        }),
    };
    if let Some(unknown) = wanted.iter().find(|w| PARTS.iter().all(|(name, ..)| name != w)) {
        println!("no part {unknown}; there are:");
        PARTS.iter().for_each(|(name, what, _)| println!("  {name:<10} {what}"));
        return;
    }
    for (name, what, measure) in PARTS {
        if wanted.is_empty() || wanted.iter().any(|w| w == name) {
            println!("\n== {name}: {what}");
            measure(&plan);
        }
    }
}
