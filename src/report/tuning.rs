//! How the open strings are tuned: a table for the player, JSON for programs, a page to print.

use std::io;
use std::io::Write;

use maud::html;
use serde::Serialize;

use super::json;
use super::offsets_page;
use super::offsets_page::Offset;
use super::plucks;
use crate::practice::tuning::Pair;
use crate::practice::tuning::StringTuning;
use crate::practice::tuning::TuningCheck;
use crate::practice::tuning::Verdict;
use crate::theory::key::Key;
use crate::theory::key::spell_open;
use crate::theory::note::Reference;
use crate::units::Cents;

/// Which peg it is has to be known before one is turned so far.
const FAR_OFF: &str = "A string so far off is taken for the nearest one: make sure that it is, then \
    turn its peg slowly.\nIf it gets tight before it is there, stop.";

/// The verdict in words.
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Flat => "flat",
        Verdict::Sharp => "sharp",
        Verdict::Unsure => "unsure",
        Verdict::NotHeard => "not heard",
    }
}

/// Writes a table of the strings, the beats of neighbours, and what was not taken.
///
/// # Errors
/// Whatever `out` fails with.
pub fn text(out: &mut impl Write, check: &TuningCheck, key: Option<Key>) -> io::Result<()> {
    let wanted = check.wanted();
    let strings = check.strings();
    writeln!(out, "string  note      hertz   cents from     cents from")?;
    writeln!(out, "                          tempered       target   is")?;
    writeln!(out, "{}", "─".repeat(58))?;
    for string in &strings {
        writeln!(out, "{}", line(string, wanted.reference, key).trim_end())?;
    }
    if strings.iter().any(StringTuning::is_far_off) {
        writeln!(out, "\n{FAR_OFF}")?;
    }
    if let Some(meant) = other_tuning(check, key) {
        writeln!(out, "{meant}")?;
    }
    let pairs = check.pairs();
    if pairs.iter().any(|pair| pair.beats_hz.is_some()) {
        writeln!(out, "\nstrings  interval           beats a second   ought to be")?;
        writeln!(out, "{}", "─".repeat(58))?;
        for pair in pairs {
            writeln!(
                out,
                "{:>3} {:>2}   {:<17}  {:<15}  {}",
                pair.strings.0.0,
                pair.strings.1.0,
                pair.interval.name(),
                pair.beats_hz.map_or("–".to_owned(), beats),
                beats(pair.target_beats_hz)
            )?;
        }
    }
    let silent: Vec<String> = strings
        .iter()
        .filter(|string| string.verdict == Verdict::NotHeard)
        .map(|string| format!("string {} ({})", string.string.0, spell_open(string.note, key)))
        .collect();
    if !silent.is_empty() {
        writeln!(out, "\nNot heard: {}.", silent.join(", "))?;
    }
    plucks::all_refused(out, check.refused(), wanted.reference)?;
    writeln!(out, "\n{}", plucks::CARE_TUNING)
}

/// One line for a pluck of `string` that was taken, `cents` off.
pub fn taken(
    string: &StringTuning,
    cents: Cents,
    reference: Reference,
    key: Option<Key>,
) -> String {
    format!(
        "string {} ({}): {} cents, {}",
        string.string.0,
        spell_open(string.note, key),
        plucks::signed(cents.0),
        told(string, reference, key)
    )
}

/// The verdict, and what to do about a string that sounds another note than its own.
fn told(string: &StringTuning, reference: Reference, key: Option<Key>) -> String {
    let is = verdict(string.verdict);
    let sounds = string.frequency.and_then(|hz| reference.nearest(hz));
    match (string.verdict, sounds) {
        (Verdict::Flat, Some((note, _))) if string.is_far_off() => {
            format!("{is}, sounds {}: tune up", spell_open(note, key))
        }
        (Verdict::Sharp, Some((note, _))) if string.is_far_off() => {
            format!("{is}, sounds {}: tune down", spell_open(note, key))
        }
        _ => is.to_owned(),
    }
}

fn line(string: &StringTuning, reference: Reference, key: Option<Key>) -> String {
    let note = spell_open(string.note, key).to_string();
    let head = format!("{:>4}    {note:<4}", string.string.0);
    match (string.frequency, string.measured) {
        (Some(frequency), Some(mean)) => format!(
            "{head}  {:>9.2}   {:>6} {:<5}  {:>6}   {}",
            frequency.get(),
            plucks::signed(mean.cents),
            plucks::error(mean.error),
            plucks::signed(mean.cents - string.target.0),
            told(string, reference, key)
        ),
        _ => format!("{head}  {:>9}   {:>6} {:<5}  {:>6}   {}", "–", "–", "", "–", "not heard"),
    }
}

