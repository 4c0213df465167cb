//! How many beats lie between strikes, and how long a beat is.
//!
//! **Rule.** Every gap is a length that players write, off by as much as players are. Strikes on beats and half-way between
//! them are likelier than on triplets and sixteenths, plain lengths than dotted ones, and tempi near 90 a minute than
//! others. Lengths and tempo are those for which all together are likeliest, found by dynamic programming over
//! where in its beat each strike lies.
//! **Limits.** One tempo all through. Whether even strikes are quarters or eighths no recording tells: the nearer to 90
//! a minute is taken; and triplets of a slow tempo are eighths of one half as fast again.

use crate::notation::ticks::gcd;

/// Players stray from a length by this many seconds, whatever it is, and by this share of it (common practice).
const STRAYS_S: f64 = 0.012;
const STRAYS: f64 = 0.05;
/// The tempi that are looked at, in beats a minute, and from one to the next as a factor.
const TEMPI: [f64; 2] = [40.0, 200.0];
const NEXT_TEMPO: f64 = 1.01;
/// What is likely before anything is heard, in beats a minute, and how far tempi spread about it (natural logarithm).
const USUAL_BPM: f64 = 90.0;
const TEMPO_SPREAD: f64 = 0.4;

/// How much rarer strikes are there than on a beat (natural logarithm; common practice): on a triplet, …
const ON_A_TRIPLET: f64 = 1.0;
/// … a sixteenth …
const ON_A_SIXTEENTH: f64 = 0.75;
/// … and anywhere else.
const ANYWHERE: f64 = 4.0;
/// How much rarer lengths are that are no power of two, nor a triplet.
const DOTTED: f64 = 1.0;

/// A tempo is akin to another where so many beats of the one last as long as so many of the other, …
const SIMPLE: u64 = 4;
/// … but for this share: nobody knows a tempo to the beat.
const AKIN: f64 = 0.05;

/// So many eighths off the beat are swung, not struck late by chance.
const MIN_SWUNG: usize = 4;

/// Longer gaps are pauses, which tell no tempo, in beats.
pub(super) const PAUSE_BEATS: u64 = 8;
/// Lengths are looked for within so many parts of the grid of what was played.
const NEAR: u64 = 2;

/// Seconds a beat for strikes so many seconds apart, of which lengths are written in 1/`grid` beats; `None` where there
/// are no gaps.
pub(super) fn beat_s(gaps_s: &[f64], grid: u64) -> Option<f64> {
    if gaps_s.is_empty() {
        return None;
    }
    let steps = (TEMPI[1] / TEMPI[0]).ln() / NEXT_TEMPO.ln();
    let tempi = (0..=steps as i32).map(|i| TEMPI[0] * NEXT_TEMPO.powi(i));
    let cost = |bpm: f64| {
        let unusual = (bpm / USUAL_BPM).ln() / TEMPO_SPREAD;
        lengths(gaps_s, 60.0 / bpm, grid).1 + 0.5 * unusual * unusual
    };
    let costs = tempi.map(|bpm| (cost(bpm), bpm));
    let (_, bpm) = costs.min_by(|a, b| a.0.total_cmp(&b.0))?;
    // Between the tempi looked at: from end to end, but for pauses.
    let lengths = lengths(gaps_s, 60.0 / bpm, grid).0;
    let gaps = gaps_s.iter().zip(lengths).filter(|(_, length)| *length <= PAUSE_BEATS * grid);
    let (all_s, parts) =
        gaps.fold((0.0, 0), |(s, parts), (gap_s, length)| (s + gap_s, parts + length));
    Some(if parts > 0 { all_s * grid as f64 / parts as f64 } else { 60.0 / bpm })
}

/// The gaps as they would be were their eighths even, and seconds a beat, where strikes are on beats or two thirds through
/// them throughout, as eighths swung 2:1 are; a beat is one of `beat_s` if that `is_known`, else one of three parts of
/// which two make a length and one.
///
/// Quarters and eighths by turns sound the same, but cross beats with every other strike, which is rare in 4/4.
pub(super) fn straightened(
    gaps_s: &[f64],
    beat_s: f64,
    is_known: bool,
    grid: u64,
) -> Option<(Vec<f64>, f64)> {
    let starts = lengths(gaps_s, beat_s, grid).0.into_iter().scan(0, |at, length| {
        *at += length;
        Some(*at)
    });
    let starts: Vec<u64> = starts.collect();
    let periods = [grid, grid * 3 / 2, grid * 3 / 4];
    let periods = periods.into_iter().take(if is_known { 1 } else { periods.len() });
    let period = periods.filter(|period| period.is_multiple_of(3)).find(|period| {
        let part = |start: &u64| start % period;
        let swung = starts.iter().filter(|start| part(start) == period / 3 * 2).count();
        let on_beats = starts.iter().filter(|start| part(start) == 0).count();
        swung >= MIN_SWUNG && swung + on_beats == starts.len()
    })?;
    let beat_s = beat_s * period as f64 / grid as f64;
    let late_s = |start: u64| if start.is_multiple_of(period) { 0.0 } else { beat_s / 6.0 };
    let befores = [0].into_iter().chain(starts.iter().copied());
    let even = gaps_s.iter().zip(befores).zip(&starts);
    let even = even.map(|((gap_s, before), &start)| gap_s + late_s(before) - late_s(start));
    Some((even.collect(), beat_s))
}

