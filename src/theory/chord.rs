//! Chord symbols, chord tones and the role a note plays in a chord.
//!
//! **Conventions.** Tones are intervals above the root. A thirteenth chord with a major third
//! leaves its eleventh out, as players do (common practice). A symbol is printed as it was written.

use std::fmt;
use std::str::FromStr;

use super::error::NameError;
use super::interval::Interval;
use super::interval::Quality;
use super::note::MidiNote;
use super::spelling::NoteName;

/// A chord as a symbol names it: `Em7`, `C6/9`, `D/F#`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chord {
    root: NoteName,
    suffix: String,
    bass: Option<NoteName>,
    tones: Vec<Interval>,
}

impl Chord {
    /// The chord of `suffix` (`""`, `m7`, `6/9`, …) on `root`, over `bass` if that is another note.
    ///
    /// # Errors
    /// A suffix that names no chord.
    pub fn new(root: NoteName, suffix: &str, bass: Option<NoteName>) -> Result<Self, NameError> {
        let tones = tones_of(suffix)
            .ok_or_else(|| NameError::Chord { found: format!("{root}{suffix}") })?;
        Ok(Self { root, suffix: suffix.to_owned(), bass, tones })
    }

    /// The chord that a text in another common writing means: `em`, `E minor`, `Cma7`, `Bm7-5`.
    pub fn meant_by(text: &str) -> Option<Self> {
        let first = text.trim().chars().next()?;
        let mut written = text.trim().replacen(first, &first.to_uppercase().to_string(), 1);
        WRITINGS.iter().find_map(|(other, ours)| {
            written = written.replace(other, ours);
            written.parse().ok()
        })
    }

    /// The root.
    pub fn root(&self) -> NoteName {
        self.root
    }

    /// What follows the root in the symbol, without the bass.
    pub fn suffix(&self) -> &str {
        &self.suffix
    }

    /// The bass note after the slash.
    pub fn bass(&self) -> Option<NoteName> {
        self.bass
    }

    /// The chord tones as intervals above the root, in rising order of number.
    pub fn tones(&self) -> &[Interval] {
        &self.tones
    }

    /// How the chord writes `note`; `None` if it does not contain it.
    pub fn name_of(&self, note: MidiNote) -> Option<NoteName> {
        let tones = self.tones.iter().filter_map(|tone| tone.above(self.root));
        let mut names = tones.chain(self.bass);
        names.find(|name| name.pitch_class() == note.0 % 12)
    }

    /// What `note` is to this chord.
    pub fn role(&self, note: MidiNote) -> Role {
        let semitones = (12 + note.0 % 12 - self.root.pitch_class()) % 12;
        if let Some(&interval) = self.tones.iter().find(|tone| tone.semitones() % 12 == semitones) {
            return Role { interval, in_chord: true };
        }
        let in_chord = self.bass.is_some_and(|bass| bass.pitch_class() == note.0 % 12);
        Role { interval: self.colour(semitones), in_chord }
    }

    /// The usual name of a note outside the chord, by semitones above the root.
    fn colour(&self, semitones: u8) -> Interval {
        let has = |semitones: u8| self.tones.iter().any(|tone| tone.semitones() == semitones);
        let seventh = has(10) || has(11);
        let (quality, number) = match semitones {
            0 => (Quality::Perfect, 1),
            1 => (Quality::Minor, 9),
            2 => (Quality::Major, 9),
            3 if has(4) => (Quality::Augmented, 9),
            3 => (Quality::Minor, 3),
            4 => (Quality::Major, 3),
            5 => (Quality::Perfect, 11),
            6 if has(7) => (Quality::Augmented, 11),
            6 => (Quality::Diminished, 5),
            7 => (Quality::Perfect, 5),
            8 if has(7) => (Quality::Minor, 13),
            8 => (Quality::Augmented, 5),
            9 if seventh => (Quality::Major, 13),
            9 => (Quality::Major, 6),
            10 => (Quality::Minor, 7),
            _ => (Quality::Major, 7),
        };
        Interval::new(quality, number).expect("each of these exists")
    }
}

impl fmt::Display for Chord {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bass = self.bass.map(|bass| format!("/{bass}")).unwrap_or_default();
        f.pad(&format!("{}{}{bass}", self.root, self.suffix))
    }
}

