//! Samples in, onsets of plucked strings out.
//!
//! A pluck raises many bands at once. The detector watches how far every band rises above what it
//! and its neighbours were a moment before, in decibels over the band's own noise, and reports the
//! moments where the sum of the rises peaks. The instant is then found in the samples themselves.
//!
//! **Conventions.** Instants are counted in samples of the stream that was pushed.
//! **Limits.** Strings struck within [`MERGE_S`] of each other are one strike; a peak is known
//! [`Detector::delay_samples`] after it.
//! **Reference.** S. Böck, G. Widmer, «Maximum filter vibrato suppression for onset detection»,
//! DAFx 2013 (the rise against the neighbouring bands).

use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

use realfft::RealFftPlanner;
use realfft::RealToComplex;
use rustfft::num_complex::Complex32;

use super::logarithm::ln;

/// Onsets nearer to each other than this belong to one strike, in seconds.
pub const MERGE_S: f64 = 0.07;

const HOP_S: f64 = 0.0058;
const FRAME_S: f64 = 0.040;
/// Frames looked at on either side of a peak.
const LOOK: usize = 5;
/// Rises are measured against the frame this many hops before: half a frame and a little more, so
/// that a pluck lies in one and not in the other.
const LAG: usize = 4;
/// Frames whose rises make the local background (0.35 s).
const BACKGROUND: usize = 60;
/// Mean rise over all bands that makes an onset, above the background, in decibels.
const MIN_RISE_DB: f32 = 1.2;
/// Bands quieter than the loudest of late by this much are of no interest, in decibels.
const RANGE_DB: f32 = 50.0;
/// Decibels of power that is e times as much.
const DECIBELS_A_NEPER: f32 = 10.0 / std::f32::consts::LN_10;
/// The quietest power that counts as sound (−90 dB of full scale).
const SILENCE: f32 = 1e-9;

/// Finds onsets in a stream.
pub struct Detector {
    rate: f64,
    hop: usize,
    frame: usize,
    plan: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    /// The last samples of the stream, those of a frame at least once there are as many.
    history: Vec<f32>,
    since_frame: usize,
    input: Vec<f32>,
    output: Vec<Complex32>,
    scratch: Vec<Complex32>,
    /// First bin of every band, and one past the last.
    edges: Vec<usize>,
    powers: Vec<f32>,
    noise: Vec<f32>,
    levels: Vec<Vec<f32>>,
    loudest: f32,
    rises: Vec<f32>,
    sorted: Vec<f32>,
    n_frames: u64,
    n_samples: u64,
    /// Whether the stream is known to begin with its first sample.
    silent_before: bool,
    last_onset: Option<u64>,
}

impl fmt::Debug for Detector {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Detector").field("rate", &self.rate).finish_non_exhaustive()
    }
}

impl Detector {
    /// A detector for a stream at `rate` samples a second.
    pub fn new(rate: f64) -> Self {
        let hop = (HOP_S * rate).round().max(1.0) as usize;
        let frame = (FRAME_S * rate).round() as usize;
        let size = frame.next_power_of_two();
        let plan = RealFftPlanner::new().plan_fft_forward(size);
        let window = (0..frame)
            .map(|i| (0.5 - 0.5 * (2.0 * PI * (i as f64 + 0.5) / frame as f64).cos()) as f32)
            .map(|w| w * 4.0 / frame as f32)
            .collect();
        let edges = band_edges(rate / size as f64, size / 2);
        let n_bands = edges.len() - 1;
        Self {
            rate,
            hop,
            frame,
            window,
            history: Vec::with_capacity(4 * frame),
            since_frame: 0,
            input: plan.make_input_vec(),
            output: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
            powers: vec![0.0; n_bands],
            noise: vec![0.0; n_bands],
            levels: vec![vec![0.0; n_bands]; LAG + 1],
            edges,
            loudest: SILENCE,
            rises: Vec::with_capacity(BACKGROUND + 2 * LOOK + 2),
            sorted: Vec::with_capacity(BACKGROUND + 2 * LOOK + 2),
            n_frames: 0,
            n_samples: 0,
            silent_before: false,
            last_onset: None,
        }
    }

    /// Takes what came before the first sample for silence, so that a sound in it was struck then.
    pub fn begin_in_silence(&mut self) {
        self.history.resize(self.frame, 0.0);
        self.rises.resize(LOOK + 1, 0.0);
        self.levels.iter_mut().for_each(|levels| levels.fill(10.0 * SILENCE.log10()));
        self.silent_before = true;
    }

    /// How long after an onset it is reported at the latest, in samples.
    pub fn delay_samples(&self) -> usize {
        self.frame / 2 + (LOOK + 1) * self.hop
    }

    /// How many samples, one at least, end the frame that is looked at next.
    pub fn until_frame(&self) -> usize {
        let missing = self.frame.saturating_sub(self.history.len());
        self.hop.saturating_sub(self.since_frame).max(missing).max(1)
    }

    /// Listens to samples, at most [`Detector::until_frame`]; `Some(instant)` if an onset is now
    /// known.
    ///
    /// The instant is good to half a frame; [`refine`] finds the sample.
    pub fn push(&mut self, samples: &[f32]) -> Option<u64> {
        debug_assert!(samples.len() <= self.until_frame(), "a frame would be missed");
        self.n_samples += samples.len() as u64;
        if self.history.len() + samples.len() > self.history.capacity() {
            let kept = self.history.len() - self.frame;
            self.history.copy_within(kept.., 0);
            self.history.truncate(self.frame);
        }
        self.history.extend_from_slice(samples);
        self.since_frame += samples.len();
        if self.since_frame < self.hop || self.history.len() < self.frame {
            return None;
        }
        self.since_frame = 0;
        self.analyse();
        self.pick()
    }