/// Seconds a beat of a tempo that the gaps fit much better than `known_s`, if there is one that is no simple multiple of
/// it, nor a simple part: which of these is written is a matter of taste.
pub(super) fn better_beat_s(gaps_s: &[f64], known_s: f64, grid: u64) -> Option<f64> {
    let better_s = beat_s(gaps_s, grid)?;
    let gain = lengths(gaps_s, known_s, grid).1 - lengths(gaps_s, better_s, grid).1;
    let is_akin = (1..=SIMPLE).any(|part| {
        (1..=SIMPLE).any(|of| (better_s / known_s * of as f64 / part as f64 - 1.0).abs() < AKIN)
    });
    (gain > ANYWHERE && !is_akin).then_some(better_s)
}

/// The likeliest lengths of gaps in 1/`grid` beats, each at least one, and what they cost together; the first strike is
/// on a beat.
pub(super) fn lengths(gaps_s: &[f64], beat_s: f64, grid: u64) -> (Vec<u64>, f64) {
    // For every part of a beat the cheapest way to have a strike there, and for every gap and part the length before.
    let mut costs = vec![f64::INFINITY; grid as usize];
    costs[0] = 0.0;
    let mut ways: Vec<Vec<u64>> = Vec::with_capacity(gaps_s.len());
    for &gap_s in gaps_s {
        let mut next = vec![f64::INFINITY; grid as usize];
        let mut way = vec![0; grid as usize];
        let played = (gap_s / beat_s * grid as f64).round() as u64;
        let is_pause = played > PAUSE_BEATS * grid;
        for (from, &before) in (0..).zip(&costs).filter(|(_, before)| before.is_finite()) {
            // After a pause a beat begins.
            let whole = (played + from).div_ceil(grid) * grid - from;
            let (least, most) = match is_pause {
                true => (whole, whole),
                false => (played.saturating_sub(NEAR).max(1), played + NEAR),
            };
            for length in least..=most {
                let to = (from + length) % grid;
                let off = (gap_s - length as f64 / grid as f64 * beat_s) / strays_s(gap_s);
                let cost = match is_pause {
                    true => ANYWHERE,
                    false => rarity(to, grid) + dotted(length, grid) + 0.5 * off * off,
                };
                if before + cost < next[to as usize] {
                    next[to as usize] = before + cost;
                    way[to as usize] = length;
                }
            }
        }
        costs = next;
        ways.push(way);
    }
    let cheapest = |a: &usize, b: &usize| costs[*a].total_cmp(&costs[*b]);
    let mut at = (0..costs.len()).min_by(cheapest).unwrap_or(0) as u64;
    let cost = costs[at as usize];
    let mut lengths: Vec<u64> = Vec::with_capacity(ways.len());
    for way in ways.iter().rev() {
        let length = way[at as usize];
        lengths.push(length);
        at = (at + grid - length % grid) % grid;
    }
    lengths.reverse();
    (lengths, cost)
}

/// What a strike costs that lies at part `at` of its beat.
fn rarity(at: u64, grid: u64) -> f64 {
    match grid / gcd(at, grid) {
        1 | 2 => 0.0,
        3 => ON_A_TRIPLET,
        4 => ON_A_SIXTEENTH,
        _ => ANYWHERE,
    }
}

/// What a length costs for not being plain.
fn dotted(length: u64, grid: u64) -> f64 {
    let divisor = gcd(length, grid);
    match (length / divisor, grid / divisor) {
        (1, 1..=4) | (2 | 4 | 8, 1) | (2, 3) => 0.0,
        (_, 1..=4) => DOTTED,
        _ => ANYWHERE,
    }
}

