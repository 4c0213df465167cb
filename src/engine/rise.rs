//! Struck now, or ringing on? By how much a note's partials rose.

use crate::pitch::fit::Fitter;
use crate::pitch::fit::MAX_TONES;

/// Partials that tell whether a note was struck.
pub(super) const RISE_PARTIALS: usize = 8;

/// Power of the lowest partials of every fitted tone.
pub(super) fn partial_powers(fitter: &Fitter, powers: &mut [[f64; RISE_PARTIALS]; MAX_TONES]) {
    for partial in fitter.partials().iter().filter(|p| p.n <= RISE_PARTIALS) {
        powers[partial.tone][partial.n - 1] = partial.amplitude.norm_sqr();
    }
}

/// By how much most of a note's partials rose: a few of them may be another note's doing.
pub(super) fn median_rise_db(before: [f64; RISE_PARTIALS], after: [f64; RISE_PARTIALS]) -> f64 {
    let loudest = after.iter().copied().fold(1e-13, f64::max);
    let mut rises = [0.0; RISE_PARTIALS];
    let mut n = 0;
    for (before, after) in before.into_iter().zip(after) {
        if after > 1e-3 * loudest {
            rises[n] = 10.0 * ((after + 1e-13) / (before + 1e-13)).log10();
            n += 1;
        }
    }
    let rises = &mut rises[..n];
    rises.sort_unstable_by(f64::total_cmp);
    // Of an even number the lower middle: ringing on is never held against the player.
    rises.get(n.saturating_sub(1) / 2).copied().unwrap_or(90.0)
}
