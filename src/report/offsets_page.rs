//! A page of its own that draws offsets with their errors as a ruled scale, for print.
//!
//! **Conventions.** HTML 5 with drawings in SVG 1.1; no script, no outside file; black on white, so
//! that nothing is told by colour.

use maud::Markup;
use maud::html;

use super::html;

const STYLE: &str = "
@page { margin: 14mm 15mm; }
body { font: 10.5pt/1.4 Georgia, 'Times New Roman', serif; color: #000; background: #fff;
  max-width: 186mm; margin: 0 auto; padding: 4mm; }
@media print { body { max-width: none; padding: 0; } }
h1 { font-size: 20pt; font-weight: normal; margin: 0 0 2mm; }
h2 { font-size: 11pt; font-weight: normal; font-style: italic; margin: 4mm 0 0; break-after: avoid; }
p { margin: 0 0 2mm; }
ul { margin: 1mm 0 2mm; padding-left: 5mm; }
svg { display: block; width: 100%; break-inside: avoid; }
svg text { font: 10px Georgia, 'Times New Roman', serif; fill: #000; }
table { border-collapse: collapse; margin: 2mm 0; }
th { font-weight: normal; font-style: italic; text-align: left; border-bottom: .5pt solid #000; }
td, th { padding: .8mm 6mm .8mm 0; }
.care { border-top: .5pt solid #000; padding-top: 2mm; margin-top: 4mm; }
.group { break-inside: avoid; }
";

/// One row of a drawing of offsets.
#[derive(Debug, Clone, PartialEq)]
pub struct Offset {
    /// What it belongs to.
    pub label: String,
    /// Cents and one standard error; `None` if there is no measurement.
    pub value: Option<(f64, f64)>,
    /// What is said of it.
    pub remark: String,
}

/// One string along the neck.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// What it belongs to.
    pub label: String,
    /// Fret, cents, one standard error.
    pub points: Vec<(u8, f64, f64)>,
    /// Fret and cents of the line.
    pub explained: Vec<(u8, f64)>,
    /// What is said of it.
    pub remarks: Vec<String>,
}

/// A whole page around `body`.
pub fn page(title: &str, body: &Markup) -> String {
    html::page(title, STYLE, &html! { h1 { (title) } (body) })
}

/// Half the width of a scale that takes `values`, and the distance of its marks, in cents.
fn scale(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let most = values.fold(4.0_f64, |most, value| most.max(value.abs()));
    let step = [1.0, 2.0, 5.0, 10.0, 20.0].into_iter().find(|step| most / step <= 6.0);
    let step = step.unwrap_or(50.0);
    ((most / step).ceil() * step, step)
}

const ROW: f64 = 26.0;
const LEFT: f64 = 52.0;
/// Narrow enough that the longest remark fits beside it in any font.
const RULED: f64 = 300.0;

/// Draws offsets as rows over a ruled scale; the tolerance is the grey band.
pub fn offsets(rows: &[Offset], tolerance: f64, below: &str, above: &str) -> Markup {
    let values = rows.iter().filter_map(|row| row.value);
    let (half, step) = scale(values.map(|(cents, error)| cents.abs() + error));
    let x = |cents: f64| round(LEFT + RULED * (0.5 + 0.5 * cents / half));
    let bottom = 20.0 + ROW * rows.len() as f64;
    let marks = (half / step).round() as i32;
    html! {
        svg viewBox=(format!("0 0 700 {}", bottom + 40.0)) role="img" {
            rect x=(x(-tolerance.min(half))) y="20" height=(bottom - 20.0)
                width=(round(x(tolerance.min(half)) - x(-tolerance.min(half)))) fill="#e4e4e4" {}
            @for mark in -marks..=marks {
                @let cents = f64::from(mark) * step;
                line x1=(x(cents)) x2=(x(cents)) y1=(if mark == 0 { 14.0 } else { 20.0 }) y2=(bottom)
                    stroke=(if mark == 0 { "#000" } else { "#bbb" }) stroke-width="0.7" {}
                text x=(x(cents)) y=(bottom + 13.0) text-anchor="middle" { (mark_label(cents)) }
            }
            text x=(LEFT) y=(bottom + 29.0) { "← " (below) }
            text x=(LEFT + RULED) y=(bottom + 29.0) text-anchor="end" { (above) " →" }
            @for (i, row) in rows.iter().enumerate() {
                @let y = 20.0 + ROW * (i as f64 + 0.5);
                text x="0" y=(y + 3.5) { (row.label) }
                @if let Some((cents, error)) = row.value {
                    (whisker_across(x(cents - error), x(cents + error), y))
                    circle cx=(x(cents)) cy=(y) r="2.2" {}
                    text x=(LEFT + RULED + 14.0) y=(y + 3.5) {
                        (super::plucks::signed(cents)) " " (super::plucks::error(error)) "   " (row.remark)
                    }
                } @else {
                    text x=(LEFT + RULED + 14.0) y=(y + 3.5) { (row.remark) }
                }
            }
        }
    }
}

fn whisker_across(from: f64, to: f64, y: f64) -> Markup {
    html! {
        path fill="none" stroke="#000" stroke-width="1.1"
            d=(format!("M{from} {y}H{to}M{from} {}v8M{to} {}v8", y - 4.0, y - 4.0)) {}
    }
}

/// Draws one string along the neck.
pub fn course(course: &Course) -> Markup {
    const HEIGHT: f64 = 110.0;
    let reach = course.points.iter().map(|(_, cents, error)| cents.abs() + error);
    let (half, step) = scale(reach.chain(course.explained.iter().map(|(_, cents)| *cents)));
    let frets = course.points.iter().map(|(fret, ..)| *fret);
    let frets = frets.chain(course.explained.iter().map(|(fret, _)| *fret));
    let (first, last) =
        frets.fold((u8::MAX, 0), |(low, high), fret| (low.min(fret), high.max(fret)));
    let (first, last) = (first.min(last), last.max(first.saturating_add(1).min(36)));
    let x = |fret: u8| {
        let share = f64::from(fret.saturating_sub(first)) / f64::from((last - first).max(1));
        round(LEFT + 10.0 + 610.0 * share)
    };
    let y = |cents: f64| round(8.0 + HEIGHT * (0.5 - 0.5 * cents / half));
    let line: Vec<String> = course
        .explained
        .iter()
        .map(|(fret, cents)| format!("{},{}", x(*fret), y(*cents)))
        .collect();
    let marks = (half / step).round() as i32;
    html! {
        div.group {
            h2 { (course.label) }
            svg viewBox=(format!("0 0 700 {}", HEIGHT + 34.0)) role="img" {
                @for mark in -marks..=marks {
                    @let cents = f64::from(mark) * step;
                    line x1=(LEFT) x2="690" y1=(y(cents)) y2=(y(cents)) stroke-width="0.7"
                        stroke=(if mark == 0 { "#000" } else { "#ccc" }) {}
                    @if mark % 2 == 0 {
                        text x=(LEFT - 6.0) y=(y(cents) + 3.5) text-anchor="end" { (mark_label(cents)) }
                    }
                }
                @for fret in first..=last {
                    text x=(x(fret)) y=(HEIGHT + 24.0) text-anchor="middle" { (fret) }
                }
                polyline points=(line.join(" ")) fill="none" stroke="#555" stroke-width="1.2"
                    stroke-dasharray="5 3" {}
                @for (fret, cents, error) in &course.points {
                    path fill="none" stroke="#000" stroke-width="1.1"
                        d=(format!("M{} {}V{}", x(*fret), y(cents - error), y(cents + error))) {}
                    circle cx=(x(*fret)) cy=(y(*cents)) r="2.2" {}
                }
            }
            @for remark in &course.remarks { p { (remark) "." } }
        }
    }
}

fn mark_label(cents: f64) -> String {
    if cents == 0.0 { "0".to_owned() } else { format!("{cents:+}") }
}

/// Hundredths are fine enough for a drawing.
fn round(length: f64) -> f64 {
    (length * 100.0).round() / 100.0
}
