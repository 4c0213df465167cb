//! What the engine promises whatever it is given: no allocation, the same for every chunking, the
//! same at every level and rate, no panic, no numbers that are none, nothing heard in noise.
//!
//! The sounds are the crate's own strings; the promises are those in DEVELOPERS.md and the contract.

mod holes;
mod notes;
mod promises;
mod strikes;
#[path = "../support/mod.rs"]
mod support;

use std::f64::consts::PI;
use std::f64::consts::TAU;

use assert_no_alloc::AllocDisabler;
use doublecheck::engine::Engine;
use doublecheck::engine::Listener;
use doublecheck::engine::Take;
use doublecheck::lick::Lick;
use doublecheck::lick::expected::Expected;
use doublecheck::pitch::tone::Tone;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::synth::random::Random;
use doublecheck::units::SampleRate;

/// Aborts on an allocation where none is allowed (that it does: `tests/live_callback.rs`).
#[global_allocator]
static GUARD: AllocDisabler = AllocDisabler;

/// Thirds, sixths, an octave, a chord, a hammer-on and a slide.
const LICK: &str = r#"
title = "Quay stones"
key = "C major"
tempo = 110
meter = "4/4"
steps = [
  { beats = 1, frets = "x x x 5 5 x" },
  { beats = 0.5, frets = "x x 5 x 5 x" },
  { beats = 0.5, frets = "x 3 x 5 x x" },
  { beats = 1, frets = "x x x 5h7 6 x" },
  { beats = 1, frets = "x x 5s7 x 8 x" },
  { beats = 1, frets = "x 3 2 0 1 0" },
]
"#;

/// A move half-way through three seconds, and one there and back.
const LATE: &str = r#"
title = "Long pier"
key = "C major"
tempo = 60
meter = "4/4"
steps = [{ beats = 3, frets = "x x x 5/7 x 5" }, { beats = 2, frets = 'x x 5/7\5 x 5 x' }]
"#;

/// Nothing in it that could be taken for this or that.
const PLAIN: &str = r#"
title = "Breakwater"
key = "C major"
tempo = 90
meter = "4/4"
steps = [
  { beats = 1, frets = "x x x 5 5 x" },
  { beats = 1, frets = "x x 5 x 5 x" },
  { beats = 1, frets = "x 3 x 4 x x" },
  { beats = 1, frets = "x x x x 8 7" },
]
"#;

fn lick(text: &str) -> Expected {
    Lick::parse(text, "test").expect("a good lick").expected()
}

fn rate(hz: u32) -> SampleRate {
    SampleRate::new(hz).expect("not zero")
}

/// The lick as played by the synthesiser, 40 dB over the noise, 0.3 s of that before it.
fn played(text: &str, rate: SampleRate) -> Vec<f32> {
    let mut performance = Performance::new(&lick(text), &Manner::default());
    performance.notes.iter_mut().for_each(|note| note.sound.start_s += 0.3);
    performance.length_s += 0.3;
    performance.render(rate, &Room::noisy(40.0), 5)
}

fn hear(samples: &[f32], rate: SampleRate) -> Take {
    let mut listener = Listener::new(rate);
    listener.push(samples, |_| {});
    listener.finish(|_| {})
}

/// Every event in full: floating-point numbers are printed so that they read back the same.
fn events(samples: &[f32], rate: SampleRate, mut chunk_len: impl FnMut() -> usize) -> Vec<String> {
    let mut engine = Engine::new(rate);
    let mut told = Vec::new();
    let mut rest = samples;
    while !rest.is_empty() {
        let (now, later) = rest.split_at(chunk_len().clamp(1, rest.len()));
        engine.push(now, |event| told.push(format!("{event:?}")));
        rest = later;
    }
    engine.finish(|event| told.push(format!("{event:?}")));
    told
}

/// MIDI numbers of the notes struck in the only strike of `take`.
fn struck(take: &Take) -> Vec<i32> {
    assert_eq!(take.strikes.len(), 1, "one strike");
    let notes = take.strikes[0].notes.iter().filter(|note| note.is_struck());
    notes.map(|n| support::nearest_midi(n.frequency.get())).collect()
}

/// Players notice about 6 ms (Friberg and Sundberg 1995, `hearing.md`).
const NOTICED_S: f64 = 0.006;

/// A string `t` seconds after it was struck, its partials so much out of step.
fn string(note: i32, phase: f64, t: f64) -> f64 {
    let tone = Tone::at(440.0 * (f64::from(note - 69) / 12.0).exp2());
    let partial = |n: usize| {
        let decay = (-t * (1.0 + 0.4 * n as f64)).exp();
        0.2 / n as f64 * decay * (TAU * tone.partial(n) * t + phase * n as f64).sin()
    };
    if t > 0.0 { (1..12).map(partial).sum() } else { 0.0 }
}

/// `sound` by its seconds, at 44.1 kHz with a little noise.
fn sampled(seconds: f64, sound: impl Fn(f64) -> f64) -> Vec<f32> {
    let mut random = Random::new(1, 0);
    let mut sample = |t: f64| (2e-3 * (random.uniform() - 0.5) + sound(t)) as f32;
    (0..(seconds * 44_100.0) as u32).map(|i| sample(f64::from(i) / 44_100.0)).collect()
}

/// Two strings struck at 0.3 s that sound for `seconds`, one so much of a half-turn behind.
fn beating([first, second]: [i32; 2], turn: f64, seconds: f64) -> Vec<f32> {
    sampled(0.3 + seconds, |t| string(first, 0.0, t - 0.3) + string(second, PI * turn, t - 0.3))
}

/// What swells from nothing to `level` at 0.6 s over strings that ring.
const SOFT: [i32; 2] = [47, 50];

fn soft_over_ringing(level: f64, swell_s: f64) -> Vec<f32> {
    sampled(1.36, |t| {
        let ringing: f64 = [57, 60].map(|note| string(note, 0.0, t - 0.3)).iter().sum();
        let soft: f64 = SOFT.map(|note| string(note, 0.0, t - 0.6)).iter().sum();
        ringing + level * ((t - 0.6) / swell_s).clamp(0.0, 1.0) * soft
    })
}
