//! Tones and a spectrum in; amplitudes, refined frequencies and what is left over out.
//!
//! All partials of all tones are fitted together, so that partials closer than the window resolves
//! are parted by what the string model says of them, and none is counted twice.
//!
//! **Conventions.** Amplitudes are complex, 1 being a full-scale sine, phases at the middle of the
//! stretch. Distances are in widths (see [`crate::dsp::spectrum`]).
//! **Limits.** Partials closer than about a third of a width share their amplitude evenly.
//! **Reference.** G. Golub, V. Pereyra, «Separable nonlinear least squares», Inverse Problems 19
//! (2003); M. G. Christensen, A. Jakobsson, *Multi-Pitch Estimation* (2009).

use rustfft::num_complex::Complex32;
use rustfft::num_complex::Complex64;

use super::equations::Equations;
use super::tone::MAX_PARTIALS;
use super::tone::Tone;
use super::tone::typical_stiffness;
use crate::dsp::spectrum::Spectrum;
use crate::dsp::spectrum::Window;
use crate::dsp::spectrum::magnitude;

/// Tones fitted together, at most: six strings and a candidate.
pub const MAX_TONES: usize = 7;

/// Partials closer than this many widths are fitted together, under either window.
const CLUSTER_WIDTHS: [f64; 2] = [3.0, 6.0];
/// How far from a partial the spectrum is looked at when fitting, in widths, under either window.
const REACH_WIDTHS: [f64; 2] = [2.0, 5.0];
/// How far from a partial its model is taken off the spectrum, in widths.
const TAIL_WIDTHS: f64 = 8.0;
/// Partials in one cluster, at most; a longer chain is cut.
const MAX_CLUSTER: usize = 10;
/// Weight of «the partial stays where the string model puts it» against the spectrum.
const SLOPE_RIDGE: f64 = 0.1;
/// Weight that keeps two coincident partials from growing against each other.
const AMPLITUDE_RIDGE: f64 = 2e-3;

/// Partials that move by less, relative to their frequencies, are where they belong (0.005 cents).
const SETTLED: f64 = 3e-6;

/// A partial tells how far real ones stray if its own noise is less than this, relative to its
/// frequency (one cent); beyond ten cents it is another tone's.
const SURE_RELATIVE: f64 = 5.8e-4;
const MAX_STRAY: f64 = 5.8e-3;

/// One partial of one tone.
#[derive(Debug, Clone, Copy, Default)]
pub struct Partial {
    /// Index of the tone it belongs to.
    pub tone: usize,
    /// Number of the partial, from 1.
    pub n: usize,
    /// Where the string model puts it, in hertz.
    pub hz: f64,
    /// Fitted amplitude.
    pub amplitude: Complex64,
    /// Measured minus predicted frequency, in widths.
    pub offset_widths: f64,
    /// Amplitude that the fit left unexplained around it (root mean square a bin).
    pub residual: f64,
    /// Distance to the nearest other partial, in widths.
    pub gap_widths: f64,
    slope: Complex64,
}

impl Partial {
    /// Amplitude of the noise in a bin around it.
    pub fn noise(&self, spectrum: &Spectrum) -> f64 {
        self.residual.max(0.7 * spectrum.floor_at(self.hz)).max(1e-9)
    }

    /// Its amplitude over that of the noise.
    pub fn clarity(&self, spectrum: &Spectrum) -> f64 {
        magnitude(self.amplitude) / self.noise(spectrum)
    }

    /// How much it tells of its string, from 0 to 1: a neighbour within the main lobe pulls, however well
    /// both are fitted.
    pub fn apart(&self) -> f64 {
        ((self.gap_widths - 0.8) / 1.7).clamp(0.0, 1.0).powi(2)
    }
}

/// A tone with what the fit says of it.
#[derive(Debug, Clone, Copy)]
pub struct FittedTone {
    /// The refined tone.
    pub tone: Tone,
    /// Its partials below the top of the spectrum.
    pub n_partials: usize,
    /// One standard error of `f1`, in cents.
    pub error_cents: f64,
    /// Sum of squared amplitudes of its partials.
    pub power: f64,
}

impl Default for FittedTone {
    fn default() -> Self {
        let tone = Tone { f1: 440.0, stiffness: 0.0 };
        Self { tone, n_partials: 0, error_cents: f64::INFINITY, power: 0.0 }
    }
}

/// Table of the window's transform and its slope: the fit asks for them millions of times.
#[derive(Debug)]
struct KernelTable(Vec<[f32; 2]>);

