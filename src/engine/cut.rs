//! What was cut off by a strike before a note was sure: its own beginning, as when low strings that beat rise
//! once more or a chord is strummed, or but a noise of the hand.

use super::Engine;
use super::event::HeardPitch;
use super::several::Several;
use crate::pitch::fit::MAX_TONES;

/// A noise is over after this, and the stretch after a strike that tells how loud its notes are ends here, in
/// seconds.
const SKIP_S: f64 = 0.012;
const AFTER_S: f64 = 0.15;
/// A shorter stretch holds no note to compare, in seconds.
const LEAST_S: f64 = 0.04;
/// A note did not sound yet where it was softer by this factor of power.
const SILENT: f64 = 0.25;
/// What follows a touch of finger or pick is louder by this factor of power.
const TOUCH: f32 = 2.0;

impl Engine {
    /// Whether what was struck at `onset` began at `cut`: most of its notes that did not ring already sounded
    /// in between.
    pub(super) fn began_at(&mut self, cut: u64, onset: u64) -> bool {
        let notes = self.strike.notes.iter().filter(|note| note.is_struck());
        let tones = notes.map(HeardPitch::tone);
        let new = Several::of(tones.filter(|t| !self.previous.iter().any(|p| p.is_note_of(t))));
        let between = self.stretch(cut + self.samples(SKIP_S), onset);
        if new.is_empty() || between.len() < self.samples(LEAST_S) as usize {
            return !self.is_touch(cut, onset);
        }
        let all = new.with(&self.previous);
        let after = self.stretch(onset + self.samples(SKIP_S), onset + self.samples(AFTER_S));
        let [before, after] = [between, after].map(|stretch| {
            self.transformer.transform(&self.stream[stretch], &mut self.attack);
            self.fitter.fit(&self.attack, &all, 0);
            let mut powers = [0.0; MAX_TONES];
            powers.iter_mut().zip(self.fitter.tones()).for_each(|(p, tone)| *p = tone.power);
            powers
        });
        let sounded = before.iter().zip(&after).take(new.len());
        let n = sounded.filter(|(before, after)| **before > SILENT * **after).count();
        2 * n > new.len()
    }

    /// Whether what sounded from `cut` on was much softer than what was struck at `onset`.
    fn is_touch(&self, cut: u64, onset: u64) -> bool {
        let loudness = |onset: u64| {
            let from = onset + self.samples(0.01);
            let samples = &self.stream[self.stretch(from, from + self.samples(0.04))];
            samples.iter().map(|s| s * s).sum::<f32>()
        };
        TOUCH * loudness(cut) < loudness(onset)
    }
}
