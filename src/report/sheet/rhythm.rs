//! How long each step lasts: stems, flags and beams below the tab, rests on it.

use maud::Markup;
use maud::html;

use super::staff::label;
use super::staff::line;
use super::staff::round;
use crate::lick::beats::Beats;

/// Length of a stem, in the units of the drawing.
const STEM: f64 = 18.0;
/// Between two beams or flags.
const BEAM_GAP: f64 = 4.5;

/// A step as its rhythm goes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Beat {
    /// Where its stem stands.
    pub x: f64,
    /// How long it lasts.
    pub length: Beats,
    /// True where nothing sounds.
    pub rest: bool,
    /// Steps of one group may share a beam.
    pub group: usize,
}

impl Beat {
    fn flags(&self) -> u32 {
        value(self.length).map_or(0, |value| value.halvings.saturating_sub(2))
    }

    fn tuplet(&self) -> Option<u32> {
        value(self.length).and_then(|value| value.tuplet)
    }

    fn beams_with(&self, next: &Self) -> bool {
        let beamed = |beat: &Self| !beat.rest && beat.flags() > 0;
        let alike = self.group == next.group && self.tuplet() == next.tuplet();
        alike && beamed(self) && beamed(next)
    }
}

/// A note value, dots, and the number of its tuplet.
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

/// Draws the rhythm of a system: rests around `middle`, everything else down from `top`.
pub(super) fn draw(beats: &[Beat], middle: f64, top: f64) -> Markup {
    html! {
        @for group in beats.chunk_by(Beat::beams_with) {
            @for beat in group { (single(beat, middle, top, group.len() > 1)) }
            @if group.len() > 1 { (beams(group, top + STEM)) }
        }
    }
}

/// One step: its stem and, unless it is beamed, its flags and the number of its tuplet; the plain
/// number of beats where no note value fits.
fn single(beat: &Beat, middle: f64, top: f64, beamed: bool) -> Markup {
    let (x, foot) = (beat.x, top + STEM);
    let value = value(beat.length);
    let halvings = value.map_or(2, |value| value.halvings);
    html! {
        @if beat.rest { (rest(x, middle, halvings)) }
        @else if value.is_some() { (stem(x, top, halvings)) }
        @if !beamed && !beat.rest {
            @for flag in 0..beat.flags() {
                @let at = foot - BEAM_GAP * f64::from(flag);
                (line(x, at, x + 7.0, at - 4.0, 2.0))
            }
        }
        @match value {
            Some(value) => {
                @let (dot_x, dot_y) = if beat.rest { (x + 9.0, middle - 3.0) } else { (x + 5.0, top + 3.0) };
                @if value.dotted { circle cx=(round(dot_x)) cy=(round(dot_y)) r="1.4" {} }
                @if let Some(tuplet) = value.tuplet.filter(|_| !beamed) {
                    (label(x, foot + 9.0, 8.0, &tuplet.to_string()))
                }
            }
            None => (label(x, top + 14.0, 9.0, &beat.length.to_string())),
        }
    }
}

/// A whole note has no stem but a ring, a half note a short stem.
fn stem(x: f64, top: f64, halvings: u32) -> Markup {
    html! {
        @match halvings {
            0 => circle cx=(round(x)) cy=(round(top + STEM - 4.0)) r="4" fill="none" stroke="#000" {},
            1 => (line(x, top + STEM / 2.0, x, top + STEM, 1.0)),
            _ => (line(x, top, x, top + STEM, 1.0)),
        }
    }
}

/// Every beam of a group: from a step to its neighbour where both have it, else a stub.
fn beams(group: &[Beat], foot: f64) -> Markup {
    const STUB: f64 = 6.0;
    let most = group.iter().map(Beat::flags).max().unwrap_or(0);
    let middle = (group[0].x + group[group.len() - 1].x) / 2.0;
    html! {
        @for beam in 0..most {
            @let y = foot - 1.0 - BEAM_GAP * f64::from(beam);
            @for run in group.chunk_by(|a, b| a.flags() > beam && b.flags() > beam) {
                @if run[0].flags() > beam {
                    @let (from, to) = (run[0].x, run[run.len() - 1].x);
                    @if run.len() > 1 { (line(from - 0.5, y, to + 0.5, y, 2.6)) }
                    @else if from > group[0].x { (line(from - STUB, y, from, y, 2.6)) }
                    @else { (line(from, y, from + STUB, y, 2.6)) }
                }
            }
        }
        @if let Some(tuplet) = group[0].tuplet() { (label(middle, foot + 9.0, 8.0, &tuplet.to_string())) }
    }
}

/// The sign of a rest: a block for whole and half, a crooked stroke for a quarter, a stroke with a
/// head for each flag below.
fn rest(x: f64, y: f64, halvings: u32) -> Markup {
    let place = format!("translate({} {})", round(x), round(y));
    html! {
        g transform=(place) {
            @match halvings {
                0 => rect x="-5" y="-5.5" width="10" height="5" {},
                1 => rect x="-5" y="0.5" width="10" height="5" {},
                2 => path d="M-2 -9l5 6l-4 5l5 6" fill="none" stroke="#000" stroke-width="1.8" {},
                _ => {
                    path d="M4 -8l-6 18" stroke="#000" stroke-width="1.2" {}
                    @for flag in 0..halvings - 2 {
                        @let (x, y) = (-3.0 - 1.5 * f64::from(flag), -6.0 + 4.5 * f64::from(flag));
                        circle cx=(x) cy=(y) r="1.9" {}
                        path d=(format!("M{x} {y}q3 2 {} {}", 6.5, -1.5)) fill="none" stroke="#000" {}
                    }
                }
            }
        }
    }
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

    /// A dotted eighth and a sixteenth share one beam, and the sixteenth has half of a second.
    #[test]
    fn steps_of_a_group_share_beams() {
        let beat = |x, n, d, group| {
            let length = Beats::new(n, d).expect("a length");
            Beat { x, length, rest: false, group }
        };
        let thick = |beats: &[Beat]| draw(beats, 0.0, 0.0).into_string().matches("2.6").count();
        assert_eq!(thick(&[beat(0.0, 3, 4, 0), beat(20.0, 1, 4, 0)]), 2);
        assert_eq!(thick(&[beat(0.0, 1, 2, 0), beat(20.0, 1, 2, 1)]), 0);
        let rest = Beat { rest: true, ..beat(20.0, 1, 2, 0) };
        assert_eq!(thick(&[beat(0.0, 1, 2, 0), rest]), 0);
        let triplet = [0.0, 20.0, 40.0].map(|x| beat(x, 1, 3, 0));
        let drawn = draw(&triplet, 0.0, 0.0).into_string();
        assert_eq!(drawn.matches(">3<").count(), 1, "one number for the three: {drawn}");
    }
}
