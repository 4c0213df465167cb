//! What a set of sounding notes is called: a note, an interval, a chord.
//!
//! **Conventions.** Octaves and doublings do not matter to a chord's name, the lowest note does:
//! another than the root is written after a slash. A perfect fifth may be left out of a chord of
//! four or more tones, the root of a ninth, thirteenth or altered seventh chord; both only where the tritone of a
//! dominant seventh tells the chord.
//! **Limits.** Some sets have several names (C6 and Am7): the one whose root is in the bass wins,
//! then the simpler one.

use std::fmt;

use super::chord::Chord;
use super::interval::Interval;
use super::names::Names;
use super::note::MidiNote;

/// The name of a set of notes as a chord.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChordName {
    /// The chord, with its bass where that is not the root.
    pub chord: Chord,
    /// The root does not sound.
    pub without_root: bool,
    /// The fifth does not sound.
    pub without_fifth: bool,
}

impl ChordName {
    /// 1 with the third in the bass, 2 with the fifth, 3 with the seventh; `None` in root position
    /// and over any other bass.
    pub fn inversion(&self) -> Option<u8> {
        let bass = self.chord.bass()?.pitch_class();
        let above_root = (12 + bass - self.chord.root().pitch_class()) % 12;
        let tone = self.chord.tones().iter().find(|tone| tone.semitones() == above_root)?;
        match tone.number() {
            number @ (3 | 5 | 7) => Some(number / 2),
            _ => None,
        }
    }
}

impl fmt::Display for ChordName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let without = match (self.without_root, self.without_fifth) {
            (false, false) => "",
            (true, false) => " without root",
            (false, true) => " without fifth",
            (true, true) => " without root and fifth",
        };
        f.pad(&format!("{}{without}", self.chord))
    }
}

/// Names what sounds together: `F#4`, `minor sixth`, `D/F#`. More than two notes of only two
/// names are an interval with doublings; a chord without a name is told by its notes, lowest
/// first; no notes are `nothing`.
pub fn name_sounding(notes: &[MidiNote], names: &Names) -> String {
    let mut notes = notes.to_vec();
    notes.sort_unstable();
    let told = match Sense::of(&notes) {
        Sense::Pair { low, other } => name_pair(&notes, low, other, names),
        Sense::Chord(found) => Some(found.named(names).to_string()),
        Sense::Notes => None,
    };
    told.unwrap_or_else(|| match notes[..] {
        [] => "nothing".to_owned(),
        _ => {
            let listed: Vec<_> = notes.iter().map(|&note| names.spell(note).to_string()).collect();
            listed.join(" ")
        }
    })
}

/// Names three or more notes as a chord, if it has a name.
pub fn name_chord(notes: &[MidiNote], names: &Names) -> Option<ChordName> {
    match Sense::of(notes) {
        Sense::Chord(found) => Some(found.named(names)),
        _ => None,
    }
}

/// The name of `notes`, lowest first, which are two or doublings of at most two: `minor sixth`,
/// `D in octaves`, `major sixth with D doubled`.
fn name_pair(notes: &[MidiNote], low: MidiNote, other: MidiNote, names: &Names) -> Option<String> {
    let interval = || Some(Interval::between(names.spell(low), names.spell(other))?.name());
    if notes.len() == 2 {
        return interval();
    }
    let class = |note: MidiNote| note.0 % 12;
    if class(low) == class(other) {
        return Some(format!("{} in octaves", names.name(class(low))));
    }
    let is_doubled =
        |note: &MidiNote| notes.iter().filter(|n| class(**n) == class(*note)).count() > 1;
    let doubled: Vec<_> = [low, other]
        .into_iter()
        .filter(is_doubled)
        .map(|note| names.name(class(note)).to_string())
        .collect();
    Some(format!("{} with {} doubled", interval()?, doubled.join(" and ")))
}

/// What a set of notes is, however it is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sense {
    /// Two notes, or doublings of two: the lowest, and the lowest of another name if there is one.
    Pair { low: MidiNote, other: MidiNote },
    /// Three notes or more that are a chord.
    Chord(FoundChord),
    /// Anything else.
    Notes,
}

