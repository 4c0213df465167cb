//! Strums and plucked chords in quick succession, some damped at once, over strings that ring on, mixed from single
//! notes.

use super::cases::Placed;
use super::cases::Random;
use super::cases::mix;
use super::corpus::Note;
use super::corpus::RATE;
use super::corpus::Set;
use super::counting::Sounding;
use super::neck::midi;
use super::neck::places;
use super::shapes::BARRED;
use super::shapes::MORE;
use super::shapes::PAIRS;
use super::shapes::THREE;

/// How somebody plays; shares are out of 1.
pub struct Style {
    pub shapes: &'static [&'static [(&'static str, &'static str)]],
    /// Shapes without open strings are moved up by less than this.
    pub most_up: usize,
    /// So many strikes go by until the hand moves on.
    pub held_for: usize,
    /// How often nothing rings on then, a strike is damped at once, and all strings of the shape are struck.
    pub stops: f64,
    pub damped: f64,
    pub all: f64,
    /// Of the levels of strings, in decibels: spread, and most either way.
    pub level_db: [f64; 2],
    /// From one strike to the next, in seconds.
    pub gap_s: [f64; 2],
    /// From string to string, at most, in seconds: a quick strum and a slow one.
    pub strum_s: [f64; 2],
}

pub const COMPING: Style = Style {
    shapes: &[&THREE, &MORE, &BARRED],
    most_up: 8,
    held_for: 4,
    stops: 1.0,
    damped: 1.0 / 3.0,
    all: 1.0 / 3.0,
    level_db: [3.0, 7.5],
    gap_s: [0.2, 0.55],
    strum_s: [0.003, 0.016],
};
/// By an uneven hand.
pub const UNEVEN: Style =
    Style { level_db: [6.0, 15.0], gap_s: [0.2, 0.8], strum_s: [0.003, 0.06], ..COMPING };
/// Double stops, over what rings on.
pub const DOUBLE_STOPS: Style = Style {
    shapes: &[&PAIRS],
    most_up: 15,
    held_for: 1,
    stops: 0.2,
    damped: 0.0,
    all: 1.0,
    gap_s: [0.2, 0.6],
    ..COMPING
};

/// Strikes a take.
const STRIKES: usize = 16;
/// A damped strike is 60 dB quieter after so long, in seconds.
const DAMPED_S: [f64; 2] = [0.25, 0.8];
/// A ringing string is damped so long before it is struck again, in seconds …
const DAMP_S: [f64; 2] = [0.0, 0.08];
/// … and one strike in so many is heard then, quieter by so many decibels.
const TOUCHED_IN: usize = 3;
const TOUCH_DB: [f64; 2] = [6.0, 24.0];

/// A take and what is played in it.
pub fn take(set: &Set, style: &Style, random: &mut Random) -> (Vec<f32>, Vec<Sounding>) {
    let mut placed: Vec<OnString> = Vec::new();
    let mut touches: Vec<OnString> = Vec::new();
    let mut at_s = 0.3;
    let shapes: Vec<&str> = style.shapes.iter().copied().flatten().map(|s| s.1).collect();
    let mut shape = Vec::new();
    for i in 0..STRIKES {
        let early_s = random.between(DAMP_S[0], DAMP_S[1]);
        if i % style.held_for == 0 {
            shape = chord(set, &shapes, style.most_up, random);
            if random.unit() < style.stops {
                damp(&mut placed, at_s - early_s, |_| true);
            }
        }
        let damped = random.unit() < style.damped;
        let decay_s = damped.then(|| random.between(DAMPED_S[0], DAMPED_S[1]));
        let all = random.unit() < style.all;
        let first = random.below(shape.len());
        let touched = random.below(TOUCHED_IN) == 0;
        let strum_s = random.between(style.strum_s[0], style.strum_s[1]);
        let mut now_s = at_s;
        for (k, &place) in shape.iter().enumerate() {
            if !all && k != first && random.below(2) == 0 {
                continue;
            }
            let Some(note) = set.at(place, midi(place), random) else { continue };
            damp(&mut placed, now_s - early_s, |string| string == place.0);
            let [spread, most] = style.level_db;
            let gain_db = (spread * random.normal()).clamp(-most, most);
            if touched {
                let start_s = now_s - early_s;
                let gain_db = gain_db - random.between(TOUCH_DB[0], TOUCH_DB[1]);
                let end_s = start_s + 0.005;
                touches.push(OnString { string: 0, note: note.clone(), start_s, end_s, gain_db });
            }
            let mut note = note.clone();
            if let Some(decay_s) = decay_s.map(|d| d * random.between(0.7, 1.4)) {
                // Muted: 60 dB down after that long.
                let begin = (note.onset_s * f64::from(RATE)) as usize;
                for (t, sample) in note.samples.iter_mut().skip(begin).enumerate() {
                    let gone = t as f64 / f64::from(RATE) / decay_s;
                    *sample *= 10_f64.powf(-3.0 * gone) as f32;
                }
            }
            let (string, start_s, end_s) = (place.0, now_s, f64::INFINITY);
            placed.push(OnString { string, note, start_s, end_s, gain_db });
            now_s += random.between(0.0, strum_s);
        }
        at_s += random.between(style.gap_s[0], style.gap_s[1]);
    }
    let noise_db = Some(random.between(30.0, 50.0));
    let played = placed.iter().map(|p| Sounding { onset_s: p.start_s, hz: p.note.f1_hz }).collect();
    let notes: Vec<Placed<'_>> = placed
        .iter()
        .chain(&touches)
        .map(|p| Placed { note: &p.note, start_s: p.start_s, end_s: p.end_s, gain_db: p.gain_db })
        .collect();
    (mix(&notes, at_s + 0.5, noise_db, random), played)
}

/// A note on a string; a touch is on none.
struct OnString {
    string: u8,
    note: Note,
    start_s: f64,
    end_s: f64,
    gain_db: f64,
}

/// Damps what sounds at `at_s` on the strings that `which` says.
fn damp(placed: &mut [OnString], at_s: f64, which: impl Fn(u8) -> bool) {
    for note in placed.iter_mut().filter(|note| which(note.string)) {
        note.end_s = note.end_s.min(at_s - 0.02);
    }
}

/// The places of a chord that `set` has notes for, no note twice.
fn chord(set: &Set, shapes: &[&str], most_up: usize, random: &mut Random) -> Vec<(u8, u8)> {
    for _ in 0..200 {
        let shape = shapes[random.below(shapes.len())];
        let movable = !shape.split_whitespace().any(|mark| mark == "0");
        let up = if movable { random.below(most_up) as u8 } else { 0 };
        let places = places(shape, up);
        if places.iter().all(|&p| set.at(p, midi(p), random).is_some()) {
            return places;
        }
    }
    unreachable!("every set has notes of some chord")
}
