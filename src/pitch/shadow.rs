//! Is there a second tone in the shadow of a first, an octave, a twelfth or two octaves above?
//!
//! Every partial of such a tone lies under one of the lower tone. It shows itself in three ways:
//! those partials are louder than their neighbours let expect (*balance*), they do not lie where
//! the lower string's stiffness puts them (*deviation*), and they are no single clean line
//! (*roughness*), because no guitar is in tune to a fraction of a cent and no two strings are
//! equally stiff.

use super::fit::Fitter;
use super::fit::Partial;
use crate::dsp::spectrum::Spectrum;

/// Number of features.
pub const N_FEATURES: usize = 8;

/// What the partials of a lower tone say of a tone `ratio` times higher.
#[derive(Debug, Clone, Copy)]
pub struct Shadow {
    /// The features.
    pub features: [f64; N_FEATURES],
    /// Estimated level of the upper tone's partials over the lower's, in decibels.
    pub balance_db: f64,
    /// Where the first partial of the upper tone appears to lie, in hertz.
    pub f1: f64,
}

/// Examines the partials of tone `t` that `fitter` has fitted, every `ratio`-th of them.
///
/// `None` if there are too few partials to say anything.
pub fn examine(spectrum: &Spectrum, fitter: &Fitter, t: usize, ratio: usize) -> Option<Shadow> {
    let tone = fitter.tones()[t].tone;
    let width = spectrum.width_hz;
    // partials[n − 1], where they can be trusted
    let mut partials: [Option<Partial>; 24] = [None; 24];
    let mut loudest = 0.0_f64;
    for p in fitter.partials().iter().filter(|p| p.tone == t) {
        let snr = p.amplitude.norm() / spectrum.floor_at(p.hz).max(1e-9);
        loudest = loudest.max(p.amplitude.norm());
        if p.gap_widths > 1.5 && snr > 3.0 && p.n <= 24 {
            partials[p.n - 1] = Some(*p);
        }
    }
    let level = |n: usize| {
        partials
            .get(n.wrapping_sub(1))
            .copied()
            .flatten()
            .map(|p: Partial| 20.0 * p.amplitude.norm().max(1e-9).log10())
    };
    // The line of the lower string, from the partials that the upper one cannot touch.
    let [mut h00, mut h01, mut h11, mut g0, mut g1] = [1e-3, 0.0, (2.0e-4_f64).powi(-2), 0.0, 0.0];
    let weight_of = |p: &Partial| {
        let noise = p.residual.max(spectrum.floor_at(p.hz)).max(1e-9);
        let error = 0.35 * width * noise / (p.amplitude.norm() * p.hz);
        1.0 / (error * error + 1e-7)
    };
    for p in partials.iter().flatten().filter(|p| p.n % ratio != 0) {
        let weight = weight_of(p);
        let slope = tone.stiffness_slope(p.n);
        let relative = p.offset_widths * width / p.hz;
        h00 += weight;
        h01 += weight * slope;
        h11 += weight * slope * slope;
        g0 += weight * relative;
        g1 += weight * relative * slope;
    }
    let det = h00 * h11 - h01 * h01;
    let shift = (g0 * h11 - g1 * h01) / det;
    let bend = (g1 * h00 - g0 * h01) / det;
    let deviation =
        |p: &Partial| p.offset_widths * width / p.hz - shift - bend * tone.stiffness_slope(p.n);
    let roughness =
        |p: &Partial| 20.0 * (p.residual.max(spectrum.floor_at(p.hz)) / p.amplitude.norm()).log10();
    let [mut control_dev, mut control_rough, mut controls] = [0.0; 3];
    for p in partials.iter().flatten().filter(|p| p.n % ratio != 0 && p.n <= 12) {
        let weight = 1.0 / (p.n as f64).sqrt();
        control_dev += weight * deviation(p).powi(2);
        control_rough += weight * roughness(p);
        controls += weight;
    }
    let [mut dev, mut rough, mut signed, mut multiples] = [0.0; 4];
    let [mut balance, mut balance_weight] = [0.0; 2];
    let mut first_balance = 0.0;
    let mut rolloff = 0.0;
    for k in 1..=6 {
        let n = k * ratio;
        let weight = 1.0 / (k as f64).sqrt();
        if let Some(p) = partials.get(n - 1).copied().flatten() {
            dev += weight * deviation(&p).powi(2);
            signed += weight * deviation(&p);
            rough += weight * roughness(&p);
            multiples += weight;
        }
        // A neighbour too faint to be trusted counts as lying at the floor.
        let floor_level = |n: usize| {
            let hz = tone.partial(n);
            level(n).or_else(|| {
                (hz < spectrum.top_hz())
                    .then(|| 20.0 * (2.0 * spectrum.floor_at(hz)).max(1e-3 * loudest).log10())
            })
        };
        if let (Some(here), Some(below), Some(above)) =
            (level(n), floor_level(n - 1), floor_level(n + 1))
        {
            let d = (here - 0.5 * (below + above)).clamp(-30.0, 30.0);
            if k == 1 {
                first_balance = d;
                rolloff = 0.5 * (above - below);
            }
            balance += weight * d;
            balance_weight += weight;
        }
    }
    if multiples == 0.0 || balance_weight == 0.0 {
        return None;
    }
    const CENTS: f64 = 1200.0 / std::f64::consts::LN_2;
    let dev = (dev / multiples).sqrt() * CENTS;
    let control_dev = if controls > 0.0 { (control_dev / controls).sqrt() * CENTS } else { 1.0 };
    let rough = rough / multiples;
    let control_rough = if controls > 0.0 { control_rough / controls } else { -30.0 };
    let balance_db = balance / balance_weight;
    let first = partials.get(ratio - 1).copied().flatten();
    Some(Shadow {
        features: [
            balance_db,
            first_balance,
            (dev + 0.05).ln(),
            ((dev + 0.05) / (control_dev + 0.2)).ln(),
            rough,
            rough - control_rough,
            rolloff,
            (signed / multiples * CENTS).clamp(-20.0, 20.0),
        ],
        balance_db,
        f1: first.map_or(tone.partial(ratio), |p| p.hz + p.offset_widths * width),
    })
}

