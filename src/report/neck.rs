//! A map of the whole neck: a table for the player, JSON for programs, a page to print.

use std::io;
use std::io::Write;

use maud::html;
use serde::Serialize;

use super::intonation;
use super::json;
use super::offsets_page;
use super::offsets_page::Course;
use super::plucks;
use crate::practice::intonation::Advice;
use crate::practice::neck::NeckMap;
use crate::practice::neck::Split;
use crate::practice::neck::Spot;
use crate::practice::neck::frets_alone;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::key::Key;
use crate::theory::key::spell_open;
use crate::units::Cents;

/// What explains a string, in words.
fn told(split: &Split, scale_mm: f64, tolerance: f64) -> Vec<String> {
    let mut told = Vec::new();
    let way = |cents: f64| if cents > 0.0 { "sharp" } else { "flat" };
    if split.tuning.0.abs() > tolerance {
        told.push(format!("tuned {:.1} cents {}", split.tuning.0.abs(), way(split.tuning.0)));
    }
    if let Some(nut) = split.nut.filter(|nut| nut.0.abs() > tolerance) {
        let cause = if nut.0 > 0.0 {
            "the nut slot may be high"
        } else {
            "the nut may stand too far towards the bridge"
        };
        let (cents, way) = (nut.0.abs(), way(nut.0));
        told.push(format!("all fretted notes {cents:.1} cents {way} of the open string: {cause}"));
    }
    if split.saddle.0.abs() > tolerance {
        let off = format!("{:.1} cents {}", split.saddle.0.abs(), way(split.saddle.0));
        told.push(match split.saddle_mm(scale_mm) {
            None => format!(
                "{off} at the twelfth fret, more than a saddle can mend; were the right frets played?"
            ),
            Some(mm) => {
                let side = if mm > 0.0 { "away from" } else { "towards" };
                let mm = mm.abs();
                format!("{off} at the twelfth fret by the saddle: {mm:.1} mm {side} the nut")
            }
        });
    }
    if told.is_empty() {
        told.push("nothing that tuning, nut or saddle would have to mend".to_owned());
    }
    told
}

/// Frets that lie wrong by themselves, in words: on all strings, or on one.
fn frets_told(spots: &[Spot], tolerance: f64) -> Vec<String> {
    let way = |cents: f64| if cents > 0.0 { "sharp" } else { "flat" };
    let mut told = Vec::new();
    let alone = frets_alone(spots);
    let wrong: Vec<Fret> = alone
        .iter()
        .filter(|fret| fret.alone.plucks > 1)
        .filter(|fret| fret.alone.cents.abs() > tolerance.max(2.0 * fret.alone.error))
        .map(|fret| {
            let (cents, count) = (fret.alone.cents, fret.alone.plucks);
            told.push(format!(
                "fret {}: {:.1} cents {} on the mean of {count} strings, more than tuning, nut and \
                 saddle explain; the fret itself may lie wrong or be worn",
                fret.fret.0,
                cents.abs(),
                way(cents)
            ));
            fret.fret
        })
        .collect();
    for spot in spots {
        let Some(alone) = spot.alone else { continue };
        let stands_out = alone.0.abs() > tolerance.max(2.0 * spot.deviation.error);
        if stands_out && spot.fret.0 > 0 && !wrong.contains(&spot.fret) {
            told.push(format!(
                "string {}, fret {}: {:.1} cents {} by itself; pluck it again before blaming the fret",
                spot.string.0,
                spot.fret.0,
                alone.0.abs(),
                way(alone.0)
            ));
        }
    }
    told
}

fn spot_at(spots: &[Spot], string: StringNumber, fret: Fret) -> Option<&Spot> {
    spots.iter().find(|spot| spot.string == string && spot.fret == fret)
}

fn frets(spots: &[Spot]) -> Vec<Fret> {
    let mut frets: Vec<Fret> = spots.iter().map(|spot| spot.fret).collect();
    frets.sort_unstable();
    frets.dedup();
    frets
}

