//! How early or late each strike was, against the even tempo of the take.
//!
//! **Conventions.** Positive is late. The tempo is the one most gaps between strikes agree with, told by
//! the middle of all gaps near it, short and wide; a pause starts a new passage, so that it is not held
//! against what follows. Eighths that are swung otherwise than written are told once, not strike by strike.

use super::offset::middle;
use super::verdict::Finding;
use crate::lick::expected::ExpectedStep;

/// A gap longer than this against the tempo is a pause, in beats.
const PAUSE_BEATS: f64 = 0.6;
/// Strikes of a passage that are needed to speak of its timing, or of the delay of a click.
pub const MIN_STRIKES: usize = 3;

/// A strike of a step: when the step begins in beats, and when it was struck in seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Struck {
    /// Beats since the lick began.
    pub beats: f64,
    /// Seconds since the recording began.
    pub at_s: f64,
    /// Whether it is written half-way through a beat.
    pub is_off_beat: bool,
}

impl Struck {
    /// When `step` was struck.
    pub fn new(step: &ExpectedStep, at_s: f64) -> Self {
        Self { beats: step.start_beats, at_s, is_off_beat: step.is_off_beat }
    }
}

/// A gap agrees with a tempo if it is this near to it, as a share.
const AGREES: f64 = 0.15;
/// Strikes so many gaps apart still belong to one tempo.
const WIDEST_GAPS: usize = 16;

