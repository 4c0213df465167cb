//! Takes that are kept, and what the history makes of them.

use std::fs;
use std::path::Path;
use std::process::Stdio;

use super::Desk;
use super::LICK;
use super::Run;

#[test]
fn history_says_that_it_takes_no_recordings() {
    let desk = Desk::new();
    desk.sine("take.wav", 0.5, 0.3);
    desk.run(&["history", "take.wav"]).refused(&["take.wav", "`check --json`"]);
    desk.run(&["history", "lick.toml"]).refused(&["lick.toml", "`check --json`"]);
}

/// Two sessions of one lick, then the same take again: it is kept once.
#[test]
fn takes_are_kept_for_the_history_unless_told_otherwise() {
    let desk = Desk::new();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-audio");
    let lick = folder.join("semitone-off.toml").display().to_string();
    for (take, as_name) in [("semitone-off.wav", "monday.wav"), ("noisy.wav", "tuesday.wav")] {
        fs::copy(folder.join(take), desk.folder.path().join(as_name)).expect("a take");
    }
    assert!(desk.run(&["history", "--lick", "Stone"]).done().err.contains("No takes are kept"));
    let unkept = desk.run(&["check", &lick, "monday.wav", "--no-history"]);
    assert!(!unkept.done().err.contains("kept"), "{}", unkept.err);
    assert!(!desk.folder.path().join("data").exists());

    for take in ["monday.wav", "tuesday.wav", "monday.wav"] {
        let kept = desk.run(&["check", &lick, take]);
        assert!(kept.done().err.contains("kept for `doublecheck history`"), "{}", kept.err);
    }
    let document = desk.run(&["history", "--json"]).done().json();
    let takes = document["licks"][0]["takes"].as_array().expect("takes");
    assert_eq!(takes.len(), 2, "{document:#}");
    let monday = takes.iter().find(|take| take["recording"] == "monday.wav").expect("kept");
    assert_eq!(monday["right"], 2, "two of four steps are a semitone off");
    assert_eq!(monday["steps_not_right"], serde_json::json!([2, 4]));
    assert!(monday["recorded_at"].as_str().expect("a time").ends_with('Z'));

    let page = desk.run(&["history", "--lick", "BRIDGE"]);
    assert!(page.done().out.contains("monday.wav"), "{}", page.out);
    let other = desk.run(&["history", "--lick", "no such title"]);
    assert_eq!(other.done().out, "");
    let said = ["no such title", "Stone bridge"].iter().all(|words| other.err.contains(words));
    assert!(said, "{}", other.err);

    // A spoilt file hides no other.
    fs::write(desk.folder.path().join("data/doublecheck/history/0.json"), "{").expect("spoilt");
    let page = desk.run(&["history"]);
    assert!(page.done().out.contains("tuesday.wav") && page.err.contains("0.json"), "{}", page.err);
}

/// Whoever puts recordings in order and judges them again has played no more for it.
#[test]
fn a_take_that_was_renamed_or_moved_is_kept_once() {
    let desk = Desk::new();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-audio");
    let lick = folder.join("semitone-off.toml").display().to_string();
    let judged = |name: &str| {
        desk.run(&["check", &lick, name]).done();
    };
    let listed = || -> Vec<String> {
        let document = desk.run(&["history", "--json"]).done().json();
        let takes = document["licks"][0]["takes"].as_array().expect("takes").clone();
        takes.iter().map(|take| take["recording"].as_str().expect("a name").to_owned()).collect()
    };
    fs::copy(folder.join("semitone-off.wav"), desk.path("new.wav")).expect("a take");
    at_noon(&desk.path("new.wav"));
    judged("new.wav");
    fs::create_dir(desk.path("monday")).expect("a folder");
    fs::rename(desk.path("new.wav"), desk.path("monday/first.wav")).expect("a new name");
    judged("monday/first.wav");
    assert_eq!(listed(), ["monday/first.wav"]);
    // Another recording of that time is another take, and so is one that is still where it was.
    fs::copy(folder.join("noisy.wav"), desk.path("new.wav")).expect("a take");
    at_noon(&desk.path("new.wav"));
    judged("new.wav");
    fs::copy(desk.path("monday/first.wav"), desk.path("copy.wav")).expect("a copy");
    at_noon(&desk.path("copy.wav"));
    judged("copy.wav");
    assert_eq!(listed().len(), 3, "{:?}", listed());
    // A recording that was thrown away stays in the history.
    fs::remove_file(desk.path("new.wav")).expect("thrown away");
    judged("copy.wav");
    assert_eq!(listed().len(), 3, "{:?}", listed());
}

