//! Second lines beside the partials of a string, and the one string that they fit.

use rustfft::num_complex::Complex64;

use super::lower::Lower;
use crate::dsp::spectrum::Spectrum;
use crate::pitch::fit::Fitter;
use crate::pitch::tone::Tone;

/// Votes are held for places this many widths apart.
const STEP_WIDTHS: f64 = 0.5;
/// Most steps on either side of a partial: 35 cents of 4 kHz in a second.
pub(super) const MAX_STEPS: usize = 160;
/// Room for the bins on either side of a partial (a width is at least one bin, at most two).
pub(super) const MAX_BINS: usize = 4 * MAX_STEPS;
/// Room for the bins of the partial's own main lobe.
const MAX_NEAR: usize = 16;
/// How far the upper tone may be out of tune with the lower: 35 cents.
const REACH: f64 = 0.0204;
/// How far a real partial strays from its string's line: 0.7 cents.
const STRAY: f64 = 4e-4;
/// Multiples or controls that vote, at most.
pub(super) const MAX_LINES: usize = 8;
/// A single partial's vote is worth no more than this.
const MAX_VOTE: f64 = 4.0;
/// Stiffnesses tried for the upper string, relative to what is usual at its pitch.
const STIFFNESSES: [f64; 5] = [0.0, 0.5, 1.0, 1.8, 3.5];

/// A partial of the lower tone with what lies beside it.
#[derive(Debug)]
pub(super) struct Line {
    /// Number of the partial in the string that is searched for.
    k: usize,
    centre_hz: f64,
    width_hz: f64,
    /// Steps on either side that were looked at.
    reach: usize,
    /// Amplitude at the centre.
    main: f64,
    /// Amplitude of a second line, later the vote for it, at every step from `-reach` to `reach`.
    beside: Vec<f32>,
}

impl Line {
    pub(super) fn new() -> Self {
        let beside = vec![0.0; 2 * MAX_STEPS + 1];
        Self { k: 1, centre_hz: 1.0, width_hz: 1.0, reach: 0, main: 0.0, beside }
    }

    /// Offset of step `i` from the centre, in widths.
    fn offset(&self, i: usize) -> f64 {
        (i as f64 - self.reach as f64) * STEP_WIDTHS
    }

    /// Takes partial `n` of the lower tone off the spectrum and measures what lies beside it;
    /// false if it cannot be trusted or another tone is too close.
    pub(super) fn examine(
        &mut self,
        spectrum: &Spectrum,
        fitter: &Fitter,
        lower: &Lower,
        n: usize,
        k: usize,
        rest: &mut [Complex64],
    ) -> bool {
        let Some((index, partial)) = lower.get(n) else { return false };
        let (width, bin_hz) = (spectrum.width_hz, spectrum.bin_hz);
        let free = (partial.gap_widths - 2.5) / STEP_WIDTHS;
        if free < 3.0 {
            return false;
        }
        let centre = lower.place(n);
        let wanted = centre * REACH / (STEP_WIDTHS * width) + 3.0;
        self.reach = (wanted.min(free) as usize).min(MAX_STEPS);
        (self.k, self.centre_hz, self.width_hz) = (k, centre, width);
        let span = (self.reach as f64 * STEP_WIDTHS + 2.0) * width;
        let all = spectrum.range_around(centre, span);
        let near = spectrum.range_around(centre, 3.0 * width);
        let n_near = near.len().min(MAX_NEAR);
        let rest = &mut rest[..all.len().min(MAX_BINS)];
        // The partial itself: its amplitude and first-order change, orthonormal columns.
        let mut columns = [[0.0; MAX_NEAR]; 2];
        for (i, bin) in near.clone().take(MAX_NEAR).enumerate() {
            let (value, slope) = fitter.kernel_at((bin as f64 * bin_hz - centre) / width);
            (columns[0][i], columns[1][i]) = (value, slope);
        }
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        let length = dot(&columns[0], &columns[0]).sqrt().max(1e-9);
        columns[0].iter_mut().for_each(|c| *c /= length);
        let skew = dot(&columns[0], &columns[1]);
        let first = columns[0];
        columns[1].iter_mut().zip(first).for_each(|(c, f)| *c -= skew * f);
        let breadth = dot(&columns[1], &columns[1]).sqrt().max(1e-9);
        columns[1].iter_mut().for_each(|c| *c /= breadth);
        let [mut along, mut across] = [Complex64::default(); 2];
        for (i, bin) in near.clone().take(MAX_NEAR).enumerate() {
            let value = fitter.alone_at(spectrum, index, bin);
            along += value * columns[0][i];
            across += value * columns[1][i];
        }
        let change = across / breadth;
        let amplitude = (along - change * skew) / length;
        self.main = amplitude.norm();
        for (i, r) in rest.iter_mut().enumerate() {
            let bin = all.start + i;
            let (value, slope) = fitter.kernel_at((bin as f64 * bin_hz - centre) / width);
            *r = fitter.alone_at(spectrum, index, bin) - amplitude * value - change * slope;
        }
        for i in 0..=2 * self.reach {
            let hz = centre + self.offset(i) * width;
            let [mut power, mut in_first, mut in_second] = [0.0; 3];
            let mut found = Complex64::default();
            for bin in spectrum.range_around(hz, 1.6 * width) {
                let Some(r) = rest.get(bin.wrapping_sub(all.start)) else { continue };
                let (value, _) = fitter.kernel_at((bin as f64 * bin_hz - hz) / width);
                power += value * value;
                found += r * value;
                let at = bin.wrapping_sub(near.start);
                if at < n_near {
                    in_first += value * columns[0][at];
                    in_second += value * columns[1][at];
                }
            }
            // What of a line there the partial itself could not imitate.
            let own = power - in_first * in_first - in_second * in_second;
            let told_apart = own > 0.08 * power && power > 0.0;
            let beside = if told_apart { found.norm() / (own * power).sqrt() } else { 0.0 };
            self.beside[i] = beside as f32;
        }
        true
    }