/// Seconds a beat over the whole take; `None` for fewer than three strikes.
///
/// Of the tempi that gaps between neighbours suggest, and between every second strike, the one most gaps agree with, and
/// among these the one nearest to `written_s`: a pause or a step left out suggests one of its own, and so does each of two
/// eighths that are swung, but not both together.
pub fn beat_s(struck: &[Struck], written_s: f64) -> Option<f64> {
    let slopes_over = |n_gaps: usize| {
        (1..=n_gaps)
            .flat_map(|n| struck.iter().zip(struck.iter().skip(n)))
            .filter(|(a, b)| b.beats > a.beats && b.at_s > a.at_s)
            .map(|(a, b)| (b.at_s - a.at_s) / (b.beats - a.beats))
    };
    let slopes: Vec<f64> = slopes_over(2).collect();
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
    let agrees = |slope: &f64| (slope / middle_gap - 1.0).abs() <= AGREES;
    let mut wide: Vec<f64> = slopes_over(WIDEST_GAPS).filter(agrees).collect();
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

/// How the eighths of `struck` were swung, the first of a beat as a share of it, if that is not `written_share`, as the
/// lick has it and the beats of `struck` are reckoned; a beat lasts `beat_s`.
pub fn swing_share(struck: &[Struck], written_share: f64, beat_s: f64) -> Option<f64> {
    let is_beat = |a: &Struck, b: &Struck| {
        (b.beats - a.beats - 1.0).abs() < HAIR && ((b.at_s - a.at_s) / beat_s - 1.0).abs() < A_BEAT
    };
    let share = |three: &[Struck]| {
        let [before, off, after] = three else { return None };
        let is_even = off.is_off_beat && is_beat(before, after);
        is_even.then(|| (off.at_s - before.at_s) / (after.at_s - before.at_s))
    };
    let mut shares: Vec<f64> = struck.windows(3).filter_map(share).collect();
    if shares.len() < MIN_END {
        return None;
    }
    let middle_share = middle(&mut shares);
    let by = middle_share - written_share;
    let so = shares.iter().filter(|share| (*share - written_share) / by > 0.5).count();
    (by.abs() >= TOLD_SHARE && nearly_all(so, shares.len())).then_some(middle_share.max(0.5))
}

/// `struck` as if `share` were the written one.
pub fn swung(struck: &[Struck], written_share: f64, share: f64) -> Vec<Struck> {
    let later = |s: &Struck| if s.is_off_beat { share - written_share } else { 0.0 };
    struck.iter().map(|s| Struck { beats: s.beats + later(s), ..*s }).collect()
}

/// Less is not told of a pass as a whole, in milliseconds: players together are no nearer (common practice).
const TOLD_MS: f64 = 10.0;
/// What a teacher calls the way of a pass holds for so many of its strikes, as a share.
const NEARLY_ALL: f64 = 0.9;
/// So many strikes at least make a beginning, or an end, and so many beats a way to swing.
const MIN_END: usize = 4;
/// Eighths are swung otherwise than written from here on, as a share of the beat: 1.2:1 instead of 1:1, where players
/// who mean even ones seldom come (common practice).
const TOLD_SHARE: f64 = 0.05;
/// Beats are sums of fractions: so near to a beat is a beat.
const HAIR: f64 = 1e-6;
/// A beat that is longer or shorter than others by this share tells of no swing.
const A_BEAT: f64 = 0.25;

/// What strikes that were so late beside a click, in milliseconds and in their order, have in common; a beat lasts
/// `beat_s`.
pub fn common_lateness(late_ms: &[f64], beat_s: f64) -> Option<Finding> {
    let n = late_ms.len();
    if n < MIN_END {
        return None;
    }
    let end = MIN_END.max(n / 3);
    if n >= 2 * end {
        let (first, last) = (&late_ms[..end], &late_ms[n - end..]);
        let later_ms = middle(&mut last.to_vec()) - middle(&mut first.to_vec());
        let pairs = first.iter().flat_map(|a| last.iter().map(move |b| b - a));
        let so = pairs.filter(|later| later * later_ms.signum() >= TOLD_MS).count();
        if nearly_all(so, end * end) {
            return Some(Finding::Drifted { later_ms });
        }
    }
    let middle_ms = middle(&mut late_ms.to_vec());
    let so = late_ms.iter().filter(|late| *late * middle_ms.signum() >= TOLD_MS).count();
    let (late_ms, late_beats) = (middle_ms, 0.001 * middle_ms / beat_s);
    nearly_all(so, n).then_some(Finding::LateThroughout { late_ms, late_beats })
}

fn nearly_all(some: usize, all: usize) -> bool {
    some as f64 >= NEARLY_ALL * all as f64
}

/// The delay that some latenesses speak for: their middle, but sound never comes before it was
/// asked for. `None` if they are too few to say.
pub fn estimated_delay(lateness: &[f64]) -> Option<f64> {
    (lateness.len() >= MIN_STRIKES).then(|| middle(&mut lateness.to_vec()).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Strikes uneven by up to 15 ms, as good players are (common practice); 11 and 7 have no common divisor.
    fn beside_click(n: usize, late_ms: impl Fn(f64) -> f64) -> Option<Finding> {
        let uneven_ms = |k: usize| (k * 7 % 11) as f64 * 3.0 - 15.0;
        let share = |k: usize| k as f64 / (n - 1) as f64;
        let late_ms: Vec<f64> = (0..n).map(|k| late_ms(share(k)) + uneven_ms(k)).collect();
        common_lateness(&late_ms, 0.5)
    }

    /// Twelve eighths written so, played so, a beat of 0.6 s: tempo and swing as told.
    fn eighths(written: f64, played: f64, uneven_ms: f64) -> (f64, Option<f64>) {
        let at = |share: f64, k: usize| (k / 2) as f64 + if k % 2 == 1 { share } else { 0.0 };
        let strike = |k: usize| Struck {
            beats: at(written, k),
            at_s: 0.6 * at(played, k) + 0.001 * uneven_ms * ((k * 7 % 11) as f64 / 5.0 - 1.0),
            is_off_beat: k % 2 == 1,
        };
        let struck: Vec<Struck> = (0..12).map(strike).collect();
        let beat_s = beat_s(&struck, 0.5).expect("strikes enough");
        (beat_s, swing_share(&struck, written, beat_s))
    }

    /// Swung eighths are longer and shorter by turns, and every two of them are a beat (common practice).
    #[test]
    fn swing_is_no_other_tempo_and_is_told_where_it_is_not_as_written() {
        for (written, played, told) in [
            (0.5, 0.5, None),
            (0.5, 0.53, None),
            (0.5, 0.6, Some(0.6)),
            (0.5, 0.667, Some(0.667)),
            (0.5, 0.74, Some(0.74)),
            (0.667, 0.667, None),
            (0.667, 0.58, Some(0.58)),
            (0.667, 0.5, Some(0.5)),
        ] {
            for uneven_ms in [0.0, 15.0] {
                let (beat_s, found) = eighths(written, played, uneven_ms);
                let case =
                    format!("{played} for {written}, uneven {uneven_ms}: {beat_s}, {found:?}");
                assert!((beat_s - 0.6).abs() < 0.012, "{case}");
                assert_eq!(found.is_some(), told.is_some(), "{case}");
                let off = found.unwrap_or_default() - told.unwrap_or_default();
                assert!(off.abs() < 0.03, "{case}");
            }
        }
    }

    #[test]
    fn what_all_strikes_have_in_common_is_told() {
        for n in [8, 12, 30] {
            assert_eq!(beside_click(n, |_| 0.0), None, "uneven");
            let told = beside_click(n, |_| -60.0);
            let Some(Finding::LateThroughout { late_ms, late_beats }) = told else {
                panic!("early: {told:?}")
            };
            assert!((late_ms + 60.0).abs() < 10.0, "{late_ms}");
            assert!((late_beats - late_ms / 500.0).abs() < 1e-9, "{late_beats}");
            let told = beside_click(n, |share| -200.0 * share);
            let Some(Finding::Drifted { later_ms }) = told else { panic!("rushed: {told:?}") };
            // From the middle of the beginning to that of the end.
            assert!((-170.0..-90.0).contains(&later_ms), "{later_ms}");
        }
        assert_eq!(common_lateness(&[50.0; 3], 0.5), None, "too few to say");
    }
}