/// Figures of another schema may mean something else: read as this one's they would lie.
#[test]
fn documents_of_another_schema_are_no_takes() {
    let desk = Desk::new();
    let take = r#""lick": "Stone bridge", "takes": [ { "recording": "take.wav", "steps": [
        { "step": 1, "verdict": "right", "heard": [] } ] } ] }"#;
    for schema in ["2", "\"1\""] {
        desk.put("later.json", format!(r#"{{ "schema": {schema}, {take}"#));
        desk.run(&["history", "later.json"]).refused(&["later.json", "schema", "version"]);
    }
    let kept = desk.path("data/doublecheck/history");
    fs::create_dir_all(&kept).expect("a folder");
    fs::copy(desk.path("later.json"), kept.join("1.json")).expect("kept by a later version");
    desk.put("first.json", format!("{{ {take}"));
    fs::copy(desk.path("first.json"), kept.join("2.json")).expect("kept by the first version");
    let page = desk.run(&["history"]);
    assert!(page.done().err.contains("left out: ") && page.err.contains("1.json"), "{}", page.err);
    assert_eq!(page.out.matches("take.wav").count(), 1, "{}", page.out);
}

fn at_noon(path: &Path) {
    let noon = std::time::UNIX_EPOCH + std::time::Duration::from_secs(1_772_906_759);
    let file = fs::File::options().write(true).open(path).expect("a recording");
    file.set_modified(noon).expect("its time");
}

/// Of the takes that are kept, each recording with how many of its steps were right.
fn kept(desk: &Desk) -> Vec<(String, u64)> {
    let document = desk.run(&["history", "--all", "--json"]).done().json();
    let licks = document["licks"].as_array().expect("licks").iter();
    let takes = licks.flat_map(|lick| lick["takes"].as_array().expect("takes"));
    let told = takes.map(|take| {
        let recording = take["recording"].as_str().expect("a name");
        (recording.to_owned(), take["right"].as_u64().expect("a number"))
    });
    told.collect()
}

/// Recordings of two students, copied at once, may have one name and one time.
#[test]
fn takes_of_one_name_and_time_are_kept_beside_each_other() {
    let desk = Desk::new();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-audio");
    let lick = folder.join("semitone-off.toml").display().to_string();
    for (student, take) in [("anna", "semitone-off.wav"), ("ben", "noisy.wav")] {
        fs::create_dir(desk.path(student)).expect("a folder");
        let copy = desk.path(student).join("take.wav");
        fs::copy(folder.join(take), &copy).expect("a take");
        at_noon(&copy);
    }
    for _ in 0..2 {
        desk.run(&["check", &lick, "anna/take.wav", "ben/take.wav"]).done();
    }
    assert_eq!(kept(&desk), [("anna/take.wav".into(), 2), ("ben/take.wav".into(), 4)]);
}

/// Names of files in the history are short: what they do not tell apart is kept all the same.
#[test]
fn takes_whose_short_names_are_alike_do_not_replace_each_other() {
    let desk = Desk::new();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-audio");
    let lick = folder.join("semitone-off.toml").display().to_string();
    // Two kinds of file, and one name read twice.
    for (take, kind) in [("semitone-off.wav", "take.wav"), ("noisy.wav", "take.wave")] {
        fs::copy(folder.join(take), desk.path(kind)).expect("a take");
        at_noon(&desk.path(kind));
    }
    desk.run(&["check", &lick, "take.wav", "take.wave"]).done();
    let both = [("take.wav".to_owned(), 2), ("take.wave".to_owned(), 4)];
    assert_eq!(kept(&desk), both);
    desk.run(&["check", &lick, "take.wave", "take.wav"]).done();
    assert_eq!(kept(&desk), both, "each replaces itself");

    // Of standard input no name is known, and these end within the same second.
    let desk = Desk::new();
    let runs: Vec<_> = std::iter::repeat_with(|| {
        let take = fs::File::open(folder.join("noisy.wav")).expect("a take");
        let mut command = desk.command(&["check", &lick, "-"]);
        command.stdin(take).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts")
    })
    .take(4)
    .collect();
    for run in runs {
        Run::of(run.wait_with_output().expect("it ends")).done();
    }
    assert_eq!(kept(&desk), vec![("-".to_owned(), 4); 4]);
}

/// Names of files have room for 255 bytes, which are 85 of these letters.
#[test]
fn takes_with_long_names_in_other_scripts_are_kept() {
    let desk = Desk::new();
    let long = "階段の下の練習曲".repeat(8);
    desk.put("steps.toml", LICK.replace("Cellar stairs", &long));
    fs::create_dir(desk.path(&long)).expect("a folder");
    for take in ["一", "二"] {
        let take = format!("{long}/{take}.wav");
        desk.sine(&take, 0.5, 0.3);
        at_noon(&desk.path(&take));
        let run = desk.run(&["check", "steps.toml", &take]);
        assert!(run.done().err.contains("take kept for"), "{}", run.err);
    }
    assert_eq!(kept(&desk).len(), 2);
}

/// As the first versions kept them: seconds in the time, and no path of the recording.
#[test]
fn a_take_kept_by_an_earlier_version_is_replaced_by_itself_only() {
    let desk = Desk::new();
    let kept_at = desk.path("data/doublecheck/history");
    for name in ["take.wav", "take.wave"] {
        desk.sine(name, 0.5, 0.3);
        at_noon(&desk.path(name));
    }
    desk.run(&["check", "lick.toml", "take.wav"]).done();
    let entry = fs::read_dir(&kept_at).expect("kept").next().expect("a take").expect("readable");
    let text = fs::read_to_string(entry.path()).expect("kept");
    let lines = text.lines().filter(|line| !line.trim_start().starts_with("\"file\""));
    let earlier = lines.collect::<Vec<_>>().join("\n").replace(":59.000Z\",", ":59Z\"");
    assert!(earlier.contains("\"recorded_at\": \"2026-03-07T18:05:59Z\""), "{earlier}");
    fs::write(entry.path(), earlier).expect("ours");
    for (name, count) in [("take.wav", 1), ("take.wave", 2)] {
        desk.run(&["check", "lick.toml", name]).done();
        assert_eq!(kept(&desk).len(), count, "{name}");
    }
}

/// Nine hours east (TZ as POSIX.1-2017, 8.3, has it) the evening of the 7th in Greenwich is the 8th.
#[test]
fn days_are_those_of_the_clock_on_the_wall() {
    let desk = Desk::new();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-audio");
    let lick = folder.join("semitone-off.toml").display().to_string();
    fs::copy(folder.join("semitone-off.wav"), desk.path("take.wav")).expect("a take");
    at_noon(&desk.path("take.wav"));
    desk.run(&["check", &lick, "take.wav"]).done();
    for (place, day) in [("GMT0", "2026-03-07"), ("JST-9", "2026-03-08")] {
        let there = |arguments: &[&str]| {
            let mut command = desk.command(arguments);
            Run::of(command.env("TZ", place).stdin(Stdio::null()).output().expect("it starts"))
        };
        let page = there(&["history"]);
        assert!(page.done().out.contains(day), "{place}: {}", page.out);
        let document = there(&["history", "--json"]).done().json();
        let at = &document["licks"][0]["takes"][0]["recorded_at"];
        assert_eq!(at.as_str().expect("a time"), "2026-03-07T18:05:59.000Z", "{place}");
    }
}
