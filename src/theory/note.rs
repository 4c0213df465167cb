//! Notes of the equal-tempered scale, numbered as MIDI does.

use crate::units::Cents;
use crate::units::Hertz;

/// A note of the equal-tempered scale; 69 is A4, 60 is C4 (MIDI 1.0).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MidiNote(pub u8);

/// The frequency of A4. ISO 16:1975 fixes it at 440 Hz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reference(Hertz);

impl Default for Reference {
    fn default() -> Self {
        Self(Hertz::new(440.0).expect("440 is positive"))
    }
}

impl Reference {
    /// A reference other than ISO 16; `None` outside 380–500 Hz, where no tuning in use lies.
    pub fn new(a4: Hertz) -> Option<Self> {
        (380.0..=500.0).contains(&a4.get()).then_some(Self(a4))
    }

    /// The frequency of A4.
    pub fn a4(self) -> Hertz {
        self.0
    }

    /// Equal-tempered frequency of `note`: `a4 · 2^((note − 69) / 12)`.
    pub fn frequency(self, note: MidiNote) -> Hertz {
        self.0.raised(Cents(100.0 * (f64::from(note.0) - 69.0)))
    }

    /// The nearest note and how far `frequency` lies above it; `None` beyond MIDI 0–127.
    pub fn nearest(self, frequency: Hertz) -> Option<(MidiNote, Cents)> {
        let midi = 69.0 + frequency.cents_above(self.0).0 / 100.0;
        let nearest = midi.round();
        (0.0..=127.0)
            .contains(&nearest)
            .then_some((MidiNote(nearest as u8), Cents(100.0 * (midi - nearest))))
    }
}