    /// Forgets everything heard but keeps the clock, `lost` samples later.
    pub fn skip(&mut self, lost: u64) {
        self.n_samples += lost;
        self.history.clear();
        self.since_frame = 0;
        self.n_frames = 0;
        self.silent_before = false;
        self.rises.clear();
    }

    /// Band levels of the frame that ends now, and how far they rose.
    fn analyse(&mut self) {
        let frame = &self.history[self.history.len() - self.frame..];
        for (slot, (sample, weight)) in self.input.iter_mut().zip(frame.iter().zip(&self.window)) {
            *slot = sample * weight;
        }
        self.input[self.frame..].fill(0.0);
        self.plan
            .process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch)
            .expect("lengths were taken from the plan");
        self.levels.rotate_right(1);
        let first = self.n_frames == 0;
        self.loudest *= 0.996;
        let n_bands = self.noise.len();
        for b in 0..n_bands {
            let power: f32 =
                self.output[self.edges[b]..self.edges[b + 1]].iter().map(|x| x.norm_sqr()).sum();
            self.loudest = self.loudest.max(power);
            self.powers[b] = power;
            let noise = &mut self.noise[b];
            // Falls at once, rises 3 dB a second: what a band never falls below is noise.
            *noise = if first || power < *noise { power } else { *noise * 1.004 };
        }
        let least = (self.loudest * 10_f32.powf(-RANGE_DB / 10.0)).max(SILENCE);
        for ((level, power), noise) in self.levels[0].iter_mut().zip(&self.powers).zip(&self.noise)
        {
            *level = DECIBELS_A_NEPER * ln(power + 6.0 * noise + least);
        }
        self.n_frames += 1;
        let mut rise = 0.0;
        if self.n_frames as usize > LAG || self.silent_before {
            let before = &self.levels[LAG];
            for (b, level) in self.levels[0].iter().enumerate() {
                let was = before[b.saturating_sub(1)..(b + 2).min(n_bands)]
                    .iter()
                    .fold(f32::MIN, |m, &l| m.max(l));
                rise += (level - was).max(0.0);
            }
        }
        if self.rises.len() == self.rises.capacity() {
            self.rises.remove(0);
        }
        self.rises.push(rise / n_bands as f32);
    }

    /// Is the frame `LOOK` frames ago a peak of the rises?
    fn pick(&mut self) -> Option<u64> {
        let n = self.rises.len();
        let centre = n.checked_sub(LOOK + 1)?;
        let rise = self.rises[centre];
        let from = centre.saturating_sub(LOOK);
        let is_peak = self.rises[from..centre].iter().all(|&r| r < rise)
            && self.rises[centre + 1..].iter().all(|&r| r <= rise);
        if !is_peak || rise < MIN_RISE_DB {
            return None;
        }
        self.sorted.clear();
        self.sorted.extend_from_slice(&self.rises);
        let middle = self.sorted.len() / 2;
        let (_, &mut background, _) = self.sorted.select_nth_unstable_by(middle, f32::total_cmp);
        if rise < MIN_RISE_DB + 1.5 * background {
            return None;
        }
        let back = (LOOK * self.hop + self.frame / 2 + self.hop * LAG / 2) as u64;
        let at = self.n_samples.saturating_sub(back);
        let merge = (MERGE_S * self.rate) as u64;
        if self.last_onset.is_some_and(|last| at < last + merge) {
            return None;
        }
        self.last_onset = Some(at);
        Some(at)
    }
}

/// Single bins up to 600 Hz, then a twelfth of an octave a band, up to 7 kHz.
fn band_edges(bin_hz: f64, n_bins: usize) -> Vec<usize> {
    let mut edges = vec![(60.0 / bin_hz).ceil() as usize];
    loop {
        let last = *edges.last().expect("one edge at least");
        let next = if last as f64 * bin_hz < 600.0 {
            last + 1
        } else {
            ((last as f64 * 2_f64.powf(1.0 / 12.0)).round() as usize).max(last + 1)
        };
        if next as f64 * bin_hz > 7000.0 || next >= n_bins {
            return edges;
        }
        edges.push(next);
    }
}

/// The sample at which the sound begins, within `samples`, near `guess`.
///
/// Looks for the largest rise from the 8 ms before a sample to the 5 ms after it, differences of
/// samples taken so that a low string ringing on does not hide the attack.
pub fn refine(samples: &[f32], guess: usize, rate: f64) -> usize {
    let (before, after) = ((0.008 * rate) as usize, (0.005 * rate) as usize);
    let reach = (0.030 * rate) as usize;
    let from = guess.saturating_sub(reach).max(before + 1);
    let to = (guess + reach).min(samples.len().saturating_sub(after + 1));
    if from >= to {
        return guess.min(samples.len());
    }
    let power = |i: usize| {
        let d = samples[i] - 0.9 * samples[i - 1];
        f64::from(d * d)
    };
    let mut past: f64 = (from - before..from).map(power).sum();
    let mut coming: f64 = (from..from + after).map(power).sum();
    let mut loudest = 0.0_f64;
    {
        let mut sum = coming;
        for i in from..to {
            loudest = loudest.max(sum);
            sum += power(i + after) - power(i);
        }
    }
    let least = 1e-3 * loudest + 1e-14;
    let mut best = (f64::MIN, guess);
    for i in from..to {
        let rise = ((coming / after as f64 + least / after as f64)
            / (past / before as f64 + least / after as f64))
            .ln()
            + 0.3 * (coming + least).ln();
        if rise > best.0 {
            best = (rise, i);
        }
        past += power(i) - power(i - before);
        coming += power(i + after) - power(i);
    }
    best.1
}
