//! Recordings that are spoilt, empty or silent, one by one and among others.

use std::fs;

use super::Desk;
use super::Run;
use super::scrambled;

/// Recordings nobody could judge, each with a word of what must be said about it.
#[test]
fn bad_recordings_of_every_kind_are_refused() {
    let desk = Desk::new();
    fs::create_dir(desk.path("folder")).expect("a folder");
    desk.put("empty.wav", "");
    desk.put("noise.mp3", scrambled(5000));
    desk.put("noise.flac", [b"fLaC".as_slice(), &scrambled(5000)].concat());
    desk.put("noise.ogg", [b"OggS".as_slice(), &scrambled(5000)].concat());
    desk.put("noise.m4a", [b"\0\0\0\x18ftypM4A ".as_slice(), &scrambled(5000)].concat());
    desk.put("words.wav", "this is a letter and no recording\n".repeat(50));
    let whole = fs::read(desk.sine("whole.wav", 0.5, 0.3)).expect("a WAV file");
    desk.put("header.wav", &whole[..20]);
    desk.put("nosound.wav", &whole[..44]);
    desk.wave("slow.wav", 4_000, 4_000, |_| 0.0);
    let names = [
        "missing.wav",
        "folder",
        "empty.wav",
        "noise.mp3",
        "noise.flac",
        "noise.ogg",
        "noise.m4a",
        "words.wav",
        "header.wav",
        "nosound.wav",
        "slow.wav",
        "lick.toml",
    ];
    for name in names {
        desk.run(&["check", "lick.toml", name]).refused(&[name]);
        desk.run(&["listen", name]).refused(&[name]);
    }
    desk.run(&["check", "lick.toml", "whole.wav", "--channel", "2"]).refused(&["channel 2"]);
    desk.run(&["check", "lick.toml", "-"]).refused(&["standard input"]);
    desk.run(&["check", "lick.toml", "-", "-"]).refused(&["more than once"]);
    desk.run(&["intonation", "-", "-"]).refused(&["more than once"]);
}

#[test]
fn a_recording_that_breaks_off_is_judged_as_far_as_it_goes() {
    let desk = Desk::new();
    let whole = fs::read(desk.sine("whole.wav", 4.0, 0.3)).expect("a WAV file");
    desk.put("half.wav", &whole[..whole.len() / 2]);
    let document = desk.run(&["check", "lick.toml", "half.wav", "--json"]).done().json();
    let take = &document["takes"][0];
    let findings = take["findings"].as_array().expect("findings");
    assert!(findings.iter().any(|finding| finding["finding"] == "damaged"), "{take}");
    let seconds = take["duration_s"].as_f64().expect("a length");
    assert!((seconds - 2.0).abs() < 0.1, "{seconds} s");
    let page = desk.run(&["check", "lick.toml", "half.wav"]);
    assert!(page.done().out.contains("damaged"), "{}", page.out);
}

#[test]
fn channels_that_cancel_each_other_are_told() {
    let desk = Desk::new();
    let hum = |index: usize| 0.3 * (0.06 * index as f64).sin();
    desk.channels("opposite.wav", 44_100, 44_100, &[1.0, -1.0], hum);
    for arguments in
        [&["check", "lick.toml", "opposite.wav"] as &[&str], &["tuning", "opposite.wav"]]
    {
        let run = desk.run(arguments);
        assert!(run.done().err.contains("opposite.wav: its channels cancel"), "{}", run.err);
        let run = desk.run(&[arguments, &["--channel", "1"]].concat());
        assert!(!run.done().err.contains("cancel"), "{}", run.err);
    }
}

#[test]
fn one_bad_recording_does_not_stop_the_others() {
    let desk = Desk::new();
    desk.sine("first.wav", 1.0, 0.3);
    desk.put("broken.wav", scrambled(300));
    desk.sine("last.wav", 2.0, 0.3);
    let names = ["first.wav", "broken.wav", "last.wav"];
    let run = desk.run(&["check", "lick.toml", names[0], names[1], names[2], "--json"]);
    run.refused(&["broken.wav", "1 of 3"]);
    let document = run.json();
    let takes = document["takes"].as_array().expect("takes");
    assert_eq!(takes.len(), 3);
    for (take, name) in takes.iter().zip(names) {
        assert_eq!(take["recording"], name);
        assert_eq!(take["error"].is_string(), name == "broken.wav", "{name}");
        assert_eq!(take["steps"].is_array(), name != "broken.wav", "{name}");
    }
    let page = desk.run(&["check", "lick.toml", names[0], names[1], names[2]]);
    page.refused(&["broken.wav"]);
    assert!(page.out.contains("first.wav") && page.out.contains("last.wav"), "{}", page.out);
}

#[test]
fn one_bad_recording_does_not_stop_the_measuring_of_a_guitar() {
    let desk = Desk::new();
    desk.sine("string.wav", 1.0, 0.3);
    desk.put("broken.wav", scrambled(300));
    for options in [&[][..], &["--frets", "1-12"]] {
        let both = ["intonation", "broken.wav", "string.wav", "--json"];
        let run = desk.run(&[&both, options].concat());
        run.refused(&["broken.wav", "1 of 2"]);
        assert_eq!(run.json()["schema"], 1, "the other one counts");
        let run = desk.run(&[&["intonation", "broken.wav", "broken.wav"], options].concat());
        run.refused(&["broken.wav", "2 of 2"]);
        assert_eq!(run.out, "", "there is nothing to tell");
    }
}

