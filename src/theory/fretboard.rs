//! Strings, frets and the notes that lie there.

use super::note::MidiNote;

/// A string as players and MusicXML number it: 1 is the highest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StringNumber(pub u8);

/// A fret; 0 is the open string.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Fret(pub u8);

/// The highest fret a lick may ask for.
pub const LAST_FRET: Fret = Fret(24);

/// The open strings of an instrument, lowest string first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tuning(Vec<MidiNote>);

impl Default for Tuning {
    /// E2 A2 D3 G3 B3 E4.
    fn default() -> Self {
        Self([40, 45, 50, 55, 59, 64].map(MidiNote).to_vec())
    }
}

impl Tuning {
    /// Open strings, lowest string first; `None` unless there are 1 to 12.
    pub fn new(open: Vec<MidiNote>) -> Option<Self> {
        (1..=12).contains(&open.len()).then_some(Self(open))
    }

    /// Number of strings.
    pub fn n_strings(&self) -> usize {
        self.0.len()
    }

    /// The open note of `string`; `None` if there is no such string.
    pub fn open(&self, string: StringNumber) -> Option<MidiNote> {
        let from_low = self.0.len().checked_sub(usize::from(string.0))?;
        self.0.get(from_low).copied()
    }

    /// Every string with its open note, lowest string first.
    pub fn strings(&self) -> impl Iterator<Item = (StringNumber, MidiNote)> + '_ {
        let n = self.0.len();
        self.0.iter().enumerate().map(move |(i, &note)| (StringNumber((n - i) as u8), note))
    }

    /// True if every string is lower than the one named before: no instrument is strung so, but
    /// strings are often named from the first on.
    pub fn leads_down(&self) -> bool {
        self.0.len() > 2 && self.0.is_sorted_by(|before, after| before > after)
    }

    /// The note at `fret` of `string`, the capo counted by the caller.
    pub fn note_at(&self, string: StringNumber, fret: Fret) -> Option<MidiNote> {
        let midi = self.open(string)?.0.checked_add(fret.0)?;
        (midi <= 127).then_some(MidiNote(midi))
    }
}

/// Distance from the nut to `fret` as a part of the string's length: `1 − 2^(−fret / 12)`.
///
/// The rule of equal temperament for frets; 0 at the nut, ½ at the twelfth fret.
pub fn fret_position(fret: Fret) -> f64 {
    1.0 - (-f64::from(fret.0) / 12.0).exp2()
}
