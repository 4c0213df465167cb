//! The lick as a staff of tab with its rhythm, drawn.

use maud::Markup;
use maud::html;

use super::parts;
use super::parts::Part;
use super::rhythm;
use super::rhythm::Beat;
use crate::lick::Lick;
use crate::lick::Meter;
use crate::lick::facts::StepFacts;
use crate::lick::mark::Mark;

/// Width of a system, in the units of the drawing.
const WIDTH: f64 = 720.0;
/// Right of a system: the second stroke of the last bar line.
const RIGHT: f64 = 6.0;
/// Between two strings.
const GAP: f64 = 11.0;
/// Above the highest string: room for chord symbols.
const ABOVE: f64 = 18.0;
/// Below the lowest string: stems, interval names, numbers of steps, …
const BELOW: f64 = 62.0;
/// … and signs.
const SIGNS: f64 = 12.0;
/// Before the first step: names of the strings.
const MARGIN: f64 = 26.0;
/// At the head of the first system: the metre.
const METER: f64 = 14.0;
/// How far a system may be drawn out to fill its line.
const LOOSEST: f64 = 1.9;
/// A character of a mark.
const CHARACTER: f64 = 6.5;

/// A part of a step and where it stands.
struct Placed<'a> {
    x: f64,
    part: Part<'a>,
}

/// One line of the page.
#[derive(Default)]
struct System<'a> {
    parts: Vec<Placed<'a>>,
    bars: Vec<f64>,
    end: f64,
    /// Whether its last bar goes on in the next line.
    goes_on: bool,
}

impl System<'_> {
    /// Draws the system out to the width of the page, within reason.
    fn fill(&mut self) {
        let factor = ((WIDTH - RIGHT - MARGIN) / (self.end - MARGIN)).min(LOOSEST);
        let drawn_out = |x: f64| MARGIN + (x - MARGIN) * factor;
        self.parts.iter_mut().for_each(|placed| placed.x = drawn_out(placed.x));
        self.bars.iter_mut().for_each(|x| *x = drawn_out(*x + 4.0));
        self.end = drawn_out(self.end);
    }
}

/// All systems of the lick; below the number of each step stands its `sign`, if there are signs.
pub(super) fn systems<'a>(
    lick: &Lick,
    facts: &[StepFacts],
    sign: Option<&dyn Fn(usize) -> &'a str>,
) -> Markup {
    let parts = parts::parts(lick, facts);
    let mut systems: Vec<System<'_>> = Vec::new();
    let mut bar = 0;
    let mut first_of_bar = 0;
    for (index, &part) in parts.iter().enumerate() {
        let width = advance(&part);
        if part.bar != bar {
            first_of_bar = index;
            // A bar stays in one piece where it fits a line of its own.
            let whole = parts[index..].iter().take_while(|other| other.bar == part.bar);
            let whole: f64 = whole.map(advance).sum();
            match systems.last_mut() {
                Some(system) if system.end + whole <= WIDTH => {
                    system.bars.push(system.end);
                    system.end += 8.0;
                }
                _ => {
                    let end = if index == 0 { MARGIN + METER } else { MARGIN };
                    systems.push(System { end, ..System::default() });
                }
            }
            bar = part.bar;
        } else if let Some(system) = systems.last_mut()
            && system.end + width > WIDTH
            && index > first_of_bar
        {
            system.goes_on = true;
            systems.push(System { end: MARGIN, ..System::default() });
        }
        if let Some(system) = systems.last_mut() {
            system.parts.push(Placed { x: system.end + width / 2.0, part });
            system.end += width;
        }
    }
    for system in &mut systems {
        system.fill();
    }
    let last = systems.len().saturating_sub(1);
    html! {
        @for (index, system) in systems.iter().enumerate() {
            (draw(lick, system, sign, index == 0, index == last))
        }
    }
}

/// The width of a part: longer ones wider, as engravers space them, and never too narrow for its
/// marks.
fn advance(part: &Part<'_>) -> f64 {
    let by_length = (34.0 * part.length.min(8.0).sqrt()).max(22.0);
    if !part.is_first {
        return by_length;
    }
    let step = part.step;
    let longest = step.marks.iter().map(|mark| mark.to_string().len()).max().unwrap_or(1);
    let chord = step.chord.as_ref().map_or(0, |chord| chord.to_string().len());
    let name = interval(part.facts).map_or(0, |name| name.chars().count());
    let text = CHARACTER * longest.max(chord).max(name) as f64 + 10.0;
    by_length.max(text)
}

