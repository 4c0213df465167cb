//! Blind, on comping: strums and plucked chords in quick succession, some damped at once, over
//! strings that ring on, mixed from single notes.

use std::collections::BTreeMap;

use rayon::prelude::*;

use doublecheck::engine::HeardPitch;
use doublecheck::engine::Strike;
use doublecheck::engine::Take;

use crate::Plan;
use crate::chords::MORE;
use crate::chords::THREE;
use crate::chords::blind;
use crate::support::cases::Placed;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::Note;
use crate::support::corpus::RATE;
use crate::support::corpus::Set;
use crate::support::corpus::sampled_sets;
use crate::support::counting::Notes;
use crate::support::counting::ONSET_S;
use crate::support::counting::PITCH_CENTS;
use crate::support::counting::Sounding;
use crate::support::counting::pairs;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::neck::midi;
use crate::support::neck::places;
use crate::support::score::hear;

/// Shapes (common practice) with octaves in them.
const BARRED: [(&str, &str); 4] = [
    ("major, 6", "1 3 3 2 1 1"),
    ("minor, 6", "1 3 3 1 1 1"),
    ("major, 5", "x 1 3 3 3 1"),
    ("seventh, 4", "1 x 1 2 1 x"),
];
const MOST_UP: usize = 8;
/// Strikes a take, and from one to the next, in seconds.
const STRIKES: usize = 16;
const GAP_S: [f64; 2] = [0.2, 0.55];
/// A damped strike is 60 dB quieter after so long, in seconds.
const DAMPED_S: [f64; 2] = [0.25, 0.8];
/// A ringing string is damped so long before it is struck again, in seconds …
const DAMP_S: [f64; 2] = [0.0, 0.08];
/// … and one strike in so many is heard then, quieter by so many decibels.
const TOUCHED_IN: usize = 3;
const TOUCH_DB: [f64; 2] = [6.0, 24.0];
/// From string to string, at most, in seconds: a quick strum and a slow one.
const STRUM_S: [f64; 2] = [0.003, 0.016];
/// Of the levels of strings, in decibels: spread, and most either way.
const LEVEL_DB: [f64; 2] = [3.0, 7.5];

pub fn measure(plan: &Plan) {
    let sampled = sampled_sets();
    let mut all = Counts::default();
    let sets: Vec<&Set> = plan.instruments().chain(&sampled).collect();
    for (s, set) in sets.into_iter().enumerate() {
        let takes = (0..plan.n as u64)
            .into_par_iter()
            .map(|i| outcome(plan, set, &mut Random(7000 + 1000 * s as u64 + i)));
        let counts = takes.reduce(Counts::default, |a, b| a.with(&b));
        counts.tell(&set.name, plan);
        if !set.is_synthetic() {
            all = all.with(&counts);
        }
    }
    all.tell("real and sampled together", plan);
}

/// Notes counted, and why those that were missed were.
#[derive(Default)]
struct Counts {
    notes: Notes,
    causes: BTreeMap<&'static str, usize>,
}

impl Counts {
    fn with(mut self, other: &Self) -> Self {
        self.notes += other.notes;
        for (cause, n) in &other.causes {
            *self.causes.entry(cause).or_default() += n;
        }
        self
    }

    fn tell(&self, name: &str, plan: &Plan) {
        figure(&format!("{name}: note F1"), self.notes.f1(), "", Target::AtLeast(0.9));
        figure("… precision", self.notes.precision(), "", Target::None);
        figure("… recall", self.notes.recall(), "", Target::None);
        let share = |n: usize| percent(n, self.notes.reference);
        let causes = self.causes.iter().map(|(cause, n)| format!("{cause} {:.1} %", share(*n)));
        plan.tell(&causes.collect::<Vec<String>>());
    }
}

fn outcome(plan: &Plan, set: &Set, random: &mut Random) -> Counts {
    let (samples, truth) = take(set, random);
    let take = hear(&samples, plan.rate);
    let told = blind(&take);
    let pairs = pairs(&truth, &told);
    let mut counts = Counts { notes: Notes::of(&truth, &told), ..Counts::default() };
    for (i, note) in truth.iter().enumerate() {
        if pairs.iter().all(|pair| pair.0 != i) {
            *counts.causes.entry(why_missed(&take, note)).or_default() += 1;
        }
    }
    counts
}

fn why_missed(take: &Take, note: &Sounding) -> &'static str {
    let near = |s: &&Strike| (s.onset.seconds(take.rate) - note.onset_s).abs() <= ONSET_S;
    let Some(strike) = take.strikes.iter().find(near) else { return "no strike near it" };
    let heard = strike.notes.iter().chain(&strike.doubtful);
    let is = |n: &&HeardPitch| (1200.0 * (n.frequency.get() / note.hz).log2()).abs() <= PITCH_CENTS;
    match heard.filter(is).max_by(|a, b| a.struck_odds.total_cmp(&b.struck_odds)) {
        None => "never a candidate",
        Some(n) if n.struck_odds <= 0.0 => "taken for ringing",
        Some(n) if !n.likely => "too doubtful in the shadow of others",
        Some(_) => "in a strike of doubtful notes",
    }
}

/// A take and what is played in it.
fn take(set: &Set, random: &mut Random) -> (Vec<f32>, Vec<Sounding>) {
    let mut placed: Vec<OnString> = Vec::new();
    let mut touches: Vec<OnString> = Vec::new();
    let mut at_s = 0.3;
    let shapes: Vec<&str> = THREE.iter().chain(&MORE).chain(&BARRED).map(|s| s.1).collect();
    let mut shape = Vec::new();
    for i in 0..STRIKES {
        let early_s = random.between(DAMP_S[0], DAMP_S[1]);
        if i % 4 == 0 {
            shape = chord(set, &shapes, random);
            // The hand moves: nothing rings on.
            damp(&mut placed, at_s - early_s, |_| true);
        }
        let damped = random.below(3) == 0;
        let decay_s = damped.then(|| random.between(DAMPED_S[0], DAMPED_S[1]));
        let all = random.below(3) == 0;
        let first = random.below(shape.len());
        let touched = random.below(TOUCHED_IN) == 0;
        let strum_s = random.between(STRUM_S[0], STRUM_S[1]);
        let mut now_s = at_s;
        for (k, &place) in shape.iter().enumerate() {
            if !all && k != first && random.below(2) == 0 {
                continue;
            }
            let Some(note) = set.at(place, midi(place), random) else { continue };
            damp(&mut placed, now_s - early_s, |string| string == place.0);
            let gain_db = (LEVEL_DB[0] * random.normal()).clamp(-LEVEL_DB[1], LEVEL_DB[1]);
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
        at_s += random.between(GAP_S[0], GAP_S[1]);
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
fn chord(set: &Set, shapes: &[&str], random: &mut Random) -> Vec<(u8, u8)> {
    for _ in 0..200 {
        let shape = shapes[random.below(shapes.len())];
        let movable = !shape.split_whitespace().any(|mark| mark == "0");
        let up = if movable { random.below(MOST_UP) as u8 } else { 0 };
        let places = places(shape, up);
        if places.iter().all(|&p| set.at(p, midi(p), random).is_some()) {
            return places;
        }
    }
    unreachable!("every set has notes of some chord")
}
