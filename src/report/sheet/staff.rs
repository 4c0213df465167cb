//! The lick as a staff of tab with its rhythm, drawn.

use maud::Markup;
use maud::html;

use super::rhythm;
use super::rhythm::Beat;
use crate::lick::Lick;
use crate::lick::Meter;
use crate::lick::Step;
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
/// Below the lowest string: stems, interval names, numbers of steps.
const BELOW: f64 = 62.0;
/// Before the first step: names of the strings.
const MARGIN: f64 = 26.0;
/// At the head of the first system: the metre.
const METER: f64 = 14.0;
/// How far a system may be drawn out to fill its line.
const LOOSEST: f64 = 1.9;
/// A character of a mark.
const CHARACTER: f64 = 6.5;

/// A step and where it stands.
struct Placed<'a> {
    x: f64,
    step: &'a Step,
    facts: &'a StepFacts,
}

/// One line of the page.
#[derive(Default)]
struct System<'a> {
    steps: Vec<Placed<'a>>,
    bars: Vec<f64>,
    end: f64,
}

impl System<'_> {
    /// Draws the system out to the width of the page, within reason.
    fn fill(&mut self) {
        let factor = ((WIDTH - RIGHT - MARGIN) / (self.end - MARGIN)).min(LOOSEST);
        let drawn_out = |x: f64| MARGIN + (x - MARGIN) * factor;
        self.steps.iter_mut().for_each(|placed| placed.x = drawn_out(placed.x));
        self.bars.iter_mut().for_each(|x| *x = drawn_out(*x + 4.0));
        self.end = drawn_out(self.end);
    }
}

/// All systems of the lick.
pub(super) fn systems(lick: &Lick, facts: &[StepFacts]) -> Markup {
    let mut systems: Vec<System<'_>> = Vec::new();
    let mut bar = 0;
    let mut first_of_bar = 0;
    for (index, (step, fact)) in lick.steps.iter().zip(facts).enumerate() {
        let width = advance(step);
        if fact.bar != bar {
            first_of_bar = index;
            // A bar stays in one piece where it fits a line of its own.
            let rest = lick.steps.iter().zip(facts).skip(index);
            let whole: f64 =
                rest.take_while(|(_, f)| f.bar == fact.bar).map(|(step, _)| advance(step)).sum();
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
            bar = fact.bar;
        } else if systems.last().is_some_and(|system| system.end + width > WIDTH)
            && index > first_of_bar
        {
            systems.push(System { end: MARGIN, ..System::default() });
        }
        if let Some(system) = systems.last_mut() {
            system.steps.push(Placed { x: system.end + width / 2.0, step, facts: fact });
            system.end += width;
        }
    }
    for system in &mut systems {
        system.fill();
    }
    let last = systems.len().saturating_sub(1);
    html! {
        @for (index, system) in systems.iter().enumerate() {
            (draw(lick, system, index == 0, index == last))
        }
    }
}

/// The width of a step: longer ones wider, as engravers space them, and never too narrow for its
/// marks.
fn advance(step: &Step) -> f64 {
    let longest = step.marks.iter().map(|mark| mark.to_string().len()).max().unwrap_or(1);
    let chord = step.chord.as_ref().map_or(0, |chord| chord.to_string().len());
    let text = CHARACTER * longest.max(chord) as f64 + 10.0;
    (34.0 * step.beats.get().min(8.0).sqrt()).max(text).max(22.0)
}

fn draw(lick: &Lick, system: &System<'_>, first: bool, last: bool) -> Markup {
    let n = lick.tuning.n_strings();
    let y_of = |string: usize| ABOVE + GAP * (n - 1 - string) as f64;
    let bottom = y_of(0);
    let names = lick.open_names();
    let beats: Vec<Beat> = system.steps.iter().map(|placed| beat(placed, lick.meter)).collect();
    html! {
        svg.staff viewBox=(format!("0 0 {WIDTH} {}", bottom + BELOW)) role="img" aria-label="Tab" {
            @for (string, name) in names.iter().enumerate() {
                text x="0" y=(round(y_of(string) + 3.5)) font-size="9" { (name.name) }
                (line(MARGIN - 10.0, y_of(string), system.end, y_of(string), 0.5))
            }
            @for x in system.bars.iter().copied().chain([MARGIN - 10.0, system.end]) {
                (line(x, ABOVE, x, bottom, 1.0))
            }
            @if first {
                @let middle = (ABOVE + bottom) / 2.0;
                (label(MARGIN, middle - 3.0, 18.0, &lick.meter.count.to_string()))
                (label(MARGIN, middle + 13.0, 18.0, &lick.meter.unit.to_string()))
            }
            @if last { (line(system.end + 4.0, ABOVE, system.end + 4.0, bottom, 3.0)) }
            @for placed in &system.steps {
                @if let Some(chord) = &placed.step.chord {
                    (label(placed.x, 9.0, 11.0, &chord.to_string()))
                }
                @for (string, mark) in placed.step.marks.iter().enumerate() {
                    @if *mark != Mark::NotPlayed { (number(placed.x, y_of(string), &mark.to_string())) }
                }
                @if let Some(name) = interval(placed.facts) {
                    (label(placed.x, bottom + 46.0, 10.0, &name))
                }
                (label(placed.x, bottom + 58.0, 8.0, &placed.facts.number.to_string()))
            }
            (rhythm::draw(&beats, (ABOVE + bottom) / 2.0, bottom + 6.0))
        }
    }
}

/// A step as its rhythm goes. Beams join what lies in one beat: in a quarter note, or in three
/// eighths where the metre counts eighths by threes.
fn beat(placed: &Placed<'_>, meter: Meter) -> Beat {
    let by_threes = meter.unit == 8 && meter.count.is_multiple_of(3);
    let beat_quarters = if by_threes { 1.5 } else { 1.0 };
    let quarters = (placed.facts.beat - 1.0) * 4.0 / f64::from(meter.unit);
    // A hair short of the beat is on it, and no bar holds a thousand beats.
    let group = 1000 * placed.facts.bar + (quarters / beat_quarters + 1e-6) as usize;
    let rest = placed.step.marks.iter().all(|mark| *mark == Mark::NotPlayed);
    Beat { x: placed.x, length: placed.step.beats, rest, group }
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