const TABLE_STEPS: f64 = 256.0;

impl KernelTable {
    fn new(window: Window) -> Self {
        let n = (TABLE_STEPS * (TAIL_WIDTHS + 4.0)) as usize + 2;
        let x = |i: usize| i as f64 / TABLE_STEPS;
        let entry = |i| [window.kernel(x(i)) as f32, window.kernel_slope(x(i)) as f32];
        Self((0..n).map(entry).collect())
    }

    /// Value and slope at `x` widths, straight between the entries, 0 beyond them.
    fn at(&self, x: f64) -> (f64, f64) {
        let at = x.abs() * TABLE_STEPS;
        let i = at as u32;
        let Some(&[a, b]) = self.0.get(i as usize..i as usize + 2) else { return (0.0, 0.0) };
        let part = at - f64::from(i);
        let [value, slope] = [0, 1].map(|c| f64::from(a[c]) + part * f64::from(b[c] - a[c]));
        (value, if x < 0.0 { -slope } else { slope })
    }
}

/// Fits tones to spectra; all memory is taken in `new`.
#[derive(Debug)]
pub struct Fitter {
    kernels: [KernelTable; 2],
    tones: [FittedTone; MAX_TONES],
    n_tones: usize,
    partials: Vec<Partial>,
    residual: Vec<Complex32>,
    matrix: [[f64; 2 * MAX_CLUSTER]; 2 * MAX_CLUSTER],
    right: [Complex64; 2 * MAX_CLUSTER],
}

impl Fitter {
    /// A fitter for spectra of up to `max_bins` bins.
    pub fn new(max_bins: usize) -> Self {
        Self {
            kernels: [Window::Hann, Window::Flat].map(KernelTable::new),
            tones: [FittedTone::default(); MAX_TONES],
            n_tones: 0,
            partials: Vec::with_capacity(MAX_TONES * MAX_PARTIALS),
            residual: Vec::with_capacity(max_bins),
            matrix: [[0.0; 2 * MAX_CLUSTER]; 2 * MAX_CLUSTER],
            right: [Complex64::default(); 2 * MAX_CLUSTER],
        }
    }

    /// The fitted tones, in the order they were given.
    pub fn tones(&self) -> &[FittedTone] {
        &self.tones[..self.n_tones]
    }

    /// All partials of all tones, rising in frequency.
    pub fn partials(&self) -> &[Partial] {
        &self.partials
    }

    /// What the tones leave over of the spectrum, once [`Fitter::subtract`] has made it.
    pub fn residual(&self) -> &[Complex32] {
        &self.residual
    }

    /// What the spectrum would be at bin `k` if partial `index` and what is left over were alone.
    ///
    /// # Panics
    /// Where there is no residual for that bin.
    pub fn alone_at(&self, spectrum: &Spectrum, index: usize, k: usize) -> Complex64 {
        let partial = &self.partials[index];
        let x = (k as f64 * spectrum.bin_hz - partial.hz) / spectrum.width_hz;
        let (value, slope) = self.kernels[spectrum.window as usize].at(x);
        widen(self.residual[k]) + partial.amplitude * value + partial.slope * slope
    }

    /// Hann's transform and its slope at `x` widths from the line.
    pub fn kernel_at(&self, x: f64) -> (f64, f64) {
        self.kernels[0].at(x)
    }

    /// Fits `tones` (at most [`MAX_TONES`]) to `spectrum`, refining them `rounds` times. What they
    /// leave over is [`Fitter::subtract`]'s to find.
    pub fn fit(&mut self, spectrum: &Spectrum, tones: &[Tone], rounds: usize) {
        self.n_tones = tones.len().min(MAX_TONES);
        self.residual.clear();
        let top_hz = spectrum.top_hz() - 3.0 * spectrum.width_hz;
        for (slot, &tone) in self.tones.iter_mut().zip(tones) {
            *slot = FittedTone { tone, n_partials: tone.n_partials(top_hz), ..Default::default() };
        }
        self.solve(spectrum);
        for _ in 0..rounds {
            let mut moved = 0.0;
            for t in 0..self.n_tones {
                moved = f64::max(moved, self.refine(spectrum, t));
            }
            if moved < SETTLED {
                break;
            }
            self.solve(spectrum);
        }
        for t in 0..self.n_tones {
            self.tones[t].power =
                self.partials.iter().filter(|p| p.tone == t).map(|p| p.amplitude.norm_sqr()).sum();
            self.tones[t].error_cents = self.standard_error(spectrum, t);
        }
    }

