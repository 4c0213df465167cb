//! Where tuplets begin and end, so that programs draw their numbers and brackets.
//!
//! **Conventions.** A tuplet ends where its notes together last as long as plain ones could: three
//! triplet eighths a quarter, a triplet quarter and an eighth too. One that a bar line or another length
//! cuts short stays without a bracket.
//! **Reference.** MusicXML 4.0, `tuplet` and `time-modification`.

use std::ops::Range;

use super::xml::Element;
use crate::notation::ticks::gcd;

/// Marks the tuplets in the content of a bar, at `division` ticks to the quarter note.
pub(super) fn mark(bar: &mut [Element], division: u64) {
    for Range { start, end } in groups(bar, division) {
        for (at, kind) in [(start, "start"), (end, "stop")] {
            let tuplet = Element::new("tuplet").with("type", kind);
            notations(&mut bar[at]).children.push(tuplet);
        }
    }
}

/// The first and the last note of every tuplet, by their places in the bar.
fn groups(bar: &[Element], division: u64) -> Vec<Range<usize>> {
    let mut groups = Vec::new();
    let mut open: Option<(usize, u64, &str)> = None;
    let is_timed = |note: &&Element| note.name == "note" && note.child("chord").is_none();
    for (at, note) in bar.iter().enumerate().filter(|(_, element)| is_timed(element)) {
        let actual = note.path(&["time-modification", "actual-notes"]).map(Element::text);
        let Some(actual) = actual else {
            open = None;
            continue;
        };
        let (first, before, _) = open.filter(|(.., of)| *of == actual).unwrap_or((at, 0, actual));
        let ticks =
            before + note.child_text("duration").and_then(|t| t.parse::<u64>().ok()).unwrap_or(0);
        let is_whole = (division / gcd(ticks, division)).is_power_of_two();
        if is_whole {
            groups.push(first..at);
        }
        open = (!is_whole).then_some((first, ticks, actual));
    }
    groups
}

/// The notations of a note, made if it has none: they stand before the lyric.
fn notations(note: &mut Element) -> &mut Element {
    let place =
        |note: &Element, name: &str| note.children.iter().position(|child| child.name == name);
    let at = place(note, "notations").unwrap_or_else(|| {
        let at = place(note, "lyric").unwrap_or(note.children.len());
        note.children.insert(at, Element::new("notations"));
        at
    });
    &mut note.children[at]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Notes of so many ticks, 12 to the quarter; those that no power of two divides are triplets.
    fn marked(ticks: &[u64]) -> String {
        let mut bar: Vec<Element> = Vec::new();
        for &ticks in ticks {
            let of_three = Element::new("time-modification").text_child("actual-notes", 3);
            let modified = (!ticks.is_multiple_of(3)).then_some(of_three);
            let note = Element::new("note").text_child("duration", ticks);
            bar.push(note.add_all(modified).add(Element::new("lyric")));
            bar.push(Element::new("note").add(Element::new("chord")));
        }
        mark(&mut bar, 12);
        let sign = |note: &Element| {
            let kinds = note.child("notations").into_iter().flat_map(|n| n.named("tuplet"));
            let kinds: Vec<&str> = kinds.filter_map(|tuplet| tuplet.attribute("type")).collect();
            match kinds[..] {
                [] => '.',
                ["start"] => '(',
                ["stop"] => ')',
                _ => '?',
            }
        };
        assert!(bar.iter().skip(1).step_by(2).all(|chord| sign(chord) == '.'));
        let last = |note: &Element| note.children.last().map(|child| child.name.clone());
        assert!(bar.iter().step_by(2).all(|note| last(note).as_deref() == Some("lyric")));
        bar.iter().step_by(2).map(sign).collect()
    }

    /// Any primer of notation: three eighths, a quarter and an eighth, three quarters make a triplet.
    #[test]
    fn tuplets_end_where_they_are_whole() {
        for (ticks, wanted) in [
            (&[4, 4, 4, 12][..], "(.)."),
            (&[4, 4, 4, 4, 4, 4], "(.)(.)"),
            (&[8, 4, 4, 8], "()()"),
            (&[8, 8, 8], "(.)"),
            (&[12, 6, 6], "..."),
            // Cut short by another length, and by the end of the bar.
            (&[4, 4, 12, 4], "...."),
            (&[2, 2, 2], "(.)"),
        ] {
            assert_eq!(marked(ticks), wanted, "{ticks:?}");
        }
    }
}
