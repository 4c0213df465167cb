//! Takes that are kept, and what the history makes of them.

use std::fs;
use std::path::Path;

use super::Desk;

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

/// Recordings of two students, copied at once, may have one name and one time.
#[test]
fn takes_of_one_name_and_time_are_kept_beside_each_other() {
    let desk = Desk::new();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-audio");
    let lick = folder.join("semitone-off.toml").display().to_string();
    let noon = std::time::UNIX_EPOCH + std::time::Duration::from_secs(1_772_906_759);
    for (student, take) in [("anna", "semitone-off.wav"), ("ben", "noisy.wav")] {
        fs::create_dir(desk.path(student)).expect("a folder");
        let copy = desk.path(student).join("take.wav");
        fs::copy(folder.join(take), &copy).expect("a take");
        let copy = fs::File::options().write(true).open(copy).expect("the copy");
        copy.set_modified(noon).expect("its time");
    }
    for _ in 0..2 {
        desk.run(&["check", &lick, "anna/take.wav", "ben/take.wav"]).done();
    }
    let document = desk.run(&["history", "--json"]).done().json();
    let takes = document["licks"][0]["takes"].as_array().expect("takes");
    let kept: Vec<_> = takes.iter().map(|take| (&take["recording"], &take["right"])).collect();
    assert_eq!(kept, [(&"anna/take.wav".into(), &2.into()), (&"ben/take.wav".into(), &4.into())]);
}
