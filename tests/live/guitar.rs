//! The guitar itself, measured live: live plucks are measured as recorded ones are.

use std::path::Path;
use std::path::PathBuf;

use doublecheck::audio::WavWriter;
use doublecheck::audio::write::SampleFormat;
use doublecheck::synth::Room;
use doublecheck::synth::guitar::Guitar;
use doublecheck::synth::render;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::units::Cents;
use doublecheck::units::SampleRate;
use serde_json::Value;

use crate::card::Running;
use crate::card::card_folder;
use crate::card::json;
use crate::card::play;
use crate::card::with_card;

/// A recording of strings, frets and cents off, two seconds each.
fn played(name: &str, plucks: &[(u8, u8, f64)]) -> PathBuf {
    let rate = SampleRate::new(48_000).unwrap();
    let notes: Vec<_> = plucks
        .iter()
        .enumerate()
        .map(|(index, &(string, fret, off))| {
            let note = Guitar::default().note(StringNumber(string), Fret(fret), 2.0, 0.3).unwrap();
            let mut note = note.detuned(Cents(off));
            note.start_s = 0.5 + 2.3 * index as f64;
            note
        })
        .collect();
    let length_s = 1.0 + 2.3 * notes.len() as f64;
    let path = card_folder().join(name);
    let mut wav = WavWriter::create(&path, rate, SampleFormat::Float32).unwrap();
    wav.write(&render(&notes, length_s, rate, &Room::noisy(55.0), 8)).unwrap();
    wav.finish(false).unwrap();
    path
}

/// Runs a command until it ends by itself, `recording` being played meanwhile; its document and what
/// it said.
fn live(arguments: &[&str], recording: &Path) -> (Value, Vec<String>) {
    let mut session = Running::start(arguments);
    session.wait_for("Listening on");
    let mut player = play(recording);
    session.wait_for("\"schema\"");
    let _ = player.kill();
    player.wait().unwrap();
    assert_eq!(session.end(), Some(0), "{:?}", session.said);
    let document = session.said.iter().skip_while(|line| *line != "{").cloned();
    let document: Value = serde_json::from_str(&document.collect::<String>()).unwrap();
    (document, session.said.clone())
}

fn close(live: &Value, file: &Value, name: &str, within: f64) {
    let (live, file) = (live[name].as_f64(), file[name].as_f64());
    assert!(live.zip(file).is_some_and(|(l, f)| (l - f).abs() <= within), "{live:?} {file:?}");
}

#[test]
fn open_strings_are_measured_live_as_in_a_recording() {
    if !with_card("guitar::open_strings_are_measured_live_as_in_a_recording") {
        return;
    }
    // The last string is put right by a second pluck: then all are good, and it ends.
    let plucks = [
        (6, 0, 0.5),
        (5, 0, -1.0),
        (4, 0, 0.0),
        (3, 0, 1.0),
        (2, 0, 0.0),
        (1, 0, -12.0),
        (1, 0, 0.2),
    ];
    let recording = played("strings.wav", &plucks);
    let (found, said) = live(&["tuning", "--json"], &recording);
    assert!(
        said.iter().any(|line| line.starts_with("string 1 (E4): -12.0") && line.contains("flat")),
        "{said:?}"
    );
    let file = json(&["tuning", "--json", recording.to_str().unwrap()]);
    let strings = found["strings"].as_array().unwrap();
    for (live, file) in strings.iter().zip(file["strings"].as_array().unwrap()) {
        assert_eq!((&live["note"], &live["verdict"]), (&file["note"], &"good".into()), "{found}");
        close(live, file, "cents", 0.3);
    }
    assert_eq!(strings.len(), 6);
}

#[test]
fn the_twelfth_fret_is_measured_live_as_in_a_recording() {
    if !with_card("guitar::the_twelfth_fret_is_measured_live_as_in_a_recording") {
        return;
    }
    let recording = played("fret.wav", &[(6, 0, 0.0), (6, 12, 4.1), (6, 0, 0.0), (6, 12, 4.1)]);
    let arguments = ["intonation", "--json", "--string", "6", "--plucks", "2"];
    let (found, said) = live(&arguments, &recording);
    assert!(said.iter().any(|line| line.starts_with("play string 6: fret 12")), "{said:?}");
    let recording = recording.to_str().unwrap();
    let file = json(&["intonation", "--json", "--string", "6", recording]);
    let (live, file) = (&found["strings"][0], &file["strings"][0]);
    assert_eq!(live["advice"], "lengthen", "{found}");
    close(live, file, "offset_cents", 0.3);
}
