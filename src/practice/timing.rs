//! How early or late each strike was, against the even tempo of the take.
//!
//! **Conventions.** Positive is late. The tempo is the median of all slopes between strikes
//! (Theil–Sen); a pause starts a new passage, so that it is not held against what follows.

use super::offset::middle;

/// A gap longer than this against the tempo is a pause, in beats.
const PAUSE_BEATS: f64 = 0.6;
/// Strikes of a passage that are needed to speak of its timing.
const MIN_STRIKES: usize = 3;

/// A strike of a step: when the step begins in beats, and when it was struck in seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Struck {
    /// Beats since the lick began.
    pub beats: f64,
    /// Seconds since the recording began.
    pub at_s: f64,
}

/// Seconds a beat over the whole take; `None` for fewer than three strikes.
pub fn beat_s(struck: &[Struck]) -> Option<f64> {
    let mut slopes: Vec<f64> = struck
        .windows(2)
        .chain(struck.windows(3))
        .filter_map(|w| {
            let (first, last) = (w[0], w[w.len() - 1]);
            let beats = last.beats - first.beats;
            (beats > 0.0).then(|| (last.at_s - first.at_s) / beats)
        })
        .collect();
    (struck.len() >= MIN_STRIKES && !slopes.is_empty()).then(|| middle(&mut slopes))
}

/// Milliseconds each strike was late (negative: early); `None` where nothing can be said.
pub fn lateness_ms(struck: &[Struck]) -> Vec<Option<f64>> {
    let Some(beat) = beat_s(struck) else { return vec![None; struck.len()] };
    let mut late = vec![None; struck.len()];
    let mut start = 0;
    for i in 1..=struck.len() {
        let pause = i == struck.len() || {
            let gap = struck[i].at_s - struck[i - 1].at_s;
            let wanted = beat * (struck[i].beats - struck[i - 1].beats);
            (gap - wanted).abs() > PAUSE_BEATS * beat
        };
        if !pause {
            continue;
        }
        let passage = &struck[start..i];
        if passage.len() >= MIN_STRIKES {
            let beat = beat_s(passage).unwrap_or(beat);
            let mut starts: Vec<f64> = passage.iter().map(|s| s.at_s - beat * s.beats).collect();
            let origin = middle(&mut starts);
            for (slot, s) in late[start..i].iter_mut().zip(passage) {
                *slot = Some(1000.0 * (s.at_s - beat * s.beats - origin));
            }
        }
        start = i;
    }
    late
}
