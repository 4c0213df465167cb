//! Results as one JSON document, schema 1.
//!
//! **Conventions.** Field names end in their unit; what is absent is missing, never 0. Seconds are
//! rounded to 0.001, milliseconds to 0.1, hertz to 0.001, cents to 0.01.

use std::io;
use std::io::Write;

use serde::Serialize;

use super::Page;
use super::TakeReport;
use super::summary;
use super::tally::out_of_tune;
use super::word;
use crate::lick::expected::ExpectedNote;
use crate::practice::verdict::Finding;
use crate::practice::verdict::HeardNote;
use crate::practice::verdict::PassJudgement;
use crate::practice::verdict::Pitch;
use crate::practice::verdict::Status;
use crate::practice::verdict::StepJudgement;
use crate::practice::verdict::TakeJudgement;
use crate::practice::verdict::UnmatchedStrike;
use crate::theory::names::Names;

/// The version of the documents written here.
pub const SCHEMA: u32 = 1;

/// Writes the document of `check`: every take with its steps, or with the `error` that kept it
/// from being judged.
///
/// # Errors
/// Whatever `out` fails with.
pub fn check(out: &mut impl Write, page: &Page, takes: &[TakeReport]) -> io::Result<()> {
    document(out, &checked(page, takes, &[]))
}

/// The document of `check` as a value.
///
/// # Errors
/// A number that JSON does not have.
pub fn value(page: &Page, takes: &[TakeReport]) -> io::Result<serde_json::Value> {
    Ok(serde_json::to_value(checked(page, takes, &[]))?)
}

/// Writes the document of `demo`: that of `check`, with the mistakes that were `planted`, each
/// with the number of its step.
///
/// # Errors
/// Whatever `out` fails with.
pub fn demo(
    out: &mut impl Write,
    page: &Page,
    takes: &[TakeReport],
    planted: &[(usize, &str)],
) -> io::Result<()> {
    document(out, &checked(page, takes, planted))
}

/// Writes `value` as a document, indented, with a line feed at the end.
///
/// # Errors
/// Whatever `out` fails with.
pub fn document(out: &mut impl Write, value: &impl Serialize) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut *out, value)?;
    writeln!(out)
}

#[derive(Serialize)]
struct Check<'a> {
    schema: u32,
    lick: &'a str,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    planted: Vec<Planted<'a>>,
    takes: Vec<Take<'a>>,
}

#[derive(Serialize)]
struct Planted<'a> {
    step: usize,
    mistake: &'a str,
}

#[derive(Serialize)]
#[serde(untagged)]
enum Take<'a> {
    Judged(Judged<'a>),
    Unjudged { recording: &'a str, error: &'a str, hint: &'a str },
}

#[derive(Serialize)]
struct Judged<'a> {
    recording: &'a str,
    duration_s: f64,
    /// Only where there are several.
    #[serde(skip_serializing_if = "Option::is_none")]
    pass: Option<usize>,
    tempo_bpm: Option<f64>,
    tuning_offset_cents: Option<f64>,
    steps: Vec<Step<'a>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    other_passes: Vec<Pass<'a>>,
    unmatched: Vec<Unmatched>,
    findings: Vec<Told<'a>>,
}

#[derive(Serialize)]
struct Pass<'a> {
    pass: usize,
    tempo_bpm: Option<f64>,
    steps: Vec<Step<'a>>,
}

#[derive(Serialize)]
pub(super) struct Step<'a> {
    step: usize,
    verdict: &'static str,
    start_s: Option<f64>,
    timing_ms: Option<f64>,
    expected: Vec<Expected>,
    heard: Vec<Heard>,
    missing: Vec<Expected>,
    remarks: &'a [String],
}

#[derive(Serialize)]
struct Expected {
    string: u8,
    fret: u8,
    note: String,
    midi: u8,
}

#[derive(Serialize)]
pub(super) struct Sounding {
    note: String,
    midi: u8,
    hz: f64,
    cents: f64,
    cents_error: Option<f64>,
}

#[derive(Serialize)]
struct Heard {
    #[serde(flatten)]
    pitch: Sounding,
    status: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    instead_of: Option<Expected>,
    #[serde(skip_serializing_if = "Option::is_none")]
    string: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    fret: Option<u8>,
    /// Where it was played, if that could be told; `string` and `fret` are where it is asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    string_heard: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    fret_heard: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    start_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    in_tune: Option<bool>,
    confidence: f64,
}

#[derive(Serialize)]
struct Unmatched {
    start_s: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pass: Option<usize>,
    heard: Vec<Sounding>,
}