impl Sense {
    pub(super) fn of(notes: &[MidiNote]) -> Self {
        let mut notes = notes.to_vec();
        notes.sort_unstable();
        match notes[..] {
            [] | [_] => return Self::Notes,
            [low, other] => return Self::Pair { low, other },
            _ => {}
        }
        if let Some(found) = FoundChord::of(&notes) {
            return Self::Chord(found);
        }
        let low = notes[0];
        let is_low = |note: &&MidiNote| note.0 % 12 == low.0 % 12;
        let other = notes.iter().copied().find(|note| !is_low(&note)).unwrap_or(low);
        let is_either = |note: &MidiNote| is_low(&note) || note.0 % 12 == other.0 % 12;
        if notes.iter().all(is_either) { Self::Pair { low, other } } else { Self::Notes }
    }

    /// The pitch classes whose names bear on each other, the lowest note's first.
    pub(super) fn classes(&self) -> Vec<u8> {
        match self {
            Self::Pair { low, other } => vec![low.0 % 12, other.0 % 12],
            Self::Chord(found) => {
                let sounding = (0..12).map(|above| (found.bass + above) % 12);
                sounding.filter(|class| found.has(*class) || *class == found.root).collect()
            }
            Self::Notes => Vec::new(),
        }
    }

    /// How much of it reads oddly when it is written with `names`: an interval not in common use, or
    /// notes that are no thirds, fifths, … of their chord.
    pub(super) fn oddities(&self, names: &Names) -> usize {
        match self {
            Self::Pair { low, other } => {
                let written = Interval::between(names.spell(*low), names.spell(*other));
                let semitones = low.0.abs_diff(other.0);
                // The tritone is in common use under both its names.
                let usual = written == Interval::from_semitones(semitones) || semitones % 12 == 6;
                usize::from(!usual)
            }
            Self::Chord(found) => {
                let ChordName { chord, .. } = found.named(names);
                let is_odd = |class: u8| chord.name_of(MidiNote(class)) != Some(names.name(class));
                (0..12).filter(|&class| found.has(class) && is_odd(class)).count()
            }
            Self::Notes => 0,
        }
    }
}

/// A kind of chord: its suffix, its tones as semitones above the root, and whether players leave
/// the fifth or the root out. In order of preference.
const KINDS: [(&str, &[u8], Omission); 39] = [
    ("", &[0, 4, 7], Omission::None),
    ("m", &[0, 3, 7], Omission::None),
    ("5", &[0, 7], Omission::None),
    ("dim", &[0, 3, 6], Omission::None),
    ("aug", &[0, 4, 8], Omission::None),
    ("sus4", &[0, 5, 7], Omission::None),
    ("sus2", &[0, 2, 7], Omission::None),
    ("7", &[0, 4, 7, 10], Omission::Fifth),
    ("maj7", &[0, 4, 7, 11], Omission::Fifth),
    ("m7", &[0, 3, 7, 10], Omission::Fifth),
    ("6", &[0, 4, 7, 9], Omission::None),
    ("m6", &[0, 3, 7, 9], Omission::None),
    ("m7b5", &[0, 3, 6, 10], Omission::None),
    ("dim7", &[0, 3, 6, 9], Omission::None),
    ("m(maj7)", &[0, 3, 7, 11], Omission::Fifth),
    ("7sus4", &[0, 5, 7, 10], Omission::Fifth),
    ("add9", &[0, 2, 4, 7], Omission::Fifth),
    ("add11", &[0, 4, 5, 7], Omission::None),
    ("m(add9)", &[0, 2, 3, 7], Omission::Fifth),
    ("9", &[0, 2, 4, 7, 10], Omission::RootOrFifth),
    ("maj9", &[0, 2, 4, 7, 11], Omission::RootOrFifth),
    ("m9", &[0, 2, 3, 7, 10], Omission::RootOrFifth),
    ("6/9", &[0, 2, 4, 7, 9], Omission::RootOrFifth),
    ("m6/9", &[0, 2, 3, 7, 9], Omission::Fifth),
    ("7b9", &[0, 1, 4, 7, 10], Omission::RootOrFifth),
    ("7#9", &[0, 3, 4, 7, 10], Omission::RootOrFifth),
    ("7#5", &[0, 4, 8, 10], Omission::None),
    ("7b5", &[0, 4, 6, 10], Omission::None),
    ("maj7#5", &[0, 4, 8, 11], Omission::None),
    ("9sus4", &[0, 2, 5, 7, 10], Omission::Fifth),
    ("13", &[0, 2, 4, 7, 9, 10], Omission::Fifth),
    ("7(add13)", &[0, 4, 7, 9, 10], Omission::RootOrFifth),
    ("maj13", &[0, 2, 4, 7, 9, 11], Omission::Fifth),
    ("m11", &[0, 2, 3, 5, 7, 10], Omission::Fifth),
    ("7#11", &[0, 4, 6, 7, 10], Omission::None),
    ("maj7#11", &[0, 4, 6, 7, 11], Omission::None),
    ("11", &[0, 2, 4, 5, 7, 10], Omission::Fifth),
    ("9#11", &[0, 2, 4, 6, 7, 10], Omission::Fifth),
    ("7b13", &[0, 4, 7, 8, 10], Omission::None),
];