    /// Turns amplitudes into votes: the log of how far a second line stands above the noise and
    /// above the debris that a lone partial has beside it.
    pub(super) fn vote(&mut self, spectrum: &Spectrum, debris: f64, raw: &mut [f32]) {
        let n = 2 * self.reach + 1;
        let floor = 2.0 * spectrum.floor_at(self.centre_hz);
        for (i, vote) in raw[..n].iter_mut().enumerate() {
            let x = self.offset(i);
            let lone = 2.0 * debris * self.main / (1.0 + 0.25 * x * x);
            let excess = f64::from(self.beside[i]).powi(2) / (floor * floor + lone * lone + 1e-16);
            *vote = (1.0 + excess).ln().min(MAX_VOTE) as f32;
        }
        let stray = STRAY * self.centre_hz / (STEP_WIDTHS * self.width_hz);
        let stray = (stray.round() as usize).min(3);
        for (i, vote) in self.beside[..n].iter_mut().enumerate() {
            let window = i.saturating_sub(stray)..(i + stray + 1).min(n);
            *vote = raw[window].iter().fold(0.0, |most, &v| v.max(most));
        }
    }
}

/// What lies within three widths of a lone partial, relative to it: the controls' geometric mean.
pub(super) fn debris_of(controls: &[Line]) -> f64 {
    let [mut sum, mut all] = [0.0; 2];
    for line in controls {
        let near = line.reach.saturating_sub(6)..=(line.reach + 6).min(2 * line.reach);
        let power: f64 = line.beside[near].iter().map(|&a| f64::from(a).powi(2)).sum();
        let weight = (line.k as f64).sqrt().recip();
        sum += weight * ((power / 13.0).sqrt() / line.main.max(1e-9)).max(1e-4).ln();
        all += weight;
    }
    if all > 0.0 { (sum / all).exp().clamp(0.01, 0.2) } else { 0.03 }
}

/// The string near `nominal_hz` that most votes are for: votes over the root of the number of
/// voters, and its first partial in hertz.
pub(super) fn count_votes(lines: &[Line], nominal_hz: f64, stiffness: f64) -> (f64, f64) {
    let Some(top) = lines.last() else { return (0.0, nominal_hz) };
    let octaves = (1.0 + REACH).log2();
    // Half a step at the highest partial, but no finer than real partials keep to.
    let fine = (0.5 * STEP_WIDTHS * top.width_hz / top.centre_hz).max(STRAY / 1.6);
    let n_steps = (2.0 * REACH / fine).ceil();
    let factor = (2.0 * octaves / n_steps).exp2();
    let mut best = (0.0_f32, nominal_hz);
    for relative in STIFFNESSES {
        let tone = Tone { f1: nominal_hz, stiffness: relative * stiffness };
        let mut places = [0.0; MAX_LINES];
        for (place, line) in places.iter_mut().zip(lines) {
            *place = tone.partial(line.k) / (line.width_hz * STEP_WIDTHS);
        }
        let mut tuning = (-octaves).exp2();
        for _ in 0..=n_steps as usize {
            let mut votes = 0.0;
            for (line, place) in lines.iter().zip(places) {
                let centre = line.centre_hz / (line.width_hz * STEP_WIDTHS);
                let at = place * tuning - centre + line.reach as f64 + 0.5;
                if at >= 0.0 && at < (2 * line.reach + 1) as f64 {
                    votes += line.beside[at as usize];
                }
            }
            if votes > best.0 {
                best = (votes, nominal_hz * tuning);
            }
            tuning *= factor;
        }
    }
    (f64::from(best.0) / (lines.len() as f64).sqrt(), best.1)
}
