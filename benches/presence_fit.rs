//! Writes what is seen of notes that sound and of candidates that do not, as CSV: what the estimator
//! finds in double stops and chords, and what it leaves.
#![allow(missing_docs, clippy::print_stdout)]

mod support;

use doublecheck::dsp::spectrum::Spectrum;
use doublecheck::dsp::spectrum::Transformer;
use doublecheck::pitch::estimate::Estimator;
use doublecheck::pitch::estimate::Proposer;
use doublecheck::pitch::estimate::total_power;
use doublecheck::pitch::fit::Fitter;
use doublecheck::pitch::presence::Evidence;
use doublecheck::pitch::presence::examine;
use doublecheck::pitch::tone::Tone;
use support::cases::AT_ONCE_S;
use support::cases::CLASSES;
use support::cases::INTERVALS;
use support::cases::Placed;
use support::cases::Random;
use support::cases::Recipe;
use support::cases::case;
use support::cases::choose;
use support::cases::mix;
use support::corpus::Note;
use support::corpus::Set;
use support::corpus::real_sets;
use support::corpus::sampled_sets;
use support::corpus::synthetic_set;
use support::midi_number;
use support::scenes;
use support::spoil::phone;

/// Where the engine begins to listen to a strike, and for how long it does, in seconds.
const SKIP_S: f64 = 0.045;
const LENGTHS_S: [f64; 3] = [0.6, 0.6, 0.175];
/// Levels of the notes, either way, in decibels.
const SPREAD_DB: f64 = 6.0;

fn main() {
    let mut random = Random(11);
    let mut sets: Vec<Set> = real_sets();
    sets.extend(sampled_sets());
    sets.push(synthetic_set(&mut random));
    // `cargo test --benches` only sees whether it runs.
    if !std::env::args().any(|arg| arg == "--bench") {
        sets.drain(1..);
    }
    let per_cell: usize = std::env::var("N").ok().and_then(|s| s.parse().ok()).unwrap_or(2);
    println!("set,sounds,length,phone,notes,midi,clarity,level_db,has_first,first");
    for set in &sets {
        for class in CLASSES {
            for interval in INTERVALS {
                for _ in 0..per_cell {
                    let noise_db = set.is_synthetic().then(|| random.between(15.0, 40.0));
                    let recipe = Recipe {
                        length_s: 0.7,
                        strum_s: AT_ONCE_S,
                        spread_db: SPREAD_DB,
                        noise_db,
                    };
                    let Some(case) = case(set, class, interval, recipe, &mut random) else {
                        continue;
                    };
                    let notes: Vec<f64> = case.played.iter().map(|p| p.1).collect();
                    look_at(set, &notes, case.onset_s, case.samples, &mut random);
                }
            }
        }
        for _ in 0..20 * per_cell {
            let notes = choose(set, 3 + random.below(3), &mut random);
            let samples = chord(set, &notes, f64::INFINITY, &mut random);
            let sounding: Vec<f64> = notes.iter().map(|note| note.f1_hz).collect();
            look_at(set, &sounding, 0.05, samples, &mut random);
            // Damped at once, nothing but the knock and the room is left.
            let samples = chord(set, &notes, 0.08, &mut random);
            look_at(set, &[], 0.05, samples, &mut random);
        }
    }
}

fn chord(set: &Set, notes: &[&Note], end_s: f64, random: &mut Random) -> Vec<f32> {
    let placed: Vec<Placed<'_>> = notes
        .iter()
        .map(|&note| Placed {
            note,
            start_s: 0.05 + random.between(0.0, 0.015),
            end_s,
            gain_db: random.between(-0.5 * SPREAD_DB, 0.5 * SPREAD_DB),
        })
        .collect();
    let noise_db = (set.is_synthetic() || end_s < 1.0).then(|| random.between(15.0, 40.0));
    mix(&placed, 0.75, noise_db, random)
}

/// Writes a line for every candidate in `samples`, where strings sound at `notes` hertz.
fn look_at(set: &Set, notes: &[f64], onset_s: f64, samples: Vec<f32>, random: &mut Random) {
    let through_phone = random.below(3) == 0;
    let samples = if through_phone { phone(samples, random) } else { samples };
    let (decimated, rate) = scenes::decimated(&samples);
    let mut transformer = Transformer::new(rate, decimated.len());
    let mut spectrum = transformer.make_spectrum();
    let length_s = LENGTHS_S[random.below(LENGTHS_S.len())];
    let from = ((onset_s + SKIP_S) * rate) as usize;
    let to = (from + (length_s * rate) as usize).min(decimated.len());
    transformer.transform(&decimated[from..to], &mut spectrum);
    let mut estimator = Estimator::new(&transformer);
    let found: Vec<Tone> = estimator.estimate(&spectrum).iter().map(|f| f.fitted.tone).collect();
    for (evidence, known) in candidates(&spectrum, &found) {
        let tone = evidence.tone;
        let beside = |hz: f64, ratio: usize| {
            (tone.cents_from(&Tone::at(hz)) - 1200.0 * (ratio as f64).log2()).abs() < 50.0
        };
        // In the shadow of a known tone other things tell (see `shadow_fit`).
        if known.iter().any(|t| (1..=4).any(|ratio| beside(t.f1, ratio))) {
            continue;
        }
        let s = evidence.signs;
        let has_first = f64::from(u8::from(s.first.is_some()));
        let signs = [s.clarity, s.level_db, has_first, s.first.unwrap_or(0.0)];
        println!(
            "{},{},{length_s},{},{},{:.2},{}",
            set.name,
            u8::from(notes.iter().any(|&hz| beside(hz, 1))),
            u8::from(through_phone),
            notes.len(),
            midi_number(tone.f1),
            signs.map(|sign| format!("{sign:.3}")).join(",")
        );
    }
}

/// The evidence for every tone of `found`, and for what might sound besides, each with the tones
/// known to sound with it.
fn candidates(spectrum: &Spectrum, found: &[Tone]) -> Vec<(Evidence, Vec<Tone>)> {
    let mut fitter = Fitter::new(spectrum.bins.capacity());
    let mut proposer = Proposer::new();
    proposer.propose(spectrum);
    let power = total_power(proposer.peaks());
    let mut examined = Vec::new();
    for i in 0..found.len() {
        let mut known = found.to_vec();
        let tone = known.remove(i);
        fitter.fit(spectrum, &known, 1);
        fitter.subtract(spectrum);
        examined.push((examine(spectrum, &fitter, tone, power), known));
    }
    fitter.fit(spectrum, found, 2);
    fitter.subtract(spectrum);
    let mut residual = spectrum.clone();
    residual.bins.copy_from_slice(fitter.residual());
    for candidate in proposer.propose(&residual) {
        examined.push((examine(spectrum, &fitter, candidate.tone, power), found.to_vec()));
    }
    examined
}
