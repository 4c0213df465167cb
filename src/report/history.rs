//! Judged takes in, as `check --json` printed them; out, how the playing came along.
//!
//! **Conventions.** Takes keep the order they are given in; takes of one lick stand together. One lick is
//! one title and, where takes have a step in common, the same notes asked for in it. A take in which nothing
//! was struck is listed as that and counts for nothing.

use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::io;
use std::io::Write;

use serde_json::Value;
use serde_json::json;

use super::called;
use super::columns;
use super::json::SCHEMA;
use super::plural;
use crate::lick::place::escaped;

/// Marks of the ruled line that shows the share of right steps.
const LINE_MARKS: usize = 20;
/// No window is narrow enough to shorten names further.
const SHORTEST_NAME: usize = 8;
/// Takes or passes that are laid beside each other, the last of them.
const MOST_BESIDE: usize = 24;
/// Newest takes that the steps to work on are looked for in.
const LATELY: usize = 5;
/// Steps to work on that are told.
const MOST_STEPS: usize = 3;

/// One judged take, as far as progress is concerned.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Title of the lick.
    pub lick: String,
    /// Name of the recording.
    pub recording: String,
    /// When it was recorded, by RFC 3339; `None` where the document does not tell.
    pub recorded_at: Option<String>,
    /// Whether anything was struck.
    pub played: bool,
    /// Number of each step with whether it was right; `None` where the recording does not decide.
    pub steps: Vec<(u64, Option<bool>)>,
    /// Number of each step with the notes it asks for, by MIDI number, wherever they are played.
    pub asked: BTreeMap<u64, BTreeSet<u64>>,
    /// Median distance of right notes from their pitch, in cents.
    pub cents: Option<f64>,
    /// Median distance of strikes from an even beat, in milliseconds.
    pub timing_ms: Option<f64>,
    /// Tempo it was played at, in quarter notes a minute.
    pub tempo_bpm: Option<f64>,
}

impl Entry {
    /// Steps judged right.
    pub fn right(&self) -> usize {
        self.steps.iter().filter(|(_, right)| *right == Some(true)).count()
    }

    /// Numbers of the steps that were surely not right.
    fn not_right(&self) -> impl Iterator<Item = u64> + '_ {
        self.steps.iter().filter(|(_, right)| *right == Some(false)).map(|(step, _)| *step)
    }
}

/// Why a document gives no takes.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NoTakes {
    /// It is something else.
    #[error("no document of `check --json`")]
    Other,
    /// Its members may mean something else than they do here.
    #[error("written in schema {schema}, this version knows {SCHEMA}")]
    Newer {
        /// What the document calls its schema.
        schema: Value,
    },
}

/// The takes of a document of `check --json`; the first ones of all told no schema.
///
/// # Errors
/// No such document, or one of another schema.
pub fn entries(document: &Value) -> Result<Vec<Entry>, NoTakes> {
    let member = |name| document.get(name);
    let lick = member("lick").and_then(Value::as_str).ok_or(NoTakes::Other)?;
    let takes = member("takes").and_then(Value::as_array).ok_or(NoTakes::Other)?;
    match member("schema") {
        Some(schema) if *schema != SCHEMA => Err(NoTakes::Newer { schema: schema.clone() }),
        _ => Ok(takes.iter().filter_map(|take| entry(lick, take)).collect()),
    }
}

/// Every pass of the one take of a document of `check --json`, as they were played; none where there is but one.
pub(super) fn passes(document: &Value) -> Vec<Entry> {
    let take = &document["takes"][0];
    let others = take["other_passes"].as_array().map_or(&[][..], Vec::as_slice);
    let all = others.iter().chain([take]).filter(|_| !others.is_empty());
    let numbered = all.filter_map(|pass| {
        let number = pass["pass"].as_u64()?;
        let start_s = pass["steps"].as_array()?.iter().find_map(|step| step["start_s"].as_f64());
        let recording = format!("{number}, from {:.1} s", start_s.unwrap_or_default());
        Some((number, Entry { recording, recorded_at: None, ..entry("", pass)? }))
    });
    let by_number: BTreeMap<u64, Entry> = numbered.collect();
    by_number.into_values().collect()
}

