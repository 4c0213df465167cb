//! How far the guitar is off as a whole.
//!
//! **Limits.** Told only where several notes agree; a single note that is off is the player's. Notes count the less the
//! less surely their pitch is known: of octaves, which hide the upper note, half are.

use crate::engine::Strike;
use crate::theory::note::Reference;
use crate::units::Cents;

/// An offset smaller than this is neither taken off nor worth a word, in cents.
pub(super) const TOLD_OFFSET: f64 = 5.0;
/// Notes that must agree before anything is said.
const MIN_NOTES: usize = 5;
/// Notes of a guitar in tune lie off by some two cents, however well they are measured (frets and fingers; common
/// practice).
const FRETTED_CENTS: f64 = 2.0;
/// Half of the notes lie within this of their median, in cents.
const MAX_SPREAD: f64 = 9.0;

/// The cents, between −50 and 50, by which most struck notes are off the equal-tempered scale.
///
/// The weighted median on the circle of one semitone; `None` where notes are few or do not agree.
pub fn common_offset(strikes: &[Strike], reference: Reference) -> Option<Cents> {
    let weight = |error: f64| 1.0 / (FRETTED_CENTS.powi(2) + error.powi(2));
    let off: Vec<(f64, f64)> = strikes
        .iter()
        .flat_map(|s| s.notes.iter().filter(|n| n.is_struck() && n.confidence > 0.8))
        .filter_map(|n| {
            let (_, cents) = reference.nearest(n.frequency)?;
            Some((cents.0, weight(n.error_cents.unwrap_or(MAX_SPREAD))))
        })
        .collect();
    if off.len() < MIN_NOTES {
        return None;
    }
    let (sin, cos) = off.iter().fold((0.0, 0.0), |(s, c), (o, weight)| {
        let angle = std::f64::consts::TAU * o / 100.0;
        (s + weight * angle.sin(), c + weight * angle.cos())
    });
    let mean = sin.atan2(cos) * 100.0 / std::f64::consts::TAU;
    let around = off.iter().map(|(o, weight)| (wrap(o - mean), *weight));
    let offset = wrap(mean + weighted_middle(around.collect()));
    let spread = off.iter().map(|(o, weight)| (wrap(o - offset).abs(), *weight));
    (weighted_middle(spread.collect()) <= MAX_SPREAD).then_some(Cents(offset))
}

/// Median of at least one value, each with its weight.
fn weighted_middle(mut values: Vec<(f64, f64)>) -> f64 {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * values.iter().map(|(_, weight)| weight).sum::<f64>();
    let mut so_far = 0.0;
    let at = values.iter().position(|(_, weight)| {
        so_far += weight;
        so_far >= half
    });
    // Between two that halve the weight.
    let at = at.unwrap_or(values.len() - 1);
    let next = values.get(at + 1).filter(|_| so_far <= half * (1.0 + 1e-12));
    next.map_or(values[at].0, |next| 0.5 * (values[at].0 + next.0))
}

/// Into −50..50, on the circle of one semitone.
pub(super) fn wrap(cents: f64) -> f64 {
    cents - 100.0 * (cents / 100.0).round()
}

/// Median of at least one value.
pub(super) fn middle(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    if n % 2 == 1 { values[n / 2] } else { 0.5 * (values[n / 2 - 1] + values[n / 2]) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::HeardPitch;
    use crate::engine::Stage;
    use crate::units::SampleIndex;

    /// What notes so many cents off, told to so many, say of the guitar.
    fn offset(notes: &[(f64, f64)]) -> Option<f64> {
        let note = |&(cents, error): &(f64, f64)| HeardPitch {
            error_cents: Some(error),
            ..HeardPitch::sure(60.0 + cents / 100.0)
        };
        let strike = Strike {
            onset: SampleIndex(0),
            end: SampleIndex(48_000),
            stage: Stage::Whole,
            notes: notes.iter().map(note).collect(),
            doubtful: Vec::new(),
            faint: Vec::new(),
            later: Vec::new(),
            combined: Vec::new(),
        };
        let reference = Reference::default();
        common_offset(&[strike], reference).map(|offset| offset.0)
    }

    #[test]
    fn notes_known_roughly_move_no_guitar() {
        let (sure, rough) = ((0.0, 0.3), (-17.0, 6.0));
        let octaves = offset(&[sure, rough, sure, rough, sure, rough, sure, rough]);
        assert!(octaves.is_some_and(|cents| cents.abs() < 0.01), "{octaves:?}");
        let all_flat = offset(&[(-12.0, 0.3); 6]);
        assert!(all_flat.is_some_and(|cents| (cents + 12.0).abs() < 0.01), "{all_flat:?}");
        let halves =
            offset(&[(-2.0, 0.3), (-2.0, 0.3), (-2.0, 0.3), (4.0, 0.3), (4.0, 0.3), (4.0, 0.3)]);
        assert!(halves.is_some_and(|cents| (cents - 1.0).abs() < 0.01), "{halves:?}");
        assert_eq!(offset(&[sure; 4]), None, "too few");
    }
}
