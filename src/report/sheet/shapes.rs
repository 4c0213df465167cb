//! Where the fingers go: a piece of fretboard for each shape of the lick.
//!
//! **Conventions.** The fretboard stands upright, the lowest string on the left. A shape that only
//! moves along the neck is drawn once, at the place it is first played.

use maud::Markup;
use maud::html;

use super::staff::round;
use crate::lick::Lick;
use crate::lick::Step;
use crate::lick::facts::StepFacts;
use crate::lick::hand::Hold;
use crate::lick::hand::holds;
use crate::lick::mark::Mark;
use crate::lick::mark::MoveKind;

/// Frets drawn at least.
const FRETS: u8 = 4;

/// Between two strings and between two frets, in the units of the drawing.
const STRING_GAP: f64 = 12.0;
const FRET_GAP: f64 = 15.0;

/// Left of and above the fretboard: room for the fret's number and for open strings.
const LEFT: f64 = 24.0;
const TOP: f64 = 14.0;

/// What is drawn on a string.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sign {
    /// Pressed at the strike, or open.
    Struck,
    /// Pressed later in the step.
    Later,
    /// A harmonic, at the fret that is touched or, for an artificial one, stopped.
    Harmonic,
}

/// One finger, open string or harmonic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Dot {
    /// 0 for the lowest string.
    string: usize,
    fret: u8,
    sign: Sign,
}

/// A shape and where on the neck it is played.
struct Shape {
    dots: Vec<Dot>,
    name: String,
    /// The lowest fret with the steps played there, in the order they come.
    places: Vec<(u8, Vec<String>)>,
}

impl Shape {
    /// True if the same fingers, moved along the neck, make `dots`.
    fn moves_to(&self, dots: &[Dot]) -> bool {
        let shift = lowest(dots) - lowest(&self.dots);
        let moved = |dot: &Dot| Dot { fret: dot.fret.saturating_add_signed(shift), ..*dot };
        let fixed = |dot: &Dot| dot.fret == 0 || dot.sign == Sign::Harmonic;
        self.dots.iter().map(moved).eq(dots.iter().copied())
            && (shift == 0 || !self.dots.iter().chain(dots).any(fixed))
    }
}

/// The lowest fret that is not open; frets are far below 128.
fn lowest(dots: &[Dot]) -> i8 {
    dots.iter().filter(|dot| dot.fret > 0).map(|dot| dot.fret as i8).min().unwrap_or(0)
}

/// A drawing of each different shape, in the order they come; nothing for a lick of single notes.
pub(super) fn section(lick: &Lick, facts: &[StepFacts]) -> Markup {
    let mut shapes: Vec<Shape> = Vec::new();
    for ((step, fact), hold) in lick.steps.iter().zip(facts).zip(holds(lick)) {
        let Some(moment) = fact.moments.first() else { continue };
        if moment.notes.len() < 2 || !step.marks.iter().any(Mark::is_struck) {
            continue;
        }
        let dots = dots(lick, step, fact, &hold);
        let (at, number) = (lowest(&dots) as u8, fact.number.to_string());
        let known = |shape: &&mut Shape| shape.name == moment.name && shape.moves_to(&dots);
        let Some(shape) = shapes.iter_mut().find(known) else {
            let name = moment.name.clone();
            shapes.push(Shape { dots, name, places: vec![(at, vec![number])] });
            continue;
        };
        match shape.places.iter_mut().find(|(fret, _)| *fret == at) {
            Some((_, steps)) => steps.push(number),
            None => shape.places.push((at, vec![number])),
        }
    }
    let n_strings = lick.tuning.n_strings();
    if shapes.is_empty() {
        return html! {};
    }
    html! {
        h2 { "Shapes" }
        div.shapes {
            @for shape in &shapes {
                figure {
                    (draw(&shape.dots, n_strings))
                    figcaption {
                        (shape.name)
                        @for (fret, steps) in &shape.places {
                            br;
                            @if shape.places.len() > 1 { "fret " (fret) ": " }
                            @if steps.len() > 1 { "steps " } @else { "step " }
                            (steps.join(", "))
                        }
                    }
                }
            }
        }
    }
}

/// What the hand does in a step. A bend stays at its fret.
fn dots(lick: &Lick, step: &Step, facts: &StepFacts, hold: &Hold) -> Vec<Dot> {
    let mut dots: Vec<Dot> = Vec::new();
    for (string, ((number, _), mark)) in lick.tuning.strings().zip(&step.marks).enumerate() {
        let mut add = |fret: u8, sign| {
            if !dots.iter().any(|dot| dot.string == string && dot.fret == fret) {
                dots.push(Dot { string, fret, sign });
            }
        };
        match mark {
            Mark::NotPlayed => {}
            Mark::Held => {
                let pressed = hold.grip.iter().find(|(held, _)| *held == number);
                let open = facts.moments.first().is_some_and(|moment| {
                    moment.notes.iter().any(|n| n.played.string == number && n.played.fret.0 == 0)
                });
                match pressed {
                    Some((_, fret)) => add(fret.0.saturating_sub(lick.capo), Sign::Struck),
                    None if open => add(0, Sign::Struck),
                    None => {}
                }
            }
            Mark::Fretted { fret, moves } => {
                add(fret.0, Sign::Struck);
                for next in moves.iter().filter(|next| next.kind != MoveKind::Bend) {
                    add(next.to.0, Sign::Later);
                }
            }
            Mark::NaturalHarmonic(touched) => add(touched.0, Sign::Harmonic),
            Mark::ArtificialHarmonic { stopped, .. } => add(stopped.0, Sign::Harmonic),
        }
    }
    dots
}

