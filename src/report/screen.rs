//! A session as a screen: a page of a lesson book over a ruled table of readings.
//!
//! **Conventions.** Cents are signed whole numbers with their error; the scale beside them runs
//! from flat on the left to sharp on the right, half a semitone each way. A first guess is marked `?`.
//! Meaning is in words and signs; colours of the terminal's own sixteen only repeat it, and no
//! background is set.
//! **Limits.** Made for 80 columns and 24 lines; smaller windows lose the older lines of the table.

use std::borrow::Cow;
use std::collections::BTreeMap;

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::style::Color;
use ratatui::style::Modifier;
use ratatui::style::Style;
use ratatui::text::Line;
use ratatui::text::Span;
use ratatui::widgets::Paragraph;

use super::Colour;
use super::Page;
use super::live;
use super::tally::OutOfTune;
use super::tally::missing_outright;
use super::tally::out_of_tune;
use crate::engine::Stage;
use crate::lick::Lick;
use crate::lick::mark::Mark;
use crate::lick::place::escaped;
use crate::practice::verdict::HeardNote;
use crate::practice::verdict::Pitch;
use crate::practice::verdict::Status;
use crate::practice::verdict::StepJudgement;
use crate::practice::verdict::Verdict;
use crate::theory::note::MidiNote;
use crate::units::Cents;

/// Lines kept for messages, so that the table stays where it is.
const MESSAGE_LINES: usize = 2;
/// What a scale shows to either side.
const SCALE_CENTS: f64 = 50.0;
/// The quietest level on the meter.
const METER_FROM_DB: f64 = -60.0;
/// Louder peaks are near clipping.
const LOUD_DB: f64 = -3.0;

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
    fn height(&self) -> usize {
        self.names.len() + 1
    }
}

impl Column {
    fn width(&self) -> usize {
        let marks = self.marks.iter().map(String::len);
        marks.chain([self.number.to_string().len()]).max().unwrap_or(1) + 2
    }
}

/// How loud the input is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// Mean level of late, in decibels of full scale.
    pub mean_db: f64,
    /// Highest sample of late, in decibels of full scale.
    pub peak_db: f64,
    /// Whether samples were at full scale of late.
    pub clipped: bool,
}

/// What is known of a step that was struck.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// How much of it had been heard for this judgement.
    pub stage: Stage,
    /// The judgement.
    pub judgement: StepJudgement,
}

/// Everything the screen shows.
#[derive(Debug)]
pub struct View<'a> {
    /// The lick, for its names.
    pub page: &'a Page,
    /// The lick, as tab.
    pub staff: &'a Staff,
    /// Where in the session: `pass 2 of 5`.
    pub place: String,
    /// Pace and speed: `60 % = 50 beats a minute`.
    pub pace: String,
    /// Number of the step that is due.
    pub due: Option<usize>,
    /// Whether strikes are told early or late: they are beside a click.
    pub timed: bool,
    /// What was heard for each step of this pass, by its number; `None` for one the click left
    /// behind.
    pub heard: &'a BTreeMap<usize, Option<Reading>>,
    /// Passes so far, the latest last.
    pub passes: &'a [String],
    /// The input.
    pub level: Level,
    /// What there is to say, the latest last.
    pub messages: &'a [String],
    /// Keys and what they do.
    pub keys: &'a [(&'static str, &'static str)],
    /// Whether colours may be used.
    pub colour: Colour,
}

/// Draws the screen.
pub fn draw(frame: &mut Frame<'_>, view: &View<'_>) {
    let area = frame.area();
    let (width, height) = (usize::from(area.width), usize::from(area.height));
    let mut top = vec![view.heading(width), rule(width)];
    // The table and what stands below it matter more than the tab.
    if height >= top.len() + view.staff.height() + 10 {
        top.extend(view.staff(width));
        top.push(rule(width));
    }
    let bottom = view.foot(width);
    let room = height.saturating_sub(top.len() + bottom.len());
    let table = view.table(width, room);
    let blank = room.saturating_sub(table.len());
    let lines: Vec<Line<'_>> = top
        .into_iter()
        .chain(table)
        .chain(std::iter::repeat_n(Line::default(), blank))
        .chain(bottom)
        .take(height)
        .collect();
    frame.render_widget(Paragraph::new(lines), Rect { x: 0, y: 0, ..area });
}

