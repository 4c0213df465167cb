//! Writes the evidence for true and false tones in the shadow of a lower one, as CSV.
#![allow(missing_docs, clippy::print_stdout, clippy::unwrap_used)]
#![expect(clippy::disallowed_methods, reason = "it also times the search")]

mod support;

use std::time::Instant;

use doublecheck::dsp::spectrum::Transformer;
use doublecheck::pitch::fit::Fitter;
use doublecheck::pitch::presence;
use doublecheck::pitch::shadow::N_FEATURES;
use doublecheck::pitch::shadow::Workspace;
use doublecheck::pitch::tone::Tone;
use support::cases::Placed;
use support::cases::Random;
use support::cases::mix;
use support::corpus::Note;
use support::corpus::Set;
use support::corpus::real_sets;
use support::corpus::sampled_sets;
use support::corpus::synthetic_set;
use support::scenes;

/// `note` tuned `cents` sharper by reading its samples faster (cubic interpolation).
fn retuned(note: &Note, cents: f64) -> Note {
    let step = (cents / 1200.0).exp2();
    let s = &note.samples;
    let samples = (0..)
        .map(|i| f64::from(i) * step)
        .take_while(|at| *at < s.len() as f64 - 3.0)
        .map(|at| {
            let i = at as usize;
            let u = (at - i as f64) as f32;
            let [a, b, c, d] = [s[i.saturating_sub(1)], s[i], s[i + 1], s[i + 2]];
            b + 0.5
                * u
                * (c - a + u * (2.0 * a - 5.0 * b + 4.0 * c - d + u * (3.0 * (b - c) + d - a)))
        })
        .collect();
    Note { f1_hz: note.f1_hz * step, onset_s: note.onset_s / step, samples, ..note.clone() }
}

const LENGTHS: [f64; 5] = [0.17, 0.25, 0.4, 0.8, 1.5];
/// Length of the shortest spectrum.
const ATTACK_S: f64 = 0.17;

/// How many others sound: as many as often as they stand here.
const OTHERS: [usize; 8] = [0, 0, 0, 0, 1, 1, 2, MOST_OTHERS];
const MOST_OTHERS: usize = 3;

fn main() {
    let mut random = Random(7);
    let mut sets: Vec<Set> = real_sets();
    sets.extend(sampled_sets());
    sets.push(synthetic_set(&mut random));
    let per_set: usize = std::env::var("PER_SET").ok().and_then(|s| s.parse().ok()).unwrap_or(400);
    let mut workspace = Workspace::new();
    let mut fitter = Fitter::new(32_768);
    let names: Vec<String> = (0..N_FEATURES).map(|i| format!("f{i}")).collect();
    println!(
        "mix,set,present,ratio,others,low,level,noise,detune,length,cents,micros,{}",
        names.join(",")
    );
    let mut mix_id = 0;
    for set in &sets {
        let real = !set.name.starts_with("sampled") && set.name != "synthetic";
        let own: Vec<&Note> = set.notes.iter().collect();
        let set = &set.name;
        let mut done = 0;
        while done < if real { per_set } else { per_set / 3 } {
            let ratio = [2, 2, 3, 4, 5][random.below(5)];
            let semitones = [0, 0, 12, 19, 24, 28][ratio];
            let low = own[random.below(own.len())];
            let high: Vec<&&Note> = own.iter().filter(|n| n.midi == low.midi + semitones).collect();
            if high.is_empty() || low.midi > 76 {
                continue;
            }
            let detune = random.between(-8.0, 8.0);
            let high = retuned(high[random.below(high.len())], detune);
            done += 1;
            let mut others: Vec<&Note> = Vec::new();
            for _ in 0..OTHERS[random.below(OTHERS.len())] {
                let other = own[random.below(own.len())];
                let apart = i32::from(other.midi) - i32::from(low.midi);
                let below = i32::from(high.midi) - i32::from(other.midi);
                let hides = [0, 12, -12, 19, -19, 24, -24, 28, 31].contains(&apart)
                    || [0, 12, 19, 24].contains(&below)
                    || others.iter().any(|o| o.midi.abs_diff(other.midi) % 12 == 0);
                if !hides {
                    others.push(other);
                }
            }
            for present in [0, ratio] {
                let level = random.between(-6.0, 6.0);
                let levels = [(); MOST_OTHERS].map(|()| random.between(-12.0, 6.0));
                let noise_db = random.between(25.0, 70.0);
                mix_id += 1;
                let mut place = |note, gain_db| {
                    let start_s = 0.05 + random.between(0.0, 0.015);
                    Placed { note, start_s, end_s: f64::INFINITY, gain_db }
                };
                let mut parts = vec![place(low, 0.0)];
                if present > 0 {
                    parts.push(place(&high, level));
                }
                for (other, level) in others.iter().zip(levels) {
                    parts.push(place(other, level));
                }
                let mut audio = mix(&parts, 1.75, None, &mut random);
                let noise = 10_f64.powf(-noise_db / 20.0) * 0.2;
                for s in &mut audio {
                    *s += (noise * (random.unit() + random.unit() + random.unit() - 1.5)) as f32;
                }
                let (x, rate) = scenes::decimated(&audio);
                let mut transformer = Transformer::new(rate, 32_768);
                let mut spectra = [transformer.make_spectrum(), transformer.make_spectrum()];
                let start = (0.095 * rate) as usize;
                let stretch = |length: f64| start..start + (length * rate) as usize;
                transformer.transform(&x[stretch(ATTACK_S)], &mut spectra[0]);
                let asked = [2, 3, 4, 5].into_iter().filter(|&r| r == ratio || present > 0);
                for (length, asked) in
                    LENGTHS.into_iter().flat_map(|l| asked.clone().map(move |r| (l, r)))
                {
                    transformer.transform(&x[stretch(length)], &mut spectra[1]);
                    let spectrum = &spectra[1];
                    fitter.fit(spectrum, &[], 0);
                    fitter.subtract(spectrum);
                    let mut tones =
                        vec![presence::examine(spectrum, &fitter, Tone::at(low.f1_hz), 1.0).tone];
                    for other in &others {
                        let other = Tone::at(other.f1_hz);
                        tones.push(presence::examine(spectrum, &fitter, other, 1.0).tone);
                    }
                    fitter.fit(spectrum, &tones, 2);
                    let tones: Vec<Tone> = fitter.tones().iter().map(|t| t.tone).collect();
                    let used = if length > ATTACK_S { &spectra[..] } else { &spectra[..1] };
                    let begin = Instant::now();
                    let shadow = workspace.log_odds(used, &mut fitter, &tones, 0, asked);
                    let micros = begin.elapsed().as_micros();
                    let Some(shadow) = shadow else { continue };
                    let cents = 1200.0 * (shadow.f1 / high.f1_hz).log2();
                    let values: Vec<String> =
                        shadow.features.iter().map(|f| format!("{f:.4}")).collect();
                    println!(
                        "{mix_id},{set},{present},{asked},{},{},{level:.1},{noise_db:.0},{detune:.1},\
                         {length},{cents:.2},{micros},{}",
                        others.len(),
                        low.midi,
                        values.join(",")
                    );
                }
            }
        }
    }
}
