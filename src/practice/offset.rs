//! How far the guitar is off as a whole.
//!
//! **Limits.** Told only where several notes agree; a single note that is off is the player's.

use crate::engine::Strike;
use crate::theory::note::Reference;
use crate::units::Cents;

/// An offset smaller than this is neither taken off nor worth a word, in cents.
pub(super) const TOLD_OFFSET: f64 = 5.0;
/// Notes that must agree before anything is said.
const MIN_NOTES: usize = 5;
/// Half of the notes lie within this of their median, in cents.
const MAX_SPREAD: f64 = 9.0;

/// The cents, between −50 and 50, by which most struck notes are off the equal-tempered scale.
///
/// The median on the circle of one semitone; `None` where notes are few or do not agree.
pub fn common_offset(strikes: &[Strike], reference: Reference) -> Option<Cents> {
    let off: Vec<f64> = strikes
        .iter()
        .flat_map(|s| s.notes.iter().filter(|n| n.is_struck() && n.confidence > 0.8))
        .filter_map(|n| reference.nearest(n.frequency).map(|(_, cents)| cents.0))
        .collect();
    if off.len() < MIN_NOTES {
        return None;
    }
    let (sin, cos) = off.iter().fold((0.0, 0.0), |(s, c), o| {
        let angle = std::f64::consts::TAU * o / 100.0;
        (s + angle.sin(), c + angle.cos())
    });
    let mean = sin.atan2(cos) * 100.0 / std::f64::consts::TAU;
    let mut around: Vec<f64> = off.iter().map(|o| wrap(o - mean)).collect();
    let median = middle(&mut around);
    let offset = wrap(mean + median);
    let mut spread: Vec<f64> = off.iter().map(|o| wrap(o - offset).abs()).collect();
    (middle(&mut spread) <= MAX_SPREAD).then_some(Cents(offset))
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