impl View<'_> {
    fn painted(&self, colour: Color) -> Style {
        match self.colour {
            Colour::Plain => Style::new(),
            Colour::Ansi => Style::new().fg(colour),
        }
    }

    fn of_verdict(&self, verdict: Verdict) -> Style {
        match verdict {
            Verdict::Right => self.painted(Color::Green),
            Verdict::Wrong => self.painted(Color::Red),
            Verdict::Incomplete => self.painted(Color::Yellow),
            Verdict::NotPlayed | Verdict::Unsure => Style::new(),
        }
    }

    fn heading(&self, width: usize) -> Line<'static> {
        let right = format!("{}   {}", self.place, self.pace);
        let title: String = escaped(&self.page.title).chars().take(width / 2).collect();
        let gap = width.saturating_sub(title.chars().count() + right.chars().count()).max(2);
        let bold = Style::new().add_modifier(Modifier::BOLD);
        Line::from(vec![Span::styled(title, bold), Span::raw(" ".repeat(gap)), Span::raw(right)])
    }

    /// The line of tab that holds the due step, with its number above every step.
    fn staff(&self, width: usize) -> Vec<Line<'static>> {
        let margin = self.staff.names.iter().map(String::len).max().unwrap_or(0);
        let columns = self.staff_line(width.saturating_sub(margin + 2));
        let mut lines = Vec::new();
        let due = |column: &Column| Some(column.number) == self.due;
        let style = |column: &Column| match due(column) {
            true => Style::new().add_modifier(Modifier::REVERSED),
            false => Style::new(),
        };
        let mut numbers = vec![Span::raw(" ".repeat(margin + 1))];
        for column in columns {
            if column.begins_bar {
                numbers.push(Span::raw(" "));
            }
            let text = format!("{:^1$}", self.number(column), column.width());
            numbers.push(Span::styled(text, style(column)));
        }
        lines.push(Line::from(numbers));
        for (string, name) in self.staff.names.iter().enumerate().rev() {
            let mut spans = vec![Span::raw(format!("{name:<margin$}|"))];
            for column in columns {
                if column.begins_bar {
                    spans.push(Span::raw("|"));
                }
                let mark = column.marks.get(string).map_or("", String::as_str);
                let width = column.width();
                spans.push(Span::styled(format!("{mark:-^width$}"), style(column)));
            }
            spans.push(Span::raw("|"));
            lines.push(Line::from(spans));
        }
        lines
    }

    /// The step's number, marked where it is due: without colour or reverse video it shows too.
    fn number(&self, column: &Column) -> String {
        match Some(column.number) == self.due {
            true => format!(">{}", column.number),
            false => column.number.to_string(),
        }
    }

    /// As many columns as fit, in lines that always break at the same places.
    fn staff_line(&self, room: usize) -> &[Column] {
        let columns = &self.staff.columns;
        let (mut start, mut used) = (0, 0);
        for (index, column) in columns.iter().enumerate() {
            let wide = column.width() + usize::from(column.begins_bar);
            if used + wide > room && index > start {
                if self.due.is_none_or(|due| due < column.number) {
                    return &columns[start..index];
                }
                (start, used) = (index, 0);
            }
            used += wide;
        }
        &columns[start..]
    }

    fn table(&self, width: usize, room: usize) -> Vec<Line<'static>> {
        // What stands beside the scale; it has a middle.
        let beside = if self.timed { 69 } else { 55 };
        let scale = (width.saturating_sub(beside + 1) / 2 * 2 + 1).clamp(11, 41);
        let half = scale / 2;
        let timing = if self.timed { "      timing  " } else { "" };
        let head = format!(
            "step  asked  heard  cents    {:<half$}0{:>half$}  note          {timing}verdict",
            "-50", "+50"
        );
        let steps: Vec<Vec<Line<'static>>> = self
            .heard
            .iter()
            .map(|(number, found)| match found {
                Some(found) => self.rows(found, scale),
                None => vec![Line::from(format!("{number:>4}  not played"))],
            })
            .collect();
        // The latest steps, each as a whole.
        let mut left = room.saturating_sub(1);
        let mut from = steps.len();
        while from > 0 && steps[from - 1].len() <= left {
            from -= 1;
            left -= steps[from].len();
        }
        let bold = Style::new().add_modifier(Modifier::BOLD);
        let mut lines = vec![Line::styled(head, bold)];
        lines.extend(steps.into_iter().skip(from).flatten());
        lines.truncate(room);
        lines
    }

    /// One line a note.
    fn rows(&self, found: &Reading, scale: usize) -> Vec<Line<'static>> {
        let judgement = &found.judgement;
        let mut cells: Vec<_> =
            judgement.heard.iter().map(|note| (order(note), self.note(note, scale))).collect();
        cells.extend(missing_outright(judgement).map(|missing| {
            let [heard, cents] = ["-", ""].map(str::to_owned);
            let asked = self.page.name(missing.note);
            ((0, missing.note), [asked, heard, cents, empty_scale(scale), "missing".to_owned()])
        }));
        cells.sort_by_key(|(order, _)| *order);
        let word = match judgement.verdict {
            Verdict::Right => "right",
            Verdict::Wrong => "wrong",
            Verdict::Incomplete => "incomplete",
            Verdict::NotPlayed => "not played",
            Verdict::Unsure => "unsure",
        };
        let guess = if found.stage == Stage::Early { "?" } else { "" };
        let timing = judgement.timing_ms.map(live::lateness);
        let mut lines = Vec::new();
        for (index, (_, [asked, heard, cents, scale, note])) in cells.into_iter().enumerate() {
            let first = index == 0;
            let step = if first { judgement.step.to_string() } else { String::new() };
            let mut text =
                format!("{step:>4}  {asked:<5}  {heard:<5}  {cents:<7}  {scale}  {note:<12}  ");
            if self.timed {
                let timing = timing.as_deref().filter(|_| first).unwrap_or_default();
                text += &format!("{timing:>12}  ");
            }
            let verdict = if first { format!("{word}{guess}") } else { String::new() };
            lines.push(Line::from(vec![
                Span::raw(text),
                Span::styled(verdict, self.of_verdict(judgement.verdict)),
            ]));
        }
        lines
    }

    fn note(&self, note: &HeardNote, scale: usize) -> [String; 5] {
        let name = self.page.name(note.pitch.note);
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
                let asked = self.page.name(instead_of.note);
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

    fn foot(&self, width: usize) -> Vec<Line<'static>> {
        let passes = match self.passes {
            [] => "No pass finished yet".to_owned(),
            [.., last] => format!("{last}  ({} finished)", self.passes.len()),
        };
        let keys = self.keys.iter().flat_map(|&(key, what)| {
            let bold = Style::new().add_modifier(Modifier::BOLD);
            [Span::styled(key, bold), Span::raw(format!(" {what}   "))]
        });
        let mut lines = vec![rule(width), Line::from(passes), self.meter(width)];
        lines.extend(self.said(width).into_iter().map(Line::from));
        lines.push(Line::from(keys.collect::<Vec<_>>()));
        lines
    }

    /// The latest message whole, and those before it as far as [`MESSAGE_LINES`] reach.
    fn said(&self, width: usize) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for message in self.messages.iter().rev() {
            let wrapped = textwrap::wrap(message, width);
            if !lines.is_empty() && lines.len() + wrapped.len() > MESSAGE_LINES {
                break;
            }
            lines.splice(..0, wrapped.into_iter().map(Cow::into_owned));
        }
        lines.resize(lines.len().max(MESSAGE_LINES), String::new());
        lines
    }

    fn meter(&self, width: usize) -> Line<'static> {
        let Level { mean_db, peak_db, clipped } = self.level;
        // The figures and the longest word take 54 columns.
        let length = width.saturating_sub(54).clamp(10, 40);
        let place = |db: f64| {
            let share = ((db - METER_FROM_DB) / -METER_FROM_DB).clamp(0.0, 1.0);
            (share * length as f64).round() as usize
        };
        let (mean, peak) = (place(mean_db), place(peak_db));
        let bar: String = (0..length)
            .map(|at| match at {
                at if at < mean => '=',
                at if at + 1 == peak => '|',
                _ => '.',
            })
            .collect();
        let word = match (clipped, peak_db) {
            (true, _) => "clipping: turn it down",
            (_, peak) if peak > LOUD_DB => "very loud",
            (_, peak) if peak < METER_FROM_DB => "silence",
            _ => "",
        };
        let peak = peak_db.max(-99.0).round() as i64;
        let style = if clipped { self.painted(Color::Red) } else { Style::new() };
        Line::from(vec![
            Span::raw(format!("Input -60 {bar} 0 dB, peak {peak:>3} dB  ")),
            Span::styled(word, style),
        ])
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

