//! How long each step lasts: stems, flags and beams below the tab, rests on it.

use maud::Markup;
use maud::html;

use super::parts::Value;
use super::staff::label;
use super::staff::line;
use super::staff::round;

/// Length of a stem, in the units of the drawing.
const STEM: f64 = 18.0;
/// Between two beams or flags.
const BEAM_GAP: f64 = 4.5;

/// A part of a step as its rhythm goes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Beat {
    /// Where its stem stands.
    pub x: f64,
    /// How long it lasts, in quarter notes.
    pub length: f64,
    /// How that is written.
    pub value: Option<Value>,
    /// True where nothing sounds.
    pub rest: bool,
    /// Parts of one group may share a beam.
    pub group: usize,
    /// Where a tie leads to.
    pub tied_to: Option<f64>,
}

impl Beat {
    fn flags(&self) -> u32 {
        self.value.map_or(0, |value| value.halvings.saturating_sub(2))
    }

    fn tuplet(&self) -> Option<u32> {
        self.value.and_then(|value| value.tuplet)
    }

    fn beams_with(&self, next: &Self) -> bool {
        let beamed = |beat: &Self| !beat.rest && beat.flags() > 0;
        let alike = self.group == next.group && self.tuplet() == next.tuplet();
        alike && beamed(self) && beamed(next)
    }
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

/// One part: its stem and, unless it is beamed, its flags and the number of its tuplet; the plain
/// number of beats where no note value fits.
fn single(beat: &Beat, middle: f64, top: f64, beamed: bool) -> Markup {
    let (x, foot) = (beat.x, top + STEM);
    let value = beat.value;
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
                @let (dot_x, dot_y) = if beat.rest { (x + 9.0, middle - 3.0) } else { (x + 5.0, head(top, halvings) + 3.0) };
                @if value.dotted { circle cx=(round(dot_x)) cy=(round(dot_y)) r="1.4" {} }
                @if let Some(tuplet) = value.tuplet.filter(|_| !beamed) {
                    (label(x, foot + 9.0, 8.0, &tuplet.to_string()))
                }
            }
            None => (label(x, top + 14.0, 9.0, &format!("{:.2}", beat.length))),
        }
        @if let Some(to) = beat.tied_to { (tie(x, to, top)) }
    }
}

/// The bow of a tie, hanging from the heads of two stems, or from one and the end of the line.
pub(super) fn tie(from: f64, to: f64, top: f64) -> Markup {
    let (from, width) = (from + 3.0, (to - from - 6.0).max(4.0));
    let bow =
        format!("M{} {}q{} 7 {} 0", round(from), round(top), round(width / 2.0), round(width));
    html! { path.tie d=(bow) fill="none" stroke="#000" {} }
}

/// A whole note has no stem but a ring, a half note a short stem.
fn stem(x: f64, top: f64, halvings: u32) -> Markup {
    let head = head(top, halvings);
    html! {
        @match halvings {
            0 => circle cx=(round(x)) cy=(round(head + 4.0)) r="4" fill="none" stroke="#000" {},
            _ => (line(x, head, x, top + STEM, 1.0)),
        }
    }
}

/// The upper end of a stem that hangs from `top`, or of a ring.
fn head(top: f64, halvings: u32) -> f64 {
    match halvings {
        0 => top + STEM - 8.0,
        1 => top + STEM / 2.0,
        _ => top,
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

    /// A dotted eighth and a sixteenth share one beam, and the sixteenth has half of a second.
    #[test]
    fn steps_of_a_group_share_beams() {
        let beat = |x, n, d, group| {
            let length = f64::from(n) / f64::from(d);
            Beat { x, length, value: Value::of(length), rest: false, group, tied_to: None }
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
