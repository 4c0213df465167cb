//! One name for every note of what sounds together, or one after the other within a step.
//!
//! **Conventions.** Notes of the signature have one name; a black key outside it has two (in C major
//! the note over E may be G# or Ab), and the name that the harmony has for it, if it contains it. Of
//! all ways to name the notes the one is taken that follows the harmony; then the one whose intervals
//! are in common use (E–G#, a major third, before E–Ab, a diminished fourth) and whose chords are
//! spelled in thirds; then the key's own names. Without a key, sharps come first.

use super::chord::Chord;
use super::interval::Interval;
use super::key::Key;
use super::naming::Sense;
use super::note::MidiNote;
use super::spelling::NoteName;
use super::spelling::Spelling;

/// A name for each of the twelve pitch classes, C first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Names([NoteName; 12]);

impl Names {
    /// The names in `key` and `harmony` that suit `moments`, each a set of notes that sound together.
    pub fn of(moments: &[Vec<MidiNote>], key: Option<Key>, harmony: Option<&Chord>) -> Self {
        let choices: [Vec<NoteName>; 12] =
            std::array::from_fn(|class| candidates(class as u8, key, harmony));
        let mut best = Self(std::array::from_fn(|class| choices[class][0]));
        let senses: Vec<Sense> = moments.iter().map(|notes| Sense::of(notes)).collect();
        let mut open: Vec<usize> = Vec::new();
        for class in senses.iter().flat_map(Sense::classes).map(usize::from) {
            if choices[class].len() > 1 && !open.contains(&class) {
                open.push(class);
            }
        }
        let n_ways: usize = open.iter().map(|&class| choices[class].len()).product();
        let mut least = None;
        for way in 0..n_ways {
            let (mut names, mut left, mut later) = (best, way, 0);
            // The note that comes first keeps its best name where others may give way.
            for &class in open.iter().rev() {
                let n_names = choices[class].len();
                names.0[class] = choices[class][left % n_names];
                later += left % n_names;
                left /= n_names;
            }
            let of_harmony = |&&class: &&usize| {
                let name = harmony.and_then(|chord| chord.name_of(MidiNote(class as u8)));
                name == Some(names.0[class])
            };
            let foreign = open.len() - open.iter().filter(of_harmony).count();
            let odd: usize = senses.iter().map(|sense| sense.oddities(&names)).sum();
            let cost = (foreign, odd, later);
            if least.is_none_or(|(known, _)| cost < known) {
                least = Some((cost, names));
            }
        }
        if let Some((_, names)) = least {
            best = names;
        }
        best
    }

    /// The name of a pitch class, in semitones above C.
    pub fn name(&self, pitch_class: u8) -> NoteName {
        self.0[usize::from(pitch_class % 12)]
    }

    /// How `note` is written.
    pub fn spell(&self, note: MidiNote) -> Spelling {
        Spelling::of(note, self.name(note.0)).expect("named by its own pitch class")
    }
}

/// Whether two notes can be written in `key` and `harmony` as `interval`.
pub fn may_be(
    interval: Interval,
    [low, high]: [MidiNote; 2],
    key: Key,
    harmony: Option<&Chord>,
) -> bool {
    let spellings = |note: MidiNote| {
        let names = candidates(note.0 % 12, Some(key), harmony);
        names.into_iter().filter_map(move |name| Spelling::of(note, name))
    };
    spellings(low)
        .any(|low| spellings(high).any(|high| Interval::between(low, high) == Some(interval)))
}

/// The names of a pitch class, the best first: outside the key that of `harmony`, then the key's own.
fn candidates(class: u8, key: Option<Key>, harmony: Option<&Chord>) -> Vec<NoteName> {
    let own = key.map_or_else(|| NoteName::sharp(class), |key| key.name(class));
    if key.is_some_and(|key| key.contains(class)) {
        return vec![own];
    }
    let other = match own.accidental() {
        0 => None,
        1 => NoteName::from_fifths(own.fifths() - 12),
        _ => NoteName::from_fifths(own.fifths() + 12),
    };
    // Double accidentals are harder to read than what they would be right about.
    let chords = harmony.and_then(|chord| chord.name_of(MidiNote(class)));
    let chords = chords.filter(|name| name.accidental().abs() < 2);
    let mut names: Vec<NoteName> = Vec::new();
    for name in [chords, Some(own), other].into_iter().flatten() {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names
}
