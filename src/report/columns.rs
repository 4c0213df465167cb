//! Text in columns: how wide it stands on a terminal, and how it is broken where a terminal is narrow.
//!
//! **Conventions.** Widths are in cells of a terminal: most characters take one, East Asian wide ones
//! two, combining ones none (Unicode Standard Annex 11). Escape sequences of colours take none.

use textwrap::Options;
use textwrap::WordSplitter;
use textwrap::core::display_width;

/// A column narrower than this is no place to go on in.
const NARROWEST: usize = 16;

/// Cells that `text` takes.
pub fn width(text: &str) -> usize {
    display_width(text)
}

/// `text` with blanks behind it up to `cells`.
pub fn padded(text: &str, cells: usize) -> String {
    format!("{text}{}", " ".repeat(cells.saturating_sub(width(text))))
}

/// As much of the beginning of `text` as fits in `cells`.
pub fn cut(text: &str, cells: usize) -> &str {
    let ends = text.char_indices().map(|(at, _)| at).chain([text.len()]);
    let fitting = ends.take_while(|&end| width(&text[..end]) <= cells);
    &text[..fitting.last().unwrap_or(0)]
}

/// As much of the end of `name` as fits in `cells`, for there the names of takes differ.
pub(super) fn shortened(name: &str, cells: usize) -> String {
    if width(name) <= cells {
        return name.to_owned();
    }
    let mut ends = name.char_indices().map(|(at, _)| &name[at..]);
    let end = ends.find(|end| width(end) < cells).unwrap_or_default();
    format!("…{end}")
}

/// `cell` in lines of at most `cells`, broken after commas where that will do, else at blanks.
pub(super) fn wrapped(cell: &str, cells: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for part in cell.split_inclusive(", ").map(str::trim_end) {
        match lines.last_mut() {
            Some(line) if width(line) + 1 + width(part) <= cells => {
                line.push(' ');
                line.push_str(part);
            }
            _ => lines.extend(at_blanks(part, cells)),
        }
    }
    lines
}

/// `text` with its lines broken at `cells`. What goes on stands under the last column, or under an
/// earlier one if that leaves no room; columns are what two blanks part. Ruled lines are cut.
pub fn folded(text: &str, cells: usize) -> String {
    let lines = text.lines().map(|line| {
        if width(line) <= cells {
            return line.to_owned();
        }
        if line.chars().all(|c| c == '─') {
            return cut(line, cells).to_owned();
        }
        let letters = line.char_indices().filter(|(_, c)| *c != ' ').map(|(at, _)| at);
        let mut starts = letters.filter(|at| line[..*at].ends_with("  "));
        let roomy = |at: &usize| width(&line[..*at]) + NARROWEST <= cells;
        let (before, last) = line.split_at(starts.rfind(roomy).unwrap_or(0));
        let indent = width(before);
        let broken = match indent {
            0 => at_blanks(last, cells),
            _ => wrapped(last, cells - indent),
        };
        format!("{before}{}", broken.join(&format!("\n{}", " ".repeat(indent))))
    });
    lines.map(|line| line + "\n").collect()
}

/// Words stay whole, even those that are too long.
fn at_blanks(text: &str, cells: usize) -> Vec<String> {
    let options = Options::new(cells)
        .word_separator(textwrap::WordSeparator::AsciiSpace)
        .word_splitter(WordSplitter::NoHyphenation)
        .break_words(false);
    textwrap::wrap(text, options).into_iter().map(String::from).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widths_are_those_of_a_terminal() {
        // A wide character, a letter with a combining accent, a colour.
        for (text, cells) in [("道a", 3), ("e\u{301}", 1), ("\x1b[32mright\x1b[0m", 5)] {
            assert_eq!(width(text), cells, "{text:?}");
            assert_eq!(padded(text, 6), format!("{text}{}", " ".repeat(6 - cells)));
        }
        for (cells, beginning) in
            [(0, ""), (1, ""), (2, "道"), (3, "道a\u{301}"), (9, "道a\u{301}b")]
        {
            assert_eq!(cut("道a\u{301}b", cells), beginning, "{cells}");
        }
        assert_eq!(shortened("ferry-12.wav", 12), "ferry-12.wav");
        assert_eq!(shortened("ferry-12.wav", 8), "…-12.wav");
        assert_eq!(shortened("道道道.wav", 7), "…道.wav");
    }

    #[test]
    fn lines_go_on_under_the_last_column() {
        let text = "step  asked   verdict\n──────────────────────────────────────\n   1  D4 B4   wrong: one two three four five\n";
        let folded = folded(text, 36);
        let expected = "step  asked   verdict\n────────────────────────────────────\n   1  D4 B4   wrong: one two three\n              four five\n";
        assert_eq!(folded, expected, "\n{folded}");
        let far = "name                           is some more words";
        assert_eq!(super::folded(far, 40), "name                           is some\nmore words\n");
        assert_eq!(super::folded("one, two three", 10), "one, two\nthree\n");
        assert_eq!(super::folded("E|-7--5--3----|", 8), "E|-7--5--3----|\n");
    }

    #[test]
    fn notes_stay_whole_as_long_as_they_fit() {
        assert_eq!(wrapped("D4 +0 ±1, F#4 -2 ±1", 12), ["D4 +0 ±1,", "F#4 -2 ±1"]);
        assert_eq!(wrapped("D4 +0 ±1, F#4 -2 ±1", 30), ["D4 +0 ±1, F#4 -2 ±1"]);
        assert_eq!(wrapped("then F#4 -2 ±1", 9), ["then F#4", "-2 ±1"]);
    }
}
