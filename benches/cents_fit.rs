//! Writes what a line tells of its own error beside how far off it is, as CSV: one and two notes of real,
//! sampled and synthetic guitars.
#![allow(missing_docs, clippy::print_stdout)]

mod support;

use doublecheck::dsp::decimate::Decimator;
use doublecheck::dsp::spectrum::Transformer;
use doublecheck::pitch::estimate::Estimator;
use doublecheck::pitch::fit::Fitter;
use doublecheck::pitch::line;
use doublecheck::pitch::stiffness::Gauge;
use doublecheck::pitch::tone::Tone;
use rayon::prelude::*;
use support::cases::AT_ONCE_S;
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

/// Lengths of strikes, in seconds.
const LENGTHS_S: [f64; 4] = [0.4, 0.6, 1.0, 1.4];
/// Classes whose notes are all asked for, one note and two.
const CLASSES: [Class; 2] = [Class::Missing, Class::Right];

/// A case to be made: of which set, with what noise, how long, of what class, on which interval.
type Wanted<'a> = (&'a Set, Option<f64>, f64, Class, i32, Random);

fn main() {
    let quick = !std::env::args().any(|a| a == "--bench");
    let n = std::env::var("N").ok().and_then(|n| n.parse().ok()).unwrap_or(4);
    let mut sets = vec![synthetic_set(&mut Random(2026))];
    if !quick {
        sets.extend(real_sets());
        sets.extend(sampled_sets());
    }
    println!("set,noise,length,off,chance,stray,moved");
    let mut random = Random(2090);
    let mut wanted: Vec<Wanted<'_>> = Vec::new();
    for set in &sets {
        let noises: &[Option<f64>] =
            if set.is_synthetic() { &[Some(30.0), Some(15.0)] } else { &[None] };
        for &noise_db in noises {
            for length_s in LENGTHS_S {
                for (class, interval) in CLASSES.iter().flat_map(|&c| INTERVALS.map(|i| (c, i))) {
                    for _ in 0..if quick { 1 } else { n } {
                        let random = Random(random.next_u64());
                        wanted.push((set, noise_db, length_s, class, interval, random));
                    }
                }
            }
        }
    }
    let every = if quick { 20 } else { 1 };
    let lines: Vec<String> = wanted
        .into_par_iter()
        .step_by(every)
        .flat_map(|(set, noise_db, length_s, class, interval, mut random)| {
            let recipe = Recipe { length_s, strum_s: AT_ONCE_S, spread_db: 6.0, noise_db };
            let Some(case) = case(set, class, interval, recipe, &mut random) else {
                return Vec::new();
            };
            let noise = noise_db.map_or("own".to_owned(), |db| db.to_string());
            let truths: Vec<f64> =
                case.played.iter().map(|p| set.note_of(p.1).sounded_hz(length_s)).collect();
            let told = read(&case.samples, case.onset_s, length_s, &truths);
            told.iter()
                .map(|t| {
                    format!("{},{noise},{length_s},{},{},{},{}", set.name, t[0], t[1], t[2], t[3])
                })
                .collect()
        })
        .collect();
    lines.iter().for_each(|line| println!("{line}"));
}

/// How far off each note's line is, in cents, and what it tells: chance, straying, moving.
fn read(samples: &[f32], onset_s: f64, length_s: f64, truths: &[f64]) -> Vec<[f64; 4]> {
    let mut decimator = Decimator::new(RATE);
    let mut stream = Vec::new();
    decimator.push(samples, |s| stream.push(s));
    let rate = f64::from(RATE) / decimator.factor() as f64;
    let delay = decimator.delay_samples() as f64 / f64::from(RATE);
    let cut = |from_s: f64, to_s: f64| {
        let at = |s: f64| (((onset_s + delay + s) * rate) as usize).min(stream.len());
        &stream[at(from_s)..at(to_s)]
    };
    let mut transformer = Transformer::new(rate, 2 * RATE as usize);
    let [mut settled, mut whole, mut early] = [(); 3].map(|()| transformer.make_spectrum());
    transformer.transform(cut(0.045, length_s.min(0.645)), &mut settled);
    let mut estimator = Estimator::new(&transformer);
    let tones: Vec<Tone> = estimator.estimate(&settled).iter().map(|f| f.fitted.tone).collect();
    transformer.transform(cut(0.1, length_s), &mut settled);
    transformer.transform(cut(0.1, 0.5 * (0.1 + length_s)), &mut early);
    transformer.transform_flat(cut(0.045, length_s), &mut whole);
    let mut fitter = Fitter::new(settled.bins.capacity());
    let spectra = [&settled, &whole];
    let (lines, _) =
        line::draw(spectra, Some(&early), &mut fitter, Some(&mut Gauge::new()), &tones);
    let near = |truth: f64| {
        let off = |line: &line::Line| 1200.0 * (line.tone.f1 / truth).log2();
        let lines = lines[..tones.len()].iter().filter(|line| off(line).abs() < 50.0);
        let line = lines.min_by(|a, b| off(a).abs().total_cmp(&off(b).abs()))?;
        let stray = 1200.0 / std::f64::consts::LN_2 * line.stray;
        Some([off(line), line.chance_cents(), stray, line.moved_cents])
    };
    truths.iter().filter_map(|&truth| near(truth)).collect()
}