/// Where strings sound other notes than their own: they may be tuned to them on purpose.
fn other_tuning(check: &TuningCheck, key: Option<Key>) -> Option<String> {
    let notes = check.other_tuning()?;
    let names: Vec<String> = notes.iter().map(|&note| spell_open(note, key).to_string()).collect();
    Some(format!("If that tuning is meant, say so: --tuning \"{}\"", names.join(" ")))
}

fn beats(beats_hz: f64) -> String {
    let side = match beats_hz {
        hz if hz.abs() < 0.005 => return "none".to_owned(),
        0.0.. => "wide",
        _ => "narrow",
    };
    format!("{:.2} {side}", beats_hz.abs())
}

/// Writes the document of `tuning`.
///
/// # Errors
/// Whatever `out` fails with.
pub fn json(out: &mut impl Write, check: &TuningCheck, key: Option<Key>) -> io::Result<()> {
    let strings = check
        .strings()
        .into_iter()
        .map(|string| StringJson {
            string: string.string.0,
            note: spell_open(string.note, key).to_string(),
            midi: string.note.0,
            hz: string.frequency.map(|hz| json::thousandths(hz.get())),
            cents: string.measured.map(|mean| json::hundredths(mean.cents)),
            cents_error: string.measured.map(|mean| json::rounded_up(mean.error)),
            target_cents: json::hundredths(string.target.0),
            verdict: verdict(string.verdict),
            plucks: string.measured.map_or(0, |mean| mean.plucks),
        })
        .collect();
    let pair = |pair: Pair| PairJson {
        strings: [pair.strings.0.0, pair.strings.1.0],
        interval: pair.interval.short(),
        beats_hz: pair.beats_hz.map(json::thousandths),
        target_beats_hz: json::thousandths(pair.target_beats_hz),
    };
    let document = Document {
        schema: json::SCHEMA,
        strings,
        pairs: check.pairs().into_iter().map(pair).collect(),
        refused: plucks::refused_json(check.refused(), check.wanted().reference),
        caution: plucks::CARE_TUNING,
    };
    json::document(out, &document)
}

#[derive(Serialize)]
struct Document {
    schema: u32,
    strings: Vec<StringJson>,
    pairs: Vec<PairJson>,
    refused: Vec<plucks::RefusedJson>,
    caution: &'static str,
}

#[derive(Serialize)]
struct StringJson {
    string: u8,
    note: String,
    midi: u8,
    hz: Option<f64>,
    cents: Option<f64>,
    cents_error: Option<f64>,
    target_cents: f64,
    verdict: &'static str,
    plucks: usize,
}

#[derive(Serialize)]
struct PairJson {
    strings: [u8; 2],
    interval: String,
    beats_hz: Option<f64>,
    target_beats_hz: f64,
}

/// The page of `tuning`.
pub fn page(check: &TuningCheck, key: Option<Key>) -> String {
    let wanted = check.wanted();
    let strings = check.strings();
    let offsets: Vec<Offset> = strings
        .iter()
        .rev()
        .map(|string| Offset {
            label: format!("{} {}", string.string.0, spell_open(string.note, key)),
            value: string.measured.map(|mean| (mean.cents - string.target.0, mean.error)),
            remark: told(string, wanted.reference, key),
        })
        .collect();
    let place = match &wanted.pure {
        Some(chord) => format!("pure {chord}"),
        None => "equal temperament".to_owned(),
    };
    let body = html! {
        p { "Cents from where each open string ought to be: " (place) ", A4 = "
            (wanted.reference.a4().get()) " Hz. Bars show one standard error." }
        (offsets_page::offsets(&offsets, wanted.tolerance.0, "cents flat", "cents sharp"))
        table {
            tr { th { "Strings" } th { "Interval" } th { "Beats a second" } th { "Ought to be" } }
            @for pair in check.pairs() {
                tr {
                    td { (pair.strings.0.0) " and " (pair.strings.1.0) }
                    td { (pair.interval.name()) }
                    td { (pair.beats_hz.map_or("–".to_owned(), beats)) }
                    td { (beats(pair.target_beats_hz)) }
                }
            }
        }
        @if strings.iter().any(StringTuning::is_far_off) { p.care { (FAR_OFF) } }
        @if let Some(meant) = other_tuning(check, key) { p { (meant) } }
        p.care { (plucks::CARE_TUNING) }
    };
    offsets_page::page("Open strings", &body)
}
