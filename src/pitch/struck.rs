//! Was a tone struck between two stretches, or does it ring on from the first into the second?
//!
//! A string struck again gains in most of its partials, the high ones above all, which die away first;
//! and its phases begin anew, where those of a string left alone follow from what they were. One whose pitch
//! moved, by a finger that presses or a hard stroke that dies away, is late or early with all its partials by
//! one time.
//!
//! **Conventions.** Log odds are natural.
//! **Limits.** Partials that lie beside others' tell little; a string struck again as softly as it still
//! sounds is known by its phases only.

use std::f64::consts::TAU;

use rustfft::num_complex::Complex64;

use super::fit::Fitter;
use super::fit::MAX_TONES;
use super::tone::MAX_PARTIALS;
use crate::dsp::spectrum::Spectrum;
use crate::dsp::spectrum::magnitude;

/// Partials that tell of a tone, …
const N_OWN: usize = 12;
/// … and of another on its multiples.
const N_SHARED: usize = 4;
/// A partial nearer than this to another is not clear, in widths, …
const CLEAR_WIDTHS: f64 = 2.0;
/// … one that stands out of what the fit left over by less than this is not heard, …
const HEARD_RATIO: f64 = 3.0;
/// … and one that did so by less than this before has no phase to go on from; …
const PHASE_RATIO: f64 = 2.0;
/// … nor has one that rose by more, in decibels: it was not ringing to speak of.
const PHASE_RISE_DB: f64 = 15.0;
/// Spread of the phases of what rings on, in radians: of strings, and of noise as large as a partial.
const PHASE_SPREAD: f64 = 0.15;
const PHASE_NOISE: f64 = 1.2;
/// So many ringing partials have any phase.
const ANY_PHASE: f64 = 0.03;
/// The pitch of so many moves while they ring, by a finger or a hard stroke that dies away, and makes them
/// late or early by so many seconds, normally and at most; looked for in so many steps either way.
const MOVED: f64 = 0.3;
const LATE_S: f64 = 2e-4;
const MOST_LATE_S: f64 = 5e-4;
const N_LATE: i32 = 25;
/// What a rise of one decibel weighs, and any rise at least and at most.
const RISE_WEIGHT: f64 = 0.3;
const RISE_WEIGHTS: [f64; 2] = [-2.0, 4.0];

/// Weights of [`Change`] in the log odds: fitted by `benches/fit_struck.py` to strikes over ringing
/// strings of eight guitars, a quarter with a vibrato; twice as much is struck as rings on. Partials of a
/// string tell much the same, so their sum counts in part.
const CLEAR: f64 = 0.5;
const CLEAR_BIAS: f64 = -2.0;
const UNCLEAR: f64 = 1.5;
const UNCLEAR_BIAS: f64 = -4.1;

/// One partial in one stretch.
#[derive(Debug, Clone, Copy, Default)]
struct Witness {
    amplitude: Complex64,
    hz: f64,
    /// Amplitude over what the fit left over.
    ratio: f64,
    gap_widths: f64,
}

/// The lowest partials of every fitted tone in one stretch.
#[derive(Debug, Default)]
pub struct Partials([[Witness; MAX_PARTIALS]; MAX_TONES]);

impl Partials {
    /// Those of `fitter`, which was fitted to `spectrum`.
    pub fn of(fitter: &Fitter, spectrum: &Spectrum) -> Self {
        let mut partials = Self::default();
        for partial in fitter.partials() {
            partials.0[partial.tone][partial.n - 1] = Witness {
                amplitude: partial.amplitude,
                hz: partial.hz + partial.offset_widths * spectrum.width_hz,
                ratio: partial.clarity(spectrum),
                gap_widths: partial.gap_widths,
            };
        }
        partials
    }

    /// Mean power of tone `t`, of which a full-scale sine has 0.5.
    pub fn power(&self, t: usize) -> f64 {
        self.0[t].iter().map(|partial| 0.5 * partial.amplitude.norm_sqr()).sum()
    }

    /// How tone `t` changed since `before`, whose middle lies `apart_s` seconds earlier.
    pub fn change(&self, before: &Self, t: usize, apart_s: f64) -> Change {
        let pairs = self.0[t].iter().zip(&before.0[t]);
        Change::of(pairs.take(N_OWN), apart_s)
    }

    /// The same of those partials of tone `t` that lie on a tone `multiple` times as high: where `t` rings
    /// on and they changed, that one was struck.
    pub fn change_above(&self, before: &Self, t: usize, multiple: usize, apart_s: f64) -> Change {
        let pairs = self.0[t].iter().zip(&before.0[t]);
        Change::of(pairs.skip(multiple - 1).step_by(multiple).take(N_SHARED), apart_s)
    }

