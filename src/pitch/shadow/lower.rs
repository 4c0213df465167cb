//! A fit in; out, what the lower string's own partials say: where its line lies, how rough and how
//! loud every `ratio`-th partial is beside the others.

use crate::dsp::spectrum::Spectrum;
use crate::dsp::spectrum::magnitude;
use crate::pitch::equations::Equations;
use crate::pitch::fit::Fitter;
use crate::pitch::fit::Partial;
use crate::pitch::tone::MAX_PARTIALS;
use crate::pitch::tone::Tone;

/// A partial nearer than this to another tone's is not trusted.
const APART_WIDTHS: f64 = 1.5;

/// The partials of the lower tone that can be trusted, and the line of its string.
#[derive(Debug)]
pub(super) struct Lower {
    pub(super) tone: Tone,
    /// Index in the fit and partial, partial 1 first.
    partials: [Option<(usize, Partial)>; MAX_PARTIALS],
    /// Amplitudes of those beside another tone's, as fitted.
    crowded: [Option<f64>; MAX_PARTIALS],
    loudest: f64,
    /// Correction of the tone by its controls alone: relative shift and change of stiffness.
    shift: f64,
    bend: f64,
}

impl Lower {
    pub(super) fn new(spectrum: &Spectrum, fitter: &Fitter, t: usize) -> Self {
        let mut partials = [None; MAX_PARTIALS];
        let mut crowded = [None; MAX_PARTIALS];
        let mut loudest = 0.0_f64;
        for (i, p) in fitter.partials().iter().enumerate().filter(|(_, p)| p.tone == t) {
            let amplitude = magnitude(p.amplitude);
            loudest = loudest.max(amplitude);
            crowded[p.n - 1] = (p.gap_widths <= APART_WIDTHS).then_some(amplitude);
            if crowded[p.n - 1].is_none() && amplitude > 3.0 * spectrum.floor_at(p.hz).max(1e-9) {
                partials[p.n - 1] = Some((i, *p));
            }
        }
        Self { tone: fitter.tones()[t].tone, partials, crowded, loudest, shift: 0.0, bend: 0.0 }
    }

    pub(super) fn get(&self, n: usize) -> Option<(usize, Partial)> {
        self.partials.get(n.checked_sub(1)?).copied().flatten()
    }

    /// Where the string's line puts partial `n`.
    pub(super) fn place(&self, n: usize) -> f64 {
        self.tone.partial(n) * (1.0 + self.shift + self.bend * self.tone.stiffness_slope(n))
    }

    /// Where partial `n` was found, in hertz.
    pub(super) fn found(&self, n: usize, width_hz: f64) -> f64 {
        self.get(n).map_or(self.place(n), |(_, p)| p.hz + p.offset_widths * width_hz)
    }

    /// Draws the line through the controls, those that stray far counting less.
    pub(super) fn draw_line(&mut self, spectrum: &Spectrum, ratio: usize) {
        for _ in 0..3 {
            let mut equations = Equations::knowing(1e-3, 2.5e7);
            for (_, p) in self.partials.iter().flatten().filter(|(_, p)| p.n % ratio != 0) {
                let noise = p.residual.max(spectrum.floor_at(p.hz)).max(1e-9);
                let error = 0.35 * spectrum.width_hz * noise / (magnitude(p.amplitude) * p.hz);
                let slope = self.tone.stiffness_slope(p.n);
                let relative = p.offset_widths * spectrum.width_hz / p.hz;
                let stray = (relative - self.shift - self.bend * slope).abs();
                let weight = (1.0e-3 / stray.max(1e-12)).min(1.0) / (error * error + 1e-7);
                equations.add(weight, slope, relative);
            }
            let Some(line) = equations.solve() else { return };
            (self.shift, self.bend) = (line.shift, line.bend);
        }
    }