/// Silence is no error: nothing was played, and that is told.
/// Silence, noise and a click hold no note, each for another reason.
#[test]
fn a_recording_without_notes_is_told_for_what_it_is() {
    let desk = Desk::new();
    desk.wave("silent.wav", 44_100, 88_200, |_| 0.0);
    let noise = scrambled(2 * 88_200);
    desk.wave("noise.wav", 44_100, 88_200, |index| {
        let sample = i16::from_le_bytes([noise[2 * index], noise[2 * index + 1]]);
        0.1 * f64::from(sample) / 32_768.0
    });
    desk.wave("click.wav", 44_100, 1, |_| 0.5);
    let listened = desk.run(&["listen", "silent.wav", "--json"]).done().json();
    assert_eq!(listened["strikes"], serde_json::json!([]));
    // A room in which nobody plays, 70 dB down.
    desk.wave("room.wav", 44_100, 88_200, |index| {
        let sample = i16::from_le_bytes([noise[2 * index], noise[2 * index + 1]]);
        5e-4 * f64::from(sample) / 32_768.0
    });
    for (name, word, finding, verdict) in [
        ("silent.wav", "the recording is silent, or far too quiet", "silent", "unsure"),
        ("room.wav", "the recording is silent, or far too quiet", "silent", "not played"),
        ("noise.wav", "the recording is not silent", "no notes", "not played"),
        ("click.wav", "too short to hold a note", "too short", "unsure"),
    ] {
        let checked = desk.run(&["check", "lick.toml", name]);
        assert!(checked.done().out.contains(word), "{name}: {}", checked.out);
        let document = desk.run(&["check", "lick.toml", name, "--json"]).done().json();
        assert_eq!(document["takes"][0]["findings"][0]["finding"], finding, "{name}");
        for step in document["takes"][0]["steps"].as_array().expect("steps") {
            assert_eq!(step["verdict"], verdict, "{name}");
        }
        let failed = desk.run(&["check", "lick.toml", name, "--fail-on-fault"]);
        assert_eq!(failed.code, Some(1), "{name}: nothing was heard");
        for command in ["tuning", "intonation"] {
            let measured = desk.run(&[command, name]);
            assert!(measured.done().err.contains(word), "{command} {name}: {}", measured.err);
        }
    }
}

/// One guitar into one of two inputs: whoever listens to the other one is told where the sound is.
#[test]
fn a_silent_channel_beside_one_with_sound_is_told_with_the_way_out() {
    let desk = Desk::new();
    let tone = |index: usize| 0.3 * (0.06 * index as f64).sin();
    desk.channels("left.wav", 44_100, 88_200, &[1.0, 0.0], tone);
    let told = "Channel 2 is silent, channel 1 has sound: choose it with --channel 1";
    for arguments in [
        &["check", "lick.toml", "left.wav"][..],
        &["tuning", "left.wav"],
        &["intonation", "left.wav"],
        &["listen", "left.wav"],
    ] {
        let silent = desk.run(&[arguments, &["--channel", "2"]].concat());
        let said = format!("{}{}", silent.done().out, silent.err);
        assert!(said.contains(told), "{arguments:?}: {said}");
        for options in [&["--channel", "1"][..], &[]] {
            let other = desk.run(&[arguments, options].concat());
            let said = format!("{}{}", other.done().out, other.err);
            assert!(!said.contains("is silent"), "{arguments:?} {options:?}: {said}");
        }
    }
    // Nobody can say what was played.
    let check = ["check", "lick.toml", "left.wav", "--channel", "2"];
    let page = desk.run(&check);
    assert!(page.done().out.contains("unsure: the channel holds no sound"), "{}", page.out);
    let document = desk.run(&[&check[..], &["--json"]].concat()).done().json();
    let take = &document["takes"][0];
    assert_eq!(take["findings"][0]["finding"], "silent channel");
    assert_eq!(take["steps"][0]["verdict"], "unsure");

    desk.channels("silent.wav", 44_100, 88_200, &[0.0, 0.0], tone);
    let run = desk.run(&["check", "lick.toml", "silent.wav", "--channel", "2"]);
    assert!(run.done().out.contains("the recording is silent, or far too quiet"), "{}", run.out);
}

/// What sounds in them may look like another kind: here like AAC without a container (ISO/IEC 13818-7,
/// section 6.2), as the samples of quiet guitars do.
#[test]
fn recordings_of_a_known_kind_that_is_not_read_are_told_by_name() {
    let desk = Desk::new();
    let sound = [b"\xff\xf1\x4c\x00\x20\x1f\xfc".as_slice(), &[0; 249]].concat().repeat(40);
    let beginnings: [(&str, &[u8], &str); 6] = [
        ("take.au", b".snd\0\0\0\x18\0\0\x9c\x40\0\0\0\x03\0\0\xbb\x80\0\0\0\x01", "Sun audio"),
        ("take.wav", b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0", "RF64"),
        ("wide.wav", b"BW64\xff\xff\xff\xffWAVEds64\x1c\0\0\0", "BW64"),
        ("take.w64", b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\0\0", "Wave64"),
        (
            "take.wma",
            b"\x30\x26\xb2\x75\x8e\x66\xcf\x11\xa6\xd9\0\xaa\0\x62\xce\x6c",
            "Windows Media",
        ),
        ("take.amr", b"#!AMR\n", ".amr"),
    ];
    for (name, beginning, kind) in beginnings {
        let file = desk.put(name, [beginning, &sound].concat());
        desk.run(&["listen", name]).refused(&[name, kind, "convert it to WAV or FLAC"]);
        let bytes = fs::File::open(file).expect("a file");
        let run = desk.command(&["listen", "-"]).stdin(bytes).output().expect("it starts");
        let run = Run::of(run);
        run.refused(&["standard input", kind, "convert it to WAV or FLAC"]);
    }
}