#[derive(Serialize)]
struct Told<'a> {
    finding: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    offset_cents: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    share: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cause: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    start_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    length_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    late_ms: Option<f64>,
    text: String,
}

fn checked<'a>(page: &'a Page, takes: &'a [TakeReport], planted: &[(usize, &'a str)]) -> Check<'a> {
    Check {
        schema: SCHEMA,
        lick: &page.title,
        planted: planted.iter().map(|&(step, mistake)| Planted { step, mistake }).collect(),
        takes: takes.iter().map(|report| take(page, report)).collect(),
    }
}

fn take<'a>(page: &Page, report: &'a TakeReport) -> Take<'a> {
    let recording = &report.recording;
    match &report.outcome {
        Ok(judgement) => Take::Judged(judged(page, recording, judgement)),
        Err(why) => Take::Unjudged { recording, error: &why.error, hint: &why.hint },
    }
}

fn judged<'a>(page: &Page, recording: &'a str, take: &'a TakeJudgement) -> Judged<'a> {
    let offset = take.findings.iter().find_map(|finding| match finding {
        Finding::TunedOff { offset } | Finding::PlayedAtWrongRate { offset } => Some(offset.0),
        _ => None,
    });
    Judged {
        recording,
        duration_s: thousandths(take.duration_s),
        pass: (!take.other_passes.is_empty()).then_some(take.pass),
        tempo_bpm: take.tempo_bpm.map(tenths),
        tuning_offset_cents: offset.map(hundredths),
        steps: take.steps.iter().map(|judged| step(page, judged)).collect(),
        other_passes: take.other_passes.iter().map(|other| pass(page, other)).collect(),
        unmatched: take.unmatched.iter().map(|strike| unmatched(page, strike)).collect(),
        findings: take.findings.iter().map(told).collect(),
    }
}

fn pass<'a>(page: &Page, pass: &'a PassJudgement) -> Pass<'a> {
    Pass {
        pass: pass.number,
        tempo_bpm: pass.tempo_bpm.map(tenths),
        steps: pass.steps.iter().map(|judged| step(page, judged)).collect(),
    }
}

pub(super) fn step<'a>(page: &Page, step: &'a StepJudgement) -> Step<'a> {
    let names = page.names_in(step.step);
    Step {
        step: step.step,
        verdict: word(step.verdict),
        start_s: step.start_s.map(thousandths),
        timing_ms: step.timing_ms.map(tenths),
        expected: step.expected.iter().map(|note| expected(names, note)).collect(),
        heard: step.heard.iter().map(|note| heard(page, names, note)).collect(),
        missing: step.missing.iter().map(|note| expected(names, note)).collect(),
        remarks: &step.remarks,
    }
}

fn expected(names: &Names, note: &ExpectedNote) -> Expected {
    Expected {
        string: note.string.0,
        fret: note.fret.0,
        note: names.spell(note.note).to_string(),
        midi: note.note.0,
    }
}

fn heard(page: &Page, names: &Names, note: &HeardNote) -> Heard {
    let (status, instead_of) = match note.status {
        Status::Right => ("right", None),
        Status::Wrong { instead_of } => ("wrong", Some(expected(names, &instead_of))),
        Status::Extra => ("extra", None),
        Status::Ringing => ("ringing", None),
    };
    let in_tune = out_of_tune(note, page.tolerance).is_none();
    Heard {
        pitch: sounding(&note.pitch, names),
        status,
        instead_of,
        string: note.expected.map(|expected| expected.string.0),
        fret: note.expected.map(|expected| expected.fret.0),
        string_heard: note.played_at.map(|(string, _)| string.0),
        fret_heard: note.played_at.map(|(_, fret)| fret.0),
        start_s: note.start_s.map(thousandths),
        in_tune: (note.status == Status::Right).then_some(in_tune),
        confidence: hundredths(note.confidence),
    }
}

pub(super) fn sounding(pitch: &Pitch, names: &Names) -> Sounding {
    Sounding {
        note: names.spell(pitch.note).to_string(),
        midi: pitch.note.0,
        hz: thousandths(pitch.frequency.get()),
        cents: hundredths(pitch.cents.0),
        cents_error: pitch.cents_error.map(|error| rounded_up(error.0)),
    }
}

fn unmatched(page: &Page, strike: &UnmatchedStrike) -> Unmatched {
    Unmatched {
        start_s: thousandths(strike.start_s),
        pass: strike.pass,
        heard: strike.heard.iter().map(|pitch| sounding(pitch, &page.beside)).collect(),
    }
}

