//! What a set of sounding notes is called: a note, an interval, a chord.
//!
//! **Conventions.** Octaves and doublings do not matter to a chord's name, the lowest note does:
//! another than the root is written after a slash. A perfect fifth may be left out of a chord of
//! four or more tones, the root of a ninth, thirteenth or altered seventh chord.
//! **Limits.** Some sets have several names (C6 and Am7): the one whose root is in the bass wins,
//! then the simpler one.

use std::fmt;

use super::chord::Chord;
use super::interval::Interval;
use super::key::Key;
use super::key::spell;
use super::note::MidiNote;
use super::spelling::NoteName;
use super::spelling::Spelling;

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
pub fn name_sounding(notes: &[MidiNote], key: Option<Key>) -> String {
    let mut notes = notes.to_vec();
    notes.sort_unstable();
    let listed = || {
        let names: Vec<_> = notes.iter().map(|&note| spell(note, key).to_string()).collect();
        names.join(" ")
    };
    match notes[..] {
        [] => "nothing".to_owned(),
        [note] => spell(note, key).to_string(),
        [low, high] => interval_name(low, high, key).unwrap_or_else(listed),
        _ => name_chord(&notes, key)
            .map(|name| name.to_string())
            .or_else(|| name_doubled(&notes, key))
            .unwrap_or_else(listed),
    }
}

fn interval_name(low: MidiNote, high: MidiNote, key: Option<Key>) -> Option<String> {
    readings(low, high, key, None).first().map(|reading| reading.interval.name())
}

/// One way to write two notes, and the interval that it makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reading {
    /// The lower note.
    pub low: Spelling,
    /// The upper note.
    pub high: Spelling,
    /// The interval between them.
    pub interval: Interval,
}

/// The ways to write two notes in `key`, the best first; none beyond four octaves.
///
/// Notes of the signature have one name; a black key outside it has two (in C major the note over
/// E may be G# or Ab), and the name that `harmony` has for it, if it contains it. Best is the way of
/// the harmony, then the way that makes an interval in common use (E–G#, a major third,
/// before E–Ab, a diminished fourth), then the way the key writes the notes by themselves. Without
/// a key the interval is the usual one of its size.
pub fn readings(
    low: MidiNote,
    high: MidiNote,
    key: Option<Key>,
    harmony: Option<&Chord>,
) -> Vec<Reading> {
    let usual = Interval::from_semitones(high.0.abs_diff(low.0));
    let Some(key) = key else {
        let spelled =
            |interval| Reading { low: spell(low, None), high: spell(high, None), interval };
        return usual.map(spelled).into_iter().collect();
    };
    let mut readings = Vec::new();
    for low in spellings(low, key, harmony) {
        for &high in &spellings(high, key, harmony) {
            readings.extend(Interval::between(low, high).map(|interval| Reading {
                low,
                high,
                interval,
            }));
        }
    }
    let of_harmony = |spelling: Spelling, note: MidiNote| {
        u8::from(harmony.and_then(|chord| chord.name_of(note)) == Some(spelling.name))
    };
    // The tritone is in common use under both its names.
    readings.sort_by_key(|reading| {
        let foreign = 2 - of_harmony(reading.low, low) - of_harmony(reading.high, high);
        let unusual = Some(reading.interval) != usual && reading.interval.semitones() % 12 != 6;
        (foreign, unusual)
    });
    readings
}

/// `note` as `key` writes it; outside the key as `harmony` does, if it contains it.
pub fn spell_in(note: MidiNote, key: Key, harmony: Option<&Chord>) -> Spelling {
    spellings(note, key, harmony).first().copied().unwrap_or_else(|| key.spell(note))
}

/// The names of one note, the best first: outside the key that of `harmony`, then the key's own.
fn spellings(note: MidiNote, key: Key, harmony: Option<&Chord>) -> Vec<Spelling> {
    let own = key.spell(note);
    if key.contains(note.0 % 12) {
        return vec![own];
    }
    let other = match own.name.accidental() {
        0 => None,
        1 => NoteName::from_fifths(own.name.fifths() - 12),
        _ => NoteName::from_fifths(own.name.fifths() + 12),
    };
    // Double accidentals are harder to read than what they would be right about.
    let chords = harmony.and_then(|chord| chord.name_of(note));
    let chords = chords.filter(|name| name.accidental().abs() < 2);
    let mut spellings: Vec<Spelling> = [chords, Some(own.name), other]
        .into_iter()
        .flatten()
        .filter_map(|name| Spelling::of(note, name))
        .collect();
    spellings.dedup();
    spellings
}

/// The name of `notes`, lowest first, if they are doublings of at most two: `D in octaves`,
/// `major sixth with D doubled`.
fn name_doubled(notes: &[MidiNote], key: Option<Key>) -> Option<String> {
    let low = *notes.first()?;
    let is_low = |note: &&MidiNote| note.0 % 12 == low.0 % 12;
    let Some(&other) = notes.iter().find(|note| !is_low(note)) else {
        return Some(format!("{} in octaves", spell(low, key).name));
    };
    let n_low = notes.iter().filter(is_low).count();
    let n_other = notes.iter().filter(|note| note.0 % 12 == other.0 % 12).count();
    if n_low + n_other < notes.len() {
        return None;
    }
    let doubled: Vec<_> = [(low, n_low), (other, n_other)]
        .iter()
        .filter(|(_, count)| *count > 1)
        .map(|(note, _)| spell(*note, key).name.to_string())
        .collect();
    Some(format!("{} with {} doubled", interval_name(low, other, key)?, doubled.join(" and ")))
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

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Omission {
    None,
    Fifth,
    RootOrFifth,
}

/// Names three or more notes as a chord, if it has a name.
pub fn name_chord(notes: &[MidiNote], key: Option<Key>) -> Option<ChordName> {
    let bass = notes.iter().min()?.0 % 12;
    if notes.len() < 3 {
        return None;
    }
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
    let name = |pitch_class: u8| key.map_or(NoteName::sharp(pitch_class), |k| k.name(pitch_class));
    let without_root = omitted & 1 != 0;
    let over = (bass != root && !without_root).then(|| name(bass));
    let chord = Chord::new(name(root), KINDS[kind].0, over).expect("the table holds valid symbols");
    Some(ChordName { chord, without_root, without_fifth: omitted & 1 << 7 != 0 })
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
    (above & !wanted == 0 && omitted & !omissible == 0).then_some(omitted)
}
