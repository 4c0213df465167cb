//! Chord symbols as MusicXML has them.

use super::xml::Element;
use crate::theory::chord::Chord;
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

/// The `<harmony>` of a chord; the suffix stands in it as written.
pub(super) fn element(chord: &Chord) -> Element {
    let kind = KINDS.iter().find(|(suffix, _)| *suffix == chord.suffix());
    let kind = kind.map_or("other", |(_, kind)| kind);
    let kind = Element::new("kind").with("text", chord.suffix()).holding(kind);
    let bass = chord.bass().map(|bass| name("bass", bass));
    Element::new("harmony").add(name("root", chord.root())).add(kind).add_all(bass)
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