/// Filled where a string is pressed and struck, hollow where a finger goes later and for open
/// strings, a diamond for a harmonic.
fn draw(dots: &[Dot], n_strings: usize) -> Markup {
    let stopped = || dots.iter().map(|dot| dot.fret).filter(|&fret| fret > 0);
    let high = stopped().max().unwrap_or(FRETS);
    let low = stopped().min().unwrap_or(1);
    // From the nut, if the shape is near it.
    let first = if high <= FRETS { 1 } else { low };
    let n_frets = (high + 1 - first).max(FRETS);
    let (width, height) =
        (STRING_GAP * (n_strings.max(2) - 1) as f64, FRET_GAP * f64::from(n_frets));
    let x_of = |string: usize| LEFT + STRING_GAP * string as f64;
    let y_of = |fret: u8| TOP + FRET_GAP * (f64::from(fret) - f64::from(first) + 0.5);
    html! {
        svg viewBox=(format!("0 0 {} {}", 2.0 * LEFT + width, TOP + height + 4.0)) role="img" aria-label="Fretboard" {
            @for string in 0..n_strings {
                line x1=(x_of(string)) y1=(TOP) x2=(x_of(string)) y2=(TOP + height) stroke="#000" stroke-width="0.7" {}
            }
            @for fret in 0..=n_frets {
                @let y = TOP + FRET_GAP * f64::from(fret);
                @let width = if fret == 0 && first == 1 { 2.5 } else { 0.7 };
                line x1=(x_of(0)) y1=(y) x2=(x_of(n_strings - 1)) y2=(y) stroke="#000" stroke-width=(width) {}
            }
            @if first > 1 {
                text x=(LEFT - 9.0) y=(round(y_of(first) + 3.5)) font-size="10" text-anchor="end" { (first) }
            }
            @for dot in dots {
                @let (x, y) = (x_of(dot.string), if dot.fret == 0 { TOP - 7.0 } else { y_of(dot.fret) });
                @match dot.sign {
                    Sign::Harmonic => path d=(format!("M{x} {}l5 5l-5 5l-5 -5z", y - 5.0)) fill="#fff" stroke="#000" {},
                    Sign::Struck if dot.fret > 0 => circle cx=(x) cy=(y) r="4.6" {},
                    _ => circle cx=(x) cy=(y) r="4" fill="#fff" stroke="#000" {},
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lick::facts::explain_steps;

    fn page(steps: &str) -> String {
        let text = format!(
            "title = \"T\"\nkey = \"C major\"\ntempo = 80\nmeter = \"4/4\"\nsteps = [\n{steps}\n]\n"
        );
        let lick = Lick::parse(&text, "test").expect("a lick");
        section(&lick, &explain_steps(&lick)).into_string()
    }

    #[test]
    fn a_shape_that_moves_along_the_neck_is_drawn_once() {
        let page = page(
            r#"{ beats = 1, frets = "x x x 5 x 5" }, { beats = 1, frets = "x x x 7 x 7" },
            { beats = 1, frets = "x x x 5 x 5" }, { beats = 1, frets = "x x x 0 x 0" }"#,
        );
        assert_eq!(page.matches("<svg").count(), 2, "{page}");
        assert!(page.contains("fret 5: steps 1, 3<br>fret 7: step 2"), "{page}");
    }

    /// Whoever bends keeps the finger where it is; whoever pulls off lands where a finger lies.
    #[test]
    fn a_bend_adds_no_finger_and_a_pull_off_hides_none() {
        let page = page(r#"{ beats = 1, frets = "x x x 7b9 5h7p5 x" }"#);
        assert_eq!(page.matches("r=\"4.6\"").count(), 2, "{page}");
        assert_eq!(page.matches("r=\"4\"").count(), 1, "{page}");
    }

    #[test]
    fn a_string_that_rings_on_keeps_its_finger() {
        let page =
            page(r#"{ beats = 1, frets = "x x x 5 x 5" }, { beats = 1, frets = "x x x 7 x =" }"#);
        let second = page.split("<svg").nth(2).expect("two drawings");
        assert_eq!(second.matches("r=\"4.6\"").count(), 2, "{second}");
    }
}
