//! A session as a screen: a page of a lesson book over a ruled table of readings.
//!
//! **Conventions.** Cents are signed whole numbers with their error; the scale beside them runs
//! from flat on the left to sharp on the right, half a semitone each way. A first guess is marked `?`.
//! Meaning is in words and signs; colours of the terminal's own sixteen only repeat it, and no
//! background is set.
//! **Limits.** Made for 80 columns and 24 lines. A smaller window loses what is needed least: the tab
//! (what is next is then told below the table), rules, passes and so on; a narrower one columns. What
//! was heard last and its verdict are there down to 30 columns and 4 lines.

mod staff;
mod table;

pub use staff::Staff;

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
use super::columns;
use crate::engine::Stage;
use crate::lick::place::escaped;
use crate::practice::verdict::StepJudgement;
use crate::practice::verdict::Verdict;

/// Lines of the table at least: its head, the last double stop, and what is next.
const TABLE_LINES: usize = 4;
/// Lines kept for messages, so that the table stays where it is.
const MESSAGE_LINES: usize = 2;
/// Cells of a long title at least.
const SHORTEST_TITLE: usize = 8;
/// The quietest level on the meter.
const METER_FROM_DB: f64 = -60.0;
/// Louder peaks are near clipping.
const LOUD_DB: f64 = -3.0;

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
pub struct HeardStep {
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
    pub heard: &'a BTreeMap<usize, Option<HeardStep>>,
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

/// What stands around the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    Heading,
    Rules,
    Staff,
    Passes,
    Meter,
    Messages,
    Keys,
}

/// All of it, in the order in which a window without room for all does without.
const PARTS: [Part; 7] = [
    Part::Staff,
    Part::Rules,
    Part::Passes,
    Part::Meter,
    Part::Heading,
    Part::Keys,
    Part::Messages,
];

/// Draws the screen.
pub fn draw(frame: &mut Frame<'_>, view: &View<'_>) {
    let area = frame.area();
    let (width, height) = (usize::from(area.width), usize::from(area.height));
    let needed = |parts: &[Part]| {
        let beside = parts.iter().map(|part| view.height(*part));
        beside.sum::<usize>() + TABLE_LINES
    };
    let mut parts = &PARTS[..];
    while needed(parts) > height
        && let [_, more_needed @ ..] = parts
    {
        parts = more_needed;
    }
    let spare = height.saturating_sub(needed(parts));
    let lines = |part: Part| match parts.contains(&part) {
        true => view.lines(part, width, spare),
        false => Vec::new(),
    };
    let top = [Part::Heading, Part::Rules, Part::Staff].map(lines).concat();
    let bottom = [Part::Rules, Part::Passes, Part::Meter, Part::Messages, Part::Keys];
    let bottom = bottom.map(lines).concat();
    let room = height.saturating_sub(top.len() + bottom.len());
    let mut table = view.table(width, room, !parts.contains(&Part::Staff));
    table.resize(room, Line::default());
    let lines = [top, table, bottom].concat();
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
        let mut title = escaped(&self.page.title);
        // The pass and its tempo are news, the title is not: it gives way, but for its beginning.
        let room = width.saturating_sub(columns::width(&right) + 2).max(SHORTEST_TITLE);
        if columns::width(&title) > room {
            title = format!("{}…", columns::cut(&title, room - 1));
        }
        let gap = width.saturating_sub(columns::width(&title) + columns::width(&right)).max(2);
        let bold = Style::new().add_modifier(Modifier::BOLD);
        Line::from(vec![Span::styled(title, bold), Span::raw(" ".repeat(gap)), Span::raw(right)])
    }

    /// Lines of `part`, as many as it has in any window that shows it.
    fn height(&self, part: Part) -> usize {
        match part {
            Part::Staff => self.staff.height() + 1,
            Part::Rules => 2,
            Part::Messages => MESSAGE_LINES,
            Part::Passes | Part::Meter | Part::Heading | Part::Keys => 1,
        }
    }

    /// Only messages take lines that are to `spare`; of the rules, above and below the table, this is one.
    fn lines(&self, part: Part, width: usize, spare: usize) -> Vec<Line<'static>> {
        match part {
            Part::Heading => vec![self.heading(width)],
            Part::Rules => vec![rule(width)],
            Part::Staff => [self.staff.lines(self.due, width), vec![rule(width)]].concat(),
            Part::Passes => vec![Line::from(match self.passes {
                [] => "No pass finished yet".to_owned(),
                [.., last] => format!("{last}  ({} finished)", self.passes.len()),
            })],
            Part::Meter => vec![self.meter(width)],
            Part::Messages => {
                self.said(width, MESSAGE_LINES + spare).into_iter().map(Line::from).collect()
            }
            Part::Keys => {
                let bold = Style::new().add_modifier(Modifier::BOLD);
                let keys = self.keys.iter().flat_map(|&(key, what)| {
                    [Span::styled(key, bold), Span::raw(format!(" {what}   "))]
                });
                vec![Line::from(keys.collect::<Vec<_>>())]
            }
        }
    }

    /// The latest message whole, as far as `most` lines reach, and those before it as far as
    /// [`MESSAGE_LINES`] do.
    fn said(&self, width: usize, most: usize) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for message in self.messages.iter().rev() {
            let wrapped = textwrap::wrap(message, width);
            if !lines.is_empty() && lines.len() + wrapped.len() > MESSAGE_LINES {
                break;
            }
            lines.splice(..0, wrapped.into_iter().map(Cow::into_owned));
        }
        lines.resize(lines.len().clamp(MESSAGE_LINES, most), String::new());
        lines
    }

    fn meter(&self, width: usize) -> Line<'static> {
        let Level { mean_db, peak_db, clipped } = self.level;
        // The figures and the longest word take 54 columns; a shorter bar tells nothing.
        let length = match width.saturating_sub(54).min(40) {
            0..10 => 0,
            length => length,
        };
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
        let text = match length {
            0 => format!("Peak {peak:>3} dB  "),
            _ => format!("Input -60 {bar} 0 dB, peak {peak:>3} dB  "),
        };
        Line::from(vec![Span::raw(text), Span::styled(word, style)])
    }
}