    /// Amplitudes of all partials at their present frequencies.
    fn solve(&mut self, spectrum: &Spectrum) {
        self.partials.clear();
        // Every tone's partials rise: the lowest of those that come next is the next of all.
        let tones = &self.tones[..self.n_tones];
        let mut places = [[f64::INFINITY; MAX_PARTIALS + 1]; MAX_TONES];
        for (places, fitted) in places.iter_mut().zip(tones) {
            let places = places[..fitted.n_partials].iter_mut().enumerate();
            places.for_each(|(i, hz)| *hz = fitted.tone.partial(i + 1));
        }
        let mut taken = [0; MAX_TONES];
        for _ in 0..tones.iter().map(|fitted| fitted.n_partials).sum() {
            let (mut tone, mut hz) = (0, places[0][taken[0]]);
            for other in 1..tones.len() {
                if places[other][taken[other]] < hz {
                    (tone, hz) = (other, places[other][taken[other]]);
                }
            }
            taken[tone] += 1;
            self.partials.push(Partial { tone, n: taken[tone], hz, ..Default::default() });
        }
        let width = spectrum.width_hz;
        for i in 0..self.partials.len() {
            let hz = self.partials[i].hz;
            let below = i.checked_sub(1).map_or(f64::INFINITY, |j| hz - self.partials[j].hz);
            let above = self.partials.get(i + 1).map_or(f64::INFINITY, |p| p.hz - hz);
            self.partials[i].gap_widths = below.min(above) / width;
        }
        let mut start = 0;
        while start < self.partials.len() {
            let mut end = start + 1;
            while end < self.partials.len()
                && end - start < MAX_CLUSTER
                && self.partials[end].hz - self.partials[end - 1].hz
                    < CLUSTER_WIDTHS[spectrum.window as usize] * width
            {
                end += 1;
            }
            self.solve_cluster(spectrum, start, end);
            start = end;
        }
    }

    /// Least squares over the bins around the partials `start..end`: a column for the amplitude of
    /// each and one for its first-order change (a shift in frequency, a decay).
    fn solve_cluster(&mut self, spectrum: &Spectrum, start: usize, end: usize) {
        let n = end - start;
        let (width, bin_hz) = (spectrum.width_hz, spectrum.bin_hz);
        let (first, last) = (self.partials[start].hz, self.partials[end - 1].hz);
        let reach = REACH_WIDTHS[spectrum.window as usize] * width;
        let middle = 0.5 * (first + last);
        let range = spectrum.range_around(middle, 0.5 * (last - first) + reach);
        // Where the first bin lies from each partial, in widths, and how far the bins are apart.
        let mut first_bin = [0.0; MAX_CLUSTER];
        for (x, partial) in first_bin.iter_mut().zip(&self.partials[start..end]) {
            *x = (range.start as f64 * bin_hz - partial.hz) / width;
        }
        let bins = &spectrum.bins[range];
        let kernel = spectrum.window as usize;
        let power = self.write_equations(kernel, bins, &first_bin[..n], bin_hz / width);
        let n_bins = bins.len() as f64;
        let relative = |i: usize| if i < n { AMPLITUDE_RIDGE } else { SLOPE_RIDGE };
        let mut ridge = [0.0; 2 * MAX_CLUSTER];
        for (i, ridge) in ridge[..2 * n].iter_mut().enumerate() {
            *ridge = relative(i) * self.matrix[i][i] + 1e-9;
            self.matrix[i][i] += *ridge;
        }
        let given = self.right;
        solve_positive_definite(&mut self.matrix, &mut self.right, 2 * n);
        // ‖b − Ax‖² = ‖b‖² − xᴴAᵀb − xᴴRx, since (AᵀA + R) x = Aᵀb. What the ridge alone leaves over is
        // no noise: xᴴR(AᵀA)⁻¹Rx less, of which the diagonal is enough, where noise is all that counts;
        // the weights of evidence were fitted with it.
        let exact = spectrum.window == Window::Flat;
        let mut left_over = power;
        for (i, ((x, b), ridge)) in self.right[..2 * n].iter().zip(&given).zip(ridge).enumerate() {
            let more = if exact { relative(i) } else { 0.0 };
            left_over -= (x.conj() * b).re + (1.0 + more) * ridge * x.norm_sqr();
        }
        let left_over = left_over.max(0.0);
        // Twice as many unknowns as partials were spent on these bins.
        let freedom = (n_bins - 2.0 * n as f64 * bin_hz / width).max(0.4 * n_bins).max(1.0);
        let residual = (left_over / freedom).sqrt();
        for (i, partial) in self.partials[start..end].iter_mut().enumerate() {
            partial.amplitude = self.right[i];
            partial.slope = self.right[n + i];
            partial.residual = residual;
            let power = partial.amplitude.norm_sqr();
            partial.offset_widths = if power > 0.0 {
                let offset = -(partial.slope * partial.amplitude.conj()).re / power;
                (offset * (1.0 + SLOPE_RIDGE)).clamp(-1.0, 1.0)
            } else {
                0.0
            };
        }
    }

