//! Second lines beside the partials of a string, and the one string that they fit.

use std::ops::Range;

use rustfft::num_complex::Complex64;

use super::lower::Lower;
use crate::dsp::logarithm::ln;
use crate::dsp::spectrum::Spectrum;
use crate::dsp::spectrum::Window;
use crate::dsp::spectrum::magnitude;
use crate::pitch::fit::Fitter;
use crate::pitch::tone::Tone;

/// Votes are held for places this many widths apart.
const STEP_WIDTHS: f64 = 0.5;
/// Most steps on either side of a partial: 35 cents of 4 kHz in a second.
pub(super) const MAX_STEPS: usize = 160;
/// Room for the bins on either side of a partial (a width is at least one bin, at most two).
const MAX_BINS: usize = 4 * MAX_STEPS;
/// Room for the bins of the partial's own main lobe.
const MAX_NEAR: usize = 16;
/// How far the upper tone may be out of tune with the lower: 35 cents.
const REACH: f64 = 0.0204;
/// How far a real partial strays from its string's line: 0.7 cents.
const STRAY: f64 = 4e-4;
/// Multiples or controls that vote, at most.
pub(super) const MAX_VOTERS: usize = 8;
/// A single partial's vote is worth no more than this.
const MAX_VOTE: f32 = 4.0;
/// Stiffnesses tried for the upper string, relative to what is usual at its pitch.
const STIFFNESSES: [f64; 5] = [0.0, 0.5, 1.0, 1.8, 3.5];

/// A bin is asked about lines no further away than this, in widths.
const LOBE_WIDTHS: f64 = 1.6;
/// Steps on either side of a bin that may lie as near as that, and room for those beyond the ends.
const STEPS_IN_LOBE: usize = 8;
const MARGIN: usize = 8;
const ROOM: usize = 2 * MAX_STEPS + 1 + 2 * MARGIN;
const PHASES: usize = 128;

/// The window's transform at all the steps around a bin, for every phase between two steps.
#[derive(Debug)]
struct Lobes(Vec<[f32; STEPS_IN_LOBE]>);

impl Lobes {
    fn new() -> Self {
        let value =
            |x: f64| if x.abs() > LOBE_WIDTHS { 0.0 } else { Window::Hann.kernel(x) as f32 };
        let row = |phase: usize| {
            let first = 3.0 + phase as f64 / PHASES as f64;
            std::array::from_fn(|s| value(STEP_WIDTHS * (first - s as f64)))
        };
        Self((0..=PHASES + 1).map(row).collect())
    }

    /// For a bin `x` steps above the lowest: the first step around it, [`MARGIN`] added, and how
    /// much of a line at each the bin shows.
    fn around(&self, x: f64) -> (usize, [f32; STEPS_IN_LOBE]) {
        let x = (x + (MARGIN - 3) as f64).max(0.0);
        let first = (x as u32).min((ROOM - STEPS_IN_LOBE) as u32);
        let phase = (x - f64::from(first)).min(1.0) * PHASES as f64;
        let row = phase as u32;
        let part = (phase - f64::from(row)) as f32;
        let (a, b) = (&self.0[row as usize], &self.0[row as usize + 1]);
        (first as usize, std::array::from_fn(|s| a[s] + part * (b[s] - a[s])))
    }
}

/// What [`Voter::examine`] works with.
#[derive(Debug)]
pub(super) struct Desk {
    rest: Vec<Complex64>,
    lobes: Lobes,
}

impl Desk {
    pub(super) fn new() -> Self {
        Self { rest: vec![Complex64::default(); MAX_BINS], lobes: Lobes::new() }
    }
}

/// A partial in the bins of its main lobe: its amplitude and first-order change, as orthonormal columns.
struct Own {
    bins: Range<usize>,
    columns: [[f64; MAX_NEAR]; 2],
    /// Length of the first column, what of it is in the second, and length of the rest of that.
    length: f64,
    skew: f64,
    breadth: f64,
}

impl Own {
    fn new(bins: Range<usize>, kernel: impl Fn(usize) -> (f64, f64)) -> Self {
        let bins = bins.start..bins.end.min(bins.start + MAX_NEAR);
        let mut columns = [[0.0; MAX_NEAR]; 2];
        for (i, bin) in bins.clone().enumerate() {
            (columns[0][i], columns[1][i]) = kernel(bin);
        }
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        let length = dot(&columns[0], &columns[0]).sqrt().max(1e-9);
        columns[0].iter_mut().for_each(|c| *c /= length);
        let skew = dot(&columns[0], &columns[1]);
        let first = columns[0];
        columns[1].iter_mut().zip(first).for_each(|(c, f)| *c -= skew * f);
        let breadth = dot(&columns[1], &columns[1]).sqrt().max(1e-9);
        columns[1].iter_mut().for_each(|c| *c /= breadth);
        Self { bins, columns, length, skew, breadth }
    }