/// A take that could not be judged has no steps and no entry.
fn entry(lick: &str, take: &Value) -> Option<Entry> {
    let steps = take.get("steps")?.as_array()?;
    let text = |value: &Value, name| Some(value.get(name)?.as_str()?.to_owned());
    let judged = |(index, step): (usize, &Value)| {
        let number = step.get("step").and_then(Value::as_u64).unwrap_or(index as u64 + 1);
        let verdict = text(step, "verdict");
        let is_right = |verdict: &str| (verdict != "unsure").then_some(verdict == "right");
        (number, verdict.as_deref().map_or(Some(false), is_right))
    };
    let asked = steps.iter().filter_map(|step| {
        let notes = step.get("expected")?.as_array()?;
        let notes = notes.iter().filter_map(|note| note.get("midi")?.as_u64());
        Some((step.get("step")?.as_u64()?, notes.collect()))
    });
    let cents = steps
        .iter()
        .filter_map(|step| step.get("heard")?.as_array())
        .flatten()
        .filter(|note| text(note, "status").as_deref() == Some("right"))
        .filter_map(|note| note.get("cents")?.as_f64());
    let is_struck = |step: &Value| match text(step, "verdict").as_deref() {
        // Unsure is also what was lost, or was due where nothing could be heard.
        Some("unsure") => step.get("start_s").is_some_and(Value::is_number),
        verdict => verdict != Some("not played"),
    };
    let struck = steps.iter().any(is_struck);
    let strays = take.get("unmatched").and_then(Value::as_array).is_some_and(|all| !all.is_empty());
    let timing = steps.iter().filter_map(|step| step.get("timing_ms")?.as_f64());
    Some(Entry {
        lick: lick.to_owned(),
        recording: text(take, "recording").unwrap_or_default(),
        recorded_at: text(take, "recorded_at"),
        played: struck || strays,
        steps: steps.iter().enumerate().map(judged).collect(),
        asked: asked.collect(),
        cents: median_distance(cents),
        timing_ms: median_distance(timing),
        tempo_bpm: take.get("tempo_bpm").and_then(Value::as_f64),
    })
}

fn median_distance(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut distances: Vec<f64> = values.map(f64::abs).collect();
    distances.sort_by(f64::total_cmp);
    distances.get(distances.len() / 2).copied()
}

/// The takes of one lick.
struct Lick<'a> {
    title: &'a str,
    takes: Vec<&'a Entry>,
    /// The first step that asks for something else than in the first lick of this title.
    differs_in: Option<u64>,
}

impl Lick<'_> {
    /// The first step in which `take` was asked for something else.
    fn differs_from(&self, take: &Entry) -> Option<u64> {
        let differs = |known: &&Entry| {
            let asked_otherwise =
                |step: &u64| known.asked.get(step).is_some_and(|asked| *asked != take.asked[step]);
            take.asked.keys().copied().find(asked_otherwise)
        };
        self.takes.iter().filter_map(differs).min()
    }
}

/// Licks in the order they first come, each with its takes.
fn by_lick(entries: &[Entry]) -> Vec<Lick<'_>> {
    let mut licks: Vec<Lick<'_>> = Vec::new();
    for entry in entries {
        let mut differs_in = None;
        let known = licks.iter_mut().filter(|lick| lick.title == entry.lick).find(|lick| {
            let differs = lick.differs_from(entry);
            differs_in = differs_in.or(differs);
            differs.is_none()
        });
        match known {
            Some(lick) => lick.takes.push(entry),
            None => licks.push(Lick { title: &entry.lick, takes: vec![entry], differs_in }),
        }
    }
    licks
}

/// A table a lick, a line a take, the newest `shown` of each; then the steps to work on. Names that do
/// not fit into `width` cells beside their figures are shortened.
///
/// # Errors
/// Whatever `out` says.
pub fn text(
    out: &mut impl Write,
    entries: &[Entry],
    shown: usize,
    width: Option<usize>,
) -> io::Result<()> {
    for (i, Lick { title, takes, differs_in }) in by_lick(entries).into_iter().enumerate() {
        if i > 0 {
            writeln!(out)?;
        }
        let which = differs_in.map_or(String::new(), |step| {
            format!(" (another lick of this title: step {step} asks for other notes)")
        });
        writeln!(out, "{}{which}\n", escaped(title))?;
        let earlier = takes.len().saturating_sub(shown);
        table(out, "take", &takes[earlier..], width)?;
        if earlier > 0 {
            writeln!(out, "{} before these: --all shows all.", plural(earlier, "take"))?;
        }
        to_work_on(out, &takes)?;
    }
    Ok(())
}

