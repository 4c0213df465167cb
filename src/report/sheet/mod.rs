//! A practice sheet: one self-contained page for the music stand, to be printed in black and white.
//!
//! **Conventions.** HTML 5 with drawings in SVG 1.1; no script, no outside file, no fixed paper
//! size, so that A4 and Letter both fit. Beats are counted between equal-tempered notes.
//! **Limits.** Real strings are a little stiff: their high partials beat somewhat faster than told.

mod judged;
mod listening;
mod parts;
mod rhythm;
mod shapes;
mod staff;

use maud::Markup;
use maud::html;

use crate::lick::Lick;
use crate::lick::facts::explain_steps;
use crate::report::html;
use crate::theory::note::Reference;
pub use judged::judged;

/// Shares of the full tempo that the plan climbs through, in hundredths.
const PLAN: [u32; 6] = [50, 60, 70, 80, 90, 100];

/// Lines for the teacher.
const REMARK_LINES: usize = 6;

/// Signs of a mark and what they mean.
const SIGNS: [(&[char], &str); 6] = [
    (&['h'], "h hammer-on"),
    (&['p'], "p pull-off"),
    (&['s', '/', '\\'], "s / \\ slide"),
    (&['b'], "b bend"),
    (&['<'], "<12> harmonic, stopped at the fret before the sign"),
    (&['='], "= let ring"),
];

const STYLE: &str = "
@page { margin: 12mm 14mm; }
* { box-sizing: border-box; }
body { font: 10pt/1.3 Georgia, 'Times New Roman', serif; color: #000; background: #fff;
  max-width: 186mm; margin: 0 auto; padding: 4mm; }
@media print { body { max-width: none; padding: 0; } }
h1 { font-size: 20pt; font-weight: normal; margin: 0; }
h2 { font-size: 12pt; font-variant: small-caps; font-weight: normal; letter-spacing: .04em;
  border-bottom: .5pt solid #000; margin: 4mm 0 1.5mm; break-after: avoid; }
p { margin: 0 0 1.5mm; }
svg { display: block; fill: #000; }
svg text { font-family: Georgia, 'Times New Roman', serif; }
.staff { width: 100%; break-inside: avoid; margin-bottom: 2mm; }
.shapes { display: flex; flex-wrap: wrap; gap: 2mm; }
.shapes figure { margin: 0; width: 24mm; break-inside: avoid; text-align: center; }
.shapes figcaption { font-size: 8.5pt; line-height: 1.2; }
table { border-collapse: collapse; width: 100%; }
th { font-weight: normal; font-style: italic; text-align: left; border-bottom: .5pt solid #000; }
td, th { padding: .4mm 3mm .4mm 0; vertical-align: top; }
tr { break-inside: avoid; }
.head { display: flex; justify-content: space-between; align-items: baseline; }
.blank { border-bottom: .5pt solid #000; display: inline-block; width: 34mm; }
.rule { border-bottom: .4pt solid #777; height: 7.6mm; }
.foot { display: grid; grid-template-columns: 6fr 5fr; gap: 8mm; break-inside: avoid; }
.small { font-size: 9pt; }
.take + .take { break-before: page; }
ul { margin: 0 0 2mm; padding-left: 5mm; }
";

/// The sheet of `lick`; beats are told for a tuning to `reference`.
pub fn sheet(lick: &Lick, reference: Reference) -> String {
    let steps = explain_steps(lick);
    let open: Vec<_> = lick.open_names().iter().map(ToString::to_string).collect();
    let body = html! {
        div.head {
            h1 { (lick.title) }
            span { "Name " span.blank {} " Date " span.blank style="width:22mm" {} }
        }
        p {
            (lick.key) ", " (lick.tempo_bpm) " quarter notes a minute, "
            (lick.meter.count) "/" (lick.meter.unit)
            @if let Some(swing) = lick.swing { ", eighths swung " (swing) }
            ". Strings from the lowest: "
            (open.join(" ")) "."
            @if lick.capo > 0 {
                " Capo at fret " (lick.capo) "; frets are counted from it."
            }
        }
        h2 { "The lick" }
        (staff::systems(lick, &steps, None))
        p.small { (legend(lick)) }
        (shapes::section(lick, &steps))
        (listening::section(&steps, reference))
        div.foot {
            (plan(lick))
            div { h2 { "Remarks" } @for _ in 0..REMARK_LINES { div.rule {} } }
        }
    };
    html::page(&lick.title, STYLE, &body)
}

/// What stands above and below the tab, and the signs that this lick uses.
fn legend(lick: &Lick) -> String {
    let marks: Vec<String> =
        lick.steps.iter().flat_map(|step| &step.marks).map(ToString::to_string).collect();
    let used = SIGNS.iter().filter(|(signs, _)| marks.iter().any(|mark| mark.contains(*signs)));
    let told: Vec<String> = used.map(|(_, meaning)| format!(", {meaning}")).collect();
    format!(
        "Above the strings the chord; below them the length of each step, what it is and its \
         number{}.",
        told.concat()
    )
}

/// From half the tempo up, with boxes to tick.
fn plan(lick: &Lick) -> Markup {
    let beats: f64 = lick.steps.iter().map(|step| step.beats.get()).sum();
    html! {
        div {
            h2 { "Practice plan" }
            p {
                "Three clean passes in a row, then the next line; after a slip back one line. Keep the "
                "shoulders loose."
            }
            table {
                tr { th { "Tempo" } th {} th { "One pass" } th { "Clean" } th { "Date" } }
                @for share in PLAN {
                    @let tempo = lick.tempo_bpm * f64::from(share) / 100.0;
                    tr {
                        td { (format!("{tempo:.0}")) }
                        td { (share) " %" }
                        td { (format!("{:.0} s", 60.0 * beats / tempo)) }
                        td { (boxes()) }
                        td { span.blank style="width:14mm" {} }
                    }
                }
            }
            p.small {
                "Stop and rest when a hand hurts or goes numb; if it keeps doing so, ask your teacher or a doctor."
            }
        }
    }
}

fn boxes() -> Markup {
    html! {
        svg viewBox="0 0 48 14" style="width:14mm" {
            @for x in [1, 17, 33] {
                rect x=(x) y="1" width="12" height="12" fill="none" stroke="#000" {}
            }
        }
    }
}
