//! The takes in `test-audio/` and the demo, judged through the binary and compared with what was
//! put into them.
//!
//! The truth is what `tests/make_test_audio.rs` played, written down beside every take; nothing
//! here was written by the ear.

#![expect(clippy::print_stderr, reason = "what was heard instead must be seen")]

mod support;

use std::process::Command;
use std::process::Stdio;

use serde_json::Value;
use support::truth;
use support::truth::Truth;

/// Half of the 50 ms within which onsets count as found (MIREX and mir_eval use 50 ms).
const ONSET_S: f64 = 0.025;

/// Trained listeners notice 2 to 3 cents (`hearing.md`, from memory); none of these takes is noisy
/// enough to excuse more.
const CENTS: f64 = 3.0;

/// What is heard wrongly today, as the tests below word it. A line that is heard rightly again
/// fails the test as well, so that the list can only shrink.
const WRONG_VERDICTS: [&str; 0] = [];
const WRONG_CENTS: [&str; 5] = [
    "chords step 1 note 60",
    "chords step 1 note 64",
    "chords step 2 note 57",
    "chords step 3 note 55",
    "open-string-ringing step 2 note 64",
];

/// A take with its truth and what `check` makes of it.
struct Take {
    name: String,
    truth: Truth,
    judged: Value,
}

impl Take {
    fn step(&self, number: usize) -> &Value {
        let steps = self.judged["steps"].as_array().expect("steps");
        let found = steps.iter().find(|step| step["step"] == number);
        found.unwrap_or_else(|| panic!("{}: step {number} is not judged", self.name))
    }
}

fn doublecheck(arguments: &[&str]) -> (Option<i32>, String) {
    let mut command = Command::new(assert_cmd::cargo::cargo_bin!("doublecheck"));
    command.args(arguments).stdin(Stdio::null()).current_dir(truth::folder());
    command.env("XDG_DATA_HOME", env!("CARGO_TARGET_TMPDIR"));
    let output = command.output().expect("it starts");
    (output.status.code(), String::from_utf8(output.stdout).expect("UTF-8"))
}

fn check(name: &str, options: &[&str]) -> (Option<i32>, String) {
    let (lick, take) = (format!("{name}.toml"), format!("{name}.wav"));
    doublecheck(&[&["check", &lick, &take], options].concat())
}

fn take(name: &str) -> Take {
    let (code, out) = check(name, &["--json"]);
    assert_eq!(code, Some(0), "{name}");
    let document: Value = serde_json::from_str(&out).expect("one JSON document");
    Take { name: name.to_owned(), truth: Truth::of(name), judged: document["takes"][0].clone() }
}

fn takes() -> Vec<Take> {
    let names = truth::takes();
    assert!(names.len() >= 16, "only {} takes", names.len());
    names.iter().map(|name| take(name)).collect()
}

/// The faults found are those known, no more and no fewer.
fn compare(faults: &[String], known: &[&str]) {
    let new: Vec<&String> = faults.iter().filter(|f| !known.contains(&f.as_str())).collect();
    assert!(new.is_empty(), "heard wrongly: {new:#?}");
    let gone: Vec<&&str> = known.iter().filter(|k| !faults.iter().any(|f| f == *k)).collect();
    assert!(gone.is_empty(), "heard rightly now, strike them off the list: {gone:#?}");
}

#[test]
fn every_verdict_is_the_true_one() {
    let mut faults = Vec::new();
    for take in takes() {
        for truth in &take.truth.steps {
            let found = take.step(truth.step)["verdict"].as_str().expect("a verdict");
            if found != truth.verdict {
                let (name, step) = (&take.name, truth.step);
                faults.push(format!("{name} step {step}: {found}, truly {}", truth.verdict));
            }
        }
    }
    compare(&faults, &WRONG_VERDICTS);
}

