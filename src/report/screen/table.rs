//! The table of readings: the latest steps, a line a note.

use ratatui::style::Modifier;
use ratatui::style::Style;
use ratatui::text::Line;
use ratatui::text::Span;

use super::HeardStep;
use super::View;
use super::staff;
use crate::engine::Stage;
use crate::practice::verdict::HeardNote;
use crate::practice::verdict::Status;
use crate::report::live;
use crate::report::tally::OutOfTune;
use crate::report::tally::missing_outright;
use crate::report::tally::out_of_tune;
use crate::report::text::cents;
use crate::report::word;
use crate::theory::names::Names;
use crate::theory::note::MidiNote;
use crate::units::Cents;

/// What a scale shows to either side.
const SCALE_CENTS: f64 = 50.0;
/// Narrowest and widest scale; it has a middle.
const SCALE: [usize; 2] = [11, 41];
/// Step, what was asked for, what was heard and the longest verdict.
const ALWAYS: usize = 30;

/// Widths of the columns before the verdict: step, asked, heard, cents, scale, note, timing; 0 for one
/// that has no room.
#[derive(Debug, Clone, Copy)]
struct Columns([usize; 7]);

impl Columns {
    /// What is told twice goes first: the scale tells the cents, the word by the note what was heard.
    fn of(width: usize, timed: bool) -> Self {
        let mut left = width.saturating_sub(ALWAYS);
        let mut room_for = |wide: usize| {
            let fits = wide + 2 <= left;
            left = if fits { left - wide - 2 } else { 0 };
            if fits { wide } else { 0 }
        };
        let cents = room_for(7);
        let timing = if timed { room_for(12) } else { 0 };
        let note = room_for(12);
        let scale = match room_for(SCALE[0]) {
            0 => 0,
            least => (least + left / 2 * 2).min(SCALE[1]),
        };
        Self([4, 5, 5, cents, scale, note, timing])
    }

    fn scale(&self) -> usize {
        self.0[4]
    }

    fn head(&self) -> String {
        let half = self.scale() / 2;
        let scale = format!("{:<half$}0{:>half$}", "-50", "+50");
        self.line(["step", "asked", "heard", "cents", &scale, "note", "      timing"]) + "verdict"
    }

    fn line(&self, cells: [&str; 7]) -> String {
        let cells = cells.iter().zip(self.0).filter(|(_, width)| *width > 0);
        cells.map(|(cell, width)| format!("{cell:<width$}  ")).collect()
    }
}

