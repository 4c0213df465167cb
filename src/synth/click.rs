//! A click to play by: a short knock, the first of a bar higher.

use std::f64::consts::TAU;

use crate::units::SampleRate;

/// Time in which a click falls by 60 dB: over before the next note begins.
const DECAY_S: f64 = 0.06;

/// One click.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Click {
    /// When it sounds, in seconds.
    pub at_s: f64,
    /// Which of the bar it is.
    pub beat: Beat,
    /// Peak, full scale being 1.
    pub level: f64,
}

/// Where in the bar a click stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Beat {
    /// On one.
    First,
    /// Any other.
    Other,
}

impl Click {
    /// Adds the click to `samples`, the first of which is at time 0.
    pub(super) fn add_to(&self, samples: &mut [f32], rate: SampleRate) {
        let from = (rate.samples_in(self.at_s).0 as usize).min(samples.len());
        let rate = f64::from(rate.get());
        // Above the first partial of every fret, so that nobody takes it for a note.
        let hz = match self.beat {
            Beat::First => 2800.0,
            Beat::Other => 2100.0,
        };
        let length = (DECAY_S * rate) as usize;
        for (k, sample) in samples[from..].iter_mut().take(length).enumerate() {
            let at_s = k as f64 / rate;
            let fade = (-1000_f64.ln() * at_s / DECAY_S).exp();
            *sample += (self.level * fade * (TAU * hz * at_s).sin()) as f32;
        }
    }
}
