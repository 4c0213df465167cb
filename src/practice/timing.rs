//! How early or late each strike was, against the even tempo of the take.
//!
//! **Conventions.** Positive is late. The tempo is the one most gaps between strikes agree with, told by
//! the middle of all gaps near it, short and wide; a pause starts a new passage, so that it is not held
//! against what follows.

use super::offset::middle;

/// A gap longer than this against the tempo is a pause, in beats.
const PAUSE_BEATS: f64 = 0.6;
/// Strikes of a passage that are needed to speak of its timing, or of the delay of a click.
const MIN_STRIKES: usize = 3;

/// A strike of a step: when the step begins in beats, and when it was struck in seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Struck {
    /// Beats since the lick began.
    pub beats: f64,
    /// Seconds since the recording began.
    pub at_s: f64,
}

/// A gap agrees with a tempo if it is this near to it, as a share.
const AGREES: f64 = 0.15;
/// Strikes so many gaps apart still belong to one tempo.
const WIDEST_GAPS: usize = 16;

/// Seconds a beat over the whole take; `None` for fewer than three strikes.
///
/// Of the tempi that gaps between neighbours suggest, the one most gaps agree with, and among
/// these the one nearest to `written_s`: a pause or a step left out suggests one of its own.
pub fn beat_s(struck: &[Struck], written_s: f64) -> Option<f64> {
    let slopes: Vec<f64> = struck
        .windows(2)
        .filter(|w| w[1].beats > w[0].beats && w[1].at_s > w[0].at_s)
        .map(|w| (w[1].at_s - w[0].at_s) / (w[1].beats - w[0].beats))
        .collect();
    if struck.len() < MIN_STRIKES {
        return None;
    }
    let agreeing =
        |beat: f64| slopes.iter().copied().filter(move |s| (s / beat - 1.0).abs() <= AGREES);
    let best = slopes.iter().copied().max_by(|a, b| {
        let count = |beat: f64| agreeing(beat).count();
        let away = |beat: f64| (beat / written_s).ln().abs();
        count(*a).cmp(&count(*b)).then(away(*b).total_cmp(&away(*a)))
    })?;
    let middle_gap = middle(&mut agreeing(best).collect::<Vec<f64>>());
    // Over many beats an uneven strike matters little (H. Theil 1950: the median of all slopes).
    let mut wide: Vec<f64> = (1..=WIDEST_GAPS)
        .flat_map(|n| struck.iter().zip(struck.iter().skip(n)))
        .filter(|(a, b)| b.beats > a.beats)
        .map(|(a, b)| (b.at_s - a.at_s) / (b.beats - a.beats))
        .filter(|slope| (slope / middle_gap - 1.0).abs() <= AGREES)
        .collect();
    Some(if wide.is_empty() { middle_gap } else { middle(&mut wide) })
}

/// Milliseconds each strike was late (negative: early); `None` where nothing can be said.
///
/// `written_s` is the length of a beat as the lick has it.
pub fn lateness_ms(struck: &[Struck], written_s: f64) -> Vec<Option<f64>> {
    let Some(beat) = beat_s(struck, written_s) else { return vec![None; struck.len()] };
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
            let beat = beat_s(passage, beat).unwrap_or(beat);
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

/// The delay that some latenesses speak for: their middle, but sound never comes before it was
/// asked for. `None` if they are too few to say.
pub fn estimated_delay(lateness: &[f64]) -> Option<f64> {
    (lateness.len() >= MIN_STRIKES).then(|| middle(&mut lateness.to_vec()).max(0.0))
}
