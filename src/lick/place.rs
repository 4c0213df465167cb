//! Places in a text, and how they are shown.
//!
//! **Conventions.** Lines and columns count from 1, columns in characters.

use std::ops::Range;

use miette::GraphicalReportHandler;
use miette::GraphicalTheme;
use miette::LabeledSpan;
use miette::MietteDiagnostic;
use miette::NamedSource;
use miette::Report;
use textwrap::core::display_width;

/// Lines beyond this are not drawn whole; the drawing library fails beyond 65535 columns.
const LONG_LINE: usize = 500;
/// Most and least characters shown on either side of a place in a long line.
const AROUND: std::ops::RangeInclusive<usize> = 8..=40;
/// Cells before a line beside its number.
const GUTTER: usize = 4;

/// A place in a text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// The file, or another name of the text.
    pub name: String,
    /// Line, 1 for the first.
    pub line: usize,
    /// Column in characters, 1 for the first.
    pub column: usize,
    /// The bytes that are meant.
    pub span: Range<usize>,
    /// The whole text.
    pub text: String,
}

impl Place {
    pub(super) fn new(name: &str, text: &str, span: Range<usize>) -> Box<Self> {
        let start = char_boundary(text, span.start);
        let end = char_boundary(text, span.end).max(start);
        let before = &text[..start];
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        Box::new(Self {
            name: name.to_owned(),
            line: before.matches('\n').count() + 1,
            column: before[line_start..].chars().count() + 1,
            span: start..end,
            text: text.to_owned(),
        })
    }

    /// The lines around the place with the place underlined; only what is next to it where a line is
    /// longer than `width` cells, since a mark under a broken line would point elsewhere.
    pub fn excerpt(&self, width: Option<usize>) -> String {
        printable(&self.drawing(width))
    }

    fn drawing(&self, width: Option<usize>) -> String {
        let room = width.map_or(LONG_LINE, |width| {
            width.saturating_sub(GUTTER + (self.line + 1).to_string().len()).min(LONG_LINE)
        });
        let is_long = |line: &str| line.len() > LONG_LINE || display_width(line) > room;
        let line_end = self.text[self.span.start..].find('\n');
        let end = line_end.map_or(self.span.end, |end| self.span.end.min(self.span.start + end));
        if self.text.lines().skip(self.line.saturating_sub(2)).take(3).any(is_long) {
            return self.clipped((room / 2).clamp(*AROUND.start(), *AROUND.end()));
        }
        let label = LabeledSpan::new_with_span(None, self.span.start..end);
        let report = Report::new(MietteDiagnostic::new("").with_labels([label]))
            .with_source_code(NamedSource::new(escaped(&self.name), self.text.clone()));
        let mut drawn = String::new();
        let handler = GraphicalReportHandler::new_themed(GraphicalTheme::unicode_nocolor())
            .with_context_lines(1)
            .with_width(100);
        if handler.render_report(&mut drawn, report.as_ref()).is_err() {
            return String::new();
        }
        // The first line would repeat the message; the drawing begins with the file's name.
        drawn.find("╭─").map_or_else(String::new, |corner| {
            let start = drawn[..corner].rfind('\n').map_or(0, |newline| newline + 1);
            drawn[start..].trim_end().to_owned()
        })
    }

    /// The characters `around` the place with a caret under it.
    fn clipped(&self, around: usize) -> String {
        let line = self.text.lines().nth(self.line - 1).unwrap_or_default();
        let start = self.column.saturating_sub(around + 1);
        let shown: String = line.chars().skip(start).take(2 * around).collect();
        let before: String = shown.chars().take(self.column - 1 - start).collect();
        let number = self.line.to_string();
        let caret = number.len() + GUTTER + display_width(&before);
        format!(" {number} │ {shown}\n{:caret$}^", "")
    }
}

/// The last place at or before `byte` where `text` can be cut.
fn char_boundary(text: &str, byte: usize) -> usize {
    (0..=byte.min(text.len())).rev().find(|&at| text.is_char_boundary(at)).unwrap_or(0)
}

/// Text of a lick, or the name of a file, as it is shown to people: on one line, control characters
/// written as escapes, since a terminal would obey them.
pub fn escaped(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() { shown.extend(c.escape_default()) } else { shown.push(c) }
    }
    shown
}

/// As [`escaped`], keeping lines and columns.
pub(super) fn printable(text: &str) -> String {
    text.replace(|c: char| c.is_control() && c != '\n', "\u{fffd}")
}