fn draw<'a>(
    lick: &Lick,
    system: &System<'_>,
    sign: Option<&dyn Fn(usize) -> &'a str>,
    first: bool,
    last: bool,
) -> Markup {
    let n = lick.tuning.n_strings();
    let y_of = |string: usize| ABOVE + GAP * (n - 1 - string) as f64;
    let bottom = y_of(0);
    let names = lick.open_names();
    let next = |index: usize| system.parts.get(index + 1).map_or(system.end - 2.0, |next| next.x);
    let placed = system.parts.iter().enumerate();
    let beats: Vec<Beat> =
        placed.map(|(index, placed)| beat(placed, next(index), lick.meter)).collect();
    let closing = (!system.goes_on).then_some(system.end);
    let came_over =
        system.parts.first().filter(|placed| !placed.part.is_first && !placed.part.is_rest());
    let height = bottom + BELOW + if sign.is_some() { SIGNS } else { 0.0 };
    html! {
        svg.staff viewBox=(format!("0 0 {WIDTH} {height}")) role="img" aria-label="Tab" {
            @for (string, name) in names.iter().enumerate() {
                text x="0" y=(round(y_of(string) + 3.5)) font-size="9" { (name.name) }
                (line(MARGIN - 10.0, y_of(string), system.end, y_of(string), 0.5))
            }
            @for x in system.bars.iter().copied().chain([MARGIN - 10.0]).chain(closing) {
                (line(x, ABOVE, x, bottom, 1.0))
            }
            @if first {
                @let middle = (ABOVE + bottom) / 2.0;
                (label(MARGIN, middle - 3.0, 18.0, &lick.meter.count.to_string()))
                (label(MARGIN, middle + 13.0, 18.0, &lick.meter.unit.to_string()))
            }
            @if last { (line(system.end + 4.0, ABOVE, system.end + 4.0, bottom, 3.0)) }
            @for Placed { x, part } in system.parts.iter().filter(|placed| placed.part.is_first) {
                @if let Some(chord) = &part.step.chord { (label(*x, 9.0, 11.0, &chord.to_string())) }
                @for (string, mark) in part.step.marks.iter().enumerate() {
                    @if *mark != Mark::NotPlayed { (number(*x, y_of(string), &mark.to_string())) }
                }
                @if let Some(name) = interval(part.facts) { (label(*x, bottom + 46.0, 10.0, &name)) }
                (label(*x, bottom + 58.0, 8.0, &part.facts.number.to_string()))
                @if let Some(sign) = sign {
                    (label(*x, bottom + 71.0, 11.0, sign(part.facts.number)))
                }
            }
            @if let Some(placed) = came_over {
                (rhythm::tie(MARGIN - 12.0, placed.x, bottom + 6.0))
            }
            (rhythm::draw(&beats, (ABOVE + bottom) / 2.0, bottom + 6.0))
        }
    }
}

/// A part as its rhythm goes, tied over to `next`. Beams join what lies in one beat: in a quarter note, or
/// in three eighths where the metre counts eighths by threes.
fn beat(Placed { x, part }: &Placed<'_>, next: f64, meter: Meter) -> Beat {
    let by_threes = meter.unit == 8 && meter.count.is_multiple_of(3);
    let beat_quarters = if by_threes { 1.5 } else { 1.0 };
    // A hair short of the beat is on it, and no bar holds a thousand beats.
    let group = 1000 * part.bar + (part.at / beat_quarters + 1e-6) as usize;
    Beat {
        x: *x,
        length: part.length,
        value: part.value,
        rest: part.is_rest(),
        group,
        tied_to: part.is_tied.then_some(next),
    }
}

/// What the strike of a step is called for short.
fn interval(facts: &StepFacts) -> Option<String> {
    let moment = facts.moments.first()?;
    match moment.intervals.as_slice() {
        [interval] => Some(interval.short()),
        _ => moment.chord.as_ref().map(|chord| chord.chord.to_string()),
    }
}

/// A number on a string, the line cut out behind it.
fn number(x: f64, y: f64, text: &str) -> Markup {
    let width = CHARACTER * text.len() as f64 + 2.0;
    html! {
        rect x=(round(x - width / 2.0)) y=(round(y - 5.0)) width=(round(width)) height="10" fill="#fff" {}
        (label(x, y + 3.8, 11.0, text))
    }
}

pub(super) fn label(x: f64, y: f64, size: f64, text: &str) -> Markup {
    html! {
        text x=(round(x)) y=(round(y)) font-size=(size) text-anchor="middle" { (text) }
    }
}

pub(super) fn line(x1: f64, y1: f64, x2: f64, y2: f64, width: f64) -> Markup {
    html! {
        line x1=(round(x1)) y1=(round(y1)) x2=(round(x2)) y2=(round(y2)) stroke="#000" stroke-width=(width) {}
    }
}

/// To a tenth of a unit: less is not seen.
pub(super) fn round(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}
