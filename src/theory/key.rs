//! Keys and the spelling that fits them.
//!
//! **Conventions.** A note of the key is spelled as its signature has it; the five others as the
//! harmonic chromatic scale has them (flat second, raised fourth, and both forms of third, sixth
//! and seventh), which is the same for every mode on one tonic. Outside the signature, double
//! accidentals and the other names of natural notes (Cb, E#, …) give way to the natural, which
//! is easier to read (common practice; a departure from the scale).
//! **Reference.** *The New Grove Dictionary*, «Chromatic scale» (harmonic form); MusicXML 4.0 for
//! the names of the modes.

use std::fmt;
use std::str::FromStr;

use super::error::NameError;
use super::note::MidiNote;
use super::spelling::NoteName;
use super::spelling::Spelling;

/// The mode of a key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Mode {
    /// Major (ionian).
    Major,
    /// Minor (aeolian).
    Minor,
    /// Dorian: minor with a major sixth.
    Dorian,
    /// Phrygian: minor with a minor second.
    Phrygian,
    /// Lydian: major with an augmented fourth.
    Lydian,
    /// Mixolydian: major with a minor seventh.
    Mixolydian,
    /// Locrian: minor with a minor second and a diminished fifth.
    Locrian,
}

impl Mode {
    const ALL: [(Self, &'static str, i8); 7] = [
        (Self::Major, "major", 0),
        (Self::Minor, "minor", -3),
        (Self::Dorian, "dorian", -2),
        (Self::Phrygian, "phrygian", -4),
        (Self::Lydian, "lydian", 1),
        (Self::Mixolydian, "mixolydian", -1),
        (Self::Locrian, "locrian", -5),
    ];

    /// The name in lower case, as MusicXML writes it.
    pub fn name(self) -> &'static str {
        Self::ALL.iter().find(|(mode, ..)| *mode == self).expect("all modes are listed").1
    }

    /// The mode of that name; `ionian` is major and `aeolian` minor.
    pub fn from_name(name: &str) -> Option<Self> {
        match name {
            "ionian" => Some(Self::Major),
            "aeolian" => Some(Self::Minor),
            _ => Self::ALL.iter().find(|(_, known, _)| *known == name).map(|(mode, ..)| *mode),
        }
    }

    /// Sharps more (negative: flats more) than the major key on the same tonic.
    fn sharps_against_major(self) -> i8 {
        Self::ALL.iter().find(|(mode, ..)| *mode == self).expect("all modes are listed").2
    }
}

/// A tonic and a mode with a signature of at most seven sharps or flats.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Key {
    tonic: NoteName,
    mode: Mode,
}

impl Key {
    /// The key of `mode` on `tonic`; `None` if it would need more than seven accidentals.
    pub fn new(tonic: NoteName, mode: Mode) -> Option<Self> {
        let key = Self { tonic, mode };
        (-7..=7).contains(&key.fifths()).then_some(key)
    }

    /// The key of `mode` with `fifths` sharps (negative: flats) in its signature; `None` beyond 7.
    pub fn from_fifths(fifths: i8, mode: Mode) -> Option<Self> {
        if !(-7..=7).contains(&fifths) {
            return None;
        }
        Self::new(NoteName::from_fifths(fifths - mode.sharps_against_major())?, mode)
    }

    /// The key that a text in another common writing means: `Am`, `A min`, `G`, `G Major`, `a-moll`. A small
    /// letter alone may be either.
    pub fn meant_by(text: &str) -> Option<Self> {
        let first = text.trim().chars().next()?;
        let capital = text.trim().replacen(first, &first.to_uppercase().to_string(), 1);
        let (tonic, mode) = NoteName::strip(&capital)?;
        let mode = match mode.trim() {
            "" if first.is_lowercase() => return None,
            "" | "M" => Mode::Major,
            "-" => Mode::Minor,
            word => match word.trim_start_matches('-').to_lowercase().as_str() {
                "maj" | "dur" => Mode::Major,
                "m" | "min" | "moll" => Mode::Minor,
                name => Mode::from_name(name)?,
            },
        };
        Self::new(tonic, mode)
    }

    /// Its tonic.
    pub fn tonic(self) -> NoteName {
        self.tonic
    }

    /// Its mode.
    pub fn mode(self) -> Mode {
        self.mode
    }

    /// Sharps in the signature; flats are negative.
    pub fn fifths(self) -> i8 {
        self.tonic.fifths() + self.mode.sharps_against_major()
    }

    /// True if the signature has a note of `pitch_class` (semitones above C).
    pub fn contains(self, pitch_class: u8) -> bool {
        let signature = self.fifths() - 1..=self.fifths() + 5;
        signature
            .filter_map(NoteName::from_fifths)
            .any(|name| name.pitch_class() == pitch_class % 12)
    }

    /// The name of `pitch_class` (semitones above C) in this key.
    pub fn name(self, pitch_class: u8) -> NoteName {
        let tonic = self.tonic.fifths();
        let signature = self.fifths() - 1..=self.fifths() + 5;
        let naturals = -1..=5;
        let chromatic = tonic - 5..=tonic + 6;
        signature
            .chain(naturals)
            .chain(chromatic)
            .filter_map(NoteName::from_fifths)
            .find(|name| name.pitch_class() == pitch_class % 12)
            .expect("twelve fifths in a row name every pitch class")
    }

    /// `note` as this key writes it.
    pub fn spell(self, note: MidiNote) -> Spelling {
        Spelling::of(note, self.name(note.0 % 12)).expect("named by its own pitch class")
    }
}

/// An open string by name: a natural as such (in Gb major too the second string is B), any other note as
/// `key` writes it; with sharps where there is no key.
pub fn spell_open(note: MidiNote, key: Option<Key>) -> Spelling {
    let sharp = Spelling::sharp(note);
    let key = key.filter(|_| sharp.name.accidental() != 0);
    key.map_or(sharp, |key| key.spell(note))
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{} {}", self.tonic, self.mode.name()))
    }
}

impl FromStr for Key {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        let found = || text.to_owned();
        let (tonic, mode) = text
            .split_once(' ')
            .and_then(|(tonic, mode)| Some((tonic.parse().ok()?, Mode::from_name(mode.trim())?)))
            .ok_or_else(|| NameError::Key { found: found() })?;
        Self::new(tonic, mode).ok_or_else(|| {
            let fifths = tonic.fifths() + mode.sharps_against_major();
            let nearer = if fifths > 0 { fifths - 12 } else { fifths + 12 };
            match Self::from_fifths(nearer, mode) {
                Some(instead) => NameError::RemoteKey { found: found(), instead },
                None => NameError::Key { found: found() },
            }
        })
    }
}