impl FromStr for Chord {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        let found = || NameError::Chord { found: text.to_owned() };
        let (root, rest) = NoteName::strip(text).ok_or_else(found)?;
        // The slash of `6/9` is followed by a figure, that of a bass by a letter.
        let (suffix, bass) = match rest.rsplit_once('/') {
            Some((suffix, bass)) if !bass.starts_with('9') => {
                (suffix, Some(bass.parse().map_err(|_| found())?))
            }
            _ => (rest, None),
        };
        Self::new(root, suffix, bass).map_err(|_| found())
    }
}

/// Parts of chord symbols in other common writings and in ours, tried one after the other.
const WRITINGS: [(&str, &str); 18] = [
    (" ", ""),
    ("major7", "maj7"),
    ("major9", "maj9"),
    ("major", ""),
    ("minor", "m"),
    ("mi", "m"),
    ("MI", "m"),
    ("ma", "maj"),
    ("MA", "maj"),
    ("^", "maj"),
    ("/maj7", "(maj7)"),
    ("-5", "b5"),
    ("-9", "b9"),
    ("+9", "#9"),
    ("+11", "#11"),
    ("7+", "+7"),
    ("add6", "6"),
    ("7(13)", "7(add13)"),
];

/// What a note is to a chord.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Role {
    /// Its interval above the root, as chord players number it.
    pub interval: Interval,
    /// Whether the symbol contains it.
    pub in_chord: bool,
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = match (self.interval.quality(), self.interval.number()) {
            (_, 1) => "root".to_owned(),
            (Quality::Perfect, 5) => "fifth".to_owned(),
            (Quality::Perfect, 4) => "fourth".to_owned(),
            (Quality::Major, 2) => "second".to_owned(),
            (Quality::Major, 6) => "sixth".to_owned(),
            (Quality::Minor, 9) => "flat ninth".to_owned(),
            (Quality::Major, 9) => "ninth".to_owned(),
            (Quality::Augmented, 9) => "sharp ninth".to_owned(),
            (Quality::Perfect, 11) => "eleventh".to_owned(),
            (Quality::Augmented, 11) => "sharp eleventh".to_owned(),
            (Quality::Minor, 13) => "flat thirteenth".to_owned(),
            (Quality::Major, 13) => "thirteenth".to_owned(),
            _ => self.interval.name(),
        };
        f.pad(&name)
    }
}

/// The chord tones a suffix asks for; `None` if it is not one.
fn tones_of(suffix: &str) -> Option<Vec<Interval>> {
    let mut reader = Suffix { rest: suffix.replace(['(', ')', ',', ' '], "") };
    let mut tones = Tones::default();
    let mut seventh = Quality::Minor;

    if reader.take(&["maj", "M", "Δ"]) {
        seventh = Quality::Major;
        if suffix == "Δ" {
            tones.set(Quality::Major, 7);
        }
    } else if reader.take(&["min", "m", "-"]) {
        tones.set(Quality::Minor, 3);
    } else if reader.take(&["dim", "°", "o"]) {
        tones.set(Quality::Minor, 3);
        tones.set(Quality::Diminished, 5);
        seventh = Quality::Diminished;
    } else if reader.take(&["ø"]) {
        tones.set(Quality::Minor, 3);
        tones.set(Quality::Diminished, 5);
        tones.set(Quality::Minor, 7);
    } else if reader.take(&["aug", "+"]) {
        tones.set(Quality::Augmented, 5);
    } else if reader.take(&["5"]) {
        tones.remove(3);
    }
    if seventh == Quality::Minor && reader.take(&["maj", "M"]) {
        seventh = Quality::Major;
        if !reader.rest.starts_with(['7', '9', '1']) {
            return None;
        }
    }
    tones.extend(&mut reader, seventh);
    while !reader.rest.is_empty() {
        tones.alter(&mut reader)?;
    }
    Some(tones.sorted())
}

/// What is still to be read of a suffix.
struct Suffix {
    rest: String,
}

impl Suffix {
    /// Takes the first of `tokens` that comes next.
    fn take(&mut self, tokens: &[&str]) -> bool {
        let found = tokens.iter().find(|token| self.rest.starts_with(**token));
        if let Some(token) = found {
            self.rest.drain(..token.len());
        }
        found.is_some()
    }
}

