//! Standard input, output and error, pipes and terminals.

use std::fs;
use std::io::Read;
use std::path::Path;
use std::process::Command;
use std::process::Stdio;

use super::Desk;
use super::LICK;
use super::Run;
use super::on_terminal;
use super::skip::skip;

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
    let mut ogg = fs::read("test-audio/semitone-off.opus").expect("a take of the repository");
    // RFC 3533, section 6: every page begins with these letters. The second one with sound is lost.
    let begins: Vec<usize> = (0..ogg.len()).filter(|&at| ogg[at..].starts_with(b"OggS")).collect();
    ogg.drain(begins[3]..begins[4]);
    desk.put("take.opus", ogg);
    for name in ["take.wav", "take.opus"] {
        let from_file = desk.run(&["check", "lick.toml", name, "--json"]).done().json();
        let mut command = desk.command(&["check", "lick.toml", "-", "--json"]);
        let input = fs::File::open(desk.path(name)).expect("a recording");
        let run = Run::of(command.stdin(input).output().expect("it starts"));
        let mut from_stdin = run.done().json();
        assert_eq!(from_stdin["takes"][0]["recording"], "-");
        from_stdin["takes"][0]["recording"] = name.into();
        assert_eq!(from_stdin, from_file);
        let findings = from_file["takes"][0]["findings"].to_string();
        assert_eq!(findings.contains("hole"), name == "take.opus", "{findings}");
    }

    // A dash is no name that a player knows, neither here nor in the history.
    let mut command = desk.command(&["check", "lick.toml", "-"]);
    let input = fs::File::open(path).expect("a WAV file");
    let run = Run::of(command.stdin(input).output().expect("it starts"));
    assert!(run.done().out.starts_with("Cellar stairs, standard input\n"), "{}", run.out);
    let history = desk.run(&["history"]);
    assert!(history.done().out.contains("  standard input  "), "{}", history.out);
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
        skip("there is no /usr/bin/script");
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