/// Under the head `what`, a line each.
fn table(
    out: &mut impl Write,
    what: &str,
    takes: &[&Entry],
    width: Option<usize>,
) -> io::Result<()> {
    let dated = takes.iter().any(|take| take.recorded_at.is_some());
    let name = |take: &Entry| {
        let file = called(&take.recording).rsplit('/').next().unwrap_or_default();
        escaped(if file.is_empty() { &take.recording } else { file })
    };
    let (date, day_width) = if dated { ("recorded", 12) } else { ("", 0) };
    let figures = "right    off by  timing  tempo";
    let room = |heads: usize| {
        width.map_or(usize::MAX, |width| width.saturating_sub(day_width + 2 + heads))
    };
    // Where names would be shortened beyond recognition the ruled line goes first: it says no more than
    // the figures beside it.
    let ruled = room(LINE_MARKS + 2 + figures.len()) >= SHORTEST_NAME;
    let marks_width = if ruled { LINE_MARKS + 2 } else { 0 };
    let room = room(marks_width + figures.len()).max(SHORTEST_NAME);
    let names = takes.iter().map(|take| columns::width(&name(take)));
    let widest = names.max().unwrap_or(0).min(room).max(4);
    writeln!(out, "{date:day_width$}{what:widest$}  {:marks_width$}{figures}", "")?;
    for take in takes {
        // The day of `2026-03-07T18:05:59Z`.
        let day = take.recorded_at.as_deref().and_then(|at| at.get(..10)).unwrap_or("");
        let name = columns::padded(&columns::shortened(&name(take), widest), widest);
        if !take.played {
            // Where all is unsure the recording held nothing to judge by.
            let is_unsure = take.steps.iter().all(|(_, right)| right.is_none());
            let what = if is_unsure { "nothing heard" } else { "nothing played" };
            writeln!(out, "{day:day_width$}{name}  {what}")?;
            continue;
        }
        let right = take.right();
        let marks = (LINE_MARKS * right).checked_div(take.steps.len()).unwrap_or(0);
        let line = match ruled {
            true => format!("{}{}  ", "━".repeat(marks), "·".repeat(LINE_MARKS - marks)),
            false => String::new(),
        };
        let told = |value: Option<f64>, unit: &str| {
            value.map_or("–".to_owned(), |value| format!("{value:.0}{unit}"))
        };
        let (cents, timing) = (told(take.cents, " cents"), told(take.timing_ms, " ms"));
        let tempo = told(take.tempo_bpm, "");
        let right = format!("{right}/{}", take.steps.len());
        writeln!(
            out,
            "{day:day_width$}{name}  {line}{right:>5}  {cents:>8}  {timing:>6}  {tempo:>5}"
        )?;
    }
    Ok(())
}

/// The steps that were most often not right in the newest takes.
fn to_work_on(out: &mut impl Write, takes: &[&Entry]) -> io::Result<()> {
    let played: Vec<&Entry> = takes.iter().copied().filter(|take| take.played).collect();
    let lately = &played[played.len().saturating_sub(LATELY)..];
    match most_missed(lately) {
        Some(steps) => {
            writeln!(out, "To work on, not right in the last {} takes: {steps}.", lately.len())
        }
        None => Ok(()),
    }
}

/// The steps most often not right in `takes` and how often each was not; `None` where that tells nothing.
fn most_missed(takes: &[&Entry]) -> Option<String> {
    let mut missed: BTreeMap<u64, usize> = BTreeMap::new();
    for step in takes.iter().flat_map(|take| take.not_right()) {
        *missed.entry(step).or_default() += 1;
    }
    let mut missed: Vec<(u64, usize)> = missed.into_iter().collect();
    missed.sort_by_key(|&(step, times)| (std::cmp::Reverse(times), step));
    let steps = missed.iter().take(MOST_STEPS);
    let told: Vec<String> = steps.map(|(step, times)| format!("step {step} ({times})")).collect();
    (takes.len() > 1 && !told.is_empty()).then(|| told.join(", "))
}