    /// Amplitude and change of the partial in a spectrum.
    fn measure(&self, spectrum: impl Fn(usize) -> Complex64) -> (Complex64, Complex64) {
        let [mut along, mut across] = [Complex64::default(); 2];
        for (i, bin) in self.bins.clone().enumerate() {
            let value = spectrum(bin);
            along += value * self.columns[0][i];
            across += value * self.columns[1][i];
        }
        let change = across / self.breadth;
        ((along - change * self.skew) / self.length, change)
    }
}

/// A partial of the lower tone with what lies beside it, which votes for the string that fits.
#[derive(Debug)]
pub(super) struct Voter {
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

impl Voter {
    pub(super) fn new() -> Self {
        let beside = vec![0.0; 2 * MAX_STEPS + 1];
        Self { k: 1, centre_hz: 1.0, width_hz: 1.0, reach: 0, main: 0.0, beside }
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
        desk: &mut Desk,
    ) -> bool {
        let Some((index, partial)) = lower.get(n) else { return false };
        let free = (partial.gap_widths - 2.5) / STEP_WIDTHS;
        if free < 3.0 {
            return false;
        }
        let (width, centre) = (spectrum.width_hz, lower.place(n));
        let wanted = centre * REACH / (STEP_WIDTHS * width) + 3.0;
        self.reach = (wanted.min(free) as usize).min(MAX_STEPS);
        (self.k, self.centre_hz, self.width_hz) = (k, centre, width);
        let widths_off = |bin: usize| (bin as f64 * spectrum.bin_hz - centre) / width;
        let kernel = |bin: usize| fitter.kernel_at(widths_off(bin));
        let alone = |bin: usize| fitter.alone_at(spectrum, index, bin);
        let own = Own::new(spectrum.range_around(centre, 3.0 * width), kernel);
        let (amplitude, change) = own.measure(alone);
        self.main = magnitude(amplitude);
        let span = (self.reach as f64 * STEP_WIDTHS + 2.0) * width;
        let bins = spectrum.range_around(centre, span).take(MAX_BINS);
        let Desk { rest, lobes } = desk;
        for (r, bin) in rest.iter_mut().zip(bins.clone()) {
            let (value, slope) = kernel(bin);
            *r = alone(bin) - amplitude * value - change * slope;
        }
        let rest = bins.zip(rest.iter().copied());
        self.look_beside(&own, lobes, rest.map(|(bin, r)| (bin, widths_off(bin), r)));
        true
    }

    /// A line at each step, in what the partial itself leaves over: every bin, how many widths above the partial
    /// it lies, and what is in it.
    fn look_beside(
        &mut self,
        own: &Own,
        lobes: &Lobes,
        rest: impl Iterator<Item = (usize, f64, Complex64)>,
    ) {
        // Its power, what of it was found, what the partial's columns share.
        let mut sums = [[0.0_f32; ROOM]; 5];
        for (bin, widths_off, r) in rest {
            let (first, values) = lobes.around(widths_off / STEP_WIDTHS + self.reach as f64);
            let [power, re, im, in_first, in_second] =
                sums.each_mut().map(|sum| &mut sum[first..first + STEPS_IN_LOBE]);
            let (r_re, r_im) = (r.re as f32, r.im as f32);
            for (s, value) in values.iter().enumerate() {
                power[s] += value * value;
                re[s] += r_re * value;
                im[s] += r_im * value;
            }
            let at = bin.wrapping_sub(own.bins.start);
            if at < own.bins.len() {
                let (c_first, c_second) = (own.columns[0][at] as f32, own.columns[1][at] as f32);
                for (s, value) in values.iter().enumerate() {
                    in_first[s] += c_first * value;
                    in_second[s] += c_second * value;
                }
            }
        }
        for (i, beside) in self.beside[..2 * self.reach + 1].iter_mut().enumerate() {
            let [power, re, im, in_first, in_second] = sums.each_ref().map(|sum| sum[i + MARGIN]);
            // What of a line there the partial itself could not imitate.
            let own = power - in_first * in_first - in_second * in_second;
            let told_apart = own > 0.08 * power && power > 0.0;
            *beside = if told_apart { ((re * re + im * im) / (own * power)).sqrt() } else { 0.0 };
        }
    }

