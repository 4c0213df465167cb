//! One string on a note, or two that are a little apart?
//!
//! Where two strings sound one note and are not quite in tune, every partial is a pair of peaks, all pairs being as
//! far apart in cents. A lone string's partials split too, into its two planes of vibration, but by less, and not all
//! alike.
//!
//! **Conventions.** Distances are in cents, 8 to 60.
//! **Limits.** Strings nearer to each other, or of which one is more than 20 dB softer, are one. Two peaks are seen
//! where a partial is two widths wide and more of what parts them: low notes need long stretches.
//! **Reference.** G. Weinreich, «Coupled piano strings», J. Acoust. Soc. Am. 62 (1977), for the pairs of lone strings.

use super::tone::Tone;
use crate::dsp::peaks::Peak;

/// Two strings on a note lie so far apart at least and at most, in cents.
pub const LEAST_CENTS: f64 = 8.0;
/// See [`LEAST_CENTS`].
pub const MOST_CENTS: f64 = 60.0;
/// Partials looked at, and the peaks of each.
const N_PARTIALS: usize = 10;
const MAX_PEAKS: usize = 6;
/// A peak so much softer than the loudest of its partial is none of a string's (20 dB).
const LEAST_AMPLITUDE: f64 = 0.1;
/// Peaks are told apart from so many widths on.
const APART_WIDTHS: f64 = 2.2;
/// A pair of peaks agrees with another to so many cents, or widths where that is more.
const SAME_CENTS: f64 = 3.0;
const SAME_WIDTHS: f64 = 0.3;
/// So many partials have to be pairs, and more than have neither of the two.
const LEAST_PAIRS: usize = 3;

/// Peaks near one partial, in cents above where the string would have it.
#[derive(Debug, Clone, Copy)]
struct Near {
    /// Number of the partial, 1 for the first.
    number: usize,
    /// One width in cents.
    width: f64,
    cents: [f64; MAX_PEAKS],
    n: usize,
}

impl Near {
    fn cents(&self) -> &[f64] {
        &self.cents[..self.n]
    }

    fn can_part(&self, apart: f64) -> bool {
        apart > APART_WIDTHS * self.width
    }

    /// The peak at `cents`, if there is one.
    fn at(&self, cents: f64) -> Option<f64> {
        let off = |c: &f64| (c - cents).abs();
        let nearest = self.cents().iter().copied().min_by(|a, b| off(a).total_cmp(&off(b)))?;
        (off(&nearest) < SAME_CENTS.max(SAME_WIDTHS * self.width)).then_some(nearest)
    }
}

/// The two strings that `tones[t]` is, if it is two; `peaks` are those of the spectrum, in rising frequency, and
/// `width_hz` is its width.
pub fn part(peaks: &[Peak], width_hz: f64, tones: &[Tone], t: usize) -> Option<[Tone; 2]> {
    let tone = tones.get(t)?;
    let mut partials = [Near { number: 1, width: 1.0, cents: [0.0; MAX_PEAKS], n: 0 }; N_PARTIALS];
    let mut n = 0;
    for number in 1..=N_PARTIALS {
        let near = look_near(peaks, width_hz, tones, t, number);
        if let Some(near) = near {
            partials[n] = near;
            n += 1;
        }
    }
    let partials = &partials[..n];
    let mut best: Option<(usize, [f64; 2])> = None;
    for near in partials {
        for (i, &low) in near.cents().iter().enumerate() {
            for &high in &near.cents()[i + 1..] {
                let apart = high - low;
                if !(LEAST_CENTS..=MOST_CENTS).contains(&apart) || !near.can_part(apart) {
                    continue;
                }
                let Some(found) = agreed(partials, [low, high]) else { continue };
                if best.is_none_or(|best| found.0 > best.0) {
                    best = Some(found);
                }
            }
        }
    }
    let (_, cents) = best?;
    Some(cents.map(|cents| Tone { f1: tone.f1 * (cents / 1200.0).exp2(), ..*tone }))
}

/// How many partials agree that there are two strings at `pair`, and where they have them, if enough do.
fn agreed(partials: &[Near], pair: [f64; 2]) -> Option<(usize, [f64; 2])> {
    let (mut n_pairs, mut n_lone, mut divisor, mut sums) = (0, 0, 0, [0.0; 2]);
    for near in partials.iter().filter(|near| near.can_part(pair[1] - pair[0])) {
        match pair.map(|cents| near.at(cents)) {
            [Some(low), Some(high)] if low < high => {
                n_pairs += 1;
                divisor = common_divisor(divisor, near.number);
                sums[0] += low;
                sums[1] += high;
            }
            [None, None] => n_lone += 1,
            // One of them was plucked where this partial has a node.
            _ => {}
        }
    }
    // Every second partial, or third, is a pair where an octave or a twelfth sounds.
    let enough = n_pairs >= LEAST_PAIRS && n_pairs > n_lone && divisor == 1;
    enough.then(|| (n_pairs, sums.map(|sum| sum / n_pairs as f64)))
}

