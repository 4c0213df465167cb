//! Judged takes in, as `check --json` printed them; out, how the playing came along.
//!
//! **Conventions.** Takes keep the order they are given in; takes of one lick stand together.

use std::io;
use std::io::Write;

use serde_json::Value;
use serde_json::json;

use super::json::SCHEMA;

/// One judged take, as far as progress is concerned.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Title of the lick.
    pub lick: String,
    /// Name of the recording.
    pub recording: String,
    /// Steps judged right.
    pub right: usize,
    /// Steps of the lick.
    pub steps: usize,
    /// Median distance of right notes from their pitch, in cents.
    pub cents: Option<f64>,
    /// Tempo it was played at, in quarter notes a minute.
    pub tempo_bpm: Option<f64>,
}

/// The takes of a document of `check --json`; `None` if it is no such document.
pub fn entries(document: &Value) -> Option<Vec<Entry>> {
    let lick = document.get("lick")?.as_str()?;
    let takes = document.get("takes")?.as_array()?;
    Some(takes.iter().filter_map(|take| entry(lick, take)).collect())
}

/// A take that could not be judged has no steps and no entry.
fn entry(lick: &str, take: &Value) -> Option<Entry> {
    let steps = take.get("steps")?.as_array()?;
    let is_right = |v: &&Value| v.get("verdict").and_then(Value::as_str) == Some("right");
    let mut cents: Vec<f64> = steps
        .iter()
        .filter_map(|step| step.get("heard")?.as_array())
        .flatten()
        .filter(|note| note.get("status").and_then(Value::as_str) == Some("right"))
        .filter_map(|note| note.get("cents")?.as_f64().map(f64::abs))
        .collect();
    cents.sort_by(f64::total_cmp);
    Some(Entry {
        lick: lick.to_owned(),
        recording: take.get("recording").and_then(Value::as_str).unwrap_or("").to_owned(),
        right: steps.iter().filter(is_right).count(),
        steps: steps.len(),
        cents: cents.get(cents.len() / 2).copied(),
        tempo_bpm: take.get("tempo_bpm").and_then(Value::as_f64),
    })
}

/// Licks in the order they first come, each with its takes.
fn by_lick(entries: &[Entry]) -> Vec<(&str, Vec<&Entry>)> {
    let mut licks: Vec<(&str, Vec<&Entry>)> = Vec::new();
    for entry in entries {
        match licks.iter_mut().find(|(lick, _)| *lick == entry.lick) {
            Some((_, takes)) => takes.push(entry),
            None => licks.push((&entry.lick, vec![entry])),
        }
    }
    licks
}

/// Marks of the ruled line that shows the share of right steps.
const LINE_MARKS: usize = 20;

/// A table a lick, a line a take.
///
/// # Errors
/// Whatever `out` says.
pub fn text(out: &mut impl Write, entries: &[Entry]) -> io::Result<()> {
    for (i, (lick, takes)) in by_lick(entries).into_iter().enumerate() {
        if i > 0 {
            writeln!(out)?;
        }
        writeln!(out, "{lick}\n")?;
        let widest = takes.iter().map(|t| t.recording.chars().count()).max().unwrap_or(0).max(4);
        writeln!(out, "{:widest$}  {:LINE_MARKS$}  right   off by  tempo", "take", "")?;
        for take in takes {
            let marks = (LINE_MARKS * take.right).checked_div(take.steps).unwrap_or(0);
            let line = format!("{}{}", "━".repeat(marks), "·".repeat(LINE_MARKS - marks));
            let cents = take.cents.map_or("–".to_owned(), |c| format!("{c:.0} cents"));
            let tempo = take.tempo_bpm.map_or("–".to_owned(), |t| format!("{t:.0}"));
            let right = format!("{}/{}", take.right, take.steps);
            let name = &take.recording;
            writeln!(out, "{name:widest$}  {line}  {right:>5}  {cents:>7}  {tempo:>5}")?;
        }
    }
    Ok(())
}

/// The same as one JSON document.
pub fn document(entries: &[Entry]) -> Value {
    let licks: Vec<Value> = by_lick(entries)
        .into_iter()
        .map(|(lick, takes)| {
            let takes: Vec<Value> = takes
                .into_iter()
                .map(|t| {
                    json!({ "recording": t.recording, "right": t.right, "steps": t.steps,
                            "median_cents": t.cents, "tempo_bpm": t.tempo_bpm })
                })
                .collect();
            json!({ "lick": lick, "takes": takes })
        })
        .collect();
    json!({ "schema": SCHEMA, "licks": licks })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Value {
        json!({ "schema": 1, "lick": "Stone bridge", "takes": [
            { "recording": "monday.wav", "tempo_bpm": 80.0, "steps": [
                { "verdict": "right", "heard": [ { "status": "right", "cents": -4.0 } ] },
                { "verdict": "wrong", "heard": [ { "status": "wrong", "cents": 30.0 } ] } ] },
            { "recording": "broken.wav", "error": "no sound" } ] })
    }

    #[test]
    fn a_take_is_summed_up_and_one_that_was_not_judged_left_out() {
        let found = entries(&sample()).expect("a document of check");
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].right, found[0].steps, found[0].cents), (1, 2, Some(4.0)));
    }

    #[test]
    fn the_table_reads_line_by_line() {
        let found = entries(&sample()).expect("a document of check");
        let mut out = Vec::new();
        text(&mut out, &found).expect("a vector takes everything");
        let text = String::from_utf8(out).expect("UTF-8");
        assert!(text.contains("monday.wav  ━━━━━━━━━━··········    1/2  4 cents     80"), "{text}");
    }

    #[test]
    fn other_documents_are_no_takes() {
        assert_eq!(entries(&json!({ "schema": 1, "strikes": [] })), None);
    }
}