/// Cells before the first fret, and cells of a fret.
const LABEL: usize = 12;
const CELL: usize = 5;

/// Writes the map, what explains each string, and what only single frets explain. Frets that do not fit
/// into `width` cells go on below.
///
/// # Errors
/// Whatever `out` fails with.
pub fn text(
    out: &mut impl Write,
    map: &NeckMap,
    scale_mm: f64,
    key: Option<Key>,
    width: Option<usize>,
) -> io::Result<()> {
    let plan = map.plan();
    let (spots, splits) = map.spots();
    if spots.is_empty() {
        writeln!(out, "No note of the neck was heard.")?;
    } else {
        let second =
            if splits.is_empty() { "" } else { " (second line: what only that fret explains)" };
        writeln!(out, "Cents from equal temperament{second}")?;
    }
    let fitting = width.map_or(usize::MAX, |width| (width.saturating_sub(LABEL) / CELL).max(1));
    for frets in frets(&spots).chunks(fitting) {
        let heads: Vec<String> = frets.iter().map(|fret| format!("{:>CELL$}", fret.0)).collect();
        writeln!(out, "\nstring  fret{}", heads.concat())?;
        writeln!(out, "{}", "─".repeat(LABEL + CELL * frets.len()))?;
        for &string in &plan.strings {
            let row = |cents: &dyn Fn(&Spot) -> Option<f64>| -> String {
                let cell = |fret: &Fret| {
                    let cents = spot_at(&spots, string, *fret).and_then(cents);
                    let cents =
                        cents.map_or("·".to_owned(), |cents| format!("{:+}", whole(cents)));
                    format!("{cents:>CELL$}")
                };
                frets.iter().map(cell).collect()
            };
            let open = plan.tuning.open(string).map(|note| spell_open(note, key).to_string());
            let open = open.unwrap_or_default();
            writeln!(out, "{:>4}    {open:<4}{}", string.0, row(&|s| Some(s.deviation.cents)))?;
            if splits.iter().any(|split| split.string == string) {
                writeln!(out, "{:LABEL$}{}", "", row(&|s| s.alone.map(|cents| cents.0)))?;
            }
        }
    }
    for split in &splits {
        for told in told(split, scale_mm, plan.tolerance.0) {
            writeln!(out, "\nstring {}: {told}", split.string.0)?;
        }
    }
    for told in frets_told(&spots, plan.tolerance.0) {
        writeln!(out, "\n{told}")?;
    }
    plucks::all_refused(out, map.refused(), plan.reference)?;
    writeln!(out, "\n{}", plucks::CARE_SADDLE)
}

/// Through an integer, so that −0.4 prints as `+0`.
fn whole(cents: f64) -> i64 {
    cents.round() as i64
}

/// Writes the document of the map.
///
/// # Errors
/// Whatever `out` fails with.
pub fn json(out: &mut impl Write, map: &NeckMap, scale_mm: f64) -> io::Result<()> {
    let (spots, splits) = map.spots();
    let document = Document {
        schema: json::SCHEMA,
        frets: spots
            .iter()
            .map(|spot| SpotJson {
                string: spot.string.0,
                fret: spot.fret.0,
                cents: json::hundredths(spot.deviation.cents),
                cents_error: json::rounded_up(spot.deviation.error),
                fret_alone_cents: spot.alone.map(|cents| json::hundredths(cents.0)),
            })
            .collect(),
        strings: splits.iter().map(|split| split_json(map, &spots, split, scale_mm)).collect(),
        refused: plucks::refused_json(map.refused(), map.plan().reference),
        caution: plucks::CARE_SADDLE,
    };
    json::document(out, &document)
}

#[derive(Serialize)]
struct Document {
    schema: u32,
    frets: Vec<SpotJson>,
    strings: Vec<SplitJson>,
    refused: Vec<plucks::RefusedJson>,
    caution: &'static str,
}

