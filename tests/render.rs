//! `doublecheck render` through the binary: what is in the file, and what is refused.

mod support;

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use doublecheck::synth::loudness;
use doublecheck::units::SampleRate;
use support::cents;
use support::excerpt;
use support::level_at;
use support::loudest_near;
use support::mcleod_hz;
use support::midi_hz;

/// A scale on single strings, which a one-voice library can follow, then a double stop.
const LICK: &str = r#"
title = "Test stairs"
key = "C major"
tempo = 60
meter = "4/4"
steps = [
  { beats = 1, frets = "x 3 x x x x" },
  { beats = 1, frets = "x x x 5 x x" },
  { beats = 1, frets = "x x x x x 8" },
  { beats = 2, frets = "x x x 5h7 x x" },
  { beats = 1, frets = "x x x x x <12>" },
  { beats = 2, frets = "x x x 9 10 x" },
]
"#;
/// Sounding MIDI notes of it (E2 A2 D3 G3 B3 E4 are 40 45 50 55 59 64), with the beat each
/// begins on; the hammer-on falls on the half of its step.
const ONE_BY_ONE: [(f64, u8); 6] =
    [(0.0, 48), (1.0, 60), (2.0, 72), (3.0, 60), (4.0, 62), (5.0, 76)];
const TOGETHER: (f64, [u8; 2]) = (6.0, [64, 69]);

struct Folder(tempfile::TempDir);

impl Folder {
    fn with_lick(text: &str) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        fs::write(folder.path().join("lick.toml"), text).expect("room for a lick");
        Self(folder)
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    /// Renders the lick, at a low rate unless another is asked for: this is not optimised code.
    fn render(&self, options: &[&str]) -> assert_cmd::assert::Assert {
        let low_rate: &[&str] =
            if options.contains(&"--rate") { &[] } else { &["--rate", "16000"] };
        Command::cargo_bin("doublecheck")
            .expect("the binary is built")
            .current_dir(self.path())
            .args(["render", "lick.toml", "-o", "out.wav"])
            .args(low_rate)
            .args(options)
            .assert()
    }

    fn sound(&self) -> (Vec<f32>, SampleRate) {
        let wav = hound::WavReader::open(self.path().join("out.wav")).expect("a WAV file");
        let spec = wav.spec();
        assert_eq!((spec.channels, spec.bits_per_sample), (1, 24));
        let samples = wav
            .into_samples::<i32>()
            .map(|sample| sample.expect("whole") as f32 / 8_388_608.0)
            .collect();
        (samples, SampleRate::new(spec.sample_rate).expect("not zero"))
    }
}

/// Stiffness, glide and the library's own bias (see synth.rs), and the echo of the note before.
const HEARD_CENTS: f64 = 6.0;

#[test]
fn a_general_purpose_library_hears_the_lick() {
    let folder = Folder::with_lick(LICK);
    folder.render(&["--speed", "50%", "--count-in", "2"]).success();
    let (samples, rate) = folder.sound();
    // Half of 60 beats a minute: two seconds a beat, two beats before.
    let at_s = |beat: f64| 2.0 * (2.0 + beat);
    for (beat, note) in ONE_BY_ONE {
        let heard = mcleod_hz(excerpt(&samples, rate, at_s(beat) + 0.5, 0.5), rate)
            .unwrap_or_else(|| panic!("beat {beat}: no pitch heard"));
        let off = cents(heard, midi_hz(note));
        assert!(off.abs() < HEARD_CENTS, "beat {beat}: {off:.1} cents from MIDI {note}");
    }
    let (beat, notes) = TOGETHER;
    for note in notes {
        let piece = excerpt(&samples, rate, at_s(beat) + 0.5, 1.5);
        let off = cents(loudest_near(piece, rate, midi_hz(note), 5.0), midi_hz(note));
        assert!(off.abs() < 1.0, "beat {beat}: {off:.1} cents from MIDI {note}");
    }
}

