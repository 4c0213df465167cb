//! Judged takes drawn on a page: the staff with a sign under every step, cents and timing over the steps, the table.
//!
//! **Conventions.** As those of a practice sheet. Every sign is told in words too; nothing is told by colour.
//! **Limits.** What is off by more than the scale is drawn at its edge, as an arrow.

use maud::Markup;
use maud::html;

use super::STYLE;
use super::staff;
use super::staff::label;
use super::staff::line;
use super::staff::round;
use crate::lick::Lick;
use crate::lick::facts::StepFacts;
use crate::lick::facts::explain_steps;
use crate::practice::verdict::HeardNote;
use crate::practice::verdict::Status;
use crate::practice::verdict::StepJudgement;
use crate::practice::verdict::TakeJudgement;
use crate::practice::verdict::Verdict;
use crate::report::Page;
use crate::report::TakeReport;
use crate::report::called;
use crate::report::html;
use crate::report::summary;
use crate::report::tally::Tally;
use crate::report::tally::out_of_tune;
use crate::report::text;
use crate::units::Cents;

/// Width of a drawing, in its units, and what is left of the steps.
const WIDTH: f64 = 720.0;
const LEFT: f64 = 44.0;
/// Steps in one drawing at most, and the widest one.
const MOST_STEPS: usize = 24;
const WIDEST_STEP: f64 = 60.0;
/// Where the ruled lines of the cents begin, their height, and the same of the timing.
const RULED_CENTS: (f64, f64) = (18.0, 110.0);
const RULED_MS: (f64, f64) = (146.0, 56.0);
/// The scales take this at least: in cents, in milliseconds.
const LEAST_CENTS: f64 = 20.0;
const LEAST_MS: f64 = 30.0;
/// … and this at most.
const MOST_CENTS: f64 = 50.0;
const MOST_MS: f64 = 200.0;
/// Between two notes of a step, if there is room.
const NOTE: f64 = 9.0;

/// The page of `takes` of `lick`; those that could not be judged are left out.
pub fn judged(lick: &Lick, page: &Page, takes: &[TakeReport]) -> String {
    let facts = explain_steps(lick);
    html::page(
        &page.title,
        STYLE,
        &html! {
            h1 { (page.title) }
            @for report in takes {
                @if let Ok(take) = &report.outcome {
                    section.take { (judged_take(lick, &facts, page, &report.recording, take)) }
                }
            }
        },
    )
}

fn judged_take(
    lick: &Lick,
    facts: &[StepFacts],
    page: &Page,
    recording: &str,
    take: &TakeJudgement,
) -> Markup {
    let sentences = summary::sentences(page, take, &Tally::of(take, page.tolerance));
    let sign = |number: usize| {
        let step = take.steps.iter().find(|step| step.step == number);
        step.map_or("", |step| sign(step.verdict))
    };
    html! {
        h2 { (called(recording)) }
        p { (text::length(page, take)) }
        ul { @for sentence in sentences { li { (sentence) } } }
        (staff::systems(lick, facts, Some(&sign)))
        p.small {
            "Below the strings the length of each step, what it is, its number, and how it went: ✓ right, ✗ wrong, "
            "½ incomplete, – not played, ? unsure."
        }
        @if let Some(drawing) = drawing(page, take) {
            (drawing)
            p.small {
                "Above: how many cents each right note of a step was sharp or flat, with its error, from the lowest note "
                "to the highest and then as they were reached; the grey band is the tolerance, and what surely lies "
                "outside is named. Below: how late or early each step was struck."
            }
        }
        (table(page, take))
        @if !take.other_passes.is_empty() { (passes(take)) }
    }
}

fn sign(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Right => "✓",
        Verdict::Wrong => "✗",
        Verdict::Incomplete => "½",
        Verdict::NotPlayed => "–",
        Verdict::Unsure => "?",
    }
}

/// Cents and timing over the steps, in as many drawings as they need; `None` if nothing was measured.
fn drawing(page: &Page, take: &TakeJudgement) -> Option<Markup> {
    let pitches = || take.steps.iter().flat_map(right_notes).map(|note| &note.pitch);
    let late_ms = || take.steps.iter().filter_map(|step| step.timing_ms);
    if pitches().next().is_none() && late_ms().next().is_none() {
        return None;
    }
    let error = |error: Option<Cents>| error.map_or(0.0, |error| error.0);
    let reach = pitches().map(|pitch| pitch.cents.0.abs() + error(pitch.cents_error));
    let cents = Scale::of(
        RULED_CENTS,
        reach.fold(2.0 * page.tolerance.0, f64::max),
        LEAST_CENTS,
        MOST_CENTS,
    );
    let reach = late_ms().map(f64::abs);
    let timing = Scale::of(RULED_MS, reach.fold(0.0, f64::max), LEAST_MS, MOST_MS);
    let n_drawings = take.steps.len().div_ceil(MOST_STEPS);
    let n_steps = take.steps.len().div_ceil(n_drawings);
    let width = ((WIDTH - LEFT) / n_steps as f64).min(WIDEST_STEP);
    Some(html! {
        @for steps in take.steps.chunks(n_steps) {
            (over_steps(page, steps, width, &cents, &timing))
        }
    })
}

