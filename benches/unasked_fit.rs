//! Writes what is seen of notes that were struck, and of others that may seem to be, where nobody asked for any, as
//! CSV: chords plucked and strummed, by an even hand and an uneven one, and double stops.
#![allow(missing_docs, clippy::print_stdout)]

mod support;

use std::sync::OnceLock;

use doublecheck::engine::Candidate;
use doublecheck::engine::SIGNS;
use doublecheck::engine::Strike;
use doublecheck::engine::candidates;
use doublecheck::units::SampleRate;
use support::cases::Random;
use support::cases::add;
use support::comping::COMPING;
use support::comping::DOUBLE_STOPS;
use support::comping::Style;
use support::comping::UNEVEN;
use support::comping::take;
use support::corpus::RATE;
use support::corpus::Set;
use support::corpus::fret_noises;
use support::counting::Sounding;
use support::counting::pairs;
use support::scenes;
use support::score::hear;
use support::spoil::decibels;
use support::spoil::phone;

const STYLES: [(&str, &Style); 3] =
    [("even", &COMPING), ("uneven", &UNEVEN), ("double stops", &DOUBLE_STOPS)];
/// Before one note in so many of the uneven hand a finger is heard on the strings, so long before at most and so far
/// below the loudest.
const HEARD_IN: usize = 3;
const EARLY_S: f64 = 0.25;
const FINGER_DB: [f64; 2] = [-34.0, -8.0];
/// One take in so many of it comes through a phone.
const PHONE_IN: usize = 3;

fn main() {
    let signs: Vec<String> = (0..SIGNS).map(|i| format!("s{i}")).collect();
    let header = format!("set,style,standing,struck,{}", signs.join(","));
    scenes::write(&header, 120, 8100, scene);
}

/// A take of `set`, and a line for every note that may have been struck in it; one for those nobody heard.
fn scene(set: &Set, random: &mut Random) -> Vec<String> {
    let (name, style) = STYLES[random.below(STYLES.len())];
    let (mut samples, truth) = take(set, style, random);
    if name == "uneven" {
        samples = spoilt(samples, &truth, random);
    }
    let rate = SampleRate::new(RATE).expect("positive");
    let heard = hear(&samples, rate);
    let told: Vec<_> = heard
        .strikes
        .iter()
        .flat_map(|strike| candidates(strike, rate).into_iter().map(move |one| (strike, one)))
        .collect();
    let sounding = |(strike, one): &(&Strike, Candidate<'_>)| Sounding {
        onset_s: strike.onset.seconds(rate),
        hz: one.note.frequency.get(),
    };
    let estimate: Vec<Sounding> = told.iter().map(sounding).collect();
    let pairs = pairs(&truth, &estimate);
    let line = |(i, (_, one)): (usize, &(_, Candidate<'_>))| {
        let struck = u8::from(pairs.iter().any(|pair| pair.1 == i));
        let signs: Vec<String> = one.signs.iter().map(|sign| format!("{sign:.3}")).collect();
        format!("{},{name},{:?},{struck},{}", set.name, one.standing, signs.join(","))
    };
    let missed = truth.len() - pairs.len();
    let missed = format!("{},{name},None,{missed}{}", set.name, ",".repeat(SIGNS));
    told.iter().enumerate().map(line).chain([missed]).collect()
}

fn spoilt(mut samples: Vec<f32>, truth: &[Sounding], random: &mut Random) -> Vec<f32> {
    static NOISES: OnceLock<Vec<Vec<f32>>> = OnceLock::new();
    let noises = NOISES.get_or_init(fret_noises);
    let peak = f64::from(samples.iter().fold(0.0_f32, |most, s| most.max(s.abs())));
    for note in truth {
        if !noises.is_empty() && random.below(HEARD_IN) == 0 {
            let at_s = (note.onset_s - random.between(0.0, EARLY_S)).max(0.0);
            let gain = peak * decibels(random.between(FINGER_DB[0], FINGER_DB[1]));
            samples = add(samples, &noises[random.below(noises.len())], at_s, gain);
        }
    }
    if random.below(PHONE_IN) == 0 { phone(samples, random) } else { samples }
}
