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

use super::circle;
use super::circle::Circle;
use super::logarithm::ln;

/// Onsets nearer to each other than this belong to one strike, in seconds. If the later rise is the
/// larger, that is the strike, and the first was the touch of hand or pick.
pub const MERGE_S: f64 = 0.07;

/// A frame holds three periods of the low E and a little more, so that no level rises and falls with the
/// period; a new one is looked at every hop, seven times a frame, so that no rise falls between two.
const FRAME_S: f64 = 0.040;
const HOP_S: f64 = 0.0058;
/// Frames looked at on either side of a peak.
const LOOK: usize = 5;
/// Rises are measured against the frame this many hops before: half a frame and a little more, so
/// that a pluck lies in one and not in the other.
const LAG: usize = 4;
/// Frames whose rises make the local background (0.35 s).
const BACKGROUND: usize = 60;
/// Mean rise over all bands that makes an onset, in decibels, and how often the background comes on
/// top of it: of any, and of a faint one.
const MIN_RISE_DB: (f32, f32) = (1.2, 1.5);
const FAINT_RISE_DB: (f32, f32) = (0.7, 1.0);
/// What must begin at a faint onset that nothing foretold, in decibels, and how much more for every decibel
/// of background: a buzzing string leaves as much over as some strikes do in silence.
const UNFORETOLD_DB: (f64, f64) = (2.5, 8.0);
/// What rises by this much is a strike however much more the touch before it did.
const LARGE_RISE_DB: f32 = 6.0;
/// Bands quieter than the loudest of late by this much are of no interest, in decibels.
const RANGE_DB: f32 = 50.0;
/// Decibels of power that is e times as much.
const DECIBELS_A_NEPER: f32 = 10.0 / std::f32::consts::LN_10;
/// The quietest power of a band that counts as sound (−120 dB of full scale, below the steps of 16 bits).
const SILENCE: f32 = 1e-12;

/// Coefficients of the linear prediction, and the stretch before a strike it is learnt from, in
/// seconds.
const ORDER: usize = 48;
const LEARN_S: f64 = 0.1;
/// So many sums are made side by side, of so many lags.
const LANES: usize = 8;
const N_LAGS: usize = (ORDER + 1).next_multiple_of(LANES);
/// Room for the samples that [`refine`] looks at and learns from, at up to 32 kHz.
const MAX_LOOKED: usize = 2560;
const MAX_LEARNT: usize = 3328;

/// A moment when something may have been struck.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    /// Good to half a frame; [`refine`] finds the sample.
    pub at: u64,
    /// It is none unless [`Start::rise_db`] is more than this: strings that beat against each other rise
    /// as much as faint onsets do.
    pub least_rise_db: f64,
}