fn told(finding: &Finding) -> Told<'_> {
    let mut told = Told {
        finding: "",
        offset_cents: None,
        share: None,
        cause: None,
        start_s: None,
        length_s: None,
        late_ms: None,
        text: summary::finding(finding),
    };
    match finding {
        Finding::TunedOff { offset } => {
            told.finding = "tuned off";
            told.offset_cents = Some(hundredths(offset.0));
        }
        Finding::Transposed { semitones } => {
            told.finding = "transposed";
            told.offset_cents = Some(100.0 * f64::from(*semitones));
        }
        Finding::PlayedAtWrongRate { offset } => {
            told.finding = "played at wrong rate";
            told.offset_cents = Some(hundredths(offset.0));
        }
        Finding::AnotherLick => told.finding = "another lick",
        Finding::Lost => told.finding = "lost",
        Finding::Silent => told.finding = "silent",
        Finding::SilentChannel { .. } => told.finding = "silent channel",
        Finding::NoNotes => told.finding = "no notes",
        Finding::TooShort => told.finding = "too short",
        Finding::Clipped { share } => {
            told.finding = "clipped";
            told.share = Some((share * 1e6).round() / 1e6);
        }
        Finding::Swung { played, .. } => {
            told.finding = "swung";
            told.share = Some(thousandths(*played));
        }
        Finding::LateThroughout { late_ms, .. } => {
            told.finding = "late throughout";
            told.late_ms = Some(tenths(*late_ms));
        }
        Finding::Drifted { later_ms } => {
            told.finding = "drifted";
            told.late_ms = Some(tenths(*later_ms));
        }
        Finding::Damaged { cause } => {
            told.finding = "damaged";
            told.cause = Some(cause);
        }
        Finding::Hole { start_s, length_s } => {
            told.finding = "hole";
            told.start_s = Some(thousandths(*start_s));
            told.length_s = Some(thousandths(*length_s));
        }
    }
    told
}

// Adding 0.0 turns −0.0, which JSON would show, into 0.0.
fn tenths(value: f64) -> f64 {
    (value * 10.0).round() / 10.0 + 0.0
}

pub(super) fn hundredths(value: f64) -> f64 {
    (value * 100.0).round() / 100.0 + 0.0
}

/// Hundredths, rounded up, so that no measurement is ever told as exact.
pub(super) fn rounded_up(error: f64) -> f64 {
    (error * 100.0).ceil().max(1.0) / 100.0
}