    /// Turns amplitudes into votes: the log of how far a second line stands above the noise and
    /// above the debris that a lone partial has beside it.
    pub(super) fn vote(&mut self, spectrum: &Spectrum, debris: f64, raw: &mut [f32]) {
        let n = 2 * self.reach + 1;
        let noise = ((2.0 * spectrum.floor_at(self.centre_hz)).powi(2) + 1e-16) as f32;
        let (debris, reach) = ((2.0 * debris * self.main) as f32, self.reach as f32);
        for (i, (vote, beside)) in raw[..n].iter_mut().zip(&self.beside).enumerate() {
            let x = (i as i32 as f32 - reach) * STEP_WIDTHS as f32;
            let lone = debris / (1.0 + 0.25 * x * x);
            let excess = beside * beside / (noise + lone * lone);
            *vote = ln(1.0 + excess).min(MAX_VOTE);
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
pub(super) fn debris_of(controls: &[Voter]) -> f64 {
    let [mut sum, mut all] = [0.0; 2];
    for voter in controls {
        let near = voter.reach.saturating_sub(6)..=(voter.reach + 6).min(2 * voter.reach);
        let power: f64 = voter.beside[near].iter().map(|&a| f64::from(a).powi(2)).sum();
        let weight = (voter.k as f64).sqrt().recip();
        sum += weight * ((power / 13.0).sqrt() / voter.main.max(1e-9)).max(1e-4).ln();
        all += weight;
    }
    if all > 0.0 { (sum / all).exp().clamp(0.01, 0.2) } else { 0.03 }
}

/// Tunings tried, at most, and with them those that a stiff string's partials come to.
const MAX_TUNINGS: usize = 168;
const MAX_PLACES: usize = 4 * MAX_TUNINGS;

/// The string near `nominal_hz` that most votes are for: votes over the root of the number of
/// voters, and its first partial in hertz.
pub(super) fn count_votes(voters: &[Voter], nominal_hz: f64, stiffness: f64) -> (f64, f64) {
    let Some(top) = voters.last() else { return (0.0, nominal_hz) };
    let octaves = (1.0 + REACH).log2();
    // Half a step at the highest partial, but no finer than real partials keep to.
    let fine = (0.5 * STEP_WIDTHS * top.width_hz / top.centre_hz).max(STRAY / 1.6);
    let n_steps = (2.0 * REACH / fine).ceil();
    let (lowest, factor) = ((-octaves).exp2(), (2.0 * octaves / n_steps).exp2());
    let n_tunings = (n_steps as usize + 1).min(MAX_TUNINGS);
    let mut votes = [[0.0_f32; MAX_TUNINGS]; STIFFNESSES.len()];
    let mut heard = [0.0_f32; MAX_PLACES];
    let tunings_a_fold = factor.ln().recip() as f32;
    let stiffer = STIFFNESSES.map(|s| Tone { f1: nominal_hz, stiffness: s * stiffness });
    for voter in voters {
        // Stiffness raises a partial as tuning does: an ideal string's votes serve, so many tunings
        // further up.
        let ideal_hz = voter.k as f64 * nominal_hz;
        let raised = stiffer.map(|tone| {
            let ratio = (tone.partial(voter.k) / ideal_hz) as f32;
            (ratio.ln() * tunings_a_fold).round() as usize
        });
        let wanted = (n_tunings + raised[STIFFNESSES.len() - 1]).min(MAX_PLACES);
        let step_hz = voter.width_hz * STEP_WIDTHS;
        let from = voter.reach as f64 + 0.5 - voter.centre_hz / step_hz;
        let beside = &voter.beside[..2 * voter.reach + 1];
        let mut place = ideal_hz * lowest / step_hz;
        for slot in &mut heard[..wanted] {
            let at = place + from;
            let step = if at >= 0.0 { at as u32 as usize } else { usize::MAX };
            *slot = beside.get(step).copied().unwrap_or(0.0);
            place *= factor;
        }
        for (votes, raised) in votes.iter_mut().zip(raised) {
            let heard = &heard[raised.min(wanted)..wanted];
            votes[..n_tunings].iter_mut().zip(heard).for_each(|(votes, heard)| *votes += heard);
        }
    }
    let mut best = (0.0_f32, 0);
    for votes in &votes {
        for (i, &votes) in votes[..n_tunings].iter().enumerate() {
            if votes > best.0 {
                best = (votes, i);
            }
        }
    }
    let tuning = if best.0 > 0.0 { lowest * factor.powi(best.1 as i32) } else { 1.0 };
    (f64::from(best.0) / (voters.len() as f64).sqrt(), nominal_hz * tuning)
}
