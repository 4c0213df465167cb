//! How much pitches move while they are measured: strings start sharp, beat, and are bent; a
//! frequency is known no better than it stood still.

use std::ops::Range;

use super::Engine;
use crate::pitch::fit::FittedTone;
use crate::pitch::fit::MAX_TONES;
use crate::pitch::tone::Tone;

/// Halves shorter than this tell nothing, in seconds.
const LEAST_HALF_S: f64 = 0.12;

impl Engine {
    /// How far apart `tones` lie in both halves of a stretch of the stream, in cents, less what their
    /// standard errors explain; 0 where the stretch is too short. Leaves the fit to the later half.
    pub(super) fn drifts_cents(
        &mut self,
        measured: &Range<usize>,
        tones: &[Tone],
    ) -> [f64; MAX_TONES] {
        let mut drifts = [0.0; MAX_TONES];
        let half = measured.len() / 2;
        if half < self.samples(LEAST_HALF_S) as usize {
            return drifts;
        }
        let mut early = [FittedTone::default(); MAX_TONES];
        self.fit_stretch(measured.start..measured.start + half, tones);
        early[..tones.len()].copy_from_slice(self.fitter.tones());
        self.fit_stretch(measured.start + half..measured.end, tones);
        for ((drift, early), late) in drifts.iter_mut().zip(&early).zip(self.fitter.tones()) {
            let apart = late.tone.cents_from(&early.tone);
            let chance = early.error_cents.hypot(late.error_cents);
            *drift = (apart * apart - chance * chance).max(0.0).sqrt();
        }
        drifts
    }

    fn fit_stretch(&mut self, stretch: Range<usize>, tones: &[Tone]) {
        self.transformer.transform(&self.stream[stretch], &mut self.spectrum);
        self.fitter.fit(&self.spectrum, tones, 2);
    }
}
