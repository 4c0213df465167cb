//! Two strings that may have sounded where a note was found of which they would be partials.

use super::Engine;
use super::confidence;
use super::event::Combined;
use super::event::HeardPitch;
use super::several::Several;
use crate::pitch::tone::Tone;
use crate::units::Decibels;
use crate::units::Hertz;

/// Lines near partials of others are told no better than this, in cents.
const ERROR_CENTS: f64 = 4.0;

impl Engine {
    /// The note of the strike that may be but a combination; `found` are the tones found, the spectrum made
    /// last that of its settled part.
    pub(super) fn combined(&mut self, found: &[Tone]) -> Option<Combined> {
        let combination = *self.estimator.combination()?;
        let is_it = |tone: &Tone| combination.tone.is_note_of(tone);
        let notes = &self.strike.notes;
        let note = *notes.iter().find(|note| is_it(&note.tone()))?;
        let strings = Several::of(combination.pair);
        let others = Several::of(found.iter().filter(|tone| !is_it(tone)).copied());
        let all = strings.with(&others);
        self.fitter.fit(&self.spectrum, &all, 3);
        let [lower, upper] = [0, 1].map(|i| {
            let fitted = &self.fitter.tones()[i];
            Some(HeardPitch {
                frequency: Hertz::new(fitted.tone.f1)?,
                error_cents: Some(fitted.error_cents.max(ERROR_CENTS)),
                stiffness: None,
                level: Decibels(10.0 * (fitted.power + 1e-15).log10()),
                confidence: confidence(combination.log_odds),
                likely: false,
                ..note
            })
        });
        Some(Combined { note: note.frequency, strings: [lower?, upper?] })
    }
}