fn rule(width: usize) -> Line<'static> {
    Line::from("─".repeat(width))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lick;
    use crate::report::sample;
    use ratatui::Terminal;
    use ratatui::backend::TestBackend;

    fn drawn(width: u16, height: u16, colour: Colour) -> String {
        drawn_as(&sample::page(), width, height, colour)
    }

    fn drawn_as(page: &Page, width: u16, height: u16, colour: Colour) -> String {
        let lick = lick::find("slate-staircase").expect("an embedded lick");
        let take = sample::take();
        let stage = Stage::Settled;
        let heard = take.steps.iter().filter(|step| step.start_s.is_some()).map(|step| {
            let found = HeardStep { stage, judgement: step.clone() };
            (step.step, Some(found))
        });
        let view = View {
            page,
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
    fn a_title_of_any_length_leaves_room_for_the_pass() {
        for (title, shown) in [("", ""), ("Ferry", "Ferry"), (&"道".repeat(99), "道 道 道")] {
            let page = Page { title: title.to_owned(), ..sample::page() };
            for width in [80, 60, 52] {
                let screen = drawn_as(&page, width, 24, Colour::Plain);
                let heading = screen.lines().next().unwrap_or_default();
                assert!(heading.starts_with(shown), "{heading}");
                assert!(heading.ends_with("pass 2 of 5   60 % = 60 beats a minute"), "{heading}");
                assert_eq!(heading.contains('…'), title.len() > 5, "{heading}");
            }
        }
    }

    #[test]
    fn windows_of_any_size_do_no_harm() {
        for (width, height) in (1..=120).step_by(7).zip((1..=30).cycle()) {
            drawn(width, height, Colour::Ansi);
            drawn(width, 30, Colour::Ansi);
        }
    }

    /// What was heard last and what is next; of a narrow window the verdict too.
    #[test]
    fn a_small_window_keeps_the_last_verdict_and_what_is_next() {
        for (width, height) in [(80, 10), (60, 12), (40, 8), (30, 6), (30, 4)] {
            let screen = drawn(width, height, Colour::Ansi);
            let last = screen.lines().find(|line| line.starts_with("   7  A3     A3"));
            assert!(
                last.is_some_and(|line| line.ends_with("unsure")),
                "{width}x{height}\n{screen}"
            );
            assert!(screen.contains("  >7  next: x x x 2 3 x"), "{width}x{height}\n{screen}");
            let cents = screen.contains("A3     +1 ±1");
            assert!(cents || width < 39, "{width}x{height}\n{screen}");
        }
        let small = drawn(80, 10, Colour::Ansi);
        for part in ["The input was lost", "q stop and report", "clipping", "pass 2 of 5"] {
            assert!(small.contains(part), "no {part:?} on\n{small}");
        }
        let screen = drawn(80, 24, Colour::Ansi);
        assert!(!screen.contains("next:"), "the staff shows it\n{screen}");
    }
}