    /// Mean roughness of the multiples or of the controls in decibels, and the weight behind it.
    pub(super) fn roughness(
        &self,
        spectrum: &Spectrum,
        ratio: usize,
        multiples: bool,
    ) -> (f64, f64) {
        let [mut sum, mut all] = [0.0; 2];
        let wanted = |n: usize| n.is_multiple_of(ratio) == multiples && n <= 6 * ratio;
        for (_, p) in self.partials.iter().flatten().filter(|(_, p)| wanted(p.n)) {
            let unexplained = p.residual.max(spectrum.floor_at(p.hz)).max(1e-9);
            let weight = (p.n as f64).sqrt().recip();
            sum += weight * decibels(unexplained / magnitude(p.amplitude));
            all += weight;
        }
        if all > 0.0 { (sum / all, all) } else { (-30.0, 0.0) }
    }

    /// How far the multiples stand above a smooth envelope of the controls, and above the louder of
    /// their neighbours, in decibels.
    pub(super) fn balance(&self, spectrum: &Spectrum, ratio: usize) -> Option<(f64, f64)> {
        let level = |n: usize| self.get(n).map(|(_, p)| decibels(magnitude(p.amplitude)));
        // A control that cannot be trusted counts as lying at the floor. For octaves one beside another tone's counts
        // as it was fitted: so octaves are told better, twelfths and others worse (`benches/fit_shadow.py`).
        let crowded = |n: usize| self.crowded.get(n - 1).copied().flatten().filter(|_| ratio == 2);
        let control = |n: usize| {
            let hz = self.tone.partial(n);
            let faint = || decibels((2.0 * spectrum.floor_at(hz)).max(1e-3 * self.loudest));
            let fitted = level(n).or_else(|| crowded(n).map(decibels));
            fitted.or_else(|| (hz < spectrum.top_hz()).then(faint))
        };
        // Envelope a + b ln n + c n/4; −12 dB a factor e where nothing is known better.
        let terms = |n: usize| [1.0, (n as f64).ln(), n as f64 / 4.0];
        let mut matrix = [[0.0; 3], [0.0, 0.02, 0.0], [0.0, 0.0, 2.0]];
        let mut right = [0.0, 0.02 * -12.0, 0.0];
        for n in (1..=16).filter(|n| n % ratio != 0) {
            let Some(level) = control(n) else { continue };
            let (weight, x) = ((n as f64).sqrt().recip(), terms(n));
            for i in 0..3 {
                (0..3).for_each(|j| matrix[i][j] += weight * x[i] * x[j]);
                right[i] += weight * x[i] * level;
            }
        }
        let envelope = solve(matrix, right);
        let [mut above, mut above_weight, mut edge, mut edge_weight] = [0.0; 4];
        for k in 1..=6 {
            let n = k * ratio;
            let Some(here) = level(n) else { continue };
            let weight = (k as f64).sqrt().recip();
            let expected: f64 = envelope.iter().zip(terms(n)).map(|(c, x)| c * x).sum();
            above += weight * (here - expected).clamp(-30.0, 30.0);
            above_weight += weight;
            if let (Some(left), Some(right)) = (control(n - 1), control(n + 1)) {
                edge += weight * (here - left.max(right)).clamp(-30.0, 30.0);
                edge_weight += weight;
            }
        }
        (edge_weight > 0.0).then(|| (above / above_weight, edge / edge_weight))
    }
}

fn decibels(amplitude: f64) -> f64 {
    20.0 * amplitude.max(1e-9).log10()
}

/// Solves `matrix · x = right`, the matrix symmetric and positive definite.
fn solve(mut matrix: [[f64; 3]; 3], mut right: [f64; 3]) -> [f64; 3] {
    for i in 0..3 {
        for j in i + 1..3 {
            let factor = matrix[j][i] / matrix[i][i].max(1e-12);
            let row = matrix[i];
            (0..3).for_each(|k| matrix[j][k] -= factor * row[k]);
            right[j] -= factor * right[i];
        }
    }
    for i in (0..3).rev() {
        let known: f64 = (i + 1..3).map(|k| matrix[i][k] * right[k]).sum();
        right[i] = (right[i] - known) / matrix[i][i].max(1e-12);
    }
    right
}