    /// Fills in the normal equations for partials of which the first bin lies `first_bin` widths
    /// away and every other `step` further, and returns the power of all bins.
    fn write_equations(
        &mut self,
        kernel: usize,
        bins: &[Complex32],
        first_bin: &[f64],
        step: f64,
    ) -> f64 {
        let kernel = &self.kernels[kernel];
        let n = first_bin.len();
        let mut power = 0.0;
        if let [x] = first_bin {
            // Most partials are alone; in loops over one they would take twice as long.
            let [mut values, mut mixed, mut slopes] = [0.0; 3];
            let [mut along, mut across] = [Complex64::default(); 2];
            for (k, bin) in bins.iter().enumerate() {
                let (value, slope) = kernel.at(x + k as f64 * step);
                let bin = widen(*bin);
                values += value * value;
                mixed += value * slope;
                slopes += slope * slope;
                along += bin * value;
                across += bin * slope;
                power += bin.norm_sqr();
            }
            self.matrix[0][0] = values;
            (self.matrix[1][0], self.matrix[1][1]) = (mixed, slopes);
            (self.right[0], self.right[1]) = (along, across);
            return power;
        }
        for row in &mut self.matrix[..2 * n] {
            row[..2 * n].fill(0.0);
        }
        self.right[..2 * n].fill(Complex64::default());
        let mut column = [0.0; 2 * MAX_CLUSTER];
        for (k, bin) in bins.iter().enumerate() {
            let bin = widen(*bin);
            for (i, x) in first_bin.iter().enumerate() {
                (column[i], column[n + i]) = kernel.at(x + k as f64 * step);
            }
            for i in 0..2 * n {
                for (cell, c) in self.matrix[i][..=i].iter_mut().zip(&column) {
                    *cell += column[i] * c;
                }
                self.right[i] += bin * column[i];
            }
            power += bin.norm_sqr();
        }
        power
    }

    /// Weight of a partial in the fit of its string: the inverse variance of its relative frequency.
    fn weight(&self, spectrum: &Spectrum, partial: &Partial) -> f64 {
        let clarity = partial.clarity(spectrum);
        // Too close to a neighbour the offset is anybody's guess.
        let apart = ((partial.gap_widths - 0.7) / 0.8).clamp(0.0, 1.0);
        if clarity < 2.0 {
            return 0.0;
        }
        let relative = spectrum.window.offset_error() * spectrum.width_hz / (clarity * partial.hz);
        apart / (relative * relative)
    }

    /// Weighted Gauss–Newton step for first partial and stiffness of tone `t`; tells how far its
    /// partials moved, relative to their frequencies.
    fn refine(&mut self, spectrum: &Spectrum, t: usize) -> f64 {
        let tone = self.tones[t].tone;
        let width = spectrum.width_hz;
        let prior = typical_stiffness(tone.f1);
        // Weight, slope and measured offset of every partial that says something.
        let mut said = [[0.0; 3]; MAX_PARTIALS];
        let mut n_said = 0;
        for partial in self.partials.iter().filter(|p| p.tone == t) {
            let weight = self.weight(spectrum, partial);
            if weight > 0.0 {
                let slope = tone.stiffness_slope(partial.n);
                said[n_said] = [weight, slope, partial.offset_widths * width / partial.hz];
                n_said += 1;
            }
        }
        let mut shift = 0.0;
        let mut bend = 0.0;
        // Again with partials that stray from the line counting less.
        for _ in 0..3 {
            let mut equations = Equations::default();
            for &[weight, slope, measured] in &said[..n_said] {
                let stray = (measured - shift - bend * slope).abs();
                // Three cents off the string's line is as far as an honest partial strays.
                let huber = (1.5e-3 / stray.max(1e-12)).min(1.0);
                equations.add(weight * huber * huber, slope, measured);
            }
            // The prior is loose; it decides only where one or two partials are all there is.
            let looseness = 2.0 * prior;
            equations.trust_stiffness(1.0 / (looseness * looseness), prior - tone.stiffness);
            let Some(line) = equations.solve() else { return 0.0 };
            (shift, bend) = (line.shift, line.bend);
        }
        self.tones[t].tone = tone.moved(shift.clamp(-0.02, 0.02), bend);
        let steepest = said[n_said - 1][1];
        shift.abs() + (bend * steepest).abs()
    }