/// Chord tones being put together; at first a major triad.
struct Tones(Vec<(Quality, u8)>);

impl Default for Tones {
    fn default() -> Self {
        Self(vec![(Quality::Perfect, 1), (Quality::Major, 3), (Quality::Perfect, 5)])
    }
}

impl Tones {
    fn remove(&mut self, number: u8) {
        self.0.retain(|(_, n)| *n != number);
    }

    /// Puts in a tone in place of any other of its number.
    fn set(&mut self, quality: Quality, number: u8) {
        self.remove(number);
        self.0.push((quality, number));
    }

    fn add(&mut self, quality: Quality, number: u8) {
        if !self.0.contains(&(quality, number)) {
            self.0.push((quality, number));
        }
    }

    /// Sixth, seventh, and the thirds stacked on it.
    fn extend(&mut self, reader: &mut Suffix, seventh: Quality) {
        if reader.take(&["6/9", "69"]) {
            self.set(Quality::Major, 6);
            self.set(Quality::Major, 9);
        } else if reader.take(&["6"]) {
            self.set(Quality::Major, 6);
        } else if let Some(top) =
            [7, 9, 11, 13].into_iter().find(|top| reader.take(&[&top.to_string()]))
        {
            self.set(seventh, 7);
            if top >= 9 {
                self.set(Quality::Major, 9);
            }
            let clashing_third = self.0.contains(&(Quality::Major, 3));
            if top == 11 || (top == 13 && !clashing_third) {
                self.set(Quality::Perfect, 11);
            }
            if top == 13 {
                self.set(Quality::Major, 13);
            }
        }
    }

    /// One alteration, suspension, addition or omission; `None` if there is none to read.
    fn alter(&mut self, reader: &mut Suffix) -> Option<()> {
        if reader.take(&["sus2"]) {
            self.remove(3);
            self.set(Quality::Major, 2);
        } else if reader.take(&["sus4", "sus"]) {
            self.remove(3);
            self.set(Quality::Perfect, 4);
        } else if reader.take(&["add9", "add2"]) {
            self.set(Quality::Major, 9);
        } else if reader.take(&["add11", "add4"]) {
            self.set(Quality::Perfect, 11);
        } else if reader.take(&["add13"]) {
            self.set(Quality::Major, 13);
        } else if reader.take(&["no3", "omit3"]) {
            self.remove(3);
        } else if reader.take(&["no5", "omit5"]) {
            self.remove(5);
        } else if reader.take(&["b5", "♭5"]) {
            self.remove_plain(Quality::Perfect, 5);
            self.add(Quality::Diminished, 5);
        } else if reader.take(&["#5", "♯5", "+5"]) {
            self.remove_plain(Quality::Perfect, 5);
            self.add(Quality::Augmented, 5);
        } else if reader.take(&["b9", "♭9"]) {
            self.remove_plain(Quality::Major, 9);
            self.add(Quality::Minor, 9);
        } else if reader.take(&["#9", "♯9"]) {
            self.remove_plain(Quality::Major, 9);
            self.add(Quality::Augmented, 9);
        } else if reader.take(&["#11", "♯11"]) {
            self.remove_plain(Quality::Perfect, 11);
            self.add(Quality::Augmented, 11);
        } else if reader.take(&["b13", "♭13"]) {
            self.remove_plain(Quality::Major, 13);
            self.add(Quality::Minor, 13);
        } else if reader.take(&["alt"]) {
            self.set(Quality::Diminished, 5);
            self.add(Quality::Augmented, 5);
            self.set(Quality::Minor, 7);
            self.set(Quality::Minor, 9);
            self.add(Quality::Augmented, 9);
        } else {
            return None;
        }
        Some(())
    }

    fn remove_plain(&mut self, quality: Quality, number: u8) {
        self.0.retain(|tone| *tone != (quality, number));
    }

    fn sorted(mut self) -> Vec<Interval> {
        self.0.sort_by_key(|(_, number)| *number);
        self.0
            .into_iter()
            .map(|(quality, number)| Interval::new(quality, number).expect("each of these exists"))
            .collect()
    }
}
