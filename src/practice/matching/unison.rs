//! One note asked for on two strings: they may be a little apart, and beat.

use super::Matching;
use super::note;
use crate::engine::HeardPitch;
use crate::engine::Unison;
use crate::lick::expected::ExpectedNote;
use crate::pitch::tone::Tone;
use crate::pitch::unison::MOST_CENTS;
use crate::pitch::unison::is_overtone;
use crate::practice::verdict::HeardNote;
use crate::practice::verdict::Pitch;
use crate::practice::verdict::Status;
use crate::units::Cents;

impl Matching<'_> {
    /// What `sound`, which is `expected`, is where another string was asked for the same note: both strings, if they
    /// are heard apart. Which is which nobody hears.
    pub(super) fn both_strings(
        &self,
        expected: ExpectedNote,
        sound: &HeardPitch,
    ) -> Option<[HeardNote; 2]> {
        let other = |e: &&ExpectedNote| e.note == expected.note && e.string != expected.string;
        let other = *self.step.struck.iter().find(other)?;
        let asked = self.asked(expected.note);
        let heard = |string: Unison, expected: ExpectedNote| {
            let pitch = Pitch {
                note: expected.note,
                frequency: string.frequency,
                cents: Cents(Tone::at(string.frequency.get()).cents_from(&asked)),
                cents_error: Some(Cents(string.error_cents)),
            };
            let sound = HeardPitch { stiffness: None, ..*sound };
            note(pitch, Status::Right, Some(expected), &sound)
        };
        let [low, high] = sound.unison?;
        Some([heard(low, expected), heard(high, other)])
    }

    /// Whether `tone` may be but the beating of two strings that were asked for the same note: their partials are
    /// pairs, of which one may look like an octave or a twelfth.
    pub(super) fn is_beating_unison(&self, tone: &Tone) -> bool {
        let struck = &self.step.struck;
        let twice = |e: &&ExpectedNote| struck.iter().filter(|o| o.note == e.note).count() > 1;
        struck.iter().filter(twice).any(|e| is_overtone(tone, &self.asked(e.note), MOST_CENTS))
    }
}

/// `notes`, those asked for on two strings once: in tune they sound as one.
pub(super) fn distinct(notes: &[ExpectedNote]) -> Vec<ExpectedNote> {
    let mut kept: Vec<ExpectedNote> = Vec::new();
    for note in notes {
        if !kept.iter().any(|k| k.note == note.note) {
            kept.push(*note);
        }
    }
    kept
}
