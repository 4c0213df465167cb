//! Some tones, without allocating.

use std::ops::Deref;

use crate::pitch::fit::MAX_TONES;
use crate::pitch::tone::Tone;

/// At most [`MAX_TONES`] tones.
#[derive(Debug, Clone, Copy)]
pub(super) struct Several {
    tones: [Tone; MAX_TONES],
    n: usize,
}

impl Several {
    /// As many of `tones` as there is room for.
    pub(super) fn of(tones: impl IntoIterator<Item = Tone>) -> Self {
        let mut several = Self { tones: [Tone::at(440.0); MAX_TONES], n: 0 };
        for (slot, tone) in several.tones.iter_mut().zip(tones) {
            *slot = tone;
            several.n += 1;
        }
        several
    }

    /// These, then those of `others` that are other notes.
    pub(super) fn with(&self, others: &[Tone]) -> Self {
        let are_new = others.iter().filter(|other| !self.iter().any(|t| other.is_note_of(t)));
        Self::of(self.iter().chain(are_new).copied())
    }
}

impl Deref for Several {
    type Target = [Tone];

    fn deref(&self) -> &[Tone] {
        &self.tones[..self.n]
    }
}
