//! What surrounds the strings: the echo of a small room, and noise.
//!
//! **Reference.** J.-M. Jot and A. Chaigne, "Digital delay networks for designing artificial
//! reverberators", 90th AES Convention, 1991: delay lines fed back through a lossless matrix.

use std::f64::consts::TAU;
use std::ops::Range;

use super::random::Random;
use crate::units::Decibels;
use crate::units::SampleRate;

/// What is added to the strings; nothing by default.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Room {
    /// White noise, from hiss to ventilator.
    pub noise: Option<Noise>,
    /// Echo.
    pub reverb: Option<Reverb>,
}

/// How loud the noise is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Noise {
    /// So many decibels below the root mean square of the sound (echo counted), taken over the
    /// time in which any string sounds.
    BelowSignalDb(f64),
    /// Root mean square on the scale where a full-scale sine is 0 dB.
    Absolute(Decibels),
}

/// An echo that dies away evenly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reverb {
    /// Time in which it falls by 60 dB.
    pub decay_s: f64,
    /// Level of the echo added to the direct sound, as a factor.
    pub level: f64,
}

/// Lengths of the delay lines: mutually prime at 44.1 and 48 kHz, as of a room of a few metres.
const DELAYS_S: [f64; 4] = [0.011_29, 0.014_87, 0.019_71, 0.025_13];
/// Above this the air and the walls swallow the echo.
const DULL_HZ: f64 = 3500.0;

impl Room {
    /// Noise `below_signal_db` decibels below the strings, and no echo.
    pub fn noisy(below_signal_db: f64) -> Self {
        Self { noise: Some(Noise::BelowSignalDb(below_signal_db)), reverb: None }
    }

    pub(super) fn add_to(
        &self,
        samples: &mut [f32],
        sounding_s: &[Range<f64>],
        rate: SampleRate,
        random: &mut Random,
    ) {
        if let Some(reverb) = self.reverb {
            reverb.add_to(samples, rate);
        }
        let root_mean_square = match self.noise {
            None => return,
            Some(Noise::Absolute(Decibels(level_db))) => amplitude(level_db) / 2_f64.sqrt(),
            Some(Noise::BelowSignalDb(below_db)) => {
                loudness_while(samples, sounding_s, rate) * amplitude(-below_db)
            }
        };
        for sample in samples {
            *sample += (root_mean_square * random.normal()) as f32;
        }
    }
}

impl Reverb {
    fn add_to(&self, samples: &mut [f32], rate: SampleRate) {
        let rate = f64::from(rate.get());
        let mut lines =
            DELAYS_S.map(|delay_s| vec![0.0_f32; (delay_s * rate).round().max(1.0) as usize]);
        let mut places = [0_usize; DELAYS_S.len()];
        let mut dulled = [0.0_f32; DELAYS_S.len()];
        let keep =
            DELAYS_S.map(|delay_s| amplitude(-60.0 * delay_s / self.decay_s.max(0.01)) as f32);
        let smoothing = (1.0 - (-TAU * DULL_HZ / rate).exp()) as f32;
        let level = self.level as f32 / DELAYS_S.len() as f32;
        for sample in samples {
            let mut echo = 0.0;
            for (line, place) in lines.iter().zip(places) {
                echo += line[place];
            }
            // Householder's reflection: what a line gives back less half of what all give.
            for (k, line) in lines.iter_mut().enumerate() {
                let fed_back = line[places[k]] - 0.5 * echo;
                dulled[k] += smoothing * (keep[k] * fed_back - dulled[k]);
                line[places[k]] = *sample + dulled[k];
                places[k] = (places[k] + 1) % line.len();
            }
            *sample += level * echo;
        }
    }
}

fn amplitude(level_db: f64) -> f64 {
    10_f64.powf(level_db / 20.0)
}

/// Root mean square over the samples that lie within any of `spans_s`; 0 if there are none.
fn loudness_while(samples: &[f32], spans_s: &[Range<f64>], rate: SampleRate) -> f64 {
    let mut spans: Vec<Range<usize>> = spans_s
        .iter()
        .map(|span| {
            let clamp = |at_s| (rate.samples_in(at_s).0 as usize).min(samples.len());
            clamp(span.start)..clamp(span.end)
        })
        .collect();
    spans.sort_by_key(|span| span.start);
    let (mut counted_to, mut energy, mut count) = (0, 0.0, 0_usize);
    for span in spans {
        let fresh = span.start.max(counted_to)..span.end.max(counted_to);
        counted_to = fresh.end;
        count += fresh.len();
        energy += samples[fresh].iter().map(|&s| f64::from(s).powi(2)).sum::<f64>();
    }
    if count == 0 { 0.0 } else { (energy / count as f64).sqrt() }
}
