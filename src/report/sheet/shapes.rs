//! Where the fingers go: a piece of fretboard for each shape of the lick.

use std::collections::BTreeMap;

use maud::Markup;
use maud::html;

use super::staff::round;
use crate::lick::Lick;
use crate::lick::facts::StepFacts;
use crate::lick::mark::Mark;

/// Frets drawn at least.
const FRETS: u8 = 4;

/// Between two strings and between two frets, in the units of the drawing.
const STRING_GAP: f64 = 12.0;
const FRET_GAP: f64 = 15.0;

/// Left of and above the fretboard: room for the fret's number and for open strings.
const LEFT: f64 = 20.0;
const TOP: f64 = 14.0;

/// A shape with the steps it is played in.
struct Shape<'a> {
    marks: &'a [Mark],
    name: String,
    steps: Vec<String>,
}

/// A drawing of each different shape, in the order they come.
pub(super) fn drawings(lick: &Lick, facts: &[StepFacts]) -> Markup {
    let mut order: Vec<Shape<'_>> = Vec::new();
    let mut known: BTreeMap<String, usize> = BTreeMap::new();
    for (step, fact) in lick.steps.iter().zip(facts) {
        if !step.marks.iter().any(Mark::is_struck) {
            continue;
        }
        let text: Vec<String> = step.marks.iter().map(Mark::to_string).collect();
        let index = *known.entry(text.join(" ")).or_insert(order.len());
        if index == order.len() {
            let name = fact.moments.first().map(|moment| moment.name.clone()).unwrap_or_default();
            order.push(Shape { marks: &step.marks, name, steps: Vec::new() });
        }
        order[index].steps.push(fact.number.to_string());
    }
    html! {
        div.shapes {
            @for shape in &order {
                figure {
                    (draw(shape.marks))
                    figcaption { (shape.name) br; "step " (shape.steps.join(", ")) }
                }
            }
        }
    }
}

/// The frets that a mark stops or touches, the first one struck.
fn frets(mark: &Mark) -> Vec<u8> {
    match mark {
        Mark::NotPlayed | Mark::Held => Vec::new(),
        Mark::Fretted { fret, moves } => {
            std::iter::once(fret.0).chain(moves.iter().map(|next| next.to.0)).collect()
        }
        Mark::NaturalHarmonic(touched) => vec![touched.0],
        Mark::ArtificialHarmonic { stopped, .. } => vec![stopped.0],
    }
}

/// A fretboard upright, the lowest string on the left: filled where a string is struck, hollow
/// where a finger moves to, a diamond for a harmonic.
fn draw(marks: &[Mark]) -> Markup {
    let stopped = || marks.iter().flat_map(frets).filter(|&fret| fret > 0);
    let high = stopped().max().unwrap_or(FRETS);
    let low = stopped().min().unwrap_or(1);
    // From the nut, if the shape is near it.
    let first = if high <= FRETS { 1 } else { low };
    let n_frets = (high + 1 - first).max(FRETS);
    let (width, height) =
        (STRING_GAP * (marks.len().max(2) - 1) as f64, FRET_GAP * f64::from(n_frets));
    let x_of = |string: usize| LEFT + STRING_GAP * string as f64;
    let y_of = |fret: u8| TOP + FRET_GAP * (f64::from(fret) - f64::from(first) + 0.5);
    html! {
        svg viewBox=(format!("0 0 {} {}", LEFT + width + 8.0, TOP + height + 4.0)) role="img" aria-label="Fretboard" {
            @for string in 0..marks.len() {
                line x1=(x_of(string)) y1=(TOP) x2=(x_of(string)) y2=(TOP + height) stroke="#000" stroke-width="0.7" {}
            }
            @for fret in 0..=n_frets {
                @let y = TOP + FRET_GAP * f64::from(fret);
                @let width = if fret == 0 && first == 1 { 2.5 } else { 0.7 };
                line x1=(x_of(0)) y1=(y) x2=(x_of(marks.len() - 1)) y2=(y) stroke="#000" stroke-width=(width) {}
            }
            @if first > 1 {
                text x=(LEFT - 7.0) y=(round(y_of(first) + 3.5)) font-size="10" text-anchor="end" { (first) }
            }
            @for (string, mark) in marks.iter().enumerate() {
                @for (order, fret) in frets(mark).into_iter().enumerate() {
                    @let (x, y) = (x_of(string), if fret == 0 { TOP - 7.0 } else { y_of(fret) });
                    @if matches!(mark, Mark::NaturalHarmonic(_) | Mark::ArtificialHarmonic { .. }) {
                        path d=(format!("M{x} {}l5 5l-5 5l-5 -5z", y - 5.0)) fill="#fff" stroke="#000" {}
                    } @else if order == 0 && fret > 0 {
                        circle cx=(x) cy=(y) r="4.6" {}
                    } @else {
                        circle cx=(x) cy=(y) r="4" fill="#fff" stroke="#000" {}
                    }
                }
            }
        }
    }
}
