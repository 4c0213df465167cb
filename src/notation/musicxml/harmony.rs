//! Chord symbols as MusicXML has them.

use super::xml::Element;
use crate::theory::chord::Chord;
use crate::theory::interval::Interval;
use crate::theory::interval::Quality;
use crate::theory::spelling::NoteName;

/// Suffixes of chord symbols and the `kind-value` of MusicXML 4.0 that means the same. The first
/// suffix of a kind is the one it is read as.
const KINDS: [(&str, &str); 40] = [
    ("", "major"),
    ("maj", "major"),
    ("M", "major"),
    ("m", "minor"),
    ("min", "minor"),
    ("-", "minor"),
    ("aug", "augmented"),
    ("+", "augmented"),
    ("dim", "diminished"),
    ("°", "diminished"),
    ("o", "diminished"),
    ("7", "dominant"),
    ("maj7", "major-seventh"),
    ("M7", "major-seventh"),
    ("m7", "minor-seventh"),
    ("min7", "minor-seventh"),
    ("-7", "minor-seventh"),
    ("dim7", "diminished-seventh"),
    ("°7", "diminished-seventh"),
    ("aug7", "augmented-seventh"),
    ("+7", "augmented-seventh"),
    ("m7b5", "half-diminished"),
    ("ø", "half-diminished"),
    ("ø7", "half-diminished"),
    ("m(maj7)", "major-minor"),
    ("mM7", "major-minor"),
    ("6", "major-sixth"),
    ("m6", "minor-sixth"),
    ("9", "dominant-ninth"),
    ("maj9", "major-ninth"),
    ("m9", "minor-ninth"),
    ("11", "dominant-11th"),
    ("maj11", "major-11th"),
    ("m11", "minor-11th"),
    ("13", "dominant-13th"),
    ("maj13", "major-13th"),
    ("m13", "minor-13th"),
    ("sus2", "suspended-second"),
    ("sus4", "suspended-fourth"),
    ("5", "power"),
];

/// The `<harmony>` of a chord; the suffix stands in it as written, and what its kind does not hold of the
/// chord as degrees that are not printed beside it.
pub(super) fn element(chord: &Chord) -> Element {
    let (kind, degrees) = kind_and_degrees(chord);
    let kind = Element::new("kind").with("text", chord.suffix()).holding(kind);
    let bass = chord.bass().map(|bass| name("bass", bass));
    let degrees = degrees.into_iter().map(|Degree { value, alter, what }| {
        Element::new("degree")
            .with("print-object", "no")
            .text_child("degree-value", value)
            .text_child("degree-alter", alter)
            .text_child("degree-type", what)
    });
    Element::new("harmony").add(name("root", chord.root())).add(kind).add_all(bass).add_all(degrees)
}

/// A `<degree>`: `alter` is told against the tone of the kind that it takes the place of, of an added one
/// against a dominant chord.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Degree {
    value: u8,
    alter: i8,
    what: &'static str,
}

/// The kind that means the suffix, else the one that takes the fewest degrees.
fn kind_and_degrees(chord: &Chord) -> (&'static str, Vec<Degree>) {
    if let Some((_, kind)) = KINDS.iter().find(|(suffix, _)| *suffix == chord.suffix()) {
        return (kind, Vec::new());
    }
    // The standard's thirteenths hold an eleventh, ours do not.
    let bases = KINDS.iter().filter(|(_, kind)| !kind.ends_with("13th"));
    let described = bases.filter_map(|(suffix, kind)| {
        let base = Chord::new(chord.root(), suffix, None).ok()?;
        Some((*kind, degrees(chord.tones(), base.tones())))
    });
    // Programs differ in which seventh an added one is (music21 10.5 takes the major one).
    let is_unclear = |degree: &&Degree| degree.value == 7 && degree.what == "add";
    let cost = |degrees: &[Degree]| (degrees.iter().filter(is_unclear).count(), degrees.len());
    described.min_by_key(|(_, degrees)| cost(degrees)).expect("there are kinds")
}