#[test]
fn string_levels_are_followed() {
    let ratio_db = |options: &[&str]| {
        let folder = Folder::with_lick(LICK);
        folder.render(options).success();
        let (samples, rate) = folder.sound();
        let piece = excerpt(&samples, rate, 4.0 + TOGETHER.0 + 0.3, 1.2);
        let [low, high] = TOGETHER.1.map(|note| level_at(piece, rate, midi_hz(note)));
        20.0 * (low / high).log10()
    };
    let change = ratio_db(&["--level", "3=-9", "--level", "2=3"]) - ratio_db(&[]);
    // What else sounds there (echo of other notes) is 40 dB down.
    assert!((change + 12.0).abs() < 0.2, "changed by {change:.2} dB, asked for -12");
}

#[test]
fn clicks_sound_when_asked_for() {
    // Four beats of count-in; at 5 s the second beat of the lick.
    for (click, in_count_in, in_lick) in
        [("never", false, false), ("count-in", true, false), ("throughout", true, true)]
    {
        let folder = Folder::with_lick(LICK);
        folder.render(&["--click", click]).success();
        let (samples, rate) = folder.sound();
        let heard = |at_s| level_at(excerpt(&samples, rate, at_s, 0.05), rate, 2100.0) > 0.01;
        assert_eq!((heard(1.0), heard(5.0)), (in_count_in, in_lick), "{click}");
    }
}

/// ITU-R BS.1770-4: a 997 Hz sine at full scale in one channel reads −3.01 LKFS.
#[test]
fn loudness_is_that_of_the_standard() {
    let rate = SampleRate::new(48_000).expect("not zero");
    let mut sine: Vec<f32> = (0..48_000 * 3)
        .map(|k| 0.5 * (std::f64::consts::TAU * 997.0 * f64::from(k) / 48_000.0).sin() as f32)
        .collect();
    let reached = loudness::normalise(&mut sine, rate, -23.01, -1.0);
    let peak = sine.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
    let peak_db = 20.0 * f64::from(peak).log10();
    assert!((peak_db + 20.0).abs() < 0.05, "a sine at -23.01 LUFS peaks at {peak_db:.2} dBFS");
    let loudness_lufs = reached.loudness_lufs.expect("three seconds have a loudness");
    assert!((loudness_lufs + 23.01).abs() < 0.01, "{loudness_lufs} LUFS");
}

#[test]
fn silence_and_short_sounds_are_not_blown_up() {
    let rate = SampleRate::new(48_000).expect("not zero");
    let mut silence = vec![0.0; 48_000];
    let reached = loudness::normalise(&mut silence, rate, -20.0, -1.0);
    assert_eq!((reached.loudness_lufs, reached.peak_dbtp), (None, None));
    assert!(silence.iter().all(|&s| s == 0.0));
    assert_eq!(loudness::normalise(&mut [], rate, -20.0, -1.0).peak_dbtp, None);
    let mut click = vec![0.0_f32; 4_800];
    click[100] = 0.01;
    loudness::normalise(&mut click, rate, -20.0, -1.0);
    assert!(click.iter().all(|s| s.abs() <= 0.9), "above -1 dBTP");
}

#[test]
fn nothing_clips_however_loud() {
    let folder = Folder::with_lick(LICK);
    let told = folder.render(&["--loudness", "-6"]).success();
    let said = String::from_utf8_lossy(&told.get_output().stderr).into_owned();
    assert!(said.contains("not louder"), "{said}");
    let (samples, _) = folder.sound();
    let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
    // −1 dBTP is a factor 0.891.
    assert!((0.8..=0.892).contains(&peak), "peak {peak}");
}

