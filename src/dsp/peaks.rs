//! Spectrum in, peaks out.
//!
//! **Conventions.** Peaks come in rising frequency; an empty list means that nothing stands out of
//! the floor.
//! **Limits.** Two partials closer than two widths arrive as one peak; parting them is the task of
//! `pitch`, which knows where partials ought to lie.
//! **Reference.** J. O. Smith, *Spectral Audio Signal Processing*, «Sinusoidal Peak Interpolation».

use super::spectrum::Spectrum;

/// A local maximum of a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Where it is, in hertz.
    pub hz: f64,
    /// Its amplitude; 1 is a full-scale sine.
    pub amplitude: f64,
    /// Its amplitude over the noise floor.
    pub above_floor: f64,
}

/// Finds the local maxima that stand `ratio` times out of the floor; at most `peaks.capacity()`.
pub fn find_peaks(spectrum: &Spectrum, ratio: f64, peaks: &mut Vec<Peak>) {
    peaks.clear();
    let bins = &spectrum.bins;
    for k in 2..bins.len().saturating_sub(2) {
        let centre = bins[k].norm_sqr();
        let floor = spectrum.floor[k];
        if f64::from(centre) < f64::from(floor * floor) * ratio * ratio {
            continue;
        }
        let (left, right) = (bins[k - 1].norm_sqr(), bins[k + 1].norm_sqr());
        if centre <= left || centre < right {
            continue;
        }
        let logs = [left, centre, right].map(|p| f64::from(p.max(1e-30).ln()));
        let offset = vertex_offset_bins(logs);
        let height = logs[1] - 0.25 * (logs[0] - logs[2]) * offset;
        let amplitude = f64::from((0.5 * height as f32).exp());
        if peaks.len() == peaks.capacity() {
            return;
        }
        peaks.push(Peak {
            hz: (k as f64 + offset) * spectrum.bin_hz,
            amplitude,
            above_floor: amplitude / f64::from(floor).max(1e-12),
        });
    }
}

/// Fractional offset, in bins, of the true maximum from the centre bin.
///
/// Fits a parabola through the *log* magnitudes `[left, centre, right]`
/// of a local maximum and returns the abscissa of its vertex:
///
/// ```text
///            left − right
/// δ = ½ · ─────────────────────────      −½ ≤ δ ≤ ½
///         left − 2·centre + right
/// ```
///
/// A flat top (all three equal) gives 0.
pub fn vertex_offset_bins([left, centre, right]: [f64; 3]) -> f64 {
    let curvature = left - 2.0 * centre + right;
    if curvature >= 0.0 { 0.0 } else { (0.5 * (left - right) / curvature).clamp(-0.5, 0.5) }
}