fn over_steps(
    page: &Page,
    steps: &[StepJudgement],
    width: f64,
    cents: &Scale,
    timing: &Scale,
) -> Markup {
    let right = LEFT + width * steps.len() as f64;
    let tolerance = page.tolerance.0.min(cents.half);
    html! {
        svg.staff viewBox=(format!("0 0 {WIDTH} {}", timing.bottom() + 32.0)) role="img"
            aria-label="Cents and timing of every step" {
            rect x=(LEFT) y=(round(cents.y(tolerance))) width=(round(right - LEFT))
                height=(round(cents.y(-tolerance) - cents.y(tolerance))) fill="#e4e4e4" {}
            (cents.ruled(right, "cents", ["sharp", "flat"]))
            (timing.ruled(right, "ms", ["late", "early"]))
            @for (i, step) in steps.iter().enumerate() {
                @let x = LEFT + width * (i as f64 + 0.5);
                @let notes: Vec<&HeardNote> = right_notes(step).collect();
                @let apart = NOTE.min(width / (notes.len() + 1) as f64);
                @for (k, note) in notes.iter().enumerate() {
                    @let x = x + apart * (k as f64 - 0.5 * (notes.len() - 1) as f64);
                    (measured(x, note, cents))
                    @if out_of_tune(note, page.tolerance).is_some() {
                        @let name = page.names_in(step.step).spell(note.pitch.note).to_string();
                        @let above = if note.pitch.cents.0 > 0.0 { -8.0 } else { 14.0 };
                        (label(x, cents.y(note.pitch.cents.0) + above, 9.0, &name))
                    }
                }
                @if let Some(late_ms) = step.timing_ms {
                    @let (from, to) = (timing.y(0.0), timing.y(late_ms));
                    rect x=(round(x - 3.0)) width="6" y=(round(from.min(to)))
                        height=(round((from - to).abs().max(1.0))) {}
                    @if late_ms.abs() > timing.half { (arrow(x, to, late_ms > 0.0)) }
                }
                (label(x, timing.bottom() + 14.0, 9.0, &step.step.to_string()))
                (label(x, timing.bottom() + 27.0, 11.0, sign(step.verdict)))
            }
        }
    }
}

/// A pitch and one standard error either way.
fn measured(x: f64, note: &HeardNote, scale: &Scale) -> Markup {
    let (cents, error) = (note.pitch.cents.0, note.pitch.cents_error.map_or(0.0, |error| error.0));
    let y = scale.y(cents);
    html! {
        (line(x, scale.y(cents - error), x, scale.y(cents + error), 1.1))
        @if cents.abs() > scale.half { (arrow(x, y, cents > 0.0)) }
        @else { circle cx=(round(x)) cy=(round(y)) r="2.4" {} }
    }
}

/// Further off than the scale.
fn arrow(x: f64, y: f64, up: bool) -> Markup {
    let tip = if up { y - 6.0 } else { y + 6.0 };
    let points = [(x - 3.5, y), (x + 3.5, y), (x, tip)];
    let points = points.map(|(x, y)| format!("{},{}", round(x), round(y))).join(" ");
    html! { polygon points=(points) {} }
}

/// The notes of a step that belong to it, as they were struck and reached.
fn right_notes(step: &StepJudgement) -> impl Iterator<Item = &HeardNote> {
    step.heard.iter().filter(|note| note.status == Status::Right)
}

fn table(page: &Page, take: &TakeJudgement) -> Markup {
    html! {
        table {
            tr { @for head in text::HEADS { th { (head) } } }
            @for step in &take.steps {
                tr { @for cell in text::row(page, step) { td { (cell) } } }
            }
        }
    }
}

/// All passes of a take, a row each.
fn passes(take: &TakeJudgement) -> Markup {
    let this = (take.pass, &take.steps, take.tempo_bpm);
    let others = take.other_passes.iter().map(|pass| (pass.number, &pass.steps, pass.tempo_bpm));
    let mut all: Vec<_> = others.chain([this]).collect();
    all.sort_by_key(|(number, ..)| *number);
    html! {
        h2 { "All passes" }
        table {
            tr { th { "pass" } th { "right" } th { "tempo" } th { "step by step" } }
            @for (number, steps, tempo) in all {
                @let right = steps.iter().filter(|step| step.verdict == Verdict::Right).count();
                tr {
                    td { (number) }
                    td { (right) "/" (steps.len()) }
                    td { (tempo.map_or("–".to_owned(), |tempo| format!("{tempo:.0}"))) }
                    td { (steps.iter().map(|step| sign(step.verdict)).collect::<Vec<_>>().join(" ")) }
                }
            }
        }
    }
}