#[test]
fn steps_are_found_where_they_were_struck() {
    let mut faults = Vec::new();
    for take in takes() {
        for truth in take.truth.steps.iter().filter(|step| !step.starts_s.is_empty()) {
            let found = take.step(truth.step)["start_s"].as_f64();
            let near =
                |start_s: f64| truth.starts_s.iter().any(|at| (at - start_s).abs() < ONSET_S);
            if !found.is_some_and(near) {
                let (name, step) = (&take.name, truth.step);
                faults.push(format!("{name} step {step}: {found:?} s, truly {:?}", truth.starts_s));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Every struck note of a step that is truly right is heard as right, with its cents.
#[test]
fn right_notes_are_heard_with_their_cents() {
    let mut faults = Vec::new();
    let mut compared = 0;
    for take in takes() {
        let right =
            |number| take.truth.steps.iter().any(|s| s.step == number && s.verdict == "right");
        for note in take.truth.notes.iter().filter(|note| note.how == "struck") {
            let Some(number) = note.step.filter(|&number| right(number)) else { continue };
            let step = take.step(number);
            // A step played several times is judged by one of them.
            let played_s = step["start_s"].as_f64().unwrap_or(f64::NAN);
            if (note.start_s - played_s).abs() > 4.0 * ONSET_S {
                continue;
            }
            compared += 1;
            let expected = note.cents - take.truth.tuned_cents;
            let heard = step["heard"].as_array().expect("heard notes");
            let found =
                heard.iter().find(|heard| heard["midi"] == note.midi && heard["status"] == "right");
            let error = found.and_then(|heard| heard["cents_error"].as_f64());
            let found = found.and_then(|heard| heard["cents"].as_f64());
            if !found.is_some_and(|cents| (cents - expected).abs() <= CENTS) {
                let (name, midi) = (&take.name, note.midi);
                eprintln!(
                    "{name} step {number} note {midi}: {found:?} ± {error:?}, truly {expected}"
                );
                faults.push(format!("{name} step {number} note {midi}"));
            }
        }
    }
    assert!(compared > 50, "only {compared} notes compared");
    compare(&faults, &WRONG_CENTS);
}

/// All takes are played on the strings that are written: what is told of strings says nothing else.
#[test]
fn no_note_is_told_on_another_string_than_it_was_played_on() {
    let mut decided = 0;
    for take in takes() {
        for step in take.judged["steps"].as_array().expect("steps") {
            for note in step["heard"].as_array().expect("heard notes") {
                if note.get("string_heard").is_some() {
                    decided += 1;
                    let told = [&note["string_heard"], &note["fret_heard"]];
                    assert_eq!(told, [&note["string"], &note["fret"]], "{}: {note}", take.name);
                }
            }
        }
    }
    assert!(decided >= 40, "only {decided} notes decided");
}

#[test]
fn a_guitar_tuned_off_is_told_once() {
    let take = take("guitar-flat");
    let offset = take.judged["tuning_offset_cents"].as_f64().expect("an offset is told");
    assert!((offset - take.truth.tuned_cents).abs() < 1.0, "{offset}: {}", take.truth.about);
    let (_, page) = check("guitar-flat", &[]);
    assert_eq!(page.matches("12 cents flat").count(), 1, "{page}");
    assert_eq!(self::take("all-right").judged["tuning_offset_cents"], Value::Null);
}

#[test]
fn only_who_asks_gets_an_exit_status_for_faults() {
    let code = |name, options: &[&str]| check(name, options).0;
    assert_eq!(code("semitone-off", &[]), Some(0));
    assert_eq!(code("semitone-off", &["--fail-on-fault"]), Some(1));
    assert_eq!(code("note-missing", &["--fail-on-fault"]), Some(1));
    assert_eq!(code("all-right", &["--fail-on-fault"]), Some(0));
    assert_eq!(code("noisy", &["--fail-on-fault"]), Some(0));
}

/// A right note 30 cents sharp stays right, and is a fault unless the tolerance allows it.
#[test]
fn the_tolerance_decides_what_is_out_of_tune() {
    let (code, page) = check("pulled-sharp", &["--fail-on-fault"]);
    assert_eq!(code, Some(1), "{page}");
    assert!(page.contains("right, G4 sharp"), "{page}");
    let (code, page) = check("pulled-sharp", &["--fail-on-fault", "--tolerance", "40"]);
    assert_eq!(code, Some(0), "{page}");
    assert!(page.contains("in tune within 40 cents"), "{page}");
}

#[test]
fn several_takes_are_judged_as_each_alone() {
    let (code, out) = doublecheck(&[
        "check",
        "all-right.toml",
        "all-right.wav",
        "noisy.wav",
        "all-right.wav",
        "--json",
    ]);
    assert_eq!(code, Some(0));
    let document: Value = serde_json::from_str(&out).expect("one JSON document");
    let alone = take("all-right").judged;
    assert_eq!(document["takes"][0], alone);
    assert_eq!(document["takes"][1]["recording"], "noisy.wav");
    assert_eq!(document["takes"][2], alone);
}

/// What the demo says it planted is what it finds: no more and no less.
#[test]
fn the_demo_finds_what_was_planted() {
    let (code, out) = doublecheck(&["demo", "--json", "--fail-on-fault"]);
    assert_eq!(code, Some(1));
    let document: Value = serde_json::from_str(&out).expect("one JSON document");
    let planted: Vec<u64> = document["planted"]
        .as_array()
        .expect("planted mistakes")
        .iter()
        .filter_map(|mistake| mistake["step"].as_u64())
        .collect();
    assert_eq!(planted, [2, 4, 6, 7, 8]);
    let steps = document["takes"][0]["steps"].as_array().expect("steps");
    let verdicts: Vec<&str> = steps.iter().filter_map(|step| step["verdict"].as_str()).collect();
    let right = "right";
    assert_eq!(
        verdicts,
        [right, "wrong", right, "incomplete", right, "wrong", right, right],
        "{out}"
    );
    let heard = |step: usize, status: &str| -> Vec<u64> {
        let notes = steps[step - 1]["heard"].as_array().expect("heard notes");
        let of_status = notes.iter().filter(|note| note["status"] == status);
        of_status.filter_map(|note| note["midi"].as_u64()).collect()
    };
    // G#4 for A4, E5 not struck, the open first string (E4), and B3 22 cents sharp.
    assert_eq!(heard(2, "wrong"), [68]);
    assert_eq!(steps[3]["missing"][0]["midi"], 64);
    assert_eq!(heard(6, "extra"), [64]);
    let late = steps[6]["timing_ms"].as_f64().expect("timing");
    assert!((40.0..120.0).contains(&late), "{late} ms");
    let sharp = &steps[7]["heard"][1];
    assert_eq!((&sharp["midi"], &sharp["in_tune"]), (&59.into(), &false.into()), "{sharp}");
    let cents = sharp["cents"].as_f64().expect("cents");
    assert!((cents - 22.0).abs() <= CENTS, "{cents}");
}

/// A voice message of 16 kbit/s, made by `ffmpeg`: the same verdicts, times and cents as its WAV.
#[test]
fn a_voice_message_is_judged_like_what_was_recorded() {
    let of = |recording: &str| {
        let (code, out) = doublecheck(&["check", "semitone-off.toml", recording, "--json"]);
        assert_eq!(code, Some(0), "{recording}: {out}");
        let document: Value = serde_json::from_str(&out).expect("one JSON document");
        document["takes"][0]["steps"].as_array().expect("steps").clone()
    };
    let (recorded, sent) = (of("semitone-off.wav"), of("semitone-off.opus"));
    assert_eq!((recorded.len(), sent.len()), (4, 4));
    for (recorded, sent) in recorded.iter().zip(&sent) {
        let told = |step: &Value| {
            let notes = step["heard"].as_array().expect("heard notes");
            let notes = notes.iter().map(|note| (note["midi"].clone(), note["status"].clone()));
            (step["verdict"].clone(), notes.collect::<Vec<_>>())
        };
        assert_eq!(told(sent), told(recorded));
        let apart = |name: &str, a: &Value, b: &Value| {
            (a[name].as_f64().expect("a number") - b[name].as_f64().expect("a number")).abs()
        };
        assert!(apart("start_s", sent, recorded) < 0.003, "{sent} instead of {recorded}");
        let notes = |step: &Value| step["heard"].as_array().expect("heard notes").clone();
        for (sent, recorded) in notes(sent).iter().zip(&notes(recorded)) {
            assert!(apart("cents", sent, recorded) < CENTS, "{sent} instead of {recorded}");
        }
    }
}

/// Blind, `listen` tells the moves that were put in, and no others.
#[test]
fn listening_tells_where_strings_went() {
    /// Onsets within 50 ms count as found (MIREX and mir_eval); a bend takes 0.18 s to rise (`synth/performance.rs`).
    const EARLY_S: f64 = 0.05;
    const LATE_S: f64 = 0.18;
    let items = |value: &Value| value.as_array().cloned().unwrap_or_default();
    let mut compared = 0;
    for name in truth::takes() {
        let (code, out) = doublecheck(&["listen", &format!("{name}.wav"), "--json"]);
        assert_eq!(code, Some(0), "{name}");
        let document: Value = serde_json::from_str(&out).expect("one JSON document");
        let mut told: Vec<(f64, Value, Value)> = Vec::new();
        for strike in items(&document["strikes"]) {
            for note in items(&strike["notes"]) {
                if note["from"].is_object() {
                    let start = [&note["start_s"], &strike["start_s"]].map(Value::as_f64);
                    let start_s = start[0].or(start[1]).expect("seconds");
                    told.push((start_s, note["from"]["midi"].clone(), note["midi"].clone()));
                }
                let mut from = note["midi"].clone();
                for later in items(&note["later"]) {
                    let to = later["midi"].clone();
                    told.push((later["start_s"].as_f64().expect("seconds"), from, to.clone()));
                    from = to;
                }
            }
        }
        let notes = Truth::of(&name).notes;
        let moved = notes.iter().filter(|n| !["struck", "harmonic"].contains(&n.how.as_str()));
        for note in moved {
            let before = notes.iter().find(|n| n.string == note.string && n.end_s == note.start_s);
            let before = before.expect("it was struck").midi;
            let is_it = |(start_s, from, to): &(f64, Value, Value)| {
                (-EARLY_S..LATE_S).contains(&(start_s - note.start_s))
                    && (from, to) == (&before.into(), &note.midi.into())
            };
            let found = told.iter().position(is_it);
            let found = found.unwrap_or_else(|| panic!("{name}: {note:?} is not in {told:?}"));
            told.remove(found);
            compared += 1;
        }
        assert!(told.is_empty(), "{name}: {told:?}");
    }
    assert_eq!(compared, 5);
}
