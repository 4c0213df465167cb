//! Licks and other files in, files out: what they are called, and what is there already.

use std::fs;

use super::Desk;
use super::LICK;
use super::Run;
use super::names_in;
use serde_json::Value;

#[test]
fn a_lick_that_cannot_be_read_is_told_with_its_place() {
    let desk = Desk::new();
    desk.sine("take.wav", 0.5, 0.3);
    let nowhere = "nowhere.toml: no such file or directory\n";
    desk.run(&["check", "nowhere.toml", "take.wav"]).refused(&[nowhere]);
    desk.run(&["convert", "nowhere.toml", "-o", "out.mid"]).refused(&[nowhere]);
    desk.run(&["history", "nowhere.toml"]).refused(&[nowhere]);
    desk.put("empty.toml", "");
    desk.run(&["check", "empty.toml", "take.wav"]).refused(&["empty.toml"]);
    desk.put("marks.toml", LICK.replace("x x x 7 x 7", "x x x 7 7"));
    desk.run(&["check", "marks.toml", "take.wav"]).refused(&["marks.toml:7:", "5 marks"]);
    desk.put("key.toml", LICK.replace("tempo", "tempi"));
    let run = desk.run(&["check", "key.toml", "take.wav"]);
    run.refused(&["key.toml:3:", "tempi", "`tempo`"]);
    assert_eq!(run.out, "");
}

/// Disks of other systems bear such names.
#[cfg(target_os = "linux")]
#[test]
fn a_lick_is_read_whatever_bytes_its_name_has() {
    use std::os::unix::ffi::OsStrExt;
    let desk = Desk::new();
    let name = std::ffi::OsStr::from_bytes(b"caf\xe9.toml");
    fs::write(desk.folder.path().join(name), LICK).expect("a file");
    let take = desk.sine("take.wav", 1.0, 0.3);
    let sheet = ["-o".as_ref(), "-".as_ref()];
    let run = |command: &[&str], more: &[&std::ffi::OsStr]| {
        Run::of(desk.command(command).arg(name).args(more).output().expect("it starts"))
    };
    for (command, more) in [("explain", &[][..]), ("check", &[take.as_os_str()]), ("sheet", &sheet)]
    {
        let run = run(&[command], more);
        assert!(run.done().out.contains("Cellar stairs"), "{command}: {}", run.out);
    }
    run(&["tuning", "--lick"], &[take.as_os_str()]).done();
}

