//! Writes what is seen of tones that ring on through a strike and of tones struck then, as CSV: one or
//! two notes struck while others ring, now and then one of these again.
#![allow(missing_docs, clippy::print_stdout)]

mod support;

use doublecheck::dsp::spectrum::Transformer;
use doublecheck::pitch::fit::Fitter;
use doublecheck::pitch::struck::Partials;
use doublecheck::pitch::tone::Tone;
use support::cases::Placed;
use support::cases::Random;
use support::cases::choose;
use support::cases::mix;
use support::corpus::Note;
use support::corpus::Set;
use support::moves::wavering;
use support::scenes;

/// When it is struck, and how long before that what rings was, in seconds.
const STRIKE_S: f64 = 1.4;
const RUNG_S: [f64; 2] = [0.2, 1.3];
/// A string is damped so long before it is struck again, in seconds.
const DAMPED_S: [f64; 2] = [0.02, 0.08];
/// Levels, either way, in decibels, and noise below the whole.
const LEVEL_DB: f64 = 4.0;
const NOISE_DB: [f64; 2] = [20.0, 50.0];
/// One note in so many had a vibrato up to the strike, of so many cents either way at most and so many
/// hertz (common practice).
const WAVERS_IN: usize = 4;
const VIBRATO_CENTS: f64 = 20.0;
const VIBRATO_HZ: [f64; 2] = [4.0, 7.0];
/// … from so many seconds after the note on.
const VIBRATO_FROM_S: f64 = 0.1;
/// The stretches looked at, from the strike on, in seconds, as the engine has them.
const BEFORE_S: [[f64; 2]; 2] = [[-0.096, -0.006], [-0.156, -0.006]];
const AFTER_S: [f64; 2] = [0.015, 0.165];

fn main() {
    scenes::write("set,kind,rises,phases,n_clear,unclear,n_unclear", 400, 3100, scene);
}

/// Notes of `set` that ring, others that are struck, and a line for every one of them.
fn scene(set: &Set, random: &mut Random) -> Vec<String> {
    let n_ringing = 1 + random.below(3);
    let chosen = choose(set, n_ringing + 1 + random.below(2), random);
    let (ringing, struck) = chosen.split_at(n_ringing);
    let again = random.below(2) == 0;
    let starts_s: Vec<f64> =
        ringing.iter().map(|_| STRIKE_S - random.between(RUNG_S[0], RUNG_S[1])).collect();
    let moved: Vec<Note> = ringing
        .iter()
        .zip(&starts_s)
        .map(|(note, start_s)| match random.below(WAVERS_IN) {
            0 => {
                let cents = random.between(0.0, VIBRATO_CENTS);
                let hz = random.between(VIBRATO_HZ[0], VIBRATO_HZ[1]);
                let begins_s = note.onset_s + VIBRATO_FROM_S;
                let while_s = begins_s..note.onset_s + STRIKE_S - start_s;
                Note { samples: wavering(&note.samples, while_s, cents, hz), ..(*note).clone() }
            }
            _ => (*note).clone(),
        })
        .collect();
    let mut placed = Vec::new();
    let place = |note, start_s, end_s, random: &mut Random| {
        let gain_db = random.between(-LEVEL_DB, LEVEL_DB);
        Placed { note, start_s, end_s, gain_db }
    };
    for (i, (note, &start_s)) in moved.iter().zip(&starts_s).enumerate() {
        let early_s = random.between(DAMPED_S[0], DAMPED_S[1]);
        let damped = again && i == 0;
        let end_s = if damped { STRIKE_S - early_s } else { f64::INFINITY };
        placed.push(place(note, start_s, end_s, random));
        if damped {
            placed.push(place(ringing[i], STRIKE_S, f64::INFINITY, random));
        }
    }
    for &note in struck {
        placed.push(place(note, STRIKE_S, f64::INFINITY, random));
    }
    let noise_db = random.between(NOISE_DB[0], NOISE_DB[1]);
    let samples = mix(&placed, STRIKE_S + 0.3, Some(noise_db), random);
    let (decimated, rate) = scenes::decimated(&samples);
    let mut transformer = Transformer::new(rate, decimated.len());
    let mut spectrum = transformer.make_spectrum();
    let mut fitter = Fitter::new(spectrum.bins.capacity());
    let mut partials = |[from_s, to_s]: [f64; 2], tones: &[Tone], rounds: usize| {
        let at = |s: f64| ((STRIKE_S + s) * rate) as usize;
        transformer.transform(&decimated[at(from_s)..at(to_s)], &mut spectrum);
        fitter.fit(&spectrum, tones, rounds);
        let tones: Vec<Tone> = fitter.tones().iter().map(|fitted| fitted.tone).collect();
        (Partials::of(&fitter, &spectrum), tones)
    };
    let begun: Vec<Tone> = chosen.iter().map(|note| Tone::at(note.f1_hz)).collect();
    let (_, tones) = partials(AFTER_S, &begun, 2);
    let (after, _) = partials(AFTER_S, &tones, 0);
    let before_s = BEFORE_S[random.below(2)];
    let (before, _) = partials(before_s, &tones, 0);
    let middle = |stretch: [f64; 2]| 0.5 * (stretch[0] + stretch[1]);
    let apart_s = middle(AFTER_S) - middle(before_s);
    let kind = |i: usize| match i {
        0 if again => "again",
        i if i < n_ringing => "rings",
        _ => "fresh",
    };
    let line = |i| {
        let c = after.change(&before, i, apart_s);
        let numbers = format!("{},{:.3},{}", c.n_clear, c.unclear, c.n_unclear);
        format!("{},{},{:.3},{:.3},{numbers}", set.name, kind(i), c.rises, c.phases)
    };
    (0..tones.len()).map(line).collect()
}
