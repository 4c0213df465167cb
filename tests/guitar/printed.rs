//! What the commands print.

use doublecheck::synth::PluckedNote;
use serde_json::Value;

use super::note;
use super::run;
use super::written;

#[test]
fn tuning_prints_what_the_contract_promises() {
    let notes = [note(6, 0, -6.4, 0.2, 2.0), note(5, 0, 0.0, 2.4, 2.0)];
    let (_folder, path) = written("open.wav", &notes);
    let path = path.to_str().expect("UTF-8");
    let found: Value = serde_json::from_str(&run(&["tuning", path, "--json"])).expect("JSON");
    assert_eq!(found["schema"], 1);
    let low = &found["strings"][0];
    assert_eq!(
        (&low["string"], &low["note"], &low["verdict"]),
        (&6.into(), &"E2".into(), &"flat".into())
    );
    assert!(low["hz"].as_f64().is_some_and(|hz| (hz - 82.103).abs() < 0.01), "{low}");
    assert!(low["cents"].as_f64().is_some_and(|cents| (cents + 6.4).abs() < 0.1), "{low}");
    assert!(low["cents_error"].as_f64().is_some_and(|error| error > 0.0 && error < 0.5), "{low}");
    assert_eq!(found["strings"][5]["hz"], Value::Null);
    assert_eq!(found["strings"][5]["verdict"], "not heard");
    let text = run(&["tuning", path]);
    assert!(text.contains("flat") && text.contains("Not heard: string 4 (D3)"), "{text}");
    assert!(text.contains("keep your eyes away"), "{text}");
}

#[test]
fn a_string_a_semitone_off_is_told_with_the_way_to_turn_its_peg() {
    let (_folder, path) = written("open.wav", &[note(6, 0, -100.0, 0.2, 2.0)]);
    let path = path.to_str().expect("UTF-8");
    let text = run(&["tuning", path]);
    let row = text.lines().find(|line| line.trim_start().starts_with("6 ")).expect("a row");
    assert!(row.contains("-100.0") && row.contains("flat, sounds D#2: tune up"), "{text}");
    assert!(text.contains("make sure that it is"), "{text}");
    assert!(!text.contains("no note asked for"), "{text}");
    let found: Value = serde_json::from_str(&run(&["tuning", path, "--json"])).expect("JSON");
    let low = &found["strings"][0];
    // D#2 of ISO 16.
    assert!(low["hz"].as_f64().is_some_and(|hz| (hz - 77.782).abs() < 0.02), "{low}");
    assert!(low["cents"].as_f64().is_some_and(|cents| (cents + 100.0).abs() < 0.5), "{low}");
    assert_eq!((&low["note"], &low["verdict"]), (&"E2".into(), &"flat".into()));
}

#[test]
fn a_harmonic_and_another_tuning_are_told_with_the_way_out() {
    let notes = [note(6, 0, -200.0, 0.2, 2.0), note(5, 12, 0.0, 2.4, 2.0)];
    let (folder, path) = written("low.wav", &notes);
    let path = path.to_str().expect("UTF-8");
    let page = folder.path().join("page.html");
    let text = run(&["tuning", path, "--report", page.to_str().expect("UTF-8")]);
    let meant = "--tuning \"D2 A2 D3 G3 B3 E4\"";
    assert!(text.contains(&format!("If that tuning is meant, say so: {meant}\n")), "{text}");
    let row = text.lines().find(|line| line.contains("A3 +0 cents")).expect("a row");
    assert!(row.contains("string 5: ") && row.ends_with("twelfth fret? Play it open"), "{text}");
    let drawn = std::fs::read_to_string(page).expect("a page");
    assert!(drawn.contains(&meant.replace('"', "&quot;")), "{drawn}");
    let found: Value = serde_json::from_str(&run(&["tuning", path, "--json"])).expect("JSON");
    assert_eq!(
        (&found["refused"][0]["string"], &found["refused"][0]["fault"]),
        (&5.into(), &"wrong note".into())
    );
    let meant = run(&["tuning", path, "--tuning", "D2 A2 D3 G3 B3 E4"]);
    assert!(!meant.contains("that tuning is meant"), "{meant}");
}

#[test]
fn intonation_prints_what_the_contract_promises() {
    let notes: Vec<PluckedNote> = (0..4)
        .map(|i| {
            let (fret, off) = if i % 2 == 0 { (0, 0.0) } else { (12, 4.1) };
            note(6, fret, off, 0.2 + 2.2 * f64::from(i), 2.0)
        })
        .collect();
    let (folder, path) = written("low.wav", &notes);
    let path = path.to_str().expect("UTF-8");
    let page = folder.path().join("page.html");
    let page = page.to_str().expect("UTF-8");
    let json = run(&["intonation", path, "--json", "--report", page, "--string", "6"]);
    let found: Value = serde_json::from_str(&json).expect("JSON");
    let low = &found["strings"][0];
    assert_eq!(
        (&low["string"], &low["fret"], &low["advice"]),
        (&6.into(), &12.into(), &"lengthen".into())
    );
    assert_eq!(low["harmonic_hz"], Value::Null);
    // 4.1 cents of 648 mm, by the formula of the contract's section on the saddle: 1.535 mm.
    assert!(low["saddle_mm"].as_f64().is_some_and(|mm| (mm - 1.535).abs() < 0.06), "{low}");
    assert!(low["offset_error"].as_f64().is_some_and(|error| error > 0.0 && error < 0.3), "{low}");
    for name in ["open_hz", "fretted_hz", "offset_cents"] {
        assert!(low[name].is_number(), "{name}: {low}");
    }
    let drawn = std::fs::read_to_string(page).expect("a page");
    assert!(drawn.contains("<svg") && drawn.contains("luthier"), "{drawn}");
    let text = run(&["intonation", path, "--string", "6"]);
    assert!(text.contains("1.5 mm away from the nut") && text.contains("Slacken"), "{text}");
}

/// Two frets do not tell tuning, nut and saddle apart; a hundredth of a cent flat is no `-0`.
#[test]
fn a_map_announces_nothing_that_does_not_follow() {
    let notes = [note(6, 0, 0.0, 0.2, 2.0), note(6, 1, 0.0, 2.4, 2.0), note(4, 7, -0.3, 4.6, 2.0)];
    let (_folder, path) = written("neck.wav", &notes);
    let path = path.to_str().expect("UTF-8");
    let text = run(&["intonation", path, "--frets", "1-2", "--string", "6"]);
    assert!(text.contains("Cents from equal temperament\n"), "{text}");
    assert!(text.contains("A3 +0 cents is no note asked for"), "{text}");
}