/// How far players stray from a gap so long.
fn strays_s(gap_s: f64) -> f64 {
    STRAYS_S.hypot(STRAYS * gap_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The tempo told of these lengths in beats, played so that each strike is late by one of `late_s` in turn.
    fn told(bpm: f64, beats: &[f64], late_s: &[f64]) -> (f64, Vec<f64>) {
        let mut at_s = vec![0.0];
        for length in beats {
            at_s.push(at_s[at_s.len() - 1] + length * 60.0 / bpm);
        }
        let late = late_s.iter().cycle();
        let at_s: Vec<f64> = at_s.iter().zip(late).map(|(at, late)| at + late).collect();
        let gaps_s: Vec<f64> = at_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let beat_s = beat_s(&gaps_s, 12).expect("gaps");
        let lengths = lengths(&gaps_s, beat_s, 12).0;
        (60.0 / beat_s, lengths.iter().map(|&length| length as f64 / 12.0).collect())
    }

    #[test]
    fn lengths_come_out_as_they_were_meant() {
        let uneven = [0.0, 0.01, -0.007, 0.015, -0.01];
        let third = 1.0 / 3.0;
        for bpm in [66.0, 84.0, 100.0, 120.0] {
            for beats in [
                &[1.0, 0.5, 0.5, 1.0, 1.0][..],
                &[0.5, 0.5, 0.5, 0.5, 1.0, 1.0, 2.0],
                &[1.5, 0.5, 1.0, 1.0, 2.0],
                &[1.0, third, third, third, 1.0, 1.0, 2.0],
                &[1.0, 0.25, 0.25, 0.5, 1.0, 1.0],
            ] {
                let (tempo, lengths) = told(bpm, beats, &uneven);
                // Twice as fast with all lengths doubled it sounds the same.
                let octave = (tempo / bpm).log2().round().exp2();
                let told: Vec<f64> = lengths.iter().map(|length| length / octave).collect();
                assert_eq!(told, beats, "{bpm}: told as {tempo}");
                assert!((tempo / bpm / octave - 1.0).abs() < 0.03, "{bpm}: {tempo}");
            }
        }
    }

    /// Swung 2:1 the second eighth of a beat comes with the third of a triplet (common practice).
    #[test]
    fn swung_eighths_are_told_from_other_lengths() {
        let swung = |beats: &[f64], bpm: f64, is_known: bool| {
            let gaps_s: Vec<f64> = beats.iter().map(|length| length * 60.0 / bpm).collect();
            let beat_s = match is_known {
                true => 60.0 / bpm,
                false => beat_s(&gaps_s, 12).expect("gaps"),
            };
            straightened(&gaps_s, beat_s, is_known, 12)
        };
        let (long, short) = (2.0 / 3.0, 1.0 / 3.0);
        let shuffle = [long, short, long, short, 1.0, long, short, long, short, 2.0];
        for bpm in [60.0, 72.0, 96.0, 120.0, 138.0] {
            for is_known in [false, true] {
                let (even_s, beat_s) = swung(&shuffle, bpm, is_known).expect("swung");
                assert!((60.0 / beat_s / bpm - 1.0).abs() < 0.01, "{bpm}: {}", 60.0 / beat_s);
                let told = lengths(&even_s, beat_s, 12).0;
                assert_eq!(told, [6, 6, 6, 6, 12, 6, 6, 6, 6, 24], "{bpm}");
            }
            for beats in [
                &[0.5; 12][..],
                &[1.0, 0.5, 0.5, 1.0, 0.5, 0.5, 1.0, 1.0, 2.0],
                &[1.5, 0.5, 1.5, 0.5, 1.5, 0.5, 1.5, 0.5],
                &[short, short, short, 1.0, short, short, short, 1.0],
                &[long, short, 1.0, long, short, 1.0, 1.0],
            ] {
                assert_eq!(swung(beats, bpm, false), None, "{beats:?} at {bpm}");
            }
        }
    }

    #[test]
    fn even_strikes_are_near_the_usual_tempo() {
        for (gap_s, bpm, length) in [(0.6, 100.0, 1.0), (0.3, 100.0, 0.5), (1.2, 100.0, 2.0)] {
            let beat_s = beat_s(&[gap_s; 7], 12).expect("gaps");
            assert!((60.0 / beat_s / bpm - 1.0).abs() < 1e-9, "{gap_s}: {}", 60.0 / beat_s);
            assert_eq!(lengths(&[gap_s; 7], beat_s, 12).0, [(12.0 * length) as u64; 7]);
        }
    }

    #[test]
    fn a_tempo_that_nothing_fits_is_told() {
        let gaps_s: Vec<f64> =
            [1.0, 0.5, 0.5, 2.0, 0.5, 0.5, 1.0, 1.0].map(|beats| beats * 60.0 / 84.0).into();
        let better = |bpm: f64| better_beat_s(&gaps_s, 60.0 / bpm, 12).map(|beat_s| 60.0 / beat_s);
        for bpm in [10.0, 100.0, 400.0] {
            assert!(better(bpm).is_some_and(|told| (told - 84.0).abs() < 1.0), "{bpm}");
        }
        for bpm in [42.0, 56.0, 80.0, 84.0, 88.0, 126.0, 168.0] {
            assert_eq!(better(bpm), None, "{bpm}: a matter of taste, or near enough");
        }
    }

    #[test]
    fn a_pause_tells_no_tempo() {
        let (tempo, lengths) = told(84.0, &[1.0, 0.5, 0.5, 11.3, 1.0, 0.5, 0.5, 1.0], &[0.0]);
        assert!((tempo - 84.0).abs() < 1.0, "{tempo}");
        assert_eq!(lengths[..3], [1.0, 0.5, 0.5]);
    }
}