#[test]
fn json_is_one_document_and_nothing_else() {
    let folder = Folder::with_lick(LICK);
    let told = folder.render(&["--json", "--rate", "44100"]).success();
    let document: serde_json::Value =
        serde_json::from_slice(&told.get_output().stdout).expect("one JSON document");
    assert_eq!(document["schema"], 1);
    assert_eq!(document["start_s"], 4.0);
    assert_eq!(document["file"], "out.wav");
    let (samples, rate) = folder.sound();
    assert_eq!(rate.get(), 44_100);
    assert_eq!(document["duration_s"], samples.len() as f64 / 44_100.0);
    let loudness_lufs = document["loudness_lufs"].as_f64().expect("a number");
    assert!((loudness_lufs + 20.0).abs() < 0.01, "{loudness_lufs} LUFS");
}

#[test]
fn what_cannot_be_done_is_told_and_leaves_nothing_behind() {
    let folder = Folder::with_lick(LICK);
    let refused = |options: &[&str], error: &str, hint: &str| {
        let told = folder.render(options).code(2);
        let said = String::from_utf8_lossy(&told.get_output().stderr).into_owned();
        assert!(said.starts_with("error: ") && said.contains(error), "{options:?}: {said}");
        assert!(said.contains("\nhint: ") && said.contains(hint), "{options:?}: {said}");
    };
    refused(&["--level", "7=-3"], "no string 7", "1 (the highest) to 6");
    refused(&["--level", "loud"], "3=-6", "--help");
    refused(&["--speed", "0"], "0.1 to 4", "--help");
    refused(&["--speed", "NaN"], "0.1 to 4", "--help");
    refused(&["--rate", "7"], "8000 to 192000", "--help");
    refused(&["--loudness", "0"], "-60 to -6", "--help");
    let names: Vec<_> = fs::read_dir(folder.path())
        .expect("the folder is there")
        .map(|entry| entry.expect("readable").file_name())
        .collect();
    assert_eq!(names, ["lick.toml"], "nothing was left behind");

    fs::write(folder.path().join("out.wav"), "my only take").expect("room");
    refused(&[], "out.wav: there is such a file already", "--force");
    let kept = fs::read_to_string(folder.path().join("out.wav")).expect("still there");
    assert_eq!(kept, "my only take");
    folder.render(&["--force"]).success();
    assert!(!folder.sound().0.is_empty());

    let other_name = Command::cargo_bin("doublecheck")
        .expect("the binary is built")
        .current_dir(folder.path())
        .args(["render", "lick.toml", "-o", "lick.toml", "--force"])
        .assert()
        .code(2);
    let said = String::from_utf8_lossy(&other_name.get_output().stderr).into_owned();
    assert!(said.contains("not the name of a WAV file"), "{said}");
    let lick = fs::read_to_string(folder.path().join("lick.toml")).expect("still there");
    assert_eq!(lick, LICK);
}

/// Read back with `midly`: note-ons of the guitar's channels, in beats of the file.
#[test]
fn midi_holds_the_same_notes_at_the_same_beats() {
    let folder = Folder::with_lick(LICK);
    let command = |options: &[&str]| {
        Command::cargo_bin("doublecheck")
            .expect("the binary is built")
            .current_dir(folder.path())
            .args(["render", "lick.toml", "--midi", "--json"])
            .args(options)
            .assert()
    };
    let told = command(&["-o", "out.mid", "--speed", "0.5", "--count-in", "2"]).success();
    let document: serde_json::Value =
        serde_json::from_slice(&told.get_output().stdout).expect("one JSON document");
    // Two seconds a beat: two beats before, eight beats of lick.
    assert_eq!((&document["start_s"], &document["duration_s"]), (&4.0.into(), &20.0.into()));

    let bytes = fs::read(folder.path().join("out.mid")).expect("a MIDI file");
    let file = midly::Smf::parse(&bytes).expect("a well-formed MIDI file");
    let midly::Timing::Metrical(per_beat) = file.header.timing else { panic!("not in beats") };
    let (mut ticks, mut heard) = (0, Vec::new());
    for event in &file.tracks[0] {
        ticks += event.delta.as_int();
        if let midly::TrackEventKind::Midi {
            channel,
            message: midly::MidiMessage::NoteOn { key, vel },
        } = event.kind
        {
            // Channel 9, counted from 0, is percussion in General MIDI.
            if channel != 9 && vel > 0 {
                heard.push((f64::from(ticks) / f64::from(per_beat.as_int()) - 2.0, key.as_int()));
            }
        }
    }
    let (beat, [low, high]) = TOGETHER;
    let all: Vec<(f64, u8)> = ONE_BY_ONE.into_iter().chain([(beat, low), (beat, high)]).collect();
    heard.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    assert_eq!(heard, all);

    command(&["-o", "other.wav"]).code(2);
    command(&["-o", "other.mid", "--loudness", "-20"]).code(2);
    command(&["-o", "out.mid"]).code(2);
}

