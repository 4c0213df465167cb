//! The pitch of a lone note, and how it moves, read without the ear.
//!
//! **What.** Every partial by itself is read off the two loudest bins of a Hann window; a stiff string's
//! line is drawn through them. A figure told for a note over one stretch is carried over to another by
//! how far its partials moved between both, each against itself.
//! **Limits.** Lone notes with little noise only: neighbours are not parted. A like reader that followed
//! phases was 0.07 to 0.28 cents off the manifest of the real notes (median), 0.5 to 1.4 (95 %); this one
//! was not held against it.
//! **Reference.** H. Fletcher, «Normal vibration frequencies of a stiff piano string», 1964; two bins: T.
//! Grandke, «Interpolation algorithms for discrete Fourier transforms of weighted signals», 1983.

use std::f64::consts::TAU;

use realfft::RealFftPlanner;

use super::corpus::RATE;

/// Partials looked at, at most, and up to where, in hertz.
const MAX_PARTIALS: usize = 12;
const HIGHEST_HZ: f64 = 6_000.0;
/// Fainter ones, against the loudest, are left out.
const FAINT: f64 = 0.01;
/// A partial is looked for within so many cents.
const REACH_CENTS: f64 = 25.0;

/// A stretch of a note, in seconds after its onset.
pub type Stretch = (f64, f64);

/// A partial: its frequency and its amplitude.
#[derive(Debug, Clone, Copy)]
struct Partial {
    hz: f64,
    amplitude: f64,
}

/// First partial of the string's line over `stretch`, `near_hz` being known to some 25 cents.
pub fn line_hz(samples: &[f32], onset_s: f64, stretch: Stretch, near_hz: f64) -> f64 {
    let amplitudes = Amplitudes::of(samples, onset_s, stretch);
    let Some(first) = amplitudes.partial_near(near_hz) else { return near_hz };
    let (mut f1, mut stiffness) = (first.hz, 1e-4 * (1.0 + (near_hz / 350.0).powf(1.5)).min(6.0));
    let mut partials = vec![(1.0, first)];
    for n in 2..=MAX_PARTIALS {
        let square = (n * n) as f64;
        let hz = n as f64 * f1 * ((1.0 + stiffness * square) / (1.0 + stiffness)).sqrt();
        if hz > HIGHEST_HZ {
            break;
        }
        let Some(partial) = amplitudes.partial_near(hz) else { continue };
        partials.push((n as f64, partial));
        if partials.len() >= 3 {
            (f1, stiffness) = line_through(&partials, first.hz).unwrap_or((f1, stiffness));
        }
    }
    f1
}

/// First partial and stiffness by least squares: `(f_n / n)²` is straight over `n²`.
fn line_through(partials: &[(f64, Partial)], unit_hz: f64) -> Option<(f64, f64)> {
    let loudest = partials.iter().map(|p| p.1.amplitude).fold(0.0, f64::max);
    let [mut w, mut x, mut xx, mut y, mut xy] = [0.0; 5];
    for (n, partial) in partials.iter().filter(|p| p.1.amplitude > FAINT * loudest) {
        let weight = (partial.amplitude * n).powi(2);
        let (square, ratio) = (n * n, (partial.hz / n / unit_hz).powi(2));
        w += weight;
        x += weight * square;
        xx += weight * square * square;
        y += weight * ratio;
        xy += weight * square * ratio;
    }
    let slope = (w * xy - x * y) / (w * xx - x * x);
    let level = (y - slope * x) / w;
    let stiffness = slope / level;
    (0.0..2.5e-3).contains(&stiffness).then(|| (unit_hz * (level + slope).sqrt(), stiffness))
}

/// How many cents the note at `f1_hz` lies higher over `stretch` than over `told`: the median over its
/// clear partials, the loud ones counting more.
pub fn moved_cents(
    samples: &[f32],
    onset_s: f64,
    f1_hz: f64,
    told: Stretch,
    stretch: Stretch,
) -> f64 {
    let [told, heard] = [told, stretch].map(|stretch| Amplitudes::of(samples, onset_s, stretch));
    let stiffness = 1e-4 * (1.0 + (f1_hz / 350.0).powf(1.5)).min(6.0);
    let mut moves: Vec<(f64, f64)> = Vec::new();
    for n in 1..=MAX_PARTIALS / 2 {
        let square = (n * n) as f64;
        let hz = n as f64 * f1_hz * ((1.0 + stiffness * square) / (1.0 + stiffness)).sqrt();
        if hz > HIGHEST_HZ {
            break;
        }
        let Some(then) = told.partial_near(hz) else { continue };
        let Some(now) = heard.partial_near(then.hz) else { continue };
        let cents = 1200.0 * (now.hz / then.hz).log2();
        if cents.abs() < REACH_CENTS {
            moves.push((cents, now.amplitude * n as f64));
        }
    }
    moves.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * moves.iter().map(|m| m.1).sum::<f64>();
    let mut sum = 0.0;
    let middle = moves.iter().find(|m| {
        sum += m.1;
        sum >= half
    });
    middle.map_or(0.0, |m| m.0)
}

/// Amplitudes of a stretch under a Hann window of its own length, a bin a width.
struct Amplitudes {
    bins: Vec<f64>,
    width_hz: f64,
}

impl Amplitudes {
    fn of(samples: &[f32], onset_s: f64, (from_s, to_s): Stretch) -> Self {
        let at = |s: f64| (((onset_s + s) * f64::from(RATE)) as usize).min(samples.len());
        let samples = &samples[at(from_s)..at(to_s)];
        let n = samples.len() as f64;
        let hann = |i: usize| 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / n).cos();
        let mut input: Vec<f64> =
            samples.iter().enumerate().map(|(i, &s)| hann(i) * f64::from(s)).collect();
        let plan = RealFftPlanner::<f64>::new().plan_fft_forward(input.len());
        let mut output = plan.make_output_vec();
        plan.process(&mut input, &mut output).expect("lengths were taken from the plan");
        let bins = output.iter().map(|bin| bin.norm()).collect();
        Self { bins, width_hz: f64::from(RATE) / n }
    }

    /// The loudest partial within [`REACH_CENTS`] of `hz`, one bin at least.
    fn partial_near(&self, hz: f64) -> Option<Partial> {
        let reach_hz = (hz * ((REACH_CENTS / 1200.0).exp2() - 1.0)).max(self.width_hz);
        let bin = |hz: f64| ((hz / self.width_hz).round() as usize).clamp(1, self.bins.len() - 2);
        let (from, to) = (bin(hz - reach_hz), bin(hz + reach_hz));
        let k = (from..=to).max_by(|&a, &b| self.bins[a].total_cmp(&self.bins[b]))?;
        let [below, amplitude, above] = [k - 1, k, k + 1].map(|k| self.bins[k]);
        // Of a line between two bins both tell: by their ratio, exactly.
        let (side, other) = if above > below { (1.0, above) } else { (-1.0, below) };
        let off = side * (2.0 * other - amplitude) / (other + amplitude);
        (amplitude > 0.0).then_some(Partial { hz: (k as f64 + off) * self.width_hz, amplitude })
    }
}