#[derive(Serialize)]
struct SpotJson {
    string: u8,
    fret: u8,
    cents: f64,
    cents_error: f64,
    fret_alone_cents: Option<f64>,
}

#[derive(Serialize)]
struct SplitJson {
    string: u8,
    open_hz: Option<f64>,
    harmonic_hz: Option<f64>,
    fretted_hz: Option<f64>,
    fret: u8,
    offset_cents: Option<f64>,
    offset_error: Option<f64>,
    advice: &'static str,
    tuning_cents: f64,
    nut_cents: Option<f64>,
    saddle_cents: f64,
    saddle_mm: Option<f64>,
}

/// A string as `intonation` tells it without a map, the octave over the open string, and what the
/// map adds.
fn split_json(map: &NeckMap, spots: &[Spot], split: &Split, scale_mm: f64) -> SplitJson {
    const OCTAVE: Fret = Fret(12);
    let plan = map.plan();
    let at = |fret| spot_at(spots, split.string, fret).map(|spot| spot.deviation);
    let hz = |fret, cents| {
        let place = plan.reference.frequency(plan.tuning.note_at(split.string, fret)?);
        Some(json::thousandths(place.raised(Cents(cents)).get()))
    };
    let (open, upper) = (at(Fret(0)), at(OCTAVE));
    let offset = open
        .zip(upper)
        .map(|(open, upper)| (upper.cents - open.cents, upper.error.hypot(open.error)));
    SplitJson {
        string: split.string.0,
        open_hz: open.and_then(|open| hz(Fret(0), open.cents)),
        harmonic_hz: None,
        fretted_hz: upper.and_then(|upper| hz(OCTAVE, upper.cents)),
        fret: OCTAVE.0,
        offset_cents: offset.map(|(cents, _)| json::hundredths(cents)),
        offset_error: offset.map(|(_, error)| json::rounded_up(error)),
        advice: intonation::advice(Advice::on(offset, plan.tolerance)),
        tuning_cents: json::hundredths(split.tuning.0),
        nut_cents: split.nut.map(|nut| json::hundredths(nut.0)),
        saddle_cents: json::hundredths(split.saddle.0),
        saddle_mm: split.saddle_mm(scale_mm).map(json::hundredths),
    }
}

/// The page of the map.
pub fn page(map: &NeckMap, scale_mm: f64, key: Option<Key>) -> String {
    let plan = map.plan();
    let (spots, splits) = map.spots();
    let course = |string: StringNumber| {
        let note = plan.tuning.open(string)?;
        let split = splits.iter().find(|split| split.string == string);
        let of_string = spots.iter().filter(|spot| spot.string == string);
        Some(Course {
            label: format!("String {}, {}", string.0, spell_open(note, key)),
            points: of_string
                .map(|spot| (spot.fret.0, spot.deviation.cents, spot.deviation.error))
                .collect(),
            explained: split.map_or(Vec::new(), |split| {
                (0..=plan.frets.1.0)
                    .filter(|fret| *fret > 0 || split.nut.is_some())
                    .map(|fret| (fret, split.at(Fret(fret))))
                    .collect()
            }),
            remarks: split.map_or(Vec::new(), |s| told(s, scale_mm, plan.tolerance.0)),
        })
    };
    let courses: Vec<Course> = plan.strings.iter().rev().filter_map(|&s| course(s)).collect();
    let body = html! {
        p { "Cents from equal temperament, fret by fret. Dots are what was measured, their bars one \
            standard error; the line is what tuning, nut and saddle explain. What a dot is off the line \
            is the fret's own. Scale " (scale_mm) " mm." }
        @for course in &courses { (offsets_page::course(course)) }
        ul { @for told in frets_told(&spots, plan.tolerance.0) { li { (told) } } }
        p.care { (plucks::CARE_SADDLE) }
    };
    offsets_page::page("The neck", &body)
}
