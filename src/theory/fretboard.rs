//! Strings, frets and the notes that lie there.

use super::note::MidiNote;
use super::spelling::NoteName;
use super::spelling::Spelling;

/// Tunings that players call by name (common practice), lowest string first.
const CALLED: [(&str, &str); 8] = [
    ("drop d", "D A D G B E"),
    ("double drop d", "D A D G B D"),
    ("drop c", "C G C F A D"),
    ("open c", "C G C G C E"),
    ("open d", "D A D F# A D"),
    ("open e", "E B E G# B E"),
    ("open g", "D G D G B D"),
    ("open a", "E A E A C# E"),
];

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

    /// Six open strings of these pitch classes, each the nearest to the usual one; `None` for another number.
    pub fn nearest_usual(pitch_classes: &[u8]) -> Option<Self> {
        let usual = Self::default().0;
        let nearest = |(&class, usual): (&u8, &MidiNote)| {
            let up = (12 + class - usual.0 % 12) % 12;
            MidiNote(if up > 6 { usual.0 + up - 12 } else { usual.0 + up })
        };
        let open = pitch_classes.iter().zip(&usual).map(nearest).collect();
        (pitch_classes.len() == usual.len()).then_some(Self(open))
    }

    /// How the tuning is written that somebody means who leaves octaves out (`E A D G B E`, `DADGAD`) or calls
    /// it by name (`drop D`); the usual tuning where that is not clear.
    pub fn written_out(text: &str) -> String {
        let called = text.trim().to_lowercase();
        let called = CALLED.iter().find(|(name, _)| *name == called).map(|(_, names)| *names);
        let mut names = names_in(called.unwrap_or(text)).unwrap_or_default();
        let spelled = with_octaves(&names).or_else(|| {
            names.reverse();
            with_octaves(&names)
        });
        let usual = || Self::default().0.into_iter().map(Spelling::sharp).collect();
        let spelled: Vec<Spelling> = spelled.unwrap_or_else(usual);
        spelled.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
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

/// The names in `text`, whether blanks part them or not, each with its octave if it tells one.
fn names_in(text: &str) -> Option<Vec<(NoteName, Option<i8>)>> {
    let mut names = Vec::new();
    let mut rest = text.trim_start().to_owned();
    while let Some(first) = rest.chars().next() {
        // Players write the highest string small.
        rest.replace_range(..first.len_utf8(), &first.to_uppercase().to_string());
        let (name, behind) = NoteName::strip(&rest)?;
        let after = behind.trim_start_matches(|c: char| c.is_ascii_digit());
        let octave = &behind[..behind.len() - after.len()];
        let octave = if octave.is_empty() { None } else { Some(octave.parse().ok()?) };
        names.push((name, octave));
        rest = after.trim_start_matches(|c: char| c.is_whitespace() || c == ',').to_owned();
    }
    Some(names)
}

/// `names` with the octaves nearest to the usual ones, if that makes every string higher than the one before.
fn with_octaves(names: &[(NoteName, Option<i8>)]) -> Option<Vec<Spelling>> {
    let classes: Vec<u8> = names.iter().map(|(name, _)| name.pitch_class()).collect();
    let nearest = Tuning::nearest_usual(&classes)?;
    let spelled = names.iter().zip(nearest.0).map(|(&(name, octave), note)| match octave {
        Some(octave) => Some(Spelling { name, octave }),
        None => Spelling::of(note, name),
    });
    let spelled: Vec<Spelling> = spelled.collect::<Option<_>>()?;
    let sounds: Vec<MidiNote> = spelled.iter().filter_map(|spelling| spelling.midi()).collect();
    let rises = sounds.len() == spelled.len() && sounds.is_sorted_by(|low, high| low < high);
    rises.then_some(spelled)
}

/// Distance from the nut to `fret` as a part of the string's length: `1 − 2^(−fret / 12)`.
///
/// The rule of equal temperament for frets; 0 at the nut, ½ at the twelfth fret.
pub fn fret_position(fret: Fret) -> f64 {
    1.0 - (-f64::from(fret.0) / 12.0).exp2()
}