impl View<'_> {
    /// The latest steps, the last one at any rate, and below them, unless the staff shows it, what is
    /// next.
    pub(super) fn table(&self, width: usize, room: usize, with_next: bool) -> Vec<Line<'static>> {
        let columns = Columns::of(width, self.timed);
        let bold = Style::new().add_modifier(Modifier::BOLD);
        let next = self.due.filter(|_| with_next).map(|due| {
            let tab = due.checked_sub(1).and_then(|index| self.page.tabs.get(index));
            let tab = tab.map_or("", String::as_str);
            Line::styled(format!("{:>4}  next: {tab}", staff::number(due, self.due)), bold)
        });
        let steps: Vec<Vec<Line<'static>>> = self
            .heard
            .iter()
            .map(|(number, found)| match found {
                Some(found) => self.rows(found, &columns),
                None => vec![Line::from(format!("{number:>4}  not played"))],
            })
            .collect();
        let mut left = room.saturating_sub(1 + next.iter().len());
        let mut rows = Vec::new();
        for (ago, mut step) in steps.into_iter().rev().enumerate() {
            // Only the last may be cut: its verdict stands on its first line.
            if step.len() > left && ago > 0 {
                break;
            }
            step.truncate(left);
            left -= step.len();
            rows.splice(..0, step);
        }
        let mut lines = vec![Line::styled(columns.head(), bold)];
        lines.extend(rows.into_iter().chain(next));
        lines.truncate(room);
        lines
    }

    /// One line a note.
    fn rows(&self, found: &HeardStep, columns: &Columns) -> Vec<Line<'static>> {
        let (judgement, scale) = (&found.judgement, columns.scale());
        let names = self.page.names_in(judgement.step);
        let heard = judgement.heard.iter();
        let mut cells: Vec<_> =
            heard.map(|note| (order(note), self.note(note, names, scale))).collect();
        cells.extend(missing_outright(judgement).map(|missing| {
            let [heard, cents] = ["-", ""].map(str::to_owned);
            let asked = names.spell(missing.note).to_string();
            ((0, missing.note), [asked, heard, cents, empty_scale(scale), "missing".to_owned()])
        }));
        cells.sort_by_key(|(order, _)| *order);
        let word = word(judgement.verdict);
        let guess = if found.stage == Stage::Early { "?" } else { "" };
        let timing = judgement.timing_ms.map(live::lateness);
        let mut lines = Vec::new();
        for (index, (_, [asked, heard, cents, scale, note])) in cells.into_iter().enumerate() {
            let first = index == 0;
            let step = if first { judgement.step.to_string() } else { String::new() };
            let timing = timing.as_deref().filter(|_| first).unwrap_or_default();
            let (step, timing) = (format!("{step:>4}"), format!("{timing:>12}"));
            let text = columns.line([&step, &asked, &heard, &cents, &scale, &note, &timing]);
            let verdict = if first { format!("{word}{guess}") } else { String::new() };
            lines.push(Line::from(vec![
                Span::raw(text),
                Span::styled(verdict, self.of_verdict(judgement.verdict)),
            ]));
        }
        lines
    }

    fn note(&self, note: &HeardNote, names: &Names, scale: usize) -> [String; 5] {
        let name = names.spell(note.pitch.note).to_string();
        let (asked, word) = match note.status {
            Status::Right => (
                name.clone(),
                match out_of_tune(note, self.page.tolerance) {
                    Some(OutOfTune::Sharp) => "right, sharp".to_owned(),
                    Some(OutOfTune::Flat) => "right, flat".to_owned(),
                    None => "right".to_owned(),
                },
            ),
            Status::Wrong { instead_of } => {
                let asked = names.spell(instead_of.note).to_string();
                (asked.clone(), format!("not {asked}"))
            }
            Status::Extra => (String::new(), "extra".to_owned()),
            Status::Ringing => (String::new(), "rings on".to_owned()),
        };
        if note.status == Status::Ringing {
            return [asked, name, String::new(), " ".repeat(scale), word];
        }
        [asked, name, cents(&note.pitch), reading(note.pitch.cents, scale), word]
    }
}

/// Notes that were asked for come first, low to high, so that both of a double stop stand where the
/// hand has them; then what was struck beside them, what they moved on to, what only rings.
fn order(note: &HeardNote) -> (u8, MidiNote) {
    match note.status {
        Status::Right if note.start_s.is_some() => (2, note.pitch.note),
        Status::Right => (0, note.pitch.note),
        Status::Wrong { instead_of } => (0, instead_of.note),
        Status::Extra => (1, note.pitch.note),
        Status::Ringing => (3, note.pitch.note),
    }
}

fn empty_scale(width: usize) -> String {
    let half = width / 2;
    format!("{0}┼{0}", "─".repeat(half))
}

/// A ruled line with the reading on it.
fn reading(cents: Cents, width: usize) -> String {
    let half = (width / 2) as f64;
    let at = (half + (cents.0 / SCALE_CENTS).clamp(-1.0, 1.0) * half).round() as usize;
    empty_scale(width).chars().enumerate().map(|(i, c)| if i == at { '◆' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reading_stands_where_it_belongs() {
        assert_eq!(reading(Cents(0.4), 11), "─────◆─────");
        assert_eq!(reading(Cents(50.0), 11), "─────┼────◆");
        assert_eq!(reading(Cents(-400.0), 11), "◆────┼─────");
        assert_eq!(reading(Cents(-20.0), 11), "───◆─┼─────");
    }
}