pub(super) fn thousandths(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0 + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;
    use crate::units::Cents;
    use serde_json::Value;
    use serde_json::json;

    fn written(takes: &[TakeReport]) -> Value {
        let mut out = Vec::new();
        check(&mut out, &sample::page(), takes).expect("a vector takes all bytes");
        assert_eq!(out.last(), Some(&b'\n'));
        serde_json::from_slice(&out).expect("one JSON document")
    }

    /// `found` holds every member of `expected`, with equal values; it may hold more.
    fn holds(found: &Value, expected: &Value, at: &str) {
        match (found, expected) {
            (Value::Object(found), Value::Object(expected)) => {
                for (name, value) in expected {
                    let there = found.get(name).unwrap_or(&Value::Null);
                    holds(there, value, &format!("{at}.{name}"));
                }
            }
            (Value::Array(found), Value::Array(expected)) => {
                assert_eq!(found.len(), expected.len(), "{at}");
                for (index, (found, expected)) in found.iter().zip(expected).enumerate() {
                    holds(found, expected, &format!("{at}[{index}]"));
                }
            }
            _ => assert_eq!(found, expected, "{at}"),
        }
    }

    /// The example in the contract of the JSON output, number for number.
    #[test]
    fn the_promised_example_comes_out_as_promised() {
        let mut report = sample::report();
        if let Ok(take) = &mut report.outcome {
            take.steps.truncate(2);
            take.steps.remove(0);
        }
        let d5 = json!({ "string": 1, "fret": 10, "note": "D5", "midi": 74 });
        let f4 = json!({ "string": 3, "fret": 11, "note": "F#4", "midi": 66 });
        holds(
            &written(&[report]),
            &json!({ "schema": 1, "lick": "Ferry landing sixths",
              "takes": [ { "recording": "take.wav", "duration_s": 6.1,
                "steps": [ { "step": 2, "verdict": "incomplete", "start_s": 1.226, "timing_ms": -8.0,
                  "expected": [ f4, d5 ],
                  "heard": [ { "note": "F#4", "midi": 66, "hz": 370.3, "cents": 1.5,
                    "cents_error": 0.3, "status": "right", "string": 3, "fret": 11,
                    "in_tune": true } ],
                  "missing": [ d5 ] } ],
                "unmatched": [ { "start_s": 5.2, "heard": [ { "note": "E4", "midi": 64 } ] } ] } ] }),
            "",
        );
    }

    #[test]
    fn verdicts_and_statuses_have_the_promised_words() {
        let document = written(&[sample::report()]);
        let steps = document["takes"][0]["steps"].as_array().expect("steps");
        let verdicts: Vec<&str> = steps.iter().filter_map(|s| s["verdict"].as_str()).collect();
        assert_eq!(verdicts, ["right", "incomplete", "wrong", "right", "not played", "unsure"]);
        let wrong = &steps[2]["heard"][0];
        assert_eq!(wrong["status"], "wrong");
        assert_eq!(
            wrong["instead_of"],
            json!({ "string": 3, "fret": 9, "note": "E4", "midi": 64 })
        );
        assert_eq!(wrong.get("in_tune"), None, "only a right note is in tune or not");
        assert_eq!(steps[2]["heard"][2]["status"], "extra");
        assert_eq!(steps[3]["heard"][0]["status"], "ringing");
        assert_eq!(steps[4]["start_s"], Value::Null);
        assert_eq!(steps[3]["heard"][2]["start_s"], json!(2.65));
        assert_eq!(steps[3]["heard"][2]["in_tune"], json!(false));
    }

    #[test]
    fn other_passes_are_told_only_where_there_are_some() {
        let mut report = sample::report();
        let document = written(&[report.clone()]);
        let take = &document["takes"][0];
        assert_eq!((take.get("pass"), take.get("other_passes")), (None, None));
        assert_eq!(take["unmatched"][0].get("pass"), None);
        if let Ok(take) = &mut report.outcome {
            let steps = take.steps.clone();
            take.pass = 2;
            take.other_passes =
                vec![PassJudgement { number: 1, steps, tempo_bpm: Some(71.26), swing_share: None }];
            take.unmatched[0].pass = Some(1);
        }
        let document = written(&[report]);
        let take = &document["takes"][0];
        let other = &take["other_passes"][0];
        assert_eq!((&take["pass"], &other["pass"]), (&json!(2), &json!(1)));
        assert_eq!((&other["steps"], &other["tempo_bpm"]), (&take["steps"], &json!(71.3)));
        assert_eq!(take["unmatched"][0]["pass"], 1);
    }

    #[test]
    fn where_a_note_was_played_is_told_beside_where_it_was_asked_for() {
        let document = written(&[sample::report()]);
        let heard = &document["takes"][0]["steps"][2]["heard"];
        let member = |i: usize, name: &str| heard[i][name].clone();
        assert_eq!([member(1, "string"), member(1, "fret")], [json!(1), json!(9)]);
        assert_eq!([member(1, "string_heard"), member(1, "fret_heard")], [json!(2), json!(14)]);
        let undecided = &document["takes"][0]["steps"][0]["heard"][0];
        assert_eq!(undecided.get("string_heard"), None);
    }

    #[test]
    fn an_offset_of_the_whole_guitar_is_told_once_a_take() {
        let mut report = sample::report();
        assert_eq!(written(&[report.clone()])["takes"][0]["tuning_offset_cents"], Value::Null);
        if let Ok(take) = &mut report.outcome {
            take.findings = vec![Finding::TunedOff { offset: Cents(-12.345) }];
        }
        let document = written(&[report]);
        assert_eq!(document["takes"][0]["tuning_offset_cents"], json!(-12.35));
        assert_eq!(document["takes"][0]["findings"][0]["finding"], "tuned off");
    }

    #[test]
    fn a_recording_that_could_not_be_judged_keeps_its_place() {
        let document = written(&[sample::unjudged(), sample::report()]);
        let takes = document["takes"].as_array().expect("takes");
        assert_eq!(takes.len(), 2);
        assert_eq!(takes[0]["recording"], "broken.wav");
        assert_eq!(takes[0]["error"], "broken.wav: no audio in it");
        assert_eq!(takes[0].get("steps"), None);
        assert_eq!(takes[1].get("error"), None);
    }

    #[test]
    fn numbers_that_are_none_never_reach_the_document() {
        let mut report = sample::report();
        if let Ok(take) = &mut report.outcome {
            take.steps[0].timing_ms = Some(f64::NAN);
            take.steps[0].heard[0].pitch.cents = Cents(-0.001);
        }
        let document = written(&[report]);
        assert_eq!(document["takes"][0]["steps"][0]["timing_ms"], Value::Null);
        let cents = &document["takes"][0]["steps"][0]["heard"][0]["cents"];
        assert_eq!(cents.to_string(), "0.0");
    }
}