    /// The same of all others of tone `t`.
    pub fn change_beside(&self, before: &Self, t: usize, multiple: usize, apart_s: f64) -> Change {
        let pairs = self.0[t].iter().zip(&before.0[t]).take(N_OWN).enumerate();
        let others = pairs.filter(|(i, _)| !(i + 1).is_multiple_of(multiple));
        Change::of(others.map(|(_, pair)| pair), apart_s)
    }

    /// Where partial `n` of tone `t` lies, in hertz.
    pub fn hz(&self, t: usize, n: usize) -> f64 {
        self.0[t][n - 1].hz
    }
}

/// How far a partial turned from the phase that it would have, had it rung on at one pitch.
#[derive(Debug, Clone, Copy, Default)]
struct Turn {
    hz: f64,
    /// In radians, and the square of its spread.
    off: f64,
    variance: f64,
}

impl Turn {
    fn of(now: &Witness, was: &Witness, apart_s: f64) -> Self {
        let hz = (now.hz * now.ratio + was.hz * was.ratio) / (now.ratio + was.ratio);
        let off = (now.amplitude * was.amplitude.conj()).arg() - TAU * hz * apart_s;
        let noise = PHASE_NOISE * PHASE_NOISE * (now.ratio.powi(-2) + was.ratio.powi(-2));
        Self { hz, off, variance: PHASE_SPREAD * PHASE_SPREAD + noise }
    }

    /// How likely it is of a string that rang on and is `late_s` behind for its pitch moved, against any
    /// phase being as likely.
    fn likelihood(&self, late_s: f64) -> f64 {
        let off = self.off - TAU * self.hz * late_s;
        let off = off - TAU * (off / TAU).round();
        let normal = (-0.5 * off * off / self.variance).exp() * (TAU / self.variance).sqrt();
        (1.0 - ANY_PHASE) * normal + ANY_PHASE
    }
}

/// What the phases of a tone's partials say for its having been struck: log odds of any phases against those
/// that they would have, had it rung on. Where its pitch moved meanwhile, all are late by one time.
fn broken_phases(turns: &[Turn]) -> f64 {
    let together = |late_s: f64| turns.iter().map(|turn| turn.likelihood(late_s)).product::<f64>();
    let still = together(0.0);
    if still > 1.0 || turns.is_empty() {
        return -still.ln();
    }
    let (mut moved, mut all) = (0.0, 0.0);
    for k in 1..=N_LATE {
        let late_s = MOST_LATE_S * f64::from(k) / f64::from(N_LATE);
        let share = (-0.5 * (late_s / LATE_S).powi(2)).exp();
        moved += share * (together(late_s) + together(-late_s));
        all += 2.0 * share;
    }
    -((1.0 - MOVED) * still + MOVED * moved / all).ln()
}

/// What is seen of a tone before and after a strike.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Change {
    /// Log odds, one by one, of the rises of partials clear of others, added up.
    pub rises: f64,
    /// … and of their phases.
    pub phases: f64,
    /// How many these are.
    pub n_clear: usize,
    /// Log odds, one by one, of the rises of the others, added up.
    pub unclear: f64,
    /// How many these are.
    pub n_unclear: usize,
}

impl Change {
    /// Of partials now and as they were.
    fn of<'a>(pairs: impl Iterator<Item = (&'a Witness, &'a Witness)>, apart_s: f64) -> Self {
        let mut change = Self::default();
        let mut turns = [Turn::default(); N_OWN];
        let mut n_turns = 0;
        for (now, was) in pairs.filter(|(now, _)| now.ratio > HEARD_RATIO) {
            let gain = (magnitude(now.amplitude) + 1e-9) / (magnitude(was.amplitude) + 1e-9);
            let rise_db = 20.0 * gain.log10();
            let rose = (RISE_WEIGHT * rise_db).clamp(RISE_WEIGHTS[0], RISE_WEIGHTS[1]);
            if now.gap_widths <= CLEAR_WIDTHS {
                change.unclear += rose;
                change.n_unclear += 1;
                continue;
            }
            change.rises += rose;
            change.n_clear += 1;
            if was.ratio > PHASE_RATIO && rise_db < PHASE_RISE_DB {
                turns[n_turns] = Turn::of(now, was, apart_s);
                n_turns += 1;
            }
        }
        change.phases = broken_phases(&turns[..n_turns]);
        change
    }

    /// Log odds that the tone was struck; `None` where none of its partials is heard.
    pub fn log_odds(&self) -> Option<f64> {
        if self.n_clear > 0 {
            return Some(CLEAR * (self.rises + self.phases) + CLEAR_BIAS);
        }
        (self.n_unclear > 0).then(|| UNCLEAR * self.unclear / self.n_unclear as f64 + UNCLEAR_BIAS)
    }
}
