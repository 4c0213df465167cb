//! Notes by name: letter, accidental, octave.
//!
//! **Conventions.** Scientific pitch notation (ISO 16 calls the standard note A4; C4 is MIDI 60).
//! The octave number belongs to the letter: B#3 sounds as C4, Cb4 as B3. `#` and `b` in print;
//! `♯` and `♭` are read as well.

use std::fmt;
use std::str::FromStr;

use super::error::NameError;
use super::note::MidiNote;

const LETTERS: [char; 7] = ['C', 'D', 'E', 'F', 'G', 'A', 'B'];
const SEMITONES: [i8; 7] = [0, 2, 4, 5, 7, 9, 11];
/// Letter indices along the line of fifths, F first.
const BY_FIFTHS: [u8; 7] = [3, 0, 4, 1, 5, 2, 6];

/// A note without octave: F#, Gb, C.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct NoteName {
    /// 0 for C … 6 for B.
    letter: u8,
    /// Semitones up (sharp) or down (flat), −2 to 2.
    accidental: i8,
}

impl NoteName {
    /// The name `fifths` fifths above C on the line of fifths (F −1, C 0, G 1, … F# 6, Bb −2);
    /// `None` beyond double sharps and flats.
    pub fn from_fifths(fifths: i8) -> Option<Self> {
        let from_f = i16::from(fifths) + 1;
        let letter = BY_FIFTHS[from_f.rem_euclid(7) as usize];
        let accidental = from_f.div_euclid(7) as i8;
        (-2..=2).contains(&accidental).then_some(Self { letter, accidental })
    }

    /// Place on the line of fifths, C being 0.
    pub fn fifths(self) -> i8 {
        let from_f = BY_FIFTHS.iter().position(|&l| l == self.letter).expect("seven letters") as i8;
        from_f - 1 + 7 * self.accidental
    }

    /// The letter, `'A'` to `'G'`.
    pub fn letter(self) -> char {
        LETTERS[usize::from(self.letter)]
    }

    /// Semitones the accidental raises (positive) or lowers.
    pub fn accidental(self) -> i8 {
        self.accidental
    }

    /// Semitones above C, 0 to 11.
    pub fn pitch_class(self) -> u8 {
        (SEMITONES[usize::from(self.letter)] + self.accidental).rem_euclid(12) as u8
    }

    /// The name as sharps give it: C, C#, D, D#, …
    pub fn sharp(pitch_class: u8) -> Self {
        let fifths = (i16::from(pitch_class) * 7 + 1).rem_euclid(12) - 1;
        Self::from_fifths(fifths as i8).expect("F to A# have at most one sharp")
    }

    /// The name `steps` letters further that lies `semitones` above; `None` if that takes more
    /// than a double accidental.
    pub(super) fn above(self, steps: u8, semitones: u8) -> Option<Self> {
        let letter = (self.letter + steps) % 7;
        let wanted = i16::from(self.pitch_class()) + i16::from(semitones);
        let natural = i16::from(SEMITONES[usize::from(letter)]);
        let accidental = ((wanted - natural + 6).rem_euclid(12) - 6) as i8;
        (-2..=2).contains(&accidental).then_some(Self { letter, accidental })
    }

    /// Reads a name at the start of `text` and returns what follows it.
    pub(super) fn strip(text: &str) -> Option<(Self, &str)> {
        let mut chars = text.chars();
        let first = chars.next()?;
        let letter = LETTERS.iter().position(|&l| l == first)? as u8;
        let mut accidental = 0;
        let mut rest = chars.as_str();
        while let Some(c) = rest.chars().next() {
            let step: i8 = match c {
                '#' | '♯' => 1,
                'b' | '♭' => -1,
                _ => break,
            };
            if accidental * step < 0 || accidental.abs() == 2 {
                return None;
            }
            accidental += step;
            rest = &rest[c.len_utf8()..];
        }
        Some((Self { letter, accidental }, rest))
    }
}

impl fmt::Display for NoteName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.accidental < 0 { "b" } else { "#" };
        let signs = sign.repeat(usize::from(self.accidental.unsigned_abs()));
        f.pad(&format!("{}{signs}", self.letter()))
    }
}

impl FromStr for NoteName {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        match Self::strip(text) {
            Some((name, "")) => Ok(name),
            _ => Err(NameError::Note { found: text.to_owned() }),
        }
    }
}

/// A note with its octave as written: F#4, Gb4.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Spelling {
    /// Letter and accidental.
    pub name: NoteName,
    /// The octave of the letter, 4 for the one that begins at middle C.
    pub octave: i8,
}

impl Spelling {
    /// `note` written as `name`; `None` if the name does not sound like the note.
    pub fn of(note: MidiNote, name: NoteName) -> Option<Self> {
        if note.0 % 12 != name.pitch_class() {
            return None;
        }
        // The letter's octave: take the accidental off before counting octaves.
        let natural = i16::from(note.0) - i16::from(name.accidental);
        Some(Self { name, octave: (natural.div_euclid(12) - 1) as i8 })
    }

    /// `note` written with sharps.
    pub fn sharp(note: MidiNote) -> Self {
        Self::of(note, NoteName::sharp(note.0 % 12)).expect("made from the same pitch class")
    }

    /// The sounding note; `None` beyond MIDI 0–127.
    pub fn midi(self) -> Option<MidiNote> {
        let semitones = i16::from(SEMITONES[usize::from(self.name.letter)]);
        let midi = 12 * (i16::from(self.octave) + 1) + semitones + i16::from(self.name.accidental);
        (0..=127).contains(&midi).then_some(MidiNote(midi as u8))
    }

    /// Letters above C0, accidentals left aside.
    pub(super) fn staff_steps(self) -> i16 {
        7 * i16::from(self.octave) + i16::from(self.name.letter)
    }
}

impl fmt::Display for Spelling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{}{}", self.name, self.octave))
    }
}

impl FromStr for Spelling {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        let found = || NameError::Note { found: text.to_owned() };
        let (name, octave) = NoteName::strip(text).ok_or_else(found)?;
        if octave.starts_with('+') {
            return Err(found());
        }
        let octave = octave.parse().map_err(|_| found())?;
        let spelling = Self { name, octave };
        if spelling.midi().is_none() {
            return Err(found());
        }
        Ok(spelling)
    }
}
