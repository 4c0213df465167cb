//! The lick as tab, the line of it that holds the step that is due.

use ratatui::style::Modifier;
use ratatui::style::Style;
use ratatui::text::Line;
use ratatui::text::Span;

use crate::lick::Lick;
use crate::lick::mark::Mark;

/// The lick as tab, in columns.
#[derive(Debug, Clone)]
pub struct Staff {
    /// Open strings, lowest first.
    names: Vec<String>,
    columns: Vec<Column>,
}

#[derive(Debug, Clone)]
struct Column {
    number: usize,
    /// One mark for each string, lowest first.
    marks: Vec<String>,
    begins_bar: bool,
}

impl Staff {
    /// The steps of `lick` from number `from` to number `to`.
    pub fn of(lick: &Lick, from: usize, to: usize) -> Self {
        let names = lick.open_names().iter().map(|open| open.name.to_string()).collect();
        let bar_beats = lick.meter.bar_beats();
        let (mut beats, mut bar) = (0.0_f64, None);
        let mut columns = Vec::new();
        for (index, step) in lick.steps.iter().enumerate() {
            let in_bar = ((beats + 1e-9) / bar_beats).floor() as u64;
            beats += step.beats.get();
            if !(from..=to).contains(&(index + 1)) {
                continue;
            }
            let mark = |mark: &Mark| match mark {
                Mark::NotPlayed => String::new(),
                played => played.to_string(),
            };
            columns.push(Column {
                number: index + 1,
                marks: step.marks.iter().map(mark).collect(),
                begins_bar: bar.is_some_and(|bar| bar != in_bar),
            });
            bar = Some(in_bar);
        }
        Self { names, columns }
    }

    /// Lines the staff takes.
    pub(super) fn height(&self) -> usize {
        self.names.len() + 1
    }

    /// The line of tab that holds the due step, with its number above every step.
    pub(super) fn lines(&self, due: Option<usize>, width: usize) -> Vec<Line<'static>> {
        let margin = self.names.iter().map(String::len).max().unwrap_or(0);
        let columns = self.line_with(due, width.saturating_sub(margin + 2));
        let mut lines = Vec::new();
        let style = |column: &Column| match Some(column.number) == due {
            true => Style::new().add_modifier(Modifier::REVERSED),
            false => Style::new(),
        };
        let first = columns.first().map(|column| column.number);
        let has_bar = |column: &Column| column.begins_bar && Some(column.number) != first;
        let after =
            columns.last().and_then(|last| self.columns.iter().find(|c| c.number > last.number));
        // A line that ends within a bar ends without a bar line.
        let end = if after.is_none_or(|column| column.begins_bar) { "|" } else { "" };
        let mut numbers = vec![Span::raw(" ".repeat(margin + 1))];
        for column in columns {
            if has_bar(column) {
                numbers.push(Span::raw(" "));
            }
            let text = format!("{:^1$}", number(column.number, due), column.width());
            numbers.push(Span::styled(text, style(column)));
        }
        lines.push(Line::from(numbers));
        for (string, name) in self.names.iter().enumerate().rev() {
            let mut spans = vec![Span::raw(format!("{name:<margin$}|"))];
            for column in columns {
                if has_bar(column) {
                    spans.push(Span::raw("|"));
                }
                let mark = column.marks.get(string).map_or("", String::as_str);
                let width = column.width();
                spans.push(Span::styled(format!("{mark:-^width$}"), style(column)));
            }
            spans.push(Span::raw(end));
            lines.push(Line::from(spans));
        }
        lines
    }

    /// As many columns as fit, in lines that always break at the same places.
    fn line_with(&self, due: Option<usize>, room: usize) -> &[Column] {
        let columns = &self.columns;
        let (mut start, mut used) = (0, 0);
        for (index, column) in columns.iter().enumerate() {
            let wide = column.width() + usize::from(column.begins_bar);
            if used + wide > room && index > start {
                if due.is_none_or(|due| due < column.number) {
                    return &columns[start..index];
                }
                (start, used) = (index, 0);
            }
            used += wide;
        }
        &columns[start..]
    }
}

impl Column {
    fn width(&self) -> usize {
        let marks = self.marks.iter().map(String::len);
        marks.chain([self.number.to_string().len()]).max().unwrap_or(1) + 2
    }
}

/// A step's number, marked where it is due: without colour or reverse video it shows too.
pub(super) fn number(number: usize, due: Option<usize>) -> String {
    match Some(number) == due {
        true => format!(">{number}"),
        false => number.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two bars of four steps of four cells each, in windows that hold four, three and eight of them.
    #[test]
    fn bar_lines_stand_where_bars_end_only() {
        let steps = "{ beats = 1, frets = \"x x x 12 12 x\" },\n".repeat(8);
        let text = format!(
            "title = \"t\"\nkey = \"C major\"\ntempo = 90\nmeter = \"4/4\"\nsteps = [\n{steps}]\n"
        );
        let lick = Lick::parse(&text, "t.toml").expect("a lick");
        let line = |due, width| Staff::of(&lick, 1, 8).lines(Some(due), width)[3].to_string();
        assert_eq!(line(1, 19), "G|-12--12--12--12-|");
        assert_eq!(line(5, 20), "G|-12--12--12--12-|");
        assert_eq!(line(1, 15), "G|-12--12--12-");
        assert_eq!(line(4, 16), "G|-12-|-12--12-");
        assert_eq!(line(1, 40), "G|-12--12--12--12-|-12--12--12--12-|");
    }
}
