//! The lick as a staff of tab with its rhythm, drawn.

use maud::Markup;
use maud::html;

use crate::lick::Lick;
use crate::lick::Step;
use crate::lick::beats::Beats;
use crate::lick::facts::StepFacts;
use crate::lick::mark::Mark;

/// Width of a system, in the units of the drawing.
const WIDTH: f64 = 720.0;
/// Between two strings.
const GAP: f64 = 11.0;
/// Above the highest string: room for chord symbols.
const ABOVE: f64 = 18.0;
/// Below the lowest string: stems, interval names, numbers of steps.
const BELOW: f64 = 58.0;
/// Before the first step: names of the strings.
const MARGIN: f64 = 26.0;
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
        let factor = ((WIDTH - MARGIN) / (self.end - MARGIN)).min(LOOSEST);
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
                _ => systems.push(System { end: MARGIN, ..System::default() }),
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
    html! { @for system in &systems { (draw(lick, system)) } }
}

/// The width of a step: longer ones wider, as engravers space them, and never too narrow for its
/// marks.
fn advance(step: &Step) -> f64 {
    let longest = step.marks.iter().map(|mark| mark.to_string().len()).max().unwrap_or(1);
    let chord = step.chord.as_ref().map_or(0, |chord| chord.to_string().len());
    let text = CHARACTER * longest.max(chord) as f64 + 10.0;
    (34.0 * step.beats.get().min(8.0).sqrt()).max(text).max(22.0)
}

fn draw(lick: &Lick, system: &System<'_>) -> Markup {
    let n = lick.tuning.n_strings();
    let y_of = |string: usize| ABOVE + GAP * (n - 1 - string) as f64;
    let bottom = y_of(0);
    let names = lick.open_names();
    html! {
        svg.staff viewBox=(format!("0 0 {WIDTH} {}", bottom + BELOW)) role="img" aria-label="Tab" {
            @for (string, name) in names.iter().enumerate() {
                text x="0" y=(round(y_of(string) + 3.5)) font-size="9" { (name.name) }
                (line(MARGIN - 10.0, y_of(string), system.end, y_of(string), 0.5))
            }
            @for x in system.bars.iter().copied().chain([MARGIN - 10.0, system.end]) {
                (line(x, ABOVE, x, bottom, 1.0))
            }
            @for placed in &system.steps {
                @if let Some(chord) = &placed.step.chord {
                    (label(placed.x, 9.0, 11.0, &chord.to_string()))
                }
                @for (string, mark) in placed.step.marks.iter().enumerate() {
                    @if *mark != Mark::NotPlayed { (number(placed.x, y_of(string), &mark.to_string())) }
                }
                @if is_rest(placed.step) { (rest(placed.x, (ABOVE + bottom) / 2.0)) }
                (rhythm(placed.x, bottom + 6.0, placed.step.beats))
                @if let Some(name) = interval(placed.facts) {
                    (label(placed.x, bottom + 40.0, 10.0, &name))
                }
                (label(placed.x, bottom + 53.0, 8.0, &placed.facts.number.to_string()))
            }
        }
    }
}

fn is_rest(step: &Step) -> bool {
    step.marks.iter().all(|mark| *mark == Mark::NotPlayed)
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

fn label(x: f64, y: f64, size: f64, text: &str) -> Markup {
    html! {
        text x=(round(x)) y=(round(y)) font-size=(size) text-anchor="middle" { (text) }
    }
}

fn line(x1: f64, y1: f64, x2: f64, y2: f64, width: f64) -> Markup {
    html! {
        line x1=(round(x1)) y1=(round(y1)) x2=(round(x2)) y2=(round(y2)) stroke="#000" stroke-width=(width) {}
    }
}

/// The crooked stroke of a rest; its length stands below like that of any step.
fn rest(x: f64, y: f64) -> Markup {
    html! {
        path d=(format!("M{} {}l5 6l-4 5l5 6", round(x - 2.0), round(y - 9.0))) fill="none" stroke="#000" stroke-width="1.8" {}
    }
}

/// How a length is written: a note value, dots, and the number of its tuplet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Value {
    /// Halvings of a whole note: 2 for a quarter.
    halvings: u32,
    dotted: bool,
    tuplet: Option<u32>,
}

/// The note value of a length; `None` if it takes more than one.
fn value(beats: Beats) -> Option<Value> {
    let (n, d) = (beats.numerator(), beats.denominator());
    for (tuplet, normal) in [(1u32, 1u32), (3, 2), (5, 4), (7, 4)] {
        for dotted in [false, true] {
            let (top, bottom): (u32, u32) = if dotted { (3, 2) } else { (1, 1) };
            for halvings in 0..=6 {
                // 4 quarters, halved so often, dotted, so many in the time of so few.
                let numerator = u64::from(4 * top * normal);
                let denominator = u64::from(bottom * tuplet) << halvings;
                if u64::from(n) * denominator == numerator * u64::from(d) {
                    let tuplet = (tuplet > 1).then_some(tuplet);
                    return Some(Value { halvings, dotted, tuplet });
                }
            }
        }
    }
    None
}

/// Stem, flags, dot and tuplet under a step; the plain number of beats where no value fits.
fn rhythm(x: f64, y: f64, beats: Beats) -> Markup {
    const STEM: f64 = 18.0;
    let Some(Value { halvings, dotted, tuplet }) = value(beats) else {
        return label(x, y + 14.0, 9.0, &beats.to_string());
    };
    // A whole note has no stem, a half note a short one.
    let top = if halvings == 1 { y + STEM / 2.0 } else { y };
    html! {
        @if halvings == 0 { circle cx=(round(x)) cy=(round(y + STEM - 4.0)) r="4" fill="none" stroke="#000" {} }
        @else { (line(x, top, x, y + STEM, 1.0)) }
        @for flag in 0..halvings.saturating_sub(2) {
            @let at = y + STEM - 4.0 * f64::from(flag);
            (line(x, at, x + 7.0, at - 4.0, 2.0))
        }
        @if dotted { circle cx=(round(x + 9.0)) cy=(round(y + STEM - 1.0)) r="1.4" {} }
        @if let Some(tuplet) = tuplet { (label(x - 6.0, y + STEM, 8.0, &tuplet.to_string())) }
    }
}

/// To a tenth of a unit: less is not seen.
pub(super) fn round(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Note values from any primer of notation.
    #[test]
    fn lengths_are_drawn_as_a_primer_has_them() {
        let of = |n, d| value(Beats::new(n, d).expect("a length"));
        let plain = |halvings| Some(Value { halvings, dotted: false, tuplet: None });
        assert_eq!(of(4, 1), plain(0));
        assert_eq!(of(1, 1), plain(2));
        assert_eq!(of(1, 4), plain(4));
        assert_eq!(of(3, 2), Some(Value { halvings: 2, dotted: true, tuplet: None }));
        assert_eq!(of(1, 3), Some(Value { halvings: 3, dotted: false, tuplet: Some(3) }));
        assert_eq!(of(2, 3), Some(Value { halvings: 2, dotted: false, tuplet: Some(3) }));
        assert_eq!(of(5, 4), None);
    }
}