/// What has to be done to the tones `base` of a kind to have `tones`.
fn degrees(tones: &[Interval], base: &[Interval]) -> Vec<Degree> {
    let apart = |one: Interval, other: Interval| one.semitones() as i8 - other.semitones() as i8;
    let mut spare: Vec<Interval> =
        base.iter().copied().filter(|tone| !tones.contains(tone)).collect();
    let mut degrees = Vec::new();
    for &tone in tones.iter().filter(|tone| !base.contains(tone)) {
        let value = tone.number();
        let replaced = spare.iter().position(|other| other.number() == value);
        let (alter, what) = match replaced.map(|index| spare.remove(index)) {
            Some(other) => (apart(tone, other), "alter"),
            None => (apart(tone, of_dominant(value)), "add"),
        };
        degrees.push(Degree { value, alter, what });
    }
    degrees.extend(spare.iter().map(|tone| Degree {
        value: tone.number(),
        alter: 0,
        what: "subtract",
    }));
    degrees
}

/// The tone of that number of a dominant chord: major or perfect, but for the seventh.
fn of_dominant(number: u8) -> Interval {
    let qualities =
        if number == 7 { [Quality::Minor; 2] } else { [Quality::Perfect, Quality::Major] };
    let tone = qualities.into_iter().find_map(|quality| Interval::new(quality, number));
    tone.expect("every number is perfect or major")
}

fn name(role: &str, note: NoteName) -> Element {
    let alter = (note.accidental() != 0)
        .then(|| Element::new(&format!("{role}-alter")).holding(note.accidental()));
    Element::new(role).text_child(&format!("{role}-step"), note.letter()).add_all(alter)
}

/// The chord of a `<harmony>`; `None` if it is none that a lick knows.
pub(super) fn chord(harmony: &Element) -> Option<Chord> {
    let root = read_name(harmony.child("root")?, "root")?;
    let bass = match harmony.child("bass") {
        Some(bass) => Some(read_name(bass, "bass")?),
        None => None,
    };
    let kind = harmony.child("kind")?;
    if let Some(text) = kind.attribute("text")
        && let Ok(chord) = Chord::new(root, text, bass)
    {
        return Some(chord);
    }
    let (suffix, _) = KINDS.iter().find(|(_, value)| *value == kind.text())?;
    let degrees: Option<String> = harmony.named("degree").map(degree).collect();
    Chord::new(root, &format!("{suffix}{}", degrees?), bass).ok()
}

/// A `<degree>` as part of a suffix: `b9`, `add9`, `no5`.
fn degree(degree: &Element) -> Option<String> {
    let value = degree.child_text("degree-value")?;
    let alter = match degree.child_text("degree-alter")? {
        "1" => "#",
        "-1" => "b",
        _ => "",
    };
    Some(match (degree.child_text("degree-type")?, alter) {
        ("subtract", _) => format!("no{value}"),
        ("add", "") => format!("add{value}"),
        _ => format!("{alter}{value}"),
    })
}

fn read_name(element: &Element, role: &str) -> Option<NoteName> {
    let step = element.child_text(&format!("{role}-step"))?;
    let sign = match element.child_text(&format!("{role}-alter")).unwrap_or("0") {
        "-2" => "bb",
        "-1" => "b",
        "0" => "",
        "1" => "#",
        "2" => "##",
        _ => return None,
    };
    format!("{step}{sign}").parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `kind-value`, `degree-alter` and `degree-type` of MusicXML 4.0: an altered degree is told against the
    /// kind's own, an added one against a dominant chord.
    #[test]
    fn chords_that_are_no_kind_are_a_kind_with_degrees() {
        for (symbol, kind, expected) in [
            ("D6/9", "major-sixth", vec![(9, 0, "add")]),
            ("Dm6/9", "minor-sixth", vec![(9, 0, "add")]),
            ("Dadd9", "major", vec![(9, 0, "add")]),
            ("D7b9", "dominant", vec![(9, -1, "add")]),
            ("D7#9", "dominant", vec![(9, 1, "add")]),
            ("D7sus4", "dominant", vec![(4, 0, "add"), (3, 0, "subtract")]),
            ("D7b5", "dominant", vec![(5, -1, "alter")]),
            ("Dmaj7#11", "major-seventh", vec![(11, 1, "add")]),
            ("D13#11", "dominant-ninth", vec![(11, 1, "add"), (13, 0, "add")]),
            ("Dmaj9no5", "major-ninth", vec![(5, 0, "subtract")]),
            ("D7#5", "augmented-seventh", vec![]),
            ("D7", "dominant", vec![]),
        ] {
            let chord: Chord = symbol.parse().expect(symbol);
            let (found, degrees) = kind_and_degrees(&chord);
            let told: Vec<_> = degrees.iter().map(|d| (d.value, d.alter, d.what)).collect();
            assert_eq!((found, told), (kind, expected), "{symbol}");
        }
    }
}
