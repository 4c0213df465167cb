//! Measuring tools for tests, built on nothing of the program's own ear.

#![allow(dead_code, reason = "every test file uses a part of it")]

pub mod skip;
pub mod soundfont;
pub mod truth;

use std::f64::consts::TAU;
use std::path::Path;

use doublecheck::audio::ChannelChoice;
use doublecheck::audio::Chunk;
use doublecheck::audio::Recording;
use doublecheck::engine::Listener;
use doublecheck::engine::Take;
use doublecheck::units::SampleRate;
use pitch_detection::detector::PitchDetector;
use pitch_detection::detector::mcleod::McLeodDetector;

/// The rate of most tests.
pub fn cd_rate() -> SampleRate {
    SampleRate::new(44_100).expect("not zero")
}

/// All samples of a recording without holes; `None` where it cannot be opened.
pub fn recorded(path: &Path) -> Option<(Vec<f32>, SampleRate)> {
    let mut recording = Recording::open(path, ChannelChoice::Mix).ok()?;
    let rate = recording.rate();
    let mut samples = Vec::new();
    while let Some(chunk) = recording.next_chunk() {
        match chunk {
            Chunk::Samples(more) => samples.extend_from_slice(more),
            Chunk::Gap(_) => panic!("{}: a hole in a test recording", path.display()),
        }
    }
    Some((samples, rate))
}

/// What is heard in `samples`, a whole recording.
pub fn listened(samples: &[f32], rate: SampleRate) -> Take {
    let mut listener = Listener::of_recording(rate);
    listener.push(samples, |_| {});
    listener.finish(|_| {})
}

/// MIDI 1.0 and ISO 16:1975.
pub fn midi_hz(note: u8) -> f64 {
    440.0 * ((f64::from(note) - 69.0) / 12.0).exp2()
}

/// MIDI number of the note nearest to `hz` (69 is A4, 440 Hz: MIDI 1.0 and ISO 16:1975).
pub fn nearest_midi(hz: f64) -> i32 {
    (69.0 + 12.0 * (hz / 440.0).log2()).round() as i32
}

/// `1200 · log2(a / b)`.
pub fn cents(a: f64, b: f64) -> f64 {
    1200.0 * (a / b).log2()
}

/// The part of `samples` that begins at `start_s` and lasts `length_s`.
pub fn excerpt(samples: &[f32], rate: SampleRate, start_s: f64, length_s: f64) -> &[f32] {
    let start = rate.samples_in(start_s).0 as usize;
    &samples[start..start + rate.samples_in(length_s).0 as usize]
}

/// Complex amplitude of `samples` at `hz` under a Hann window; a full-scale sine has modulus 1.
pub fn amplitude_at(samples: &[f32], rate: SampleRate, hz: f64) -> (f64, f64) {
    let length = samples.len() as f64;
    let mut tone = Phasor::turning(TAU * hz / f64::from(rate.get()));
    let mut window = Phasor::turning(TAU / length);
    let (mut re, mut im) = (0.0, 0.0);
    for &sample in samples {
        let windowed = f64::from(sample) * (1.0 - window.cos);
        re += windowed * tone.cos;
        im -= windowed * tone.sin;
        tone.step();
        window.step();
    }
    (2.0 * re / length, 2.0 * im / length)
}

/// Modulus of [`amplitude_at`].
pub fn level_at(samples: &[f32], rate: SampleRate, hz: f64) -> f64 {
    let (re, im) = amplitude_at(samples, rate, hz);
    re.hypot(im)
}

/// The frequency within `near_hz` ± `reach_hz` at which `samples` are loudest.
///
/// The transform is evaluated, not interpolated, so a lone partial is found as exactly as wished;
/// its neighbours must be four main lobes (16 / length) away.
pub fn loudest_near(samples: &[f32], rate: SampleRate, near_hz: f64, reach_hz: f64) -> f64 {
    let (mut centre, mut reach) = (near_hz, reach_hz);
    while reach > 1e-4 {
        const HALF: i32 = 5;
        let at = |k: i32| centre + reach * f64::from(k) / f64::from(HALF);
        let best = (-HALF..=HALF)
            .map(at)
            .max_by(|&a, &b| level_at(samples, rate, a).total_cmp(&level_at(samples, rate, b)))
            .expect("eleven candidates");
        centre = best;
        reach /= 3.0;
    }
    centre
}

/// Pitch of `samples` by the McLeod method of the crate `pitch-detection` (P. McLeod and
/// G. Wyvill, "A smarter way to find pitch", ICMC 2005); `None` where it hears none.
///
/// The paper takes the first peak that comes near the highest one, the crate the first above a
/// fixed clarity: falling clarities give the paper's choice. Of `samples` the first power of two
/// is used; other lengths make the crate panic.
pub fn mcleod_hz(samples: &[f32], rate: SampleRate) -> Option<f64> {
    let length = 1 << samples.len().ilog2();
    let signal: Vec<f64> = samples[..length].iter().map(|&sample| f64::from(sample)).collect();
    let silence = 1e-8 * length as f64;
    let mut detector = McLeodDetector::new(length, length / 2);
    [0.95, 0.9, 0.85, 0.8, 0.7, 0.6, 0.5].into_iter().find_map(|clarity| {
        let pitch = detector.get_pitch(&signal, rate.get() as usize, silence, clarity)?;
        Some(pitch.frequency)
    })
}

/// Cosine and sine of an angle that grows evenly, without a call for every sample.
struct Phasor {
    cos: f64,
    sin: f64,
    turn_cos: f64,
    turn_sin: f64,
}

impl Phasor {
    fn turning(radians: f64) -> Self {
        let (turn_sin, turn_cos) = radians.sin_cos();
        Self { cos: 1.0, sin: 0.0, turn_cos, turn_sin }
    }

    fn step(&mut self) {
        let cos = self.cos * self.turn_cos - self.sin * self.turn_sin;
        self.sin = self.cos * self.turn_sin + self.sin * self.turn_cos;
        self.cos = cos;
    }
}
