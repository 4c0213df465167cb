//! The conduct of the program, seen from outside: exit codes, hints, what goes to which stream.
//!
//! What it promises is written down in README.md under «In scripts». Nothing here depends on how
//! well it hears.

#![expect(clippy::print_stderr, reason = "what is skipped must be seen")]

use std::fs;
use std::io::Read;
use std::path::Path;
use std::path::PathBuf;
use std::process::Command;
use std::process::Output;
use std::process::Stdio;

use serde_json::Value;
use tempfile::TempDir;

const LICK: &str = r#"title = "Cellar stairs"
key   = "C major"
tempo = 90
meter = "4/4"
steps = [
  { beats = 1, frets = "x x x 9 x 8" },
  { beats = 1, frets = "x x x 7 x 7" },
]
"#;

/// A folder with a lick in it, gone at the end of the test.
struct Desk {
    folder: TempDir,
}

impl Desk {
    fn new() -> Self {
        let desk = Self { folder: TempDir::new().expect("a temporary folder") };
        desk.put("lick.toml", LICK);
        desk
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn put(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        fs::write(&path, bytes).expect("a file in a temporary folder");
        path
    }

    /// A mono 16-bit WAV file of one sine.
    fn sine(&self, name: &str, seconds: f64, level: f64) -> PathBuf {
        let rate = 44_100;
        self.wave(name, rate, (seconds * f64::from(rate)) as usize, |index| {
            level * (std::f64::consts::TAU * 440.0 * index as f64 / f64::from(rate)).sin()
        })
    }

    fn wave(&self, name: &str, rate: u32, n: usize, sample: impl Fn(usize) -> f64) -> PathBuf {
        self.channels(name, rate, n, &[1.0], sample)
    }

    /// A channel for each of `gains`.
    fn channels(
        &self,
        name: &str,
        rate: u32,
        n: usize,
        gains: &[f64],
        sample: impl Fn(usize) -> f64,
    ) -> PathBuf {
        let path = self.path(name);
        let spec = hound::WavSpec {
            channels: gains.len() as u16,
            sample_rate: rate,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(&path, spec).expect("a WAV file");
        for (index, gain) in (0..n).flat_map(|index| gains.iter().map(move |gain| (index, gain))) {
            let value = (gain * sample(index).clamp(-1.0, 1.0) * 32_767.0) as i16;
            writer.write_sample(value).expect("a sample");
        }
        writer.finalize().expect("a WAV file");
        path
    }

    /// Runs `doublecheck` in the folder.
    fn run(&self, arguments: &[&str]) -> Run {
        Run::of(self.command(arguments).stdin(Stdio::null()).output().expect("it starts"))
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(assert_cmd::cargo::cargo_bin!("doublecheck"));
        command.current_dir(self.folder.path()).args(arguments);
        // Takes that `check` keeps must not mix with those of whoever runs the tests.
        command.env("XDG_DATA_HOME", self.folder.path().join("data"));
        command
    }
}

/// How a run ended.
struct Run {
    code: Option<i32>,
    out: String,
    err: String,
}

impl Run {
    fn of(output: Output) -> Self {
        Self {
            code: output.status.code(),
            out: String::from_utf8(output.stdout).expect("UTF-8"),
            err: String::from_utf8(output.stderr).expect("UTF-8"),
        }
    }

    /// Ended as a job that could not be done: what is wrong and the way out, in the words given.
    fn refused(&self, words: &[&str]) {
        assert_eq!(self.code, Some(2), "{}{}", self.out, self.err);
        let line = |label: &str| self.err.lines().any(|line| line.starts_with(label));
        assert!(line("error: ") && line("hint: "), "{}", self.err);
        for word in words {
            assert!(self.err.contains(word), "no «{word}» in: {}", self.err);
        }
        self.calm();
    }

    fn done(&self) -> &Self {
        assert_eq!(self.code, Some(0), "{}{}", self.out, self.err);
        self.calm();
        self
    }

    fn calm(&self) {
        assert!(!self.err.contains("panicked"), "{}", self.err);
    }

    fn json(&self) -> Value {
        serde_json::from_str(&self.out).expect("one JSON document and nothing else")
    }
}

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
fn a_lick_that_cannot_be_read_is_told_with_its_place() {
    let desk = Desk::new();
    desk.sine("take.wav", 0.5, 0.3);
    let nowhere = "nowhere.toml: no such file or directory\n";
    desk.run(&["check", "nowhere.toml", "take.wav"]).refused(&[nowhere]);
    desk.run(&["convert", "nowhere.toml", "-o", "out.mid"]).refused(&[nowhere]);
    desk.run(&["history", "nowhere.toml"]).refused(&[nowhere]);
    let render = ["render", "ferry-landing-sixths", "-o", "nowhere/out.wav"];
    desk.run(&render).refused(&["nowhere/out.wav: cannot be written: no such file or directory\n"]);
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
        (&["render", "lick.toml", "-o", "out.mid"], "add --midi, or name it out.wav"),
        (&["render", "lick.toml", "-o", "out.mp3"], "hint: name it out.wav"),
        (&["render", "lick.toml", "--midi", "-o", "out.wav"], "hint: name it out.mid"),
    ] {
        desk.run(arguments).refused(&["out.", "not the name of a", hint]);
        assert!(names_in(&desk).iter().all(|name| !name.starts_with("out.")), "{arguments:?}");
    }
    desk.run(&["sheet", "lick.toml", "-o", "OUT.HTM"]).done();
}

fn names_in(desk: &Desk) -> Vec<String> {
    let entries = fs::read_dir(desk.folder.path()).expect("the folder");
    entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into()).collect()
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
fn a_dash_is_standard_output_or_refused() {
    let desk = Desk::new();
    let sheet = desk.run(&["sheet", "lick.toml", "-o", "-"]);
    assert!(sheet.done().out.starts_with("<!DOCTYPE html>"), "{}", sheet.out);
    let tab = desk.run(&["convert", "lick.toml", "-o", "-", "--to", "tab"]);
    assert!(tab.done().out.contains("Cellar stairs"), "{}", tab.out);
    for command in [&["sheet"][..], &["convert", "--to", "tab"]] {
        let arguments = [command, &["lick.toml", "-o", "-", "--json"]].concat();
        desk.run(&arguments).refused(&["standard output", "--output"]);
    }
    desk.run(&["render", "lick.toml", "-o", "-"]).refused(&["standard output", "lick.wav"]);
    assert!(!desk.path("-").exists());
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
}

#[test]
fn history_says_that_it_takes_no_recordings() {
    let desk = Desk::new();
    desk.sine("take.wav", 0.5, 0.3);
    desk.run(&["history", "take.wav"]).refused(&["take.wav", "`check --json`"]);
    desk.run(&["history", "lick.toml"]).refused(&["lick.toml", "`check --json`"]);
}

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

/// A terminal breaks lines anywhere: rows are broken before it can. Whoever reads them from a pipe gets
/// every row in one line.
#[cfg(target_os = "linux")]
#[test]
fn rows_fit_into_a_terminal_and_stay_whole_elsewhere() {
    let columns = 72;
    let desk = Desk::new();
    let (shown, code) = on_terminal(&desk, columns, &["demo"]);
    assert_eq!(code, 0, "{shown}");
    let longest = |text: &str| text.lines().map(|line| line.chars().count()).max().unwrap_or(0);
    assert!((60..=usize::from(columns)).contains(&longest(&shown)), "{shown}");
    let piped = desk.run(&["demo"]);
    assert!(longest(&piped.done().out) > usize::from(columns), "{}", piped.out);
    let words = |text: &str| text.split_whitespace().filter(|w| !w.starts_with('─')).count();
    assert_eq!(words(&shown), words(&piped.out), "{shown}");
}

/// What a terminal of so many columns shows of a run in the folder of `desk`, and the exit code.
#[cfg(target_os = "linux")]
fn on_terminal(desk: &Desk, columns: u16, arguments: &[&str]) -> (String, u32) {
    let size = portable_pty::PtySize { rows: 24, cols: columns, pixel_width: 0, pixel_height: 0 };
    let pair = portable_pty::native_pty_system().openpty(size).expect("a terminal");
    let program = assert_cmd::cargo::cargo_bin!("doublecheck");
    let mut command = portable_pty::CommandBuilder::new(program);
    command.args(arguments);
    command.cwd(desk.folder.path());
    command.env("NO_COLOR", "1");
    let mut child = pair.slave.spawn_command(command).expect("it starts");
    drop(pair.slave);
    let mut bytes = Vec::new();
    // Linux ends the reading of a terminal that nobody writes to any more with an error.
    let _ = pair.master.try_clone_reader().expect("a reader").read_to_end(&mut bytes);
    let code = child.wait().expect("it ends").exit_code();
    (String::from_utf8(bytes).expect("UTF-8"), code)
}

/// A terminal would break a long line, and the mark below it would point at other words.
#[cfg(target_os = "linux")]
#[test]
fn a_mark_stays_under_its_word_however_narrow_the_terminal_is() {
    let desk = Desk::new();
    let step =
        r#"{ beats = 1, frets = "x x x 9 x 8", chord = "G7", intervall = "m6", interval = "M6" }"#;
    desk.put("slip.toml", LICK.replace("steps = [", &format!("steps = [\n  {step},")));
    let score = format!("<score-partwise>{}&x;{0}</score-partwise>", "<credit/>".repeat(20));
    desk.put("slip.musicxml", score);
    for columns in [24, 40, 60, 80, 100, 120] {
        for (file, word) in [("slip.toml", "intervall"), ("slip.musicxml", "&x;")] {
            let (shown, code) = on_terminal(&desk, columns, &["convert", file, "-o", "out.txt"]);
            assert_eq!(code, 2, "{shown}");
            let lines: Vec<&str> = shown.lines().map(str::trim_end).collect();
            let longest = lines.iter().map(|line| line.chars().count()).max();
            assert!(longest <= Some(usize::from(columns)), "{columns}:\n{shown}");
            let is_mark = |line: &&str| line.contains(['─', '^']) && !line.contains(['╭', '╰']);
            let mark = lines.iter().position(is_mark).expect("a mark");
            let column = lines[mark].chars().position(|c| c == '─' || c == '^').expect("a mark");
            let marked: String = lines[mark - 1].chars().skip(column).collect();
            // What lies on the right of the place may be cut off.
            let start: String = word.chars().take(marked.chars().count()).collect();
            assert!(start.len() > 2 && marked.starts_with(&start), "{columns}:\n{shown}");
        }
    }
}

#[test]
fn json_is_one_document_with_its_schema() {
    let desk = Desk::new();
    desk.sine("take.wav", 1.0, 0.3);
    let runs: [&[&str]; 3] = [
        &["demo", "--json"],
        &["--json", "check", "lick.toml", "take.wav"],
        &["listen", "take.wav", "--json"],
    ];
    for arguments in runs {
        let run = desk.run(arguments);
        assert_eq!(run.done().json()["schema"], 1, "{arguments:?}");
        assert_eq!(run.err, "", "{arguments:?}");
    }
}

#[test]
fn a_recording_comes_from_standard_input_as_from_a_file() {
    let desk = Desk::new();
    let path = desk.sine("take.wav", 1.0, 0.3);
    let from_file = desk.run(&["check", "lick.toml", "take.wav", "--json"]).done().json();
    let mut command = desk.command(&["check", "lick.toml", "-", "--json"]);
    let input = fs::File::open(path).expect("a WAV file");
    let run = Run::of(command.stdin(input).output().expect("it starts"));
    let mut from_stdin = run.done().json();
    assert_eq!(from_stdin["takes"][0]["recording"], "-");
    from_stdin["takes"][0]["recording"] = "take.wav".into();
    assert_eq!(from_stdin, from_file);
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
    for (name, word, finding) in [
        ("silent.wav", "the recording is silent, or far too quiet", "silent"),
        ("noise.wav", "the recording is not silent", "no notes"),
        ("click.wav", "too short to hold a note", "too short"),
    ] {
        let checked = desk.run(&["check", "lick.toml", name]);
        assert!(checked.done().out.contains(word), "{name}: {}", checked.out);
        let document = desk.run(&["check", "lick.toml", name, "--json"]).done().json();
        assert_eq!(document["takes"][0]["findings"][0]["finding"], finding, "{name}");
        for command in ["tuning", "intonation"] {
            let measured = desk.run(&[command, name]);
            assert!(measured.done().err.contains(word), "{command} {name}: {}", measured.err);
        }
    }
}

#[test]
fn a_closed_pipe_is_no_error() {
    let desk = Desk::new();
    for arguments in [&["demo"] as &[&str], &["demo", "--json"], &["--help"]] {
        let mut command = desk.command(arguments);
        let mut child =
            command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
        drop(child.stdout.take());
        let mut said = String::new();
        let mut stderr = child.stderr.take().expect("piped");
        stderr.read_to_string(&mut said).expect("UTF-8");
        let status = child.wait().expect("it ends");
        assert_eq!((status.code(), said.as_str()), (Some(0), ""), "{arguments:?}");
    }
}

#[test]
#[cfg(target_os = "linux")]
fn a_full_disk_is_an_error() {
    let desk = Desk::new();
    let full = fs::OpenOptions::new().write(true).open("/dev/full").expect("Linux has one");
    let output = desk.command(&["demo"]).stdout(full).output().expect("it starts");
    Run::of(output).refused(&["standard output"]);
}

#[test]
fn there_is_no_colour_beside_a_terminal() {
    let desk = Desk::new();
    assert!(!desk.run(&["demo"]).done().out.contains('\x1b'));
    let run = desk.run(&["chek"]);
    run.refused(&[]);
    assert!(!run.err.contains('\x1b'), "{}", run.err);
}

/// `script` (util-linux) runs a command on a terminal of its own.
#[test]
#[cfg(target_os = "linux")]
fn a_terminal_gets_colour_unless_it_is_refused() {
    if !Path::new("/usr/bin/script").exists() {
        eprintln!("skipped: no /usr/bin/script here");
        return;
    }
    let desk = Desk::new();
    let program = assert_cmd::cargo::cargo_bin!("doublecheck");
    let on_terminal = |variables: &[(&str, &str)]| {
        let mut command = Command::new("/usr/bin/script");
        command.args(["-qec", &format!("'{}' demo", program.display()), "/dev/null"]);
        command.current_dir(desk.folder.path()).env_remove("NO_COLOR").env("TERM", "xterm");
        command.envs(variables.iter().copied()).stdin(Stdio::null());
        let output = command.output().expect("script starts");
        assert_eq!(output.status.code(), Some(0));
        String::from_utf8(output.stdout).expect("UTF-8")
    };
    assert!(on_terminal(&[]).contains("\x1b["));
    assert!(!on_terminal(&[("NO_COLOR", "1")]).contains('\x1b'));
    assert!(!on_terminal(&[("TERM", "dumb")]).contains('\x1b'));
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

/// Bytes without sense, the same every time: a multiplicative congruence modulo 2^31 − 1 (Park
/// and Miller 1988).
fn scrambled(n: usize) -> Vec<u8> {
    let mut state: u64 = 20_240_601;
    (0..n)
        .map(|_| {
            state = state * 48_271 % 2_147_483_647;
            (state >> 8) as u8
        })
        .collect()
}