/// Where a sound begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Start {
    /// Index of the first sample.
    pub at: usize,
    /// How much louder what nothing foretold is after it than before, in decibels.
    pub rise_db: f64,
}

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
    /// The last onset and its rise.
    last_onset: Option<(u64, f32)>,
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

    /// Listens to samples, at most [`Detector::until_frame`]; tells an onset if one is now known.
    pub fn push(&mut self, samples: &[f32]) -> Option<Onset> {
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

    /// The onset told last was none: it hides no strike that follows it closely.
    pub fn dismiss(&mut self) {
        self.last_onset = None;
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
    fn pick(&mut self) -> Option<Onset> {
        let n = self.rises.len();
        let centre = n.checked_sub(LOOK + 1)?;
        let rise = self.rises[centre];
        let from = centre.saturating_sub(LOOK);
        let is_peak = self.rises[from..centre].iter().all(|&r| r < rise)
            && self.rises[centre + 1..].iter().all(|&r| r <= rise);
        if !is_peak || rise < FAINT_RISE_DB.0 {
            return None;
        }
        self.sorted.clear();
        self.sorted.extend_from_slice(&self.rises);
        // Before the stream nothing rose.
        self.sorted.resize(n.max(BACKGROUND / 2), 0.0);
        let middle = self.sorted.len() / 2;
        let (_, &mut background, _) = self.sorted.select_nth_unstable_by(middle, f32::total_cmp);
        let is_above = |(least, share): (f32, f32)| rise >= least + share * background;
        let faint = !is_above(MIN_RISE_DB);
        if faint && !is_above(FAINT_RISE_DB) {
            return None;
        }
        let back = (LOOK * self.hop + self.frame / 2 + self.hop * LAG / 2) as u64;
        let at = self.n_samples.saturating_sub(back);
        let merge = (MERGE_S * self.rate) as u64;
        if self
            .last_onset
            .is_some_and(|(last, touch)| at < last + merge && rise < touch.min(LARGE_RISE_DB))
        {
            return None;
        }
        self.last_onset = Some((at, rise));
        let least_rise_db = match faint {
            true => UNFORETOLD_DB.0 + UNFORETOLD_DB.1 * f64::from(background),
            false => f64::NEG_INFINITY,
        };
        Some(Onset { at, least_rise_db })
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
/// What rings on is foretold from the samples before and taken off: a linear prediction follows any
/// sum of decaying partials, and a strike is what it did not foresee. Looks for the largest rise of
/// the rest from the 8 ms before a sample to the 5 ms after it. Does not allocate.
///
/// **Reference.** J. Makhoul, «Linear prediction: a tutorial review», Proc. IEEE 63 (1975).
pub fn refine(samples: &[f32], guess: usize, rate: f64) -> Start {
    let [before, after] = [0.008, 0.005].map(|s| ((s * rate) as usize).max(1));
    let reach = (0.030 * rate) as usize;
    let from = guess.saturating_sub(reach).max(before + ORDER);
    let to = (guess + reach).min(samples.len().saturating_sub(after + 1));
    if from >= to {
        return Start { at: guess.min(samples.len()), rise_db: 0.0 };
    }
    let predictor = predictor(&samples[from.saturating_sub((LEARN_S * rate) as usize)..from]);
    let start = from - before;
    let n = (to + after - start).min(MAX_LOOKED - 1);
    let mut looked = [0.0; ORDER + MAX_LOOKED + LANES];
    for (x, &sample) in looked.iter_mut().zip(&samples[start - ORDER..start + n]) {
        *x = f64::from(sample);
    }
    // Power of all samples before each.
    let mut sums = [0.0; MAX_LOOKED];
    for i in (0..n).step_by(LANES) {
        let mut unforeseen = [0.0; LANES];
        for (k, a) in predictor.iter().enumerate() {
            let recent = &looked[i + ORDER - k..][..LANES];
            unforeseen.iter_mut().zip(recent).for_each(|(sum, x)| *sum += x * a);
        }
        for (k, rest) in unforeseen.iter().enumerate().take(n - i) {
            sums[i + k + 1] = sums[i + k] + rest * rest;
        }
    }
    let last = n.saturating_sub(after);
    let coming = |i: usize| sums[i + after] - sums[i];
    let loudest = (0..=last).map(coming).fold(0.0, f64::max);
    let least = 1e-3 * loudest + 1e-14;
    let rise = |i: usize| (coming(i) + least) / (sums[i] - sums[i - before] + least);
    let best = (before..last).map(|i| (rise(i), i)).max_by(|a, b| a.0.total_cmp(&b.0));
    let (rise, i) = best.unwrap_or((0.0, before));
    Start { at: start + i, rise_db: 10.0 * (rise * before as f64 / after as f64).log10() }
}

/// The filter, 1 first, that leaves of `samples` what those before each do not foretell: Levinson's
/// and Durbin's recursion on the autocorrelation.
fn predictor(samples: &[f32]) -> [f64; ORDER + 1] {
    let n = samples.len().min(MAX_LEARNT);
    // Followed by silence, so that all lags can be summed side by side.
    let mut weighted = [0.0; MAX_LEARNT + N_LAGS];
    let mut circle = Circle::new(PI * 0.5 / n as f64, PI / n as f64);
    for (weighted, samples) in
        weighted[..n].chunks_mut(circle::LANES).zip(samples.chunks(circle::LANES))
    {
        for ((w, sample), sin) in weighted.iter_mut().zip(samples).zip(circle.sin) {
            *w = f64::from(*sample) * sin;
        }
        circle.advance();
    }
    let mut correlation = [0.0; N_LAGS];
    for (lag, sums) in (0..).step_by(LANES).zip(correlation.chunks_exact_mut(LANES)) {
        let mut lanes = [0.0; LANES];
        for (i, w) in weighted[..n].iter().enumerate() {
            let later = &weighted[i + lag..][..LANES];
            lanes.iter_mut().zip(later).for_each(|(sum, x)| *sum += x * w);
        }
        sums.copy_from_slice(&lanes);
    }
    let mut filter = [0.0; ORDER + 1];
    filter[0] = 1.0;
    // A little noise keeps the filter from foretelling what it cannot.
    let mut error = correlation[0] * (1.0 + 1e-9) + 1e-12;
    for m in 1..=ORDER {
        let reflected: f64 = (0..m).map(|i| filter[i] * correlation[m - i]).sum();
        let k = -reflected / error;
        let was = filter;
        for i in 1..=m {
            filter[i] = was[i] + k * was[m - i];
        }
        error *= 1.0 - k * k;
    }
    filter
}
