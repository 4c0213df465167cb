//! A click that the player hears and the ear does not.
//!
//! A burst of [`PITCH_HZ`] under a Gaussian: all its energy lies above what the engine lets in (its
//! decimator stops 9.6 kHz and more at every rate), where the partials of a guitar have died away.
//!
//! **Conventions.** Positions are samples of the track. The first click of a bar is louder and longer.
//! **Limits.** At sampling rates under 22 kHz the burst lies lower, at 0.46 of the rate, and is
//! heard. A loudspeaker driven into distortion makes other frequencies of it.
//! **Reference.** A Gaussian of deviation σ in time has one of 1/(2πσ) in frequency: 133 Hz here.

use std::f64::consts::TAU;

use crate::units::SampleCount;
use crate::units::SampleRate;

/// Pitch of the burst, where the rate allows it: high, but within hearing.
pub const PITCH_HZ: f64 = 9_700.0;
/// Deviation of the Gaussian, in seconds.
const SIGMA_S: f64 = 0.0012;
/// The burst is cut off so many deviations from its middle, 108 dB down.
const CUT_SIGMAS: f64 = 5.0;
/// Silence before the first click, in seconds: loudspeakers wake up, and so do players.
const LEAD_S: f64 = 0.5;
/// A count-in has this many beats at least.
const MIN_COUNT_IN: f64 = 3.0;

/// What is clicked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Score {
    /// Where in the lick the pass begins, in quarter notes.
    pub from_beats: f64,
    /// Where it ends.
    pub to_beats: f64,
    /// Length of a bar in quarter notes.
    pub bar_beats: f64,
    /// Length of a quarter note in seconds.
    pub beat_s: f64,
    /// Peak of an ordinary click, full scale being 1.
    pub level: f64,
}

/// Clicks ready to be played.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    /// Mono samples.
    pub samples: Vec<f32>,
    /// The middle of the click on which the pass begins.
    pub origin: SampleCount,
}

impl Score {
    /// Clicks on every quarter note, whole bars of them before the pass begins.
    pub fn track(&self, rate: SampleRate) -> Track {
        let bar = self.bar_beats.max(1.0);
        let mut count_in = bar;
        while count_in < MIN_COUNT_IN {
            count_in += bar;
        }
        let count_in = count_in.ceil();
        let origin_s = LEAD_S + count_in * self.beat_s;
        let beats = self.to_beats - self.from_beats;
        let length_s = origin_s + beats * self.beat_s + 2.0 * CUT_SIGMAS * SIGMA_S;
        let mut samples = vec![0.0; rate.samples_in(length_s).0 as usize];
        let first = -count_in as i64;
        for beat in first..beats.ceil() as i64 {
            let into_bar = (self.from_beats + beat as f64).rem_euclid(bar);
            let accent = into_bar < 1e-9 || bar - into_bar < 1e-9;
            let middle = rate.samples_in(origin_s + beat as f64 * self.beat_s).0;
            add_click(&mut samples, middle as usize, accent, self.level, rate);
        }
        Track { samples, origin: rate.samples_in(origin_s) }
    }
}

/// Adds a burst around sample `middle`:
///
/// ```text
/// x(t) = level · exp(−t² / 2σ²) · cos(2π f t)
/// ```
pub fn add_click(samples: &mut [f32], middle: usize, accent: bool, level: f64, rate: SampleRate) {
    let rate = f64::from(rate.get());
    let hz = PITCH_HZ.min(0.46 * rate);
    let (sigma_s, level) = if accent { (2.0 * SIGMA_S, 1.6 * level) } else { (SIGMA_S, level) };
    let reach = (CUT_SIGMAS * sigma_s * rate) as usize;
    for at in middle.saturating_sub(reach)..(middle + reach).min(samples.len()) {
        let t = (at as f64 - middle as f64) / rate;
        let fade = (-0.5 * (t / sigma_s).powi(2)).exp();
        samples[at] += (level * fade * (TAU * hz * t).cos()) as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn score() -> Score {
        Score { from_beats: 2.0, to_beats: 5.0, bar_beats: 4.0, beat_s: 0.5, level: 0.3 }
    }

    #[test]
    fn a_bar_is_counted_in_and_clicks_stand_on_their_beats() {
        let rate = SampleRate::new(48_000).expect("not zero");
        let track = score().track(rate);
        // Half a second of silence and four beats.
        assert_eq!(track.origin.0, 120_000);
        // Beats -2 … 4 of the lick, the third and the seventh of them (0 and 4) first of a bar.
        let peaks: Vec<bool> = (0..7)
            .map(|beat| {
                let at = 24_000 + beat * 24_000;
                let peak = track.samples[at];
                assert!(peak > 0.29, "no click at sample {at}");
                peak > 0.4
            })
            .collect();
        assert_eq!(peaks, [false, false, true, false, false, false, true]);
    }

    /// The discrete Fourier transform written out, against the 7 kHz at which the ear ends.
    #[test]
    fn no_energy_lies_where_the_ear_listens() {
        for hz in [44_100, 48_000, 96_000] {
            let rate = SampleRate::new(hz).expect("not zero");
            let mut samples = vec![0.0; 4096];
            add_click(&mut samples, 2048, true, 0.5, rate);
            let power = |at_hz: f64| {
                let (mut re, mut im) = (0.0, 0.0);
                for (n, &sample) in samples.iter().enumerate() {
                    let angle = TAU * at_hz * n as f64 / f64::from(hz);
                    re += f64::from(sample) * angle.cos();
                    im += f64::from(sample) * angle.sin();
                }
                re * re + im * im
            };
            let peak = power(PITCH_HZ);
            for below in [80.0, 440.0, 1_000.0, 3_000.0, 5_000.0, 7_000.0] {
                let down_db = 10.0 * (peak / power(below)).log10();
                assert!(down_db > 90.0, "{below} Hz only {down_db} dB down at rate {hz}");
            }
        }
    }
}