/// The third and the seventh of a dominant chord, as a set of semitones above its root.
const TRITONE: u16 = 1 << 4 | 1 << 10;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Omission {
    None,
    Fifth,
    RootOrFifth,
}

/// A chord found in a set of notes, in pitch classes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FoundChord {
    root: u8,
    bass: u8,
    /// Index in [`KINDS`].
    kind: usize,
    /// What sounds, as a set of semitones above C.
    sounding: u16,
    /// Tones that do not sound, as a set of semitones above the root.
    omitted: u16,
}

impl FoundChord {
    /// The chord that three or more notes make.
    fn of(notes: &[MidiNote]) -> Option<Self> {
        let bass = notes.iter().min()?.0 % 12;
        let sounding = notes.iter().fold(0u16, |set, note| set | 1 << (note.0 % 12));
        let (.., root, kind, omitted) = (0..12u8)
            .flat_map(|root| (0..KINDS.len()).map(move |kind| (root, kind)))
            .filter_map(|(root, kind)| {
                let omitted = match_kind(sounding, root, kind)?;
                let inverted = root != bass && omitted & 1 == 0;
                // A left-out root is worse than an inversion, that worse than a left-out fifth.
                let cost = (omitted & 1, inverted, omitted != 0, kind);
                Some((cost, root, kind, omitted))
            })
            .min()?;
        Some(Self { root, bass, kind, sounding, omitted })
    }

    fn has(&self, class: u8) -> bool {
        self.sounding & 1 << class != 0
    }

    fn named(&self, names: &Names) -> ChordName {
        let without_root = self.omitted & 1 != 0;
        let over = (self.bass != self.root && !without_root).then(|| names.name(self.bass));
        let chord = Chord::new(names.name(self.root), KINDS[self.kind].0, over);
        let chord = chord.expect("the table holds valid symbols");
        ChordName { chord, without_root, without_fifth: self.omitted & 1 << 7 != 0 }
    }
}

/// The tones of the kind that do not sound, as a set of semitones above the root, if the kind
/// fits.
fn match_kind(sounding: u16, root: u8, kind: usize) -> Option<u16> {
    let above = u32::from(sounding) | u32::from(sounding) << 12;
    let above = (above >> root & 0xfff) as u16;
    let (_, tones, omission) = KINDS[kind];
    let wanted = tones.iter().fold(0u16, |set, tone| set | 1 << tone);
    let omissible = match omission {
        Omission::None => 0,
        Omission::Fifth => 1 << 7,
        Omission::RootOrFifth => 1 << 7 | 1,
    };
    let omitted = wanted & !above;
    let is_told = omitted != (1 << 7 | 1) || wanted & TRITONE == TRITONE;
    (above & !wanted == 0 && omitted & !omissible == 0 && is_told).then_some(omitted)
}
