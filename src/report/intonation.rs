//! Which way the saddle goes: a table for the player, JSON for programs, a page to print.

use std::io;
use std::io::Write;

use maud::html;
use serde::Serialize;

use super::json;
use super::offsets_page;
use super::offsets_page::Offset;
use super::plucks;
use crate::practice::intonation::Advice;
use crate::practice::intonation::Against;
use crate::practice::intonation::IntonationCheck;
use crate::practice::intonation::Plan;
use crate::practice::intonation::Role;
use crate::practice::intonation::StringIntonation;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::key::Key;
use crate::theory::key::spell_open;

/// What a note of the check is called: `open`, `harmonic over fret 12`, `fret 15`.
pub fn role(against: Against, role: Role) -> String {
    match (against, role) {
        (Against::Harmonic, Role::Reference) => "harmonic over fret 12".to_owned(),
        (Against::Stopped(Fret(0)), Role::Reference) => "open string".to_owned(),
        (Against::Stopped(fret), Role::Reference) => format!("fret {}", fret.0),
        (_, Role::Fretted) => format!("fret {}", against.fret().0),
    }
}

/// What to play next: `string 6: open string, 3 times`.
pub fn ask(
    plan: &Plan,
    (StringNumber(string), which, times): (StringNumber, Role, usize),
) -> String {
    let role = role(plan.against, which);
    let times = if times == 1 { "once".to_owned() } else { format!("{times} times") };
    format!("string {string}: {role}, {times}")
}

pub(super) fn advice(advice: Advice) -> &'static str {
    match advice {
        Advice::Lengthen => "lengthen",
        Advice::Shorten => "shorten",
        Advice::Good => "good",
        Advice::Unsure => "unsure",
    }
}

/// The advice in words a player understands.
fn told(string: &StringIntonation) -> String {
    match (string.advice, string.saddle_mm) {
        (Advice::Lengthen, Some(mm)) => format!("lengthen: saddle {:.1} mm away from the nut", mm),
        (Advice::Shorten, Some(mm)) => format!("shorten: saddle {:.1} mm towards the nut", -mm),
        (Advice::Good, _) => "good".to_owned(),
        _ if string.offset.is_none() => "unsure: not all of it heard".to_owned(),
        (_, None) => "unsure: more than a saddle can mend; was the right fret played?".to_owned(),
        _ => "unsure: the error is too large, play more".to_owned(),
    }
}

fn headline(plan: &Plan) -> String {
    format!(
        "Fret {} against {}, scale {} mm, tolerance {} cents",
        plan.against.fret().0,
        match plan.against {
            Against::Stopped(Fret(0)) => "the open string".to_owned(),
            Against::Harmonic => "the harmonic".to_owned(),
            Against::Stopped(fret) => format!("fret {}", fret.0),
        },
        plan.scale_mm,
        plan.tolerance.0
    )
}

/// Writes a table of the strings and what was not taken.
///
/// # Errors
/// Whatever `out` fails with.
pub fn text(out: &mut impl Write, check: &IntonationCheck, key: Option<Key>) -> io::Result<()> {
    let plan = check.plan();
    let lower = match plan.against {
        Against::Stopped(Fret(0)) => "open".to_owned(),
        Against::Harmonic => "harmonic".to_owned(),
        Against::Stopped(fret) => format!("fret {}", fret.0),
    };
    writeln!(out, "{}\n", headline(plan))?;
    let upper = format!("fret {}", plan.against.fret().0);
    writeln!(out, "string  note  {lower:>9}  {upper:>9}   offset (cents)  advice")?;
    writeln!(out, "{}", "─".repeat(88))?;
    for string in check.strings() {
        let note = spell_open(string.note, key).to_string();
        let hz = |hz: Option<f64>| hz.map_or("–".to_owned(), |hz| format!("{hz:.2}"));
        let offset = string.offset.map_or("–".to_owned(), |mean| {
            format!("{} {}", plucks::signed(mean.cents), plucks::error(mean.error))
        });
        writeln!(
            out,
            "{:>4}    {note:<4}  {:>9}  {:>9}   {offset:>14}  {}",
            string.string.0,
            hz(string.reference.map(|hz| hz.get())),
            hz(string.fretted.map(|hz| hz.get())),
            told(&string)
        )?;
    }
    plucks::all_refused(out, &check.refused(), plan.reference)?;
    writeln!(out, "\nTune the open string again after every move, then measure again.")?;
    writeln!(out, "{}", plucks::CARE_SADDLE)
}

/// Writes the document of `intonation`.
///
/// # Errors
/// Whatever `out` fails with.
pub fn json(out: &mut impl Write, check: &IntonationCheck, key: Option<Key>) -> io::Result<()> {
    let plan = check.plan();
    let strings = check
        .strings()
        .into_iter()
        .map(|string| {
            let reference = string.reference.map(|hz| json::thousandths(hz.get()));
            StringJson {
                string: string.string.0,
                note: spell_open(string.note, key).to_string(),
                open_hz: reference.filter(|_| plan.against == Against::Stopped(Fret(0))),
                harmonic_hz: reference.filter(|_| plan.against == Against::Harmonic),
                reference_fret: plan.against.base().0,
                reference_hz: reference,
                fretted_hz: string.fretted.map(|hz| json::thousandths(hz.get())),
                fret: plan.against.fret().0,
                offset_cents: string.offset.map(|mean| json::hundredths(mean.cents)),
                offset_error: string.offset.map(|mean| json::rounded_up(mean.error)),
                saddle_mm: string.saddle_mm.map(json::hundredths),
                advice: advice(string.advice),
                plucks: [string.reference_plucks, string.offset.map_or(0, |mean| mean.plucks)],
            }
        })
        .collect();
    let document = Document {
        schema: json::SCHEMA,
        strings,
        refused: plucks::refused_json(&check.refused(), plan.reference),
        caution: plucks::CARE_SADDLE,
    };
    json::document(out, &document)
}

#[derive(Serialize)]
struct Document {
    schema: u32,
    strings: Vec<StringJson>,
    refused: Vec<plucks::RefusedJson>,
    caution: &'static str,
}

#[derive(Serialize)]
struct StringJson {
    string: u8,
    note: String,
    open_hz: Option<f64>,
    harmonic_hz: Option<f64>,
    reference_fret: u8,
    reference_hz: Option<f64>,
    fretted_hz: Option<f64>,
    fret: u8,
    offset_cents: Option<f64>,
    offset_error: Option<f64>,
    saddle_mm: Option<f64>,
    advice: &'static str,
    plucks: [usize; 2],
}

/// The page of `intonation`.
pub fn page(check: &IntonationCheck, key: Option<Key>) -> String {
    let plan = check.plan();
    let offsets: Vec<Offset> = check
        .strings()
        .iter()
        .rev()
        .map(|string| Offset {
            label: format!("{} {}", string.string.0, spell_open(string.note, key)),
            value: string.offset.map(|mean| (mean.cents, mean.error)),
            remark: told(string),
        })
        .collect();
    let body = html! {
        p { (headline(plan)) ". A dot is how sharp the fretted note is, its bar one standard error." }
        (offsets_page::offsets(&offsets, plan.tolerance.0, "cents flat", "cents sharp"))
        p { "Millimetres hold for the open string tuned again after the move." }
        p.care { (plucks::CARE_SADDLE) }
    };
    offsets_page::page("Intonation", &body)
}