/// Widths on either side of a partial that are searched for a second line.
const SPLIT_REACH: f64 = 3.5;
/// Most bins in that range.
const SPLIT_BINS: usize = 16;

/// Is every `ratio`-th partial of tone `t` two lines rather than one, and do all second lines fit
/// one string? Returns the evidence (mean over partials of the log of how much a second line
/// explains) and the first partial of that string.
pub fn split(
    spectrum: &Spectrum,
    fitter: &Fitter,
    t: usize,
    ratio: usize,
    residue: usize,
) -> (f64, f64, f64) {
    use super::tone::Tone;
    use rustfft::num_complex::Complex64;
    let lower = fitter.tones()[t].tone;
    let width = spectrum.width_hz;
    const MAX_K: usize = 10;
    // One entry a partial: data with the first line taken out.
    struct Line {
        hz: f64,
        n_bins: usize,
        first_bin: usize,
        basis: [[f64; SPLIT_BINS]; 3],
        rest: [Complex64; SPLIT_BINS],
        energy: f64,
        full: f64,
        noise: f64,
        k: usize,
    }
    let mut lines: Vec<Line> = Vec::new();
    for (index, p) in fitter.partials().iter().enumerate() {
        if p.tone != t
            || p.n % ratio != residue
            || p.n / ratio >= MAX_K + usize::from(residue == 0)
            || p.gap_widths < SPLIT_REACH
        {
            continue;
        }
        if residue == 0 && p.n == 0 {
            continue;
        }
        let snr = p.amplitude.norm() / spectrum.floor_at(p.hz).max(1e-9);
        if snr < 6.0 {
            continue;
        }
        let centre = p.hz + p.offset_widths * width;
        let range = spectrum.range_around(centre, SPLIT_REACH * width);
        let n_bins = range.len().min(SPLIT_BINS);
        let mut line = Line {
            hz: centre,
            n_bins,
            first_bin: range.start,
            basis: [[0.0; SPLIT_BINS]; 3],
            rest: [Complex64::default(); SPLIT_BINS],
            energy: 0.0,
            full: 0.0,
            noise: 0.0,
            k: if residue == 0 { p.n / ratio } else { p.n },
        };
        for i in 0..n_bins {
            let k = range.start + i;
            line.rest[i] = fitter.alone_at(spectrum, index, k);
            line.full += line.rest[i].norm_sqr();
            let x = (k as f64 * spectrum.bin_hz - centre) / width;
            let (v, s) = fitter.kernel_at(x);
            let (_, s1) = fitter.kernel_at(x + 0.05);
            let (_, s0) = fitter.kernel_at(x - 0.05);
            line.basis[0][i] = v;
            line.basis[1][i] = s;
            line.basis[2][i] = (s1 - s0) * 10.0;
        }
        // Gram–Schmidt, then the first line and its slow changes are taken out.
        for b in 0..3 {
            for c in 0..b {
                let dot: f64 = (0..n_bins).map(|i| line.basis[b][i] * line.basis[c][i]).sum();
                for i in 0..n_bins {
                    line.basis[b][i] -= dot * line.basis[c][i];
                }
            }
            let norm = (0..n_bins).map(|i| line.basis[b][i].powi(2)).sum::<f64>().sqrt().max(1e-9);
            for i in 0..n_bins {
                line.basis[b][i] /= norm;
            }
            let dot: Complex64 = (0..n_bins).map(|i| line.rest[i] * line.basis[b][i]).sum();
            for i in 0..n_bins {
                line.rest[i] -= dot * line.basis[b][i];
            }
        }
        line.energy = line.rest[..n_bins].iter().map(|r| r.norm_sqr()).sum();
        let floor = spectrum.floor_at(centre);
        line.noise = floor * floor * n_bins as f64 * 0.6 + 1e-5 * line.full;
        lines.push(line);
    }
    if lines.is_empty() {
        return (0.0, 0.0, -60.0);
    }
    let rough =
        lines.iter().map(|l| 10.0 * ((l.energy + l.noise) / (l.full + 1e-18)).log10()).sum::<f64>()
            / lines.len() as f64;
    let nominal = if residue == 0 { lower.partial(ratio) } else { lower.f1 };
    let mut best = (0.0_f64, nominal);
    for stiffness in [0.3, 1.0, 2.2] {
        let stiffness = stiffness * super::tone::typical_stiffness(nominal);
        let steps = 60;
        for step in -steps..=steps {
            let cents = 36.0 * f64::from(step) / f64::from(steps);
            let tone = Tone { f1: nominal * (cents / 1200.0).exp2(), stiffness };
            let mut gain = 0.0;
            for line in &lines {
                let hz = tone.partial(line.k);
                let x = (hz - line.hz) / width;
                if x.abs() > SPLIT_REACH - 0.7 {
                    continue;
                }
                let mut column = [0.0; SPLIT_BINS];
                for (i, c) in column[..line.n_bins].iter_mut().enumerate() {
                    let bin_hz = (line.first_bin + i) as f64 * spectrum.bin_hz;
                    *c = fitter.kernel_at((bin_hz - hz) / width).0;
                }
                let before: f64 = column[..line.n_bins].iter().map(|c| c * c).sum();
                for b in &line.basis {
                    let dot: f64 = (0..line.n_bins).map(|i| column[i] * b[i]).sum();
                    for i in 0..line.n_bins {
                        column[i] -= dot * b[i];
                    }
                }
                let norm: f64 = column[..line.n_bins].iter().map(|c| c * c).sum();
                if norm < 0.02 * before {
                    continue;
                }
                let dot: Complex64 = (0..line.n_bins).map(|i| line.rest[i] * column[i]).sum();
                let explained = dot.norm_sqr() / norm;
                gain += ((line.energy + line.noise)
                    / (line.energy + line.noise - explained).max(line.noise))
                .ln();
            }
            if gain > best.0 {
                best = (gain, tone.f1);
            }
        }
    }
    (best.0 / (lines.len() as f64).sqrt(), 1200.0 * (best.1 / nominal).log2(), rough)
}
