//! Writes what is seen of low notes that sound and of tones that an overdriven amplifier makes of two strings,
//! as CSV.
#![allow(missing_docs, clippy::print_stdout)]

mod support;

use doublecheck::dsp::spectrum::Transformer;
use doublecheck::pitch::combination::MOST_OWN_DB;
use doublecheck::pitch::combination::PAIRS;
use doublecheck::pitch::combination::weigh;
use doublecheck::pitch::estimate::LOWEST_F1_HZ;
use doublecheck::pitch::estimate::Proposer;
use doublecheck::pitch::estimate::total_power;
use doublecheck::pitch::fit::Fitter;
use doublecheck::pitch::presence::examine;
use doublecheck::pitch::tone::Tone;
use support::cases::Placed;
use support::cases::Random;
use support::cases::choose;
use support::cases::mix;
use support::corpus::Set;
use support::midi_number;
use support::scenes;
use support::spoil::amplifier;

/// Where the engine begins to listen to a strike, and for how long it does, in seconds.
const SKIP_S: f64 = 0.045;
const LENGTHS_S: [f64; 3] = [0.6, 0.6, 0.175];
/// Levels of the notes, either way, and noise below the whole, in decibels.
const LEVEL_DB: f64 = 3.0;
const NOISE_DB: [f64; 2] = [25.0, 60.0];
/// How far an amplifier is driven, in every other scene, in decibels.
const DRIVE_DB: [f64; 2] = [-6.0, 12.0];
const START_S: f64 = 0.05;

fn main() {
    scenes::write("set,sounds,drive,length,p,q,midi,below_db,pair_odds", 3000, 4100, scene);
}

/// One to three notes of `set`, and a line for every way in which a tone may be a combination of two.
fn scene(set: &Set, random: &mut Random) -> Vec<String> {
    let n_notes = 1 + random.below(3);
    let notes = choose(set, n_notes, random);
    let placed: Vec<Placed<'_>> = notes
        .iter()
        .map(|&note| Placed {
            note,
            start_s: START_S + random.between(0.0, 0.015),
            end_s: f64::INFINITY,
            gain_db: random.between(-LEVEL_DB, LEVEL_DB),
        })
        .collect();
    let noise_db = random.between(NOISE_DB[0], NOISE_DB[1]);
    let samples = mix(&placed, 0.75, Some(noise_db), random);
    let drive_db = (random.below(2) == 0).then(|| random.between(DRIVE_DB[0], DRIVE_DB[1]));
    let samples = drive_db.map_or(samples.clone(), |drive_db| amplifier(&samples, drive_db));
    let (decimated, rate) = scenes::decimated(&samples);
    let mut transformer = Transformer::new(rate, decimated.len());
    let mut spectrum = transformer.make_spectrum();
    let length_s = LENGTHS_S[random.below(LENGTHS_S.len())];
    let from = ((START_S + SKIP_S) * rate) as usize;
    let to = (from + (length_s * rate) as usize).min(decimated.len());
    transformer.transform(&decimated[from..to], &mut spectrum);
    let mut proposer = Proposer::new();
    proposer.propose(&spectrum);
    let power = total_power(proposer.peaks());
    let mut fitter = Fitter::new(spectrum.bins.capacity());
    let sounding: Vec<Tone> = notes.iter().map(|note| Tone::at(note.f1_hz)).collect();
    let mut lines = Vec::new();
    for [p, q] in PAIRS {
        let half = p.fract() != 0.0;
        let at = |tone: &Tone, ratio: f64| {
            let other = Tone::at(ratio * tone.f1);
            sounding.iter().find(|t| t.is_note_of(&other))
        };
        // Strings that sound, and where none sounds whose partials two of them would be.
        let strings = sounding.iter().map(|tone| (*tone, true));
        let none = sounding.iter().map(|tone| (Tone::at(tone.f1 / p), false));
        for (tone, sounds) in strings.chain(none) {
            let pair = [at(&tone, p), at(&tone, q)];
            let is_case = match sounds {
                true => pair[1].is_none() && pair[0].is_some() == half,
                false => pair.iter().all(Option::is_some) && at(&tone, 1.0).is_none(),
            };
            if !is_case || tone.f1 < LOWEST_F1_HZ {
                continue;
            }
            let taken =
                |t: &&Tone| !sounds && pair.contains(&Some(*t)) && !(half && pair[0] == Some(*t));
            let mut tones: Vec<Tone> =
                sounding.iter().filter(|t| !taken(t) && **t != tone).copied().collect();
            fitter.fit(&spectrum, &tones, 2);
            fitter.subtract(&spectrum);
            let evidence = examine(&spectrum, &fitter, tone, power);
            tones.push(evidence.tone);
            let index = tones.len() - 1;
            if evidence.log_odds < 0.0 || evidence.signs.own_db > MOST_OWN_DB {
                continue;
            }
            let Some((_, s)) = weigh(&spectrum, &mut fitter, &tones, index, [p, q], power) else {
                continue;
            };
            let midi = midi_number(tone.f1);
            let drive = drive_db.map_or("none".to_owned(), |db| format!("{db:.1}"));
            let signs = [s.below_db, s.pair_odds].map(|sign| format!("{sign:.3}"));
            let sounds = u8::from(sounds);
            lines.push(format!(
                "{},{sounds},{drive},{length_s},{p},{q},{midi:.2},{}",
                set.name,
                signs.join(",")
            ));
        }
    }
    lines
}
