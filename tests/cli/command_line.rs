//! Help, options, and which of them go together.

use super::Desk;

#[test]
fn help_and_version_are_results() {
    let desk = Desk::new();
    let help = desk.run(&["--help"]);
    help.done();
    for command in ["demo", "check", "practice", "listen", "tuning", "intonation", "explain"] {
        assert!(help.out.contains(command), "{command} is not listed");
        desk.run(&[command, "--help"]).done();
    }
    for command in ["render", "convert", "sheet", "new", "history", "devices", "calibrate"] {
        assert!(help.out.contains(command), "{command} is not listed");
        desk.run(&[command, "--help"]).done();
    }
    assert!(desk.run(&["--version"]).done().out.starts_with("doublecheck "));
}

#[test]
fn a_command_line_that_means_nothing_is_refused_with_a_hint() {
    let desk = Desk::new();
    let bad: [&[&str]; 9] = [
        &[],
        &["chek"],
        &["check"],
        &["check", "lick.toml"],
        &["check", "--nonsense", "lick.toml", "take.wav"],
        &["check", "--a4", "9", "lick.toml", "take.wav"],
        &["check", "--tolerance", "-1", "lick.toml", "take.wav"],
        &["check", "--tolerance", "nan", "lick.toml", "take.wav"],
        &["check", "--channel", "0", "lick.toml", "take.wav"],
    ];
    for arguments in bad {
        let run = desk.run(arguments);
        run.refused(&[]);
        assert_eq!(run.out, "", "{arguments:?}");
    }
}

#[test]
fn options_for_listening_live_are_refused_beside_a_recording() {
    let desk = Desk::new();
    desk.sine("take.wav", 1.0, 0.3);
    let options: [&[&str]; 4] =
        [&["--keep", "kept.wav"], &["--input", "mic"], &["--rate", "48000"], &["--buffer", "512"]];
    for command in ["tuning", "intonation", "listen"] {
        for option in options.iter().filter(|o| command != "listen" || o[0] != "--keep") {
            let run = desk.run(&[&[command, "take.wav"], *option].concat());
            run.refused(&[option[0], "live"]);
        }
    }
    assert!(!desk.path("kept.wav").exists());
    let plucks = desk.run(&["intonation", "take.wav", "--plucks", "5"]);
    plucks.refused(&["--plucks is for listening live"]);
    let map = desk.run(&["intonation", "--frets", "1-12", "--plucks", "2"]);
    map.refused(&["cannot be used with"]);
}

/// Times of a score are written; only those of a MIDI file may have been played.
#[test]
fn a_grid_is_for_midi_only() {
    let desk = Desk::new();
    for format in ["mid", "txt", "musicxml"] {
        desk.run(&["convert", "lick.toml", "-o", &format!("out.{format}")]).done();
    }
    for (file, kind) in [("lick.toml", "a lick"), ("out.txt", "tab"), ("out.musicxml", "MusicXML")]
    {
        let run = desk.run(&["convert", file, "-o", "new.toml", "--grid", "4"]);
        run.refused(&[
            &format!("--grid is for MIDI and recordings, and {file} is {kind}"),
            "leave out --grid",
        ]);
    }
    desk.run(&["convert", "out.mid", "-o", "new.toml", "--grid", "4"]).done();
}

#[cfg(feature = "live")]
#[test]
fn one_pass_does_not_get_faster() {
    let desk = Desk::new();
    let run = desk.run(&["practice", "lick.toml", "--faster", "5%"]);
    run.refused(&["--faster is for the passes after the first", "--repeat 5"]);
}

#[cfg(feature = "live")]
#[test]
fn a_file_is_no_folder_for_recordings() {
    let desk = Desk::new();
    let run = desk.run(&["practice", "lick.toml", "--keep-in", "lick.toml"]);
    run.refused(&["lick.toml: a file, not a folder", "name a folder"]);
}

/// Nobody is asked to play for an input that is not there.
#[cfg(feature = "live")]
#[test]
fn an_input_that_is_not_there_is_told_before_anything_else() {
    let desk = Desk::new();
    for arguments in [&["tuning"][..], &["intonation"], &["intonation", "--frets", "1-3"]] {
        let run = desk.run(&[arguments, &["--input", "no such input"]].concat());
        run.refused(&["no audio input \"no such input\""]);
        assert!(run.err.starts_with("error: "), "{arguments:?}: {}", run.err);
    }
}
