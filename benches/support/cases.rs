//! Cases with known truth: what was asked, what was played, and the sound of it.

use super::corpus::Note;
use super::corpus::RATE;
use super::corpus::Set;

/// A small generator of random numbers (splitmix64), the same everywhere.
#[derive(Debug, Clone)]
pub struct Random(pub u64);

impl Random {
    pub fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    /// Uniform in 0..1.
    pub fn unit(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    pub fn below(&mut self, n: usize) -> usize {
        (self.next_u64() % n as u64) as usize
    }
    /// Normal with unit variance, nearly.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// What is right or wrong with a case.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    Right,
    SemitoneOff,
    Missing,
    ExtraOpen,
    /// An extra note an octave or a twelfth above an expected one.
    ExtraAbove,
}

pub const CLASSES: [Class; 5] =
    [Class::Right, Class::SemitoneOff, Class::Missing, Class::ExtraOpen, Class::ExtraAbove];

/// Semitones of the intervals asked for: m2 to P8, m10, M10.
pub const INTERVALS: [i32; 14] = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 15, 16];

/// One strike with its truth.
#[derive(Debug, Clone)]
pub struct Case {
    pub set: String,
    pub class: Class,
    pub interval: i32,
    /// MIDI numbers asked for.
    pub expected: Vec<i32>,
    /// MIDI number and first partial of every note played.
    pub played: Vec<(i32, f64)>,
    /// First partials of these as they sounded here, their attack left out; of right cases only.
    pub sounded_hz: Vec<f64>,
    /// Start of the earliest note.
    pub onset_s: f64,
    pub samples: Vec<f32>,
}

/// From the first string to the last, at most, in seconds, of strings struck at once.
pub const AT_ONCE_S: f64 = 0.015;

/// How cases are made.
#[derive(Debug, Clone, Copy)]
pub struct Recipe {
    pub length_s: f64,
    /// Within this the notes are struck, in seconds.
    pub strum_s: f64,
    /// Levels of the notes, either way, in decibels.
    pub spread_db: f64,
    /// Noise below the signal's root mean square, in decibels.
    pub noise_db: Option<f64>,
}

/// A case of `class` on `interval` with notes of `set`; `None` where the set has no such notes.
pub fn case(
    set: &Set,
    class: Class,
    interval: i32,
    recipe: Recipe,
    random: &mut Random,
) -> Option<Case> {
    for _ in 0..200 {
        let low = 40 + random.below(37) as i32;
        let expected = vec![low, low + interval];
        let mut played = expected.clone();
        match class {
            Class::Right => {}
            Class::SemitoneOff => {
                let i = random.below(2);
                played[i] += if random.below(2) == 0 { 1 } else { -1 };
                if played[0] == played[1] {
                    continue;
                }
            }
            Class::Missing => {
                played.remove(random.below(2));
            }
            Class::ExtraOpen => {
                let open = [40, 45, 50, 55, 59, 64][random.below(6)];
                // In unison or under a note's own partials it is another class.
                if expected.iter().any(|e| [0, 12, 19, 24, 28, 31, 34, 36].contains(&(open - e))) {
                    continue;
                }
                played.push(open);
            }
            Class::ExtraAbove => {
                let above = expected[random.below(2)] + [12, 19][random.below(2)];
                if expected.contains(&above) || above > 84 {
                    continue;
                }
                played.push(above);
            }
        }
        let notes: Option<Vec<&Note>> = played.iter().map(|&m| set.pick(m, random)).collect();
        let Some(notes) = notes else { continue };
        // Two notes of one string cannot sound together.
        let strings: Vec<u8> = notes.iter().filter_map(|n| n.place.map(|p| p.0)).collect();
        let mut sorted = strings.clone();
        sorted.sort_unstable();
        sorted.dedup();
        if sorted.len() < strings.len() {
            continue;
        }
        let placed: Vec<Placed<'_>> = notes
            .iter()
            .map(|&note| Placed {
                note,
                start_s: 0.3 + random.between(0.0, recipe.strum_s),
                end_s: f64::INFINITY,
                gain_db: random.between(-0.5 * recipe.spread_db, 0.5 * recipe.spread_db),
            })
            .collect();
        let onset_s = placed.iter().map(|p| p.start_s).fold(f64::INFINITY, f64::min);
        let samples = mix(&placed, 0.3 + recipe.length_s, recipe.noise_db, random);
        return Some(Case {
            set: set.name.clone(),
            class,
            interval,
            expected,
            played: notes.iter().map(|n| (i32::from(n.midi), n.f1_hz)).collect(),
            sounded_hz: notes
                .iter()
                .filter(|_| class == Class::Right)
                .map(|note| note.sounded_hz(recipe.length_s))
                .collect(),
            onset_s,
            samples,
        });
    }
    None
}

/// Notes of `set` that differ.
pub fn choose<'a>(set: &'a Set, n: usize, random: &mut Random) -> Vec<&'a Note> {
    let mut notes: Vec<&Note> = Vec::new();
    while notes.len() < n {
        let note = &set.notes[random.below(set.notes.len())];
        if (40..=84).contains(&note.midi) && notes.iter().all(|other| other.midi != note.midi) {
            notes.push(note);
        }
    }
    notes
}

/// A note in a mix.
#[derive(Debug, Clone, Copy)]
pub struct Placed<'a> {
    pub note: &'a Note,
    pub start_s: f64,
    /// When it is damped.
    pub end_s: f64,
    pub gain_db: f64,
}

/// Mixes notes; 20 ms of damping where one ends, noise so far below the signal.
pub fn mix(
    notes: &[Placed<'_>],
    length_s: f64,
    noise_db: Option<f64>,
    random: &mut Random,
) -> Vec<f32> {
    let rate = f64::from(RATE);
    let mut out = vec![0.0_f32; (length_s * rate) as usize];
    for placed in notes {
        let gain = 10_f64.powf(placed.gain_db / 20.0) as f32;
        let at = ((placed.start_s - placed.note.onset_s) * rate).round() as i64;
        let end = placed.end_s * rate;
        for (i, &s) in placed.note.samples.iter().enumerate() {
            let k = at + i as i64;
            if k < 0 || k as usize >= out.len() {
                continue;
            }
            let damp = (1.0 - (k as f64 - end) / (0.02 * rate)).clamp(0.0, 1.0) as f32;
            out[k as usize] += s * gain * damp;
        }
    }
    let peak = out.iter().fold(0.0_f32, |m, s| m.max(s.abs())).max(1e-9);
    out.iter_mut().for_each(|s| *s *= 0.7 / peak);
    if let Some(db) = noise_db {
        let power = out.iter().map(|s| f64::from(s * s)).sum::<f64>() / out.len() as f64;
        let noise = power.sqrt() * 10_f64.powf(-db / 20.0);
        out.iter_mut().for_each(|s| *s += (noise * random.normal()) as f32);
    }
    out
}

/// `samples` with `other` over them, `gain` times as loud, from `at_s` on, as far as they go.
pub fn add(mut samples: Vec<f32>, other: &[f32], at_s: f64, gain: f64) -> Vec<f32> {
    let at = (at_s * f64::from(RATE)) as usize;
    samples
        .iter_mut()
        .skip(at)
        .zip(other)
        .for_each(|(sample, other)| *sample += gain as f32 * other);
    samples
}