/// What comes in a title or a file's name is shown and not obeyed by the terminal; JSON keeps it.
#[test]
fn control_characters_reach_no_terminal() {
    let desk = Desk::new();
    let title = "red \u{1b}[31m\u{9b}1m ink\nerror: forged";
    let lick =
        LICK.replacen("\"Cellar stairs\"", r#""red \u001b[31m\u009b1m ink\nerror: forged""#, 1);
    desk.put("in\u{1b}k.toml", lick);
    desk.put("spoilt\u{1b}\nerror: forged.toml", "title = \"\u{1b}\"");
    desk.sine("take\u{1b}.wav", 1.0, 0.3);
    let lick = "in\u{1b}k.toml";
    for arguments in [
        &["explain", lick][..],
        &["check", lick, "take\u{1b}.wav"],
        &["check", lick, "no\u{1b}ne.wav"],
        &["history"],
        &["explain", "spoilt\u{1b}\nerror: forged.toml"],
        &["explain", "none\u{1b}.toml"],
        &["explain", lick, "--opti\u{1b}on"],
        &["render", lick, "-o", "out\u{1b}.wav"],
        &["convert", lick, "-o", "out\u{1b}.mid"],
    ] {
        let run = desk.run(arguments);
        let shown = format!("{}{}", run.out, run.err);
        let obeyed = shown.chars().find(|c| c.is_control() && *c != '\n');
        assert_eq!(obeyed, None, "{arguments:?}: {shown:?}");
        assert!(!shown.lines().any(|line| line.starts_with("error: forged")), "{shown}");
    }
    let text = desk.run(&["explain", lick]);
    assert!(
        text.done().out.starts_with(r"red \u{1b}[31m\u{9b}1m ink\nerror: forged"),
        "{}",
        text.out
    );
    let json = desk.run(&["explain", lick, "--json"]);
    assert_eq!(json.done().json()["lick"], title);
}

#[test]
fn a_file_that_is_there_is_told_in_the_same_words_everywhere() {
    let desk = Desk::new();
    desk.sine("take.wav", 1.0, 0.3);
    for name in ["there.mid", "there.html", "there.wav", "there.toml"] {
        desk.put(name, "old");
    }
    let there = "there is such a file already";
    for arguments in [
        &["convert", "lick.toml", "-o", "there.mid"][..],
        &["sheet", "lick.toml", "-o", "there.html"],
        &["render", "lick.toml", "-o", "there.wav"],
        &["render", "lick.toml", "--midi", "-o", "there.mid"],
        &["tuning", "take.wav", "--report", "there.html"],
        &["intonation", "take.wav", "--report", "there.html"],
        &["check", "lick.toml", "take.wav", "--report", "there.html"],
        &["demo", "--report", "there.html"],
        // Before listening: nobody plays for nothing, and the sound card is not even asked for.
        &["tuning", "--report", "there.html"],
        &["intonation", "--report", "there.html"],
    ] {
        let run = desk.run(arguments);
        run.refused(&[there, "say --force to write over it"]);
        assert_eq!(run.out, "", "{arguments:?}");
    }
    desk.run(&["new", "there.toml"]).refused(&[there, "remove the file first"]);
    desk.run(&["tuning", "take.wav", "--report", "there.html", "--force"]).done();
}

/// Before the work: nobody plays, and nothing is rendered, for nothing.
#[test]
fn a_folder_that_is_not_there_is_told_in_the_same_words_everywhere() {
    let desk = Desk::new();
    desk.sine("take.wav", 1.0, 0.3);
    for (arguments, path) in [
        (&["convert", "lick.toml", "-o", "nowhere/out.mid"][..], "nowhere/out.mid"),
        (&["sheet", "lick.toml", "-o", "nowhere/out.html"], "nowhere/out.html"),
        (&["render", "lick.toml", "-o", "nowhere/out.wav", "--force"], "nowhere/out.wav"),
        (&["render", "lick.toml", "--midi", "-o", "nowhere/out.mid"], "nowhere/out.mid"),
        (&["new", "nowhere/out.toml"], "nowhere/out.toml"),
        (&["tuning", "take.wav", "--report", "nowhere/out.html"], "nowhere/out.html"),
        (&["tuning", "--report", "nowhere/out.html"], "nowhere/out.html"),
        (&["intonation", "--report", "take.wav/out.html"], "take.wav/out.html"),
        (&["check", "lick.toml", "take.wav", "--report", "nowhere/out.html"], "nowhere/out.html"),
    ] {
        let run = desk.run(arguments);
        run.refused(&[&format!("{path}: there is no such folder"), "make the folder first"]);
        assert_eq!(run.out, "", "{arguments:?}");
    }
}

#[test]
fn a_folder_is_no_file_to_write() {
    let desk = Desk::new();
    desk.sine("take.wav", 1.0, 0.3);
    fs::create_dir(desk.path("sheets")).expect("a folder");
    for arguments in [
        &["sheet", "lick.toml", "-o", "sheets"][..],
        &["sheet", "lick.toml", "-o", "sheets/", "--force"],
        &["convert", "lick.toml", "-o", "sheets", "--to", "tab", "--force"],
        &["new", "sheets"],
        &["tuning", "--report", "sheets", "--force"],
    ] {
        desk.run(arguments).refused(&["is a folder", "name the file in it"]);
    }
}

/// A page under another name opens nowhere.
#[test]
fn files_are_named_as_what_they_are() {
    let desk = Desk::new();
    desk.sine("take.wav", 1.0, 0.3);
    let page = "name it out.html";
    for (arguments, hint) in [
        (&["sheet", "lick.toml", "-o", "out.pdf"][..], page),
        (&["tuning", "take.wav", "--report", "out.txt"], page),
        (&["intonation", "--report", "out.pdf"], page),
        (&["check", "lick.toml", "take.wav", "--report", "out.pdf"], page),
        (&["render", "lick.toml", "-o", "out.mid"], "add --midi, or name it out.wav"),
        (&["render", "lick.toml", "-o", "out.mp3"], "hint: name it out.wav"),
        (&["render", "lick.toml", "--midi", "-o", "out.wav"], "hint: name it out.mid"),
    ] {
        desk.run(arguments).refused(&["out.", "not the name of a", hint]);
        assert!(names_in(&desk).iter().all(|name| !name.starts_with("out.")), "{arguments:?}");
    }
    desk.run(&["sheet", "lick.toml", "-o", "OUT.HTM"]).done();
}

#[test]
fn tab_by_hand_is_told_how_to_go_on() {
    let desk = Desk::new();
    desk.put("four.txt", "e|--5--|\nB|--5--|\nG|-----|\nD|-----|\n");
    desk.put("ragged.txt", "e|--5--|\nB|--5-|\nG|-----|\nD|-----|\nA|-----|\nE|-----|\n");
    for file in ["four.txt", "ragged.txt"] {
        let run = desk.run(&["convert", file, "-o", "out.toml"]);
        run.refused(&[file, "a line for every string, silent ones too, all equally long"]);
    }
}

#[test]
fn every_file_that_was_written_is_told() {
    let desk = Desk::new();
    desk.sine("take.wav", 1.0, 0.3);
    for (arguments, file) in [
        (&["new", "out.toml"][..], "out.toml"),
        (&["convert", "lick.toml", "-o", "out.musicxml"], "out.musicxml"),
        (&["sheet", "lick.toml", "-o", "out.html"], "out.html"),
        (&["tuning", "take.wav", "--report", "tuning.html"], "tuning.html"),
        (&["intonation", "take.wav", "--report", "map.html", "--frets", "1-2"], "map.html"),
        (&["check", "lick.toml", "take.wav", "--report", "take.html"], "take.html"),
        (&["demo", "--report", "demo.html"], "demo.html"),
    ] {
        let run = desk.run(arguments);
        assert!(run.done().err.contains(&format!("{file} written")), "{arguments:?}: {}", run.err);
        assert!(desk.path(file).exists());
    }
    let piped = desk.run(&["sheet", "lick.toml", "-o", "-"]);
    assert_eq!(piped.done().err, "", "nothing was written but what stands there");
}

/// Whatever is written over stays what it was to others: a link a link, a private file private.
#[cfg(unix)]
#[test]
fn a_file_that_is_written_over_stays_a_link_and_as_private_as_it_was() {
    use std::os::unix::fs::PermissionsExt;
    let desk = Desk::new();
    for (command, link) in [
        (&["render", "lick.toml"][..], "link.wav"),
        (&["render", "lick.toml", "--midi"], "link.mid"),
        (&["sheet", "lick.toml"], "link.html"),
    ] {
        // No usual umask leaves 0o606, and none gives it.
        let file = desk.put("file", "before");
        fs::set_permissions(&file, fs::Permissions::from_mode(0o606)).expect("it is ours");
        std::os::unix::fs::symlink("file", desk.path(link)).expect("a link");
        desk.run(&[command, &["-o", link, "--force"]].concat()).done();
        assert_eq!(fs::read_link(desk.path(link)).expect("still a link").as_os_str(), "file");
        assert_ne!(fs::read(&file).expect("it is there"), b"before", "{link}");
        let mode = fs::metadata(&file).expect("it is there").permissions().mode();
        assert_eq!(mode & 0o777, 0o606, "{link}");
    }
}

/// Whoever copies what the hint says must not get another tuning than was typed.
#[test]
fn a_tuning_without_octaves_is_asked_for_as_it_was_meant() {
    let desk = Desk::new();
    for (typed, meant) in [
        ("E A D G B E", "E2 A2 D3 G3 B3 E4"),
        ("drop D", "D2 A2 D3 G3 B3 E4"),
        ("E A D", "E2 A2 D3 G3 B3 E4"),
    ] {
        desk.put("tuned.toml", LICK.replace("steps =", &format!("tuning = \"{typed}\"\nsteps =")));
        desk.run(&["explain", "tuned.toml"]).refused(&["names no octave", meant]);
        let tab = ["Tuning: ", typed, "\n\n", &"|---8---|\n".repeat(6)].concat();
        desk.put("tuned.tab", tab);
        let converted = desk.run(&["convert", "tuned.tab", "-o", "-", "--to", "lick"]);
        converted.refused(&["is no tuning", &format!("Tuning: {meant}\n")]);
        desk.run(&["tuning", "take.wav", "--tuning", typed]).refused(&["octaves: ", meant]);
    }
}

#[test]
fn what_is_played_in_a_recording_is_written_down() {
    let desk = Desk::new();
    desk.run(&["render", "lick.toml", "-o", "take.wav"]).done();
    desk.run(&["convert", "take.wav", "-o", "new.toml", "--json"]).done();
    let new = desk.run(&["check", "new.toml", "take.wav", "--json"]).done().json();
    let lick = desk.run(&["check", "lick.toml", "take.wav", "--json"]).done().json();
    let asked = |document: &Value| {
        let steps = document["takes"][0]["steps"].as_array().expect("steps").clone();
        steps.iter().map(|step| step["expected"].clone()).collect::<Vec<Value>>()
    };
    assert_eq!(asked(&new), asked(&lick), "strings and frets too");
    assert!(
        new["takes"][0]["steps"].as_array().expect("steps").iter().all(|s| s["verdict"] == "right")
    );
    let told = desk.run(&["convert", "take.wav", "-o", "-", "--to", "tab", "--tempo", "100"]);
    told.done();
    assert!(told.out.contains("Tempo: 100"), "{}", told.out);
    assert!(told.err.contains("is a guess"), "{}", told.err);
    let part = ["--part", "0-0.5"];
    desk.run(&[&["convert", "take.wav", "-o", "part.toml"], &part[..]].concat()).refused(&[
        "nothing to write down",
        "in this part",
        "doublecheck listen take.wav",
    ]);
    desk.run(&[&["convert", "lick.toml", "-o", "part.tab"], &part[..]].concat())
        .refused(&["--part is for recordings", "leave out --part"]);
    desk.wave("silent.wav", 44_100, 44_100, |_| 0.0);
    desk.run(&["convert", "silent.wav", "-o", "silent.toml"])
        .refused(&["nothing to write down", "silent"]);
    assert!(!desk.path("part.toml").exists() && !desk.path("silent.toml").exists());
}

/// `listen` tells when something was struck to hundredths of a second.
#[test]
fn a_part_begins_where_listen_tells_a_strike() {
    let desk = Desk::new();
    desk.run(&["render", "ferry-landing-sixths", "-o", "take.wav"]).done();
    let listened = desk.run(&["listen", "take.wav"]);
    let line = listened.done().out.lines().nth(2).expect("a strike");
    let (first_s, _) = line.trim().split_once(' ').expect("its time");
    for part in [format!("{first_s}-30"), format!("0:0{first_s}-0:30")] {
        let run = desk.run(&["convert", "take.wav", "-o", "-", "--to", "lick", "--part", &part]);
        assert_eq!(run.done().out.matches("beats =").count(), 9, "{part}: {}", run.out);
    }
    // Before the work, not after it.
    let run = desk.run(&["convert", "take.wav", "-o", "lick.toml"]);
    run.refused(&["lick.toml: there is such a file already", "--force"]);
    assert!(!run.err.contains("note:"), "{}", run.err);
    desk.run(&["convert", "take.wav", "-o", "part.toml", "--part", "-1-2"])
        .refused(&["expected two times", "1:05-1:20"]);
    // What `--capo` says where it is left out.
    desk.run(&["convert", "take.wav", "-o", "nut.toml", "--capo", "0"]).done();
    desk.run(&["convert", "take.wav", "-o", "high.toml", "--tuning", "A6"])
        .refused(&["finds a place on these strings", "--tuning"]);
}

#[test]
fn what_is_converted_comes_from_standard_input_as_from_a_file() {
    let desk = Desk::new();
    desk.run(&["render", "lick.toml", "-o", "take.wav"]).done();
    desk.run(&["convert", "lick.toml", "-o", "lick.mid"]).done();
    for (name, from) in [("lick.toml", "lick"), ("lick.mid", "midi"), ("take.wav", "recording")] {
        let input = || fs::File::open(desk.path(name)).expect("it was written");
        let arguments = ["convert", "-", "-o", "-", "--to", "tab"];
        let mut command = desk.command(&[&arguments[..], &["--from", from]].concat());
        let run = Run::of(command.stdin(input()).output().expect("it starts"));
        assert!(run.done().out.contains("Tempo: 90"), "{name}: {}", run.out);
        let mut command = desk.command(&arguments);
        let run = Run::of(command.stdin(input()).output().expect("it starts"));
        run.refused(&["standard input", "--from recording"]);
    }
    desk.run(&["convert", "lick.toml", "-o", "-"]).refused(&["standard output", "--to FORMAT"]);
    desk.run(&["convert", "take", "-o", "new.toml"]).refused(&["--from recording"]);
}

#[test]
fn a_recording_is_not_made_by_converting() {
    let desk = Desk::new();
    desk.sine("take.wav", 0.5, 0.3);
    desk.run(&["convert", "lick.toml", "-o", "take.wav", "--to", "lick", "--force"])
        .refused(&["take.wav: a recording", "doublecheck render LICK"]);
    assert!(fs::read(desk.path("take.wav")).expect("a take").starts_with(b"RIFF"));
    desk.run(&["convert", "lick.toml", "-o", "new.FLAC"])
        .refused(&["new.FLAC: a recording", "doublecheck render LICK"]);
    assert!(!desk.path("new.FLAC").exists());
}

#[test]
fn a_folder_in_the_place_of_a_rendering_is_told_as_one() {
    let desk = Desk::new();
    fs::create_dir(desk.path("takes")).expect("a folder");
    for folder in ["/", ".", "takes", "takes/"] {
        let run = desk.run(&["render", "lick.toml", "-o", folder]);
        run.refused(&[&format!("{folder}: is a folder"), "name the file in it"]);
    }
    desk.run(&["render", "lick.toml", "-o", "take"]).refused(&["name it take.wav"]);
}

/// A device that is replaced by a file is gone for all programs.
#[cfg(unix)]
#[test]
fn no_file_takes_the_place_of_a_device_or_a_pipe() {
    use std::os::unix::fs::FileTypeExt;
    let desk = Desk::new();
    for (command, pipe) in
        [(&["render"][..], "pipe.wav"), (&["render", "--midi"], "pipe.mid"), (&["sheet"], "pipe")]
    {
        let made = std::process::Command::new("mkfifo").arg(desk.path(pipe)).status();
        assert!(made.expect("mkfifo").success());
        for force in [&[][..], &["--force"]] {
            let run = desk.run(&[command, &["lick.toml", "-o", pipe], force].concat());
            run.refused(&[&format!("{pipe}: is a device or a pipe"), "name a file"]);
        }
        let kind = fs::symlink_metadata(desk.path(pipe)).expect("still there").file_type();
        assert!(kind.is_fifo(), "{pipe}");
    }
}

/// A7 is A C# E G, E7 E G# B D, and E–G# is a third in no chord (any book on harmony); C major by itself has
/// Db and Ab (harmonic chromatic scale, as in `theory::key`).
#[test]
fn a_note_has_one_name_wherever_it_is_told() {
    let desk = Desk::new();
    let steps = r#"
  { beats = 1, frets = "x x 2 1 x x" },
  { beats = 1, frets = "x x x 6 8 x", chord = "A7" },
  { beats = 1, frets = "x x 4h6 1 x x", chord = "E7" },
  { beats = 1, frets = "x x x 1 4 x", chord = "Fm" },
"#;
    let (head, _) = LICK.split_once("\n  {").expect("steps");
    desk.put("lick.toml", format!("{head}{steps}]\n"));
    desk.sine("take.wav", 1.0, 0.3);
    let notes =
        [&["E3", "G#3"] as &[&str], &["C#4", "G4"], &["F#3", "G#3", "G#3"], &["Ab3", "Eb4"]];

    let explained = desk.run(&["explain", "lick.toml", "--json"]).done().json();
    let checked = desk.run(&["check", "lick.toml", "take.wav", "--json"]).done().json();
    let page = desk.run(&["check", "lick.toml", "take.wav"]).done().out.clone();
    let sheet = desk.run(&["sheet", "lick.toml", "-o", "-"]).done().out.clone();
    for (index, notes) in notes.iter().enumerate() {
        let names = |of: &serde_json::Value| -> Vec<String> {
            let all = of.as_array().expect("notes");
            all.iter().map(|note| note["note"].as_str().expect("a name").to_owned()).collect()
        };
        let struck = &explained["steps"][index]["moments"][0]["notes"];
        assert_eq!(names(struck), notes[..2], "explain");
        let step = &checked["takes"][0]["steps"][index];
        assert_eq!(names(&step["expected"]), *notes, "check --json");
        assert_eq!(names(&step["missing"]), *notes, "check --json");
        let asked = format!("  {}  ", notes.join(" "));
        assert!(page.contains(&asked), "no {asked:?} in\n{page}");
        let row = format!("<td>{}</td>", notes[..2].join(" "));
        assert!(sheet.contains(&row), "no {row} in the sheet");
    }

    desk.run(&["convert", "lick.toml", "-o", "lick.musicxml"]).done();
    let score = fs::read_to_string(desk.path("lick.musicxml")).expect("a score");
    let pitches = score.split("<pitch>").skip(1).map(|rest| {
        let part = |name: &str| {
            let (pitch, _) = rest.split_once("</pitch>").expect("an end");
            let (_, rest) = pitch.split_once(&format!("<{name}>"))?;
            rest.split('<').next()
        };
        let sign = match part("alter") {
            None => "",
            Some("1") => "#",
            Some("-1") => "b",
            Some(other) => panic!("altered by {other}"),
        };
        format!("{}{sign}{}", part("step").unwrap_or("?"), part("octave").unwrap_or("?"))
    });
    // The hammered note comes with the one that is held beside it.
    let expected = ["E3", "G#3", "C#4", "G4", "F#3", "G#3", "G#3", "G#3", "Ab3", "Eb4"];
    assert_eq!(pitches.collect::<Vec<_>>(), expected, "{score}");
}

/// What a teacher wrote behind `#` is in no other file, nor in the lick written anew.
#[test]
fn remarks_that_are_left_out_are_told() {
    let desk = Desk::new();
    let note = "note: remarks after # are no part of a lick: left out\n";
    for (name, lick, told) in [
        ("plain.toml", LICK.to_owned(), false),
        ("sharp.toml", LICK.replace("C major", "F# major"), false),
        ("quoted.toml", LICK.replacen("title", "'title'", 1), false),
        ("above.toml", format!("# keep the third finger down\n{LICK}"), true),
        ("behind.toml", LICK.replacen('\n', " # it's \"mine\"\n", 1), true),
    ] {
        desk.put(name, lick);
        for out in ["out.toml", "out.musicxml", "out.mid", "out.txt"] {
            let run = desk.run(&["convert", name, "-o", out, "--force"]);
            assert_eq!(run.done().err.contains(note), told, "{name} to {out}: {}", run.err);
        }
    }
    let run = desk.run(&["convert", "two-brooks", "-o", "out.toml", "--force"]);
    assert!(!run.done().err.contains(note), "{}", run.err);
}

/// MIDI has no strings: a bass or another tuning has to be named.
#[test]
fn notes_from_midi_are_laid_on_the_strings_that_are_named() {
    let desk = Desk::new();
    let bass = LICK
        .replace("steps = [", "tuning = \"E1 A1 D2 G2\"\nsteps = [")
        .replace("x x x 9 x 8", "0 x x 6")
        .replace("x x x 7 x 7", "x 3 x 5");
    desk.put("bass.toml", &bass);
    desk.run(&["convert", "bass.toml", "-o", "bass.mid"]).done();
    let tuning = ["--tuning", "E1 A1 D2 G2"];
    desk.run(&[&["convert", "bass.mid", "-o", "back.toml"], &tuning[..]].concat()).done();
    let back = fs::read_to_string(desk.path("back.toml")).expect("a lick");
    assert!(back.contains("tuning = \"E1 A1 D2 G2\"") && back.contains("\"0 x x 6\""), "{back}");
    // Without it they find no string, and it is told what would help.
    let run = desk.run(&["convert", "bass.mid", "-o", "lost.toml"]);
    assert!(run.err.contains("E1: a note that finds no string was left out"), "{}", run.err);
    assert!(run.err.contains("--tuning"), "{}", run.err);
    desk.run(&[&["convert", "lick.toml", "-o", "new.mid"], &tuning[..]].concat())
        .refused(&["--tuning is for MIDI and recordings", "leave out --tuning"]);
    desk.run(&["convert", "bass.mid", "-o", "new.toml", "--tuning", "EADG"])
        .refused(&["`EADG` is not a note", "notes with octaves"]);
}

/// Gb major has Cb in its signature, but nobody tunes a string to it.
#[test]
fn a_string_has_the_name_it_is_tuned_by_in_every_key() {
    let desk = Desk::new();
    desk.put("lick.toml", LICK.replace("C major", "Gb major"));
    desk.sine("take.wav", 0.5, 0.3);
    desk.run(&["convert", "lick.toml", "-o", "lick.musicxml"]).done();
    let score = fs::read_to_string(desk.path("lick.musicxml")).expect("a score");
    assert!(score.contains("<tuning-step>B<") && !score.contains("<tuning-alter>"), "{score}");
    desk.run(&["convert", "lick.toml", "-o", "lick.txt"]).done();
    let tab = fs::read_to_string(desk.path("lick.txt")).expect("a tab");
    assert!(tab.contains("Tuning: E2 A2 D3 G3 B3 E4\n") && tab.contains("\nB|"), "{tab}");
    let tuning = desk.run(&["tuning", "--lick", "lick.toml", "take.wav", "--json"]).done().json();
    assert_eq!(tuning["strings"].as_array().expect("strings")[4]["note"], "B3");
    let explained = desk.run(&["explain", "lick.toml", "--json"]).done().json();
    assert_eq!(explained["tuning"][4], "B3");
}