/// A scale from minus to plus `half`, ruled.
struct Scale {
    top: f64,
    height: f64,
    half: f64,
    /// From mark to mark.
    mark: f64,
}

impl Scale {
    /// A scale that takes values up to `reach`, as far as `most` allows.
    fn of((top, height): (f64, f64), reach: f64, least: f64, most: f64) -> Self {
        let half = reach.clamp(least, most);
        let mark = [10.0, 20.0, 50.0].into_iter().find(|mark| half / mark <= 5.0).unwrap_or(100.0);
        Self { top, height, half: (half / mark).ceil() * mark, mark }
    }

    fn bottom(&self) -> f64 {
        self.top + self.height
    }

    /// Where `value` is drawn; beyond the scale at its edge.
    fn y(&self, value: f64) -> f64 {
        self.top + self.height * (0.5 - 0.5 * (value / self.half).clamp(-1.0, 1.0))
    }

    /// Lines, their numbers with the unit, and what is above and below.
    fn ruled(&self, right: f64, unit: &str, ends: [&str; 2]) -> Markup {
        let marks = (self.half / self.mark).round() as i32;
        html! {
            @for mark in -marks..=marks {
                @let value = f64::from(mark) * self.mark;
                @let y = round(self.y(value));
                line x1=(LEFT) x2=(round(right)) y1=(y) y2=(y) stroke-width="0.7"
                    stroke=(if mark == 0 { "#000" } else { "#bbb" }) {}
                @if mark == 0 || mark.abs() == marks {
                    @let number = if mark == 0 { format!("0 {unit}") } else { format!("{value:+}") };
                    text x=(LEFT - 5.0) y=(y + 3.0) font-size="9" text-anchor="end" { (number) }
                }
            }
            text x="0" y=(round(self.y(0.5 * self.half) + 3.0)) font-size="9" font-style="italic" { (ends[0]) }
            text x="0" y=(round(self.y(-0.5 * self.half) + 3.0)) font-size="9" font-style="italic" { (ends[1]) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lick;
    use crate::practice::verdict::PassJudgement;
    use crate::report::sample;

    fn drawn(takes: &[TakeReport]) -> String {
        let lick = lick::find("ferry-landing-sixths").expect("an embedded lick");
        judged(&lick, &sample::page(), takes)
    }

    fn report(take: TakeJudgement) -> TakeReport {
        TakeReport { outcome: Ok(take), ..sample::report() }
    }

    #[test]
    fn all_that_the_table_says_stands_on_the_page() {
        let page = drawn(&[sample::unjudged(), sample::report()]);
        for step in sample::take().steps {
            for cell in text::row(&sample::page(), &step) {
                assert!(page.contains(&format!("<td>{cell}</td>")), "{cell}");
            }
        }
        assert!(page.contains("take.wav") && !page.contains("broken.wav"), "{page}");
        for outside in ["<script", "http", "src=", "href=", "NaN", "inf"] {
            assert!(!page.contains(outside), "{outside}");
        }
    }

    #[test]
    fn every_right_note_is_drawn_and_what_is_off_the_scale_points_there() {
        let mut take = sample::take();
        let n_right = take.steps.iter().flat_map(right_notes).count();
        let drawings = |take: &TakeJudgement| {
            let page = drawn(&[report(take.clone())]);
            (page.matches("r=\"2.4\"").count(), page.matches("<polygon").count())
        };
        assert_eq!(drawings(&take), (n_right, 0));
        take.steps[0].heard[0].pitch.cents = Cents(-70.0);
        take.steps[1].timing_ms = Some(900.0);
        assert_eq!(drawings(&take), (n_right - 1, 2));
        for step in &mut take.steps {
            step.heard.clear();
            step.timing_ms = None;
        }
        let page = drawn(&[report(take)]);
        assert!(!page.contains("Cents and timing"), "nothing measured, nothing drawn: {page}");
    }

    #[test]
    fn every_pass_has_its_row_of_signs() {
        let mut take = sample::take();
        let signs: Vec<&str> = take.steps.iter().map(|step| sign(step.verdict)).collect();
        let steps = take.steps.clone();
        take.other_passes =
            vec![PassJudgement { number: 2, steps, tempo_bpm: Some(71.3), swing_share: None }];
        let page = drawn(&[report(take)]);
        assert_eq!(page.matches(&format!("<td>{}</td>", signs.join(" "))).count(), 2, "{page}");
        assert!(page.contains("<td>71</td>"), "{page}");
    }
}