/// Takes judged together, or passes of one take, beside each other, a line each under the head `what`, and the steps
/// that most of them miss.
///
/// # Errors
/// Whatever `out` says.
pub(super) fn beside_each_other(
    out: &mut impl Write,
    what: &str,
    entries: &[Entry],
    width: Option<usize>,
) -> io::Result<()> {
    let takes: Vec<&Entry> = entries.iter().collect();
    let earlier = takes.len().saturating_sub(MOST_BESIDE);
    table(out, what, &takes[earlier..], width)?;
    if earlier > 0 {
        writeln!(out, "{earlier} before these: --json has them all.")?;
    }
    let played: Vec<&Entry> = takes.into_iter().filter(|take| take.played).collect();
    match most_missed(&played) {
        Some(steps) => writeln!(out, "Most often not right: {steps}."),
        None => Ok(()),
    }
}

/// The same as one JSON document, all takes in it.
pub fn document(entries: &[Entry]) -> Value {
    let licks: Vec<Value> = by_lick(entries)
        .into_iter()
        .map(|lick| {
            let takes: Vec<Value> = lick
                .takes
                .into_iter()
                .map(|take| {
                    let missed: Vec<u64> = take.not_right().collect();
                    json!({ "recording": take.recording, "recorded_at": take.recorded_at,
                            "played": take.played,
                            "right": take.right(), "steps": take.steps.len(),
                            "steps_not_right": missed, "median_cents": take.cents,
                            "median_timing_ms": take.timing_ms, "tempo_bpm": take.tempo_bpm })
                })
                .collect();
            let mut told = json!({ "lick": lick.title, "takes": takes });
            if let Some(step) = lick.differs_in {
                told["differs_in_step"] = step.into();
            }
            told
        })
        .collect();
    json!({ "schema": SCHEMA, "licks": licks })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Value {
        json!({ "schema": 1, "lick": "Stone bridge", "takes": [
            { "recording": "at/home/monday.wav", "recorded_at": "2026-03-02T18:05:59Z",
              "tempo_bpm": 80.0, "steps": [
                { "step": 1, "verdict": "right", "timing_ms": -12.0,
                  "heard": [ { "status": "right", "cents": -4.0 } ] },
                { "step": 2, "verdict": "wrong", "heard": [ { "status": "wrong", "cents": 30.0 } ] } ] },
            { "recording": "broken.wav", "error": "no sound" } ] })
    }

    fn told(entries: &[Entry], shown: usize) -> String {
        let mut out = Vec::new();
        text(&mut out, entries, shown, None).expect("a vector takes everything");
        String::from_utf8(out).expect("UTF-8")
    }

    #[test]
    fn a_take_is_summed_up_and_one_that_was_not_judged_left_out() {
        let found = entries(&sample()).expect("a document of check");
        assert_eq!(found.len(), 1);
        let take = &found[0];
        assert_eq!((take.right(), take.steps.len(), take.cents), (1, 2, Some(4.0)));
        assert_eq!(take.timing_ms, Some(12.0));
    }

    #[test]
    fn the_table_reads_line_by_line() {
        let found = entries(&sample()).expect("a document of check");
        let line = "2026-03-02  monday.wav  ━━━━━━━━━━··········    1/2   4 cents   12 ms     80";
        let text = told(&found, 10);
        assert!(text.lines().any(|told| told == line), "{text}");
        let heads = "recorded    take                              right    off by  timing  tempo";
        assert!(text.lines().any(|told| told == heads), "{text}");
    }

    #[test]
    fn takes_judged_together_stand_beside_each_other() {
        let mut found = vec![entries(&sample()).expect("a document of check").remove(0); 7];
        found[6].recording = "late.wav".to_owned();
        found.iter_mut().for_each(|take| take.recorded_at = None);
        let mut out = Vec::new();
        beside_each_other(&mut out, "take", &found, None).expect("a vector takes everything");
        let text = String::from_utf8(out).expect("UTF-8");
        assert!(text.starts_with("take "), "{text}");
        assert!(
            text.contains("\nlate.wav    ━━━━━━━━━━··········    1/2   4 cents   12 ms     80\n"),
            "{text}"
        );
        assert!(text.ends_with("Most often not right: step 2 (7).\n"), "{text}");
    }

    #[test]
    fn passes_of_one_take_stand_as_they_were_played() {
        let mut document = sample();
        assert_eq!(passes(&document), [], "there is but one");
        let take = &mut document["takes"][0];
        take["pass"] = json!(1);
        take["steps"][0]["start_s"] = json!(0.52);
        take["other_passes"] = json!([
            { "pass": 3, "tempo_bpm": 90.0, "steps": [ { "step": 1, "verdict": "right" } ] },
            { "pass": 2, "tempo_bpm": 70.0, "steps": [ { "step": 1, "verdict": "wrong", "start_s": 7.0 } ] } ]);
        let mut out = Vec::new();
        let found = passes(&document);
        beside_each_other(&mut out, "pass", &found, None).expect("a vector takes everything");
        let text = String::from_utf8(out).expect("UTF-8");
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[1], "1, from 0.5 s  ━━━━━━━━━━··········    1/2   4 cents   12 ms     80");
        assert_eq!(lines[2], "2, from 7.0 s  ····················    0/1         –       –     70");
        let mut out = Vec::new();
        let many = vec![found[0].clone(); MOST_BESIDE + 3];
        beside_each_other(&mut out, "pass", &many, None).expect("a vector takes everything");
        let text = String::from_utf8(out).expect("UTF-8");
        assert!(text.contains("\n3 before these: --json has them all.\n"), "{text}");
        assert!(text.contains("step 2 (27)"), "all of them count: {text}");
    }

    #[test]
    fn a_take_in_which_nothing_was_played_is_listed_and_counts_for_nothing() {
        let mut found = entries(&sample()).expect("a document of check");
        let silent = json!({ "lick": "Stone bridge", "takes": [ { "recording": "silent.wav",
            "unmatched": [], "steps": [ { "step": 1, "verdict": "not played", "heard": [] },
                                        { "step": 2, "verdict": "not played", "heard": [] } ] } ] });
        let mut mute = silent.clone();
        for step in mute["takes"][0]["steps"].as_array_mut().expect("steps") {
            step["verdict"] = json!("unsure");
        }
        let mute = told(&entries(&mute).expect("a document of check"), 10);
        assert!(mute.contains("silent.wav  nothing heard\n"), "{mute}");
        let mut lost = silent.clone();
        lost["takes"][0]["steps"][0] = json!({ "step": 1, "verdict": "unsure", "start_s": null });
        assert!(!entries(&lost).expect("a document of check")[0].played, "lost");
        lost["takes"][0]["steps"][0]["start_s"] = json!(0.5);
        assert!(entries(&lost).expect("a document of check")[0].played, "too short to tell");
        let mut strays = silent.clone();
        strays["takes"][0]["unmatched"] = json!([{ "start_s": 1.0, "heard": [] }]);
        found.push(found[0].clone());
        found.extend(entries(&silent).expect("a document of check"));
        let text = told(&found, 10);
        assert!(text.contains("            silent.wav  nothing played\n"), "{text}");
        assert!(text.contains("in the last 2 takes: step 2 (2)."), "{text}");
        let takes = &document(&found)["licks"][0]["takes"];
        let played = |take: usize| (&takes[take]["played"], &takes[take]["steps"]);
        assert_eq!(played(2), (&json!(false), &json!(2)), "nothing is lost");
        assert_eq!(played(0), (&json!(true), &json!(2)));
        let strays = entries(&strays).expect("a document of check");
        assert!(told(&strays, 10).contains("0/2"), "what fits no step was played");
    }

    #[test]
    fn names_stand_in_their_column_whatever_their_letters() {
        let mut found = vec![entries(&sample()).expect("a document of check").remove(0); 3];
        found[1].recording = "at/home/道の歌.wav".to_owned();
        found[2].recording = "at/home/cafe\u{301}-with-a-long-name-12.wav".to_owned();
        for (width, last) in [(None, "with-a-long-name-12.wav"), (Some(80), "…g-name-12.wav")] {
            let mut out = Vec::new();
            text(&mut out, &found, 10, width).expect("a vector takes everything");
            let text = String::from_utf8(out).expect("UTF-8");
            let rows = text.lines().filter_map(|line| line.split_once('━'));
            let starts: Vec<usize> = rows.map(|(name, _)| columns::width(name)).collect();
            assert!(starts.len() == 3 && starts.iter().all(|s| *s == starts[0]), "{text}");
            assert!(text.contains(last), "{text}");
            let widest = text.lines().skip(1).take(5).map(columns::width).max();
            assert!(widest <= width.or(Some(200)), "{text}");
        }
    }

    #[test]
    fn in_a_narrow_window_every_take_stays_one_line() {
        let found = vec![entries(&sample()).expect("a document of check").remove(0); 2];
        for width in [73, 60, 52] {
            let mut out = Vec::new();
            text(&mut out, &found, 10, Some(width)).expect("a vector takes everything");
            let text = String::from_utf8(out).expect("UTF-8");
            let rows: Vec<&str> = text.lines().filter(|line| line.contains("1/2")).collect();
            assert!(rows.len() == 2 && rows.iter().all(|row| row.contains("80")), "{text}");
            assert!(text.lines().take(5).all(|line| columns::width(line) <= width), "{text}");
        }
    }

    #[test]
    fn many_takes_are_cut_to_the_newest_and_told_what_to_work_on() {
        let found = vec![entries(&sample()).expect("a document of check").remove(0); 7];
        let text = told(&found, 3);
        assert_eq!(text.matches("monday.wav").count(), 3, "{text}");
        assert!(text.contains("4 takes before these"), "{text}");
        assert!(text.contains("not right in the last 5 takes: step 2 (5)."), "{text}");
    }

    #[test]
    fn a_step_that_the_recording_does_not_decide_is_nothing_to_work_on() {
        let mut unsure = sample();
        unsure["takes"][0]["steps"][1]["verdict"] = "unsure".into();
        let found = vec![entries(&unsure).expect("a document of check").remove(0); 2];
        let text = told(&found, 10);
        assert!(text.contains("1/2") && !text.contains("To work on"), "{text}");
        assert_eq!(document(&found)["licks"][0]["takes"][0]["steps_not_right"], json!([]));
    }

    /// Two licks of one title have two histories; a part of a lick and a take that tells less belong to
    /// the one they may be of.
    #[test]
    fn licks_of_one_title_are_kept_apart_by_what_they_ask_for() {
        let take = |name: &str, steps: &[(u64, Option<u64>)]| {
            // On the third string or on the second: the same notes are the same lick.
            let string = if name == "a2" { 3 } else { 2 };
            let asked = |fret: &u64| json!([{ "string": string, "midi": 55 + fret }]);
            let step = |(step, fret): &(u64, Option<u64>)| {
                let expected = fret.as_ref().map(asked);
                json!({ "step": step, "verdict": "right", "expected": expected })
            };
            let steps: Vec<Value> = steps.iter().map(step).collect();
            let document =
                json!({ "lick": "Etude", "takes": [ { "recording": name, "steps": steps } ] });
            entries(&document).expect("a document of check").remove(0)
        };
        let found = [
            take("a", &[(1, Some(7)), (2, Some(5)), (3, Some(4))]),
            take("b", &[(1, Some(7)), (2, Some(9))]),
            take("a2", &[(2, Some(5)), (3, Some(4))]),
            take("old", &[(1, None), (2, None)]),
            take("b2", &[(2, Some(9))]),
        ];
        let names = |lick: &Value| -> Vec<String> {
            let takes = lick["takes"].as_array().expect("takes").iter();
            takes.map(|take| take["recording"].as_str().expect("a name").to_owned()).collect()
        };
        let licks = &document(&found)["licks"];
        assert_eq!(names(&licks[0]), ["a", "a2", "old"]);
        assert_eq!(names(&licks[1]), ["b", "b2"]);
        assert_eq!(
            (&licks[0]["differs_in_step"], licks.as_array().map(Vec::len)),
            (&json!(null), Some(2))
        );
        assert_eq!(licks[1]["differs_in_step"], 2);
        let heading = "\nEtude (another lick of this title: step 2 asks for other notes)\n";
        let text = told(&found, 10);
        assert!(text.starts_with("Etude\n") && text.contains(heading), "{text}");
    }

    #[test]
    fn other_documents_are_no_takes() {
        assert_eq!(entries(&json!({ "schema": 1, "strikes": [] })), Err(NoTakes::Other));
    }
}
