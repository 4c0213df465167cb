//! Brings a sound to a stated loudness without ever clipping it.
//!
//! **Conventions.** Loudness in LUFS is the gated loudness of the whole sound as one channel; levels
//! in dBTP are peaks between the samples, 0 being full scale.
//! **Limits.** Less than 0.4 s of sound has no loudness; it is brought to the highest peak instead.
//! **Reference.** ITU-R BS.1770-4, by the crate `ebur128`.

use ebur128::EbuR128;
use ebur128::Mode;

use crate::units::SampleRate;

/// What a sound was brought to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loudness {
    /// Loudness in LUFS; `None` for silence and for sounds too short to have one.
    pub loudness_lufs: Option<f64>,
    /// Highest peak in dBTP; `None` for silence.
    pub peak_dbtp: Option<f64>,
}

/// Scales `samples` to `target_lufs`, or to `highest_peak_dbtp` where they would exceed it.
pub fn normalise(
    samples: &mut [f32],
    rate: SampleRate,
    target_lufs: f64,
    highest_peak_dbtp: f64,
) -> Loudness {
    let found = measure(samples, rate);
    let Some(peak_dbtp) = found.peak_dbtp else { return found };
    let most_db = highest_peak_dbtp - peak_dbtp;
    let gain_db = found.loudness_lufs.map_or(most_db, |lufs| (target_lufs - lufs).min(most_db));
    let gain = 10_f64.powf(gain_db / 20.0) as f32;
    samples.iter_mut().for_each(|sample| *sample *= gain);
    Loudness {
        loudness_lufs: found.loudness_lufs.map(|lufs| lufs + gain_db),
        peak_dbtp: Some(peak_dbtp + gain_db),
    }
}

fn measure(samples: &[f32], rate: SampleRate) -> Loudness {
    let mut meter = EbuR128::new(1, rate.get(), Mode::I | Mode::TRUE_PEAK)
        .expect("one channel at a rate the meter knows");
    meter.add_frames_f32(samples).expect("whole frames of one channel");
    let lufs = meter.loudness_global().expect("the mode was asked for");
    let peak = meter.true_peak(0).expect("the mode was asked for, and there is one channel");
    Loudness {
        loudness_lufs: lufs.is_finite().then_some(lufs),
        peak_dbtp: (peak > 0.0).then(|| 20.0 * peak.log10()),
    }
}