#[test]
fn an_endless_lick_is_refused_before_it_fills_the_memory() {
    let endless = LICK.replace("beats = 2", "beats = 64");
    let folder = Folder::with_lick(&endless.replace("tempo = 60", "tempo = 20"));
    let told = folder.render(&["--speed", "0.1"]).code(2);
    let said = String::from_utf8_lossy(&told.get_output().stderr).into_owned();
    // 4 + 128 beats and four of count-in, two a minute.
    assert!(said.contains("lick.toml: would sound for 68 minutes, at most 60"), "{said}");
}

/// Memory goes with the rate: four times as many samples a second, a quarter of the time.
#[test]
fn a_high_rate_does_not_fill_the_memory_either() {
    let endless = LICK.replace("beats = 2", "beats = 64");
    let folder = Folder::with_lick(&endless.replace("tempo = 60", "tempo = 20"));
    let told = folder.render(&["--speed", "0.4", "--rate", "192000"]).code(2);
    let said = String::from_utf8_lossy(&told.get_output().stderr).into_owned();
    // 136 beats, eight a minute.
    let limit = "would sound for 17 minutes, at most 15 can be rendered at 192000 samples a second";
    assert!(said.contains(limit) && said.contains("--rate"), "{said}");
}

/// The embedded licks, played by the synthesiser and judged by the program's own ear: all 85 steps were right
/// when this was written; another processor's FFT may tip one over.
#[test]
fn the_own_ear_finds_rendered_licks_right() {
    const FEWEST_RIGHT: u64 = 84;
    let folder = tempfile::tempdir().expect("a temporary folder");
    let run = |arguments: &[&str]| done_in(folder.path(), arguments);
    let (mut right, mut missed) = (0, Vec::new());
    for name in doublecheck::lick::library::names() {
        run(&["render", name, "-o", "take.wav", "--force"]);
        let document = run(&["check", name, "take.wav", "--json"]);
        let document: serde_json::Value = serde_json::from_slice(&document).expect("JSON");
        for step in document["takes"][0]["steps"].as_array().expect("steps") {
            match step["verdict"].as_str() {
                Some("right") => right += 1,
                _ => missed.push(format!("{name}, step {}: {}", step["step"], step["verdict"])),
            }
        }
    }
    assert!(right >= FEWEST_RIGHT, "only {right} steps are right: {missed:#?}");
}

/// Who begins with `new` hears the lick, plays nothing yet, and must not be told that it was played wrong.
#[test]
fn the_lick_to_start_from_is_right_as_it_is_rendered() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    for arguments in [
        &["new", "first.toml"][..],
        &["render", "first.toml", "-o", "take.wav"],
        &["check", "first.toml", "take.wav", "--fail-on-fault", "--no-history"],
    ] {
        done_in(folder.path(), arguments);
    }
}

/// What the program prints; it must succeed.
fn done_in(folder: &Path, arguments: &[&str]) -> Vec<u8> {
    let mut command = Command::cargo_bin("doublecheck").expect("the binary is built");
    command.current_dir(folder).args(arguments).assert().success().get_output().stdout.clone()
}