/// The peaks near partial `number` of `tones[t]`; `None` if there are none or partials of another note lie there.
fn look_near(
    peaks: &[Peak],
    width_hz: f64,
    tones: &[Tone],
    t: usize,
    number: usize,
) -> Option<Near> {
    let hz = tones[t].partial(number);
    let reach = hz * ((MOST_CENTS / 1200.0).exp2() - 1.0);
    let is_there = |(i, other): (usize, &Tone)| {
        let off = hz - other.partial(other.nearest_partial(hz));
        i != t && !is_overtone(other, &tones[t], MOST_CENTS) && off.abs() < reach + 2.0 * width_hz
    };
    if tones.iter().enumerate().any(is_there) {
        return None;
    }
    let first = peaks.partition_point(|peak| peak.hz < hz - reach);
    let near = || peaks[first..].iter().take_while(|peak| peak.hz <= hz + reach);
    let loudest = near().map(|peak| peak.amplitude).fold(0.0, f64::max);
    let mut found = Near { number, width: cents(hz + width_hz, hz), cents: [0.0; MAX_PEAKS], n: 0 };
    for peak in near().filter(|peak| peak.amplitude > LEAST_AMPLITUDE * loudest) {
        let slot = found.cents.get_mut(found.n)?;
        *slot = cents(peak.hz, hz);
        found.n += 1;
    }
    (found.n > 0).then_some(found)
}

fn common_divisor(a: usize, b: usize) -> usize {
    if a == 0 { b } else { common_divisor(b % a, a) }
}

/// Whether the first partial of `tone` lies within so many cents of another partial of `below`.
pub fn is_overtone(tone: &Tone, below: &Tone, within_cents: f64) -> bool {
    let away = tone.cents_from(below);
    (2..=6).any(|n| (away - 1200.0 * f64::from(n).log2()).abs() < within_cents)
}

fn cents(hz: f64, from: f64) -> f64 {
    1200.0 * (hz / from).log2()
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::dsp::peaks::find_peaks;
    use crate::dsp::spectrum::Transformer;

    const RATE_HZ: f64 = 11_025.0;
    const SAMPLES: usize = 6600;
    const F1_HZ: f64 = 329.63;

    /// What `tone` is said to be, in cents from it, where lines sound at these frequencies and amplitudes.
    fn parted(tone: Tone, lines: &[(f64, f64)]) -> Option<[f64; 2]> {
        let sample = |i: usize| {
            let t = i as f64 / RATE_HZ;
            let noise = 1e-4 * (TAU * ((i * i % 7919) as f64 / 7919.0)).sin();
            let wave = |(k, (hz, amplitude)): (usize, &(f64, f64))| {
                amplitude * (TAU * hz * t + 1.7 * k as f64).cos()
            };
            (lines.iter().enumerate().map(wave).sum::<f64>() + noise) as f32
        };
        let samples: Vec<f32> = (0..SAMPLES).map(sample).collect();
        let mut transformer = Transformer::new(RATE_HZ, SAMPLES);
        let mut spectrum = transformer.make_spectrum();
        transformer.transform(&samples, &mut spectrum);
        let mut peaks = Vec::with_capacity(400);
        find_peaks(&spectrum, 4.0, &mut peaks);
        let pair = part(&peaks, spectrum.width_hz, &[tone], 0)?;
        Some(pair.map(|string| string.cents_from(&tone)))
    }

    /// Partials of a string (Fletcher 1964, as [`Tone::partial`] has them) so many cents off, `level` times as loud.
    fn string(cents: f64, level: f64) -> Vec<(f64, f64)> {
        let tone = Tone::at(F1_HZ * (cents / 1200.0).exp2());
        (1..=10).map(|n| (tone.partial(n), 0.2 * level / n as f64)).collect()
    }

    #[test]
    fn two_strings_are_pairs_of_peaks_all_as_far_apart() {
        for (low, high) in [(-20.0, 0.0), (0.0, 12.0), (-25.0, 30.0)] {
            let lines = [string(low, 1.0), string(high, 0.5)].concat();
            let told = parted(Tone::at(F1_HZ), &lines);
            let is_near = |told: [f64; 2]| (told[0] - low).hypot(told[1] - high) < 1.0;
            assert!(told.is_some_and(is_near), "{low} and {high}: {told:?}");
        }
    }

    #[test]
    fn one_string_is_one() {
        assert_eq!(parted(Tone::at(F1_HZ), &string(0.0, 1.0)), None);
        // Two planes of vibration part all partials by about as many hertz (Weinreich 1977).
        let planes = string(0.0, 1.0).into_iter().map(|(hz, amplitude)| (hz + 2.5, amplitude));
        let both: Vec<_> = string(0.0, 1.0).into_iter().chain(planes).collect();
        assert_eq!(parted(Tone::at(F1_HZ), &both), None);
    }

    #[test]
    fn what_is_near_or_soft_is_one() {
        let beside = |cents: f64, level: f64| {
            parted(Tone::at(F1_HZ), &[string(0.0, 1.0), string(cents, level)].concat())
        };
        assert_eq!(beside(5.0, 1.0), None, "too near");
        assert_eq!(beside(20.0, 0.05), None, "26 dB softer");
        assert!(beside(20.0, 0.2).is_some());
    }

    #[test]
    fn partials_of_other_notes_tell_nothing() {
        // An octave apart and 20 cents off, all even partials are pairs; odd ones are not.
        let octave: Vec<_> = (1..=5)
            .map(|n| {
                (Tone::at(2.0 * F1_HZ * (20.0_f64 / 1200.0).exp2()).partial(n), 0.1 / n as f64)
            })
            .collect();
        let lines = [string(0.0, 1.0), octave].concat();
        assert_eq!(parted(Tone::at(F1_HZ), &lines), None);
    }
}