    /// Standard error of the first partial in cents, from how far the partials scatter around the
    /// string's line.
    fn standard_error(&self, spectrum: &Spectrum, t: usize) -> f64 {
        let tone = self.tones[t].tone;
        let prior_weight = 1.0 / (2.0 * typical_stiffness(tone.f1)).powi(2);
        let mut equations = Equations::knowing(0.0, prior_weight);
        let [mut chi2, mut n, mut weights2, mut strays2, mut n_sure] = [0.0; 5];
        for partial in self.partials.iter().filter(|p| p.tone == t) {
            let weight = self.weight(spectrum, partial);
            if weight == 0.0 {
                continue;
            }
            let measured = partial.offset_widths * spectrum.width_hz / partial.hz;
            equations.add(weight, tone.stiffness_slope(partial.n), measured);
            chi2 += weight * measured * measured;
            n += 1.0;
            weights2 += weight * weight;
            if weight * SURE_RELATIVE * SURE_RELATIVE > 1.0 {
                strays2 += measured.powi(2).min(MAX_STRAY.powi(2));
                n_sure += 1.0;
            }
        }
        let Some(drawn) = equations.solve() else { return f64::INFINITY };
        let scatter = if n > 2.0 { (chi2 / (n - 2.0)).max(1.0) } else { 4.0 };
        // Real partials stray from the line by more than their noise, and a few loud ones draw it:
        // so many of them bear the weight.
        let bearing = equations.weight().powi(2) / weights2;
        let line = if n_sure > 2.0 { strays2 / (n_sure - 2.0) / bearing } else { 0.0 };
        (scatter * drawn.spread[0]).max(line).sqrt() * 1200.0 / std::f64::consts::LN_2
    }

    /// Takes the fitted partials off `spectrum`, to which they were fitted: see
    /// [`Fitter::residual`].
    pub fn subtract(&mut self, spectrum: &Spectrum) {
        self.residual.clear();
        self.residual.extend_from_slice(&spectrum.bins);
        let width = spectrum.width_hz;
        for partial in &self.partials {
            let range = spectrum.range_around(partial.hz, TAIL_WIDTHS * width);
            let first = (range.start as f64 * spectrum.bin_hz - partial.hz) / width;
            let step = spectrum.bin_hz / width;
            for (i, bin) in self.residual[range].iter_mut().enumerate() {
                let (value, slope) =
                    self.kernels[spectrum.window as usize].at(first + i as f64 * step);
                *bin -= narrow(partial.amplitude * value + partial.slope * slope);
            }
        }
    }
}

fn widen(z: Complex32) -> Complex64 {
    Complex64::new(f64::from(z.re), f64::from(z.im))
}

fn narrow(z: Complex64) -> Complex32 {
    Complex32::new(z.re as f32, z.im as f32)
}

/// Solves `matrix · x = right` in place; `matrix` is symmetric positive definite, lower half given.
pub(super) fn solve_positive_definite<const N: usize>(
    matrix: &mut [[f64; N]; N],
    right: &mut [Complex64; N],
    n: usize,
) {
    for i in 0..n {
        for j in 0..=i {
            let dot: f64 = matrix[i][..j].iter().zip(&matrix[j][..j]).map(|(a, b)| a * b).sum();
            let sum = matrix[i][j] - dot;
            // The diagonal holds reciprocals: one division a row.
            matrix[i][j] = if i == j { sum.max(1e-12).sqrt().recip() } else { sum * matrix[j][j] };
        }
    }
    for i in 0..n {
        let mut sum = right[i];
        for k in 0..i {
            sum -= right[k] * matrix[i][k];
        }
        right[i] = sum * matrix[i][i];
    }
    for i in (0..n).rev() {
        let mut sum = right[i];
        for k in i + 1..n {
            sum -= right[k] * matrix[k][i];
        }
        right[i] = sum * matrix[i][i];
    }
}