fn rule(width: usize) -> Line<'static> {
    Line::from("─".repeat(width))
}

fn cents(pitch: &Pitch) -> String {
    // Through an integer, so that −0.4 ct prints as `+0`, never as `-0`.
    let cents = pitch.cents.0.round() as i64;
    match pitch.cents_error {
        Some(error) => format!("{cents:+} ±{}", error.0.ceil().max(1.0) as i64),
        None => format!("{cents:+}"),
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
    use crate::lick;
    use crate::report::sample;
    use ratatui::Terminal;
    use ratatui::backend::TestBackend;

    fn drawn(width: u16, height: u16, colour: Colour) -> String {
        let lick = lick::find("slate-staircase").expect("an embedded lick");
        let take = sample::take();
        let page = sample::page();
        let stage = Stage::Settled;
        let heard = take.steps.iter().filter(|step| step.start_s.is_some()).map(|step| {
            let found = Reading { stage, judgement: step.clone() };
            (step.step, Some(found))
        });
        let view = View {
            page: &page,
            staff: &Staff::of(&lick, 1, lick.steps.len()),
            place: "pass 2 of 5".to_owned(),
            pace: "60 % = 60 beats a minute".to_owned(),
            due: Some(7),
            timed: true,
            heard: &heard.collect(),
            passes: &["Pass 1: 6 of 8 steps right".to_owned()],
            level: Level { mean_db: -30.0, peak_db: -1.0, clipped: true },
            messages: &["The input was lost".to_owned()],
            keys: &[("q", "stop and report")],
            colour,
        };
        let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("in memory");
        terminal.draw(|frame| draw(frame, &view)).expect("in memory");
        let buffer = terminal.backend().buffer();
        if colour == Colour::Plain {
            let painted = buffer.content().iter().any(|cell| cell.fg != Color::Reset);
            assert!(!painted, "colour where none may be");
        }
        assert!(buffer.content().iter().all(|cell| cell.bg == Color::Reset), "a background is set");
        let cells: Vec<&str> = buffer.content().iter().map(|cell| cell.symbol()).collect();
        let lines =
            cells.chunks(usize::from(width)).map(|line| line.concat().trim_end().to_owned());
        lines.collect::<Vec<_>>().join("\n")
    }

    #[test]
    fn everything_is_on_a_screen_of_80_by_24() {
        let screen = drawn(80, 24, Colour::Plain);
        assert_eq!(screen.lines().count(), 24);
        for part in [
            "Ferry landing sixths",
            "pass 2 of 5   60 % = 60 beats a minute",
            ">7",
            "E|-5-",
            "D4     D4     +0 ±1",
            "-50",
            "◆",
            "Pass 1: 6 of 8 steps right  (1 finished)",
            "clipping: turn it down",
            "The input was lost",
            "q stop and report",
        ] {
            assert!(screen.contains(part), "no {part:?} on\n{screen}");
        }
        let longest = screen.lines().map(|line| line.chars().count()).max();
        assert!(longest <= Some(80), "\n{screen}");
    }

    #[test]
    fn the_same_words_stand_there_with_and_without_colour() {
        assert_eq!(drawn(100, 30, Colour::Plain), drawn(100, 30, Colour::Ansi));
    }

    #[test]
    fn notes_stand_as_they_were_asked_for_and_words_say_when() {
        let screen = drawn(80, 40, Colour::Plain);
        let row = |part: &str| {
            let found = screen.lines().position(|line| line.contains(part));
            found.unwrap_or_else(|| panic!("no {part:?} on\n{screen}"))
        };
        assert_eq!(row("2 ms late") + 2, row("8 ms early"), "{screen}");
        assert_eq!(row("not E4") + 2, row("extra"), "{screen}");
        assert!(row("31 ms late") == row("not E4") && row("on time") > row("extra"), "{screen}");
        assert!(row("missing") == row("8 ms early") + 1, "{screen}");
        assert!(screen.lines().all(|line| line.chars().count() <= 80), "{screen}");
    }

    #[test]
    fn small_windows_do_no_harm() {
        for (width, height) in [(1, 1), (20, 5), (40, 12), (80, 10), (200, 60)] {
            let screen = drawn(width, height, Colour::Ansi);
            assert_eq!(
                screen.lines().count().max(1),
                usize::from(height).max(1).min(screen.lines().count().max(1))
            );
        }
        assert!(drawn(80, 10, Colour::Plain).contains("q stop and report"));
    }

    #[test]
    fn a_reading_stands_where_it_belongs() {
        assert_eq!(reading(Cents(0.4), 11), "─────◆─────");
        assert_eq!(reading(Cents(50.0), 11), "─────┼────◆");
        assert_eq!(reading(Cents(-400.0), 11), "◆────┼─────");
        assert_eq!(reading(Cents(-20.0), 11), "───◆─┼─────");
    }
}
