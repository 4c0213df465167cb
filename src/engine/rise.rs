//! Struck now, or ringing on? By how much a note's partials rose, and whether they went on as they
//! were: the phase of a string left alone after the strike follows from the phase before it.

use std::f64::consts::TAU;
use std::ops::Range;

use rustfft::num_complex::Complex64;

use super::Engine;
use super::STRUM_S;
use crate::dsp::spectrum::Spectrum;
use crate::dsp::spectrum::magnitude;
use crate::pitch::fit::Fitter;
use crate::pitch::fit::MAX_TONES;
use crate::pitch::tone::Tone;

/// Length of the stretches before and after the onset that tell struck notes from ringing ones.
const COMPARE_S: f64 = 0.15;
/// … and before it where notes lie so far apart, in hertz, that this parts them: a string struck
/// again is often damped just before, by the pick or the finger.
const BEFORE_S: f64 = 0.09;
const APART_HZ: f64 = 3.6 / BEFORE_S;
/// Partials that tell whether a note was struck.
const RISE_PARTIALS: usize = 8;
/// A partial nearer than this to another is no witness, in widths, …
const CLEAR_WIDTHS: f64 = 2.0;
/// … nor is one that stands out of what the fit left over by less than this …
const HEARD_RATIO: f64 = 3.0;
/// … or, where its phase is asked, this.
const PHASE_RATIO: f64 = 4.0;
/// A partial that rose by more was not ringing to speak of, whatever its phase, in decibels.
const PHASE_RISE_DB: f64 = 12.0;
/// Mean cosine of the phase errors that speaks for neither: a ringing string has 0.9, one struck
/// again 0, give or take what a handful of partials scatter.
const EVEN_COHERENCE: f64 = 0.6;
/// What a coherence of 1 more or less weighs, in decibels, once there are so many partials.
const COHERENCE_DB: f64 = 8.0;
const ENOUGH_PARTIALS: f64 = 3.0;

impl Engine {
    /// By how much each tone is louder after the onset than before it, in decibels.
    pub(super) fn rises_db(&mut self, onset: u64, end: u64, tones: &[Tone]) -> [f64; MAX_TONES] {
        let mut rises = [90.0; MAX_TONES];
        let near = |u: &u64| onset > *u && onset - *u < self.samples(STRUM_S);
        let struck_from = self.unheard.filter(near).unwrap_or(onset);
        // What rang before takes its share of the partials in both stretches.
        let mut all = [Tone::at(440.0); MAX_TONES];
        all[..tones.len()].copy_from_slice(tones);
        let mut n = tones.len();
        for tone in &self.previous {
            let known = all[..n].iter().any(|t| tone.is_note_of(t));
            if !known && n < MAX_TONES {
                all[n] = *tone;
                n += 1;
            }
        }
        let is_near = |(i, t): (usize, &Tone)| {
            all[..i].iter().any(|other| (other.f1 - t.f1).abs() < APART_HZ)
        };
        let are_near = all[..n].iter().enumerate().any(is_near);
        let before_s = if are_near { COMPARE_S } else { BEFORE_S };
        let before = self.stretch(
            struck_from.saturating_sub(self.samples(before_s + 0.006)),
            struck_from.saturating_sub(self.samples(0.006)),
        );
        if before.len() < self.samples(0.05) as usize {
            return rises;
        }
        let after_from = onset + self.samples(0.015);
        let after = self.stretch(after_from, (after_from + self.samples(COMPARE_S)).min(end));
        if after.len() < self.samples(0.03) as usize {
            return rises;
        }
        let middle = |stretch: &Range<usize>| 0.5 * (stretch.start + stretch.end) as f64;
        let apart_s = (middle(&after) - middle(&before)) / self.rate;
        let mut witnesses = |stretch: Range<usize>| {
            self.transformer.transform(&self.stream[stretch], &mut self.spectrum);
            self.fitter.fit(&self.spectrum, &all[..n], 0);
            Witnesses::of(&self.fitter, &self.spectrum)
        };
        let (before, after) = (witnesses(before), witnesses(after));
        for (t, rise) in rises[..tones.len()].iter_mut().enumerate() {
            *rise = after.rise_db(&before, t, apart_s);
            // Nobody heard it before the strike: asked for, it counts.
            let known = self.previous.iter().any(|p| p.is_note_of(&tones[t]));
            if !known {
                *rise = rise.max(0.0);
            }
        }
        rises
    }
}

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
pub(super) struct Witnesses([[Witness; RISE_PARTIALS]; MAX_TONES]);

impl Witnesses {
    /// Those of `fitter`, which was fitted to `spectrum`.
    pub(super) fn of(fitter: &Fitter, spectrum: &Spectrum) -> Self {
        let mut witnesses = Self::default();
        for partial in fitter.partials().iter().filter(|p| p.n <= RISE_PARTIALS) {
            let noise = partial.noise(spectrum);
            witnesses.0[partial.tone][partial.n - 1] = Witness {
                amplitude: partial.amplitude,
                hz: partial.hz + partial.offset_widths * spectrum.width_hz,
                ratio: magnitude(partial.amplitude) / noise,
                gap_widths: partial.gap_widths,
            };
        }
        witnesses
    }

    /// How much louder tone `t` is in these than in `before`, whose middle lies `apart_s` earlier, in
    /// decibels; more where its phases broke off, less where they went on.
    pub(super) fn rise_db(&self, before: &Self, t: usize, apart_s: f64) -> f64 {
        let pairs = self.0[t].iter().zip(&before.0[t]);
        let is_clear = |now: &Witness| now.gap_widths > CLEAR_WIDTHS;
        let any_clear = self.0[t].iter().any(|now| now.ratio > HEARD_RATIO && is_clear(now));
        let mut rises = [0.0; RISE_PARTIALS];
        let (mut n, mut weights, mut coherence, mut n_phases) = (0, 0.0, 0.0, 0.0);
        for (now, was) in pairs {
            if now.ratio <= HEARD_RATIO || any_clear && !is_clear(now) {
                continue;
            }
            let rise = 20.0
                * ((magnitude(now.amplitude) + 1e-9) / (magnitude(was.amplitude) + 1e-9)).log10();
            rises[n] = rise;
            n += 1;
            let ratio = now.ratio.min(was.ratio);
            if ratio > PHASE_RATIO && rise < PHASE_RISE_DB && is_clear(now) {
                let hz = (now.hz * now.ratio + was.hz * was.ratio) / (now.ratio + was.ratio);
                let turned = (now.amplitude * was.amplitude.conj()).arg();
                weights += ratio.sqrt();
                coherence += ratio.sqrt() * (turned - TAU * hz * apart_s).cos();
                n_phases += 1.0;
            }
        }
        let rises = &mut rises[..n];
        rises.sort_unstable_by(f64::total_cmp);
        // Of an even number the lower middle: ringing on is never held against the player.
        let Some(&rise) = rises.get(n.saturating_sub(1) / 2) else { return 90.0 };
        if weights == 0.0 {
            return rise;
        }
        let broken = EVEN_COHERENCE - coherence / weights;
        rise + COHERENCE_DB * broken * f64::min(n_phases / ENOUGH_PARTIALS, 1.0)
    }
}
