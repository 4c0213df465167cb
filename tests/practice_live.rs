//! Whole sessions with a real sound server and no sound card, one of them on a terminal.
//!
//! Each test runs itself again beside a private PulseAudio server (`tests/live/virtual_card.sh`),
//! whose monitor hears what is played. Where PulseAudio is not installed, it says so and is skipped.
#![cfg(all(feature = "live", target_os = "linux"))]
#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]
#![expect(clippy::print_stderr, reason = "what is skipped must be seen")]
#![expect(clippy::disallowed_methods, reason = "live streams take time")]

mod support;

use std::fs;
use std::io::BufRead;
use std::io::BufReader;
use std::io::Read;
use std::io::Write;
use std::num::NonZeroU16;
use std::path::Path;
use std::path::PathBuf;
use std::process::Child;
use std::process::Command;
use std::process::Stdio;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::mpsc;
use std::sync::mpsc::Receiver;
use std::thread;
use std::time::Duration;
use std::time::Instant;

use portable_pty::CommandBuilder;
use portable_pty::PtySize;
use serde_json::Value;
use support::truth;
use support::truth::Truth;

/// Longer than anything here takes, even on a busy machine.
const PATIENCE: Duration = Duration::from_secs(30);

fn script() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/live/virtual_card.sh")
}

/// True inside of the second run, with a card. Outside, makes that run and judges it.
fn with_card(test: &str) -> bool {
    if std::env::var_os("CARD_FOLDER").is_some() {
        return true;
    }
    for tool in ["pulseaudio", "pactl", "paplay"] {
        if Command::new(tool).arg("--version").output().is_err() {
            eprintln!("SKIPPED {test}: {tool} is not installed (Debian: pulseaudio-utils)");
            return false;
        }
    }
    // One card at a time: two servers would compete for two cores.
    static ONE: Mutex<()> = Mutex::new(());
    let _turn = ONE.lock().unwrap_or_else(PoisonError::into_inner);
    let run = Command::new("bash")
        .arg(script())
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", test, "--nocapture", "--test-threads=1"])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let (out, err) = (String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    assert!(run.status.success(), "{out}\n{err}");
    assert!(out.contains("1 passed"), "it did run: {out}");
    false
}

fn card_folder() -> PathBuf {
    PathBuf::from(std::env::var_os("CARD_FOLDER").unwrap())
}

/// A folder for recordings, empty.
fn takes_folder(name: &str) -> PathBuf {
    let folder = card_folder().join(name);
    fs::create_dir_all(&folder).unwrap();
    folder
}

fn audio(name: &str, ending: &str) -> String {
    truth::folder().join(format!("{name}.{ending}")).to_str().unwrap().to_owned()
}

/// The server's own player, an independent source.
fn play(name: &str) -> Child {
    Command::new("paplay")
        .args(["--latency-msec=500", "--device=room"])
        .arg(audio(name, "wav"))
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// A running `doublecheck`, whose lines can be waited for; killed if a test fails.
struct Running {
    child: Child,
    lines: Receiver<String>,
    /// All lines so far.
    said: Vec<String>,
}

impl Running {
    fn start(arguments: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_doublecheck"))
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let (sender, lines) = mpsc::channel();
        let streams: [Box<dyn Read + Send>; 2] =
            [Box::new(child.stdout.take().unwrap()), Box::new(child.stderr.take().unwrap())];
        for stream in streams {
            let sender = sender.clone();
            thread::spawn(move || {
                for line in BufReader::new(stream).lines().map_while(Result::ok) {
                    if sender.send(line).is_err() {
                        break;
                    }
                }
            });
        }
        Self { child, lines, said: Vec::new() }
    }

    /// Waits for a line that contains `part`, and gives it.
    fn wait_for(&mut self, part: &str) -> String {
        let until = Instant::now() + PATIENCE;
        loop {
            let left = until.saturating_duration_since(Instant::now());
            let Ok(line) = self.lines.recv_timeout(left) else {
                panic!("no {part:?} in\n{}", self.said.join("\n"));
            };
            self.said.push(line.clone());
            if line.contains(part) {
                return line;
            }
        }
    }

    fn signal(&self, signal: &str) {
        kill(signal, &self.child.id().to_string());
    }

    /// Waits for its end and gives its exit status.
    fn end(&mut self) -> Option<i32> {
        let status = self.child.wait().unwrap();
        while let Ok(line) = self.lines.recv_timeout(Duration::from_millis(500)) {
            self.said.push(line);
        }
        status.code()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn kill(signal: &str, process: &str) {
    assert!(Command::new("kill").args([signal, process]).status().unwrap().success());
}

/// Step numbers and verdicts of a document of `check`, first take.
fn verdicts(document: &Value) -> Vec<(u64, String)> {
    let steps = document["takes"][0]["steps"].as_array().unwrap();
    let verdict = |step: &Value| step["verdict"].as_str().unwrap().to_owned();
    steps.iter().map(|step| (step["step"].as_u64().unwrap(), verdict(step))).collect()
}

fn check(lick: &str, recording: &str) -> Value {
    let done = Command::new(env!("CARGO_BIN_EXE_doublecheck"))
        .args(["check", lick, recording, "--json"])
        .output()
        .unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    serde_json::from_slice(&done.stdout).unwrap()
}

#[test]
fn a_take_played_into_the_card_gets_the_verdicts_of_check() {
    if !with_card("a_take_played_into_the_card_gets_the_verdicts_of_check") {
        return;
    }
    for name in ["semitone-off", "note-missing"] {
        let (lick, folder) = (audio(name, "toml"), takes_folder(name));
        let begun = Instant::now();
        let mut session =
            Running::start(&["practice", &lick, "--json", "--keep-in", folder.to_str().unwrap()]);
        session.wait_for("\"due\"");
        eprintln!("NOTE listening after {:?}", begun.elapsed());
        let mut player = play(name);
        let report = session.wait_for("\"report\"");
        player.wait().unwrap();
        assert_eq!(session.end(), Some(0), "{:?}", session.said);
        let report: Value = serde_json::from_str(&report).unwrap();
        let truth: Vec<(u64, String)> = Truth::of(name)
            .steps
            .iter()
            .map(|step| (step.step as u64, step.verdict.clone()))
            .collect();
        assert_eq!(verdicts(&report), truth, "{name}");
        let recording = report["takes"][0]["recording"].as_str().unwrap();
        assert_eq!(verdicts(&check(&lick, recording)), truth, "{name}, its recording");
        for line in &session.said {
            let event: Result<Value, _> = serde_json::from_str(line);
            assert!(event.is_ok_and(|event| event["event"].is_string()), "no event: {line}");
        }
    }
}

/// A server beside the first one's folder; killed at the end.
struct Server(Child);

impl Server {
    fn start() -> Self {
        let child =
            Command::new("bash").arg(script()).arg("--serve").arg(card_folder()).spawn().unwrap();
        let begun = Instant::now();
        while !Command::new("pactl").arg("info").output().unwrap().status.success() {
            assert!(begun.elapsed() < PATIENCE, "the server does not start");
            thread::sleep(Duration::from_millis(50));
        }
        Self(child)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_server_killed_in_mid_take_costs_only_the_time_it_was_away() {
    if !with_card("a_server_killed_in_mid_take_costs_only_the_time_it_was_away") {
        return;
    }
    let (lick, folder) = (audio("all-right", "toml"), takes_folder("killed"));
    let mut session =
        Running::start(&["practice", &lick, "--plain", "--keep-in", folder.to_str().unwrap()]);
    session.wait_for("Keep headphones");
    let mut player = play("all-right");
    session.wait_for("   2  x x x 5 x 5");
    kill("-9", &std::env::var("CARD_PID").unwrap());
    let said = session.wait_for("what you played is kept in");
    assert!(said.contains("all-right-1.wav"), "{said}");
    let _ = player.wait();
    let _server = Server::start();
    session.wait_for("The input is back");
    session.wait_for("of sound were lost");
    let mut player = play("all-right");
    session.wait_for("   3  ");
    player.wait().unwrap();
    session.signal("-INT");
    session.wait_for("2 of 4 steps right");
    assert_eq!(session.end(), Some(0), "{:?}", session.said);
    let checked = check(&lick, folder.join("all-right-1.wav").to_str().unwrap());
    assert!(checked["takes"][0]["duration_s"].as_f64().unwrap() > 4.0, "{checked}");
    let right = verdicts(&checked).iter().filter(|(_, verdict)| verdict == "right").count();
    assert!(right >= 2, "{checked}");
}

#[test]
fn what_was_played_outlives_the_program() {
    if !with_card("what_was_played_outlives_the_program") {
        return;
    }
    let (lick, folder) = (audio("all-right", "toml"), takes_folder("outlives"));
    let mut session =
        Running::start(&["practice", &lick, "--plain", "--keep-in", folder.to_str().unwrap()]);
    session.wait_for("Keep headphones");
    let begun = Instant::now();
    thread::sleep(Duration::from_secs(4));
    let played_s = begun.elapsed().as_secs_f64();
    session.signal("-KILL");
    session.end();
    let wav = hound::WavReader::open(folder.join("all-right-1.wav")).unwrap();
    let kept_s = f64::from(wav.duration()) / f64::from(wav.spec().sample_rate);
    assert!(kept_s > played_s - 1.2, "{kept_s} s of {played_s} s");
}

/// The loop from output to input carries the click alone: it is in the recording, and no strike.
#[test]
fn a_click_that_leaks_is_no_playing() {
    if !with_card("a_click_that_leaks_is_no_playing") {
        return;
    }
    let (lick, folder) = (audio("all-right", "toml"), takes_folder("click"));
    let mut session = Running::start(&[
        "practice",
        &lick,
        "--json",
        "--pace",
        "click",
        "--speed",
        "150%",
        "--fail-on-fault",
        "--keep-in",
        folder.to_str().unwrap(),
    ]);
    session.wait_for("estimated from your playing");
    let report: Value = serde_json::from_str(&session.wait_for("\"report\"")).unwrap();
    assert_eq!(session.end(), Some(1), "not played is a fault: {:?}", session.said);
    assert!(!session.said.iter().any(|line| line.contains("\"stage\"")), "{:?}", session.said);
    let missed = session.said.iter().filter(|line| line.contains("\"missed\"")).count();
    assert_eq!(missed, 4, "{:?}", session.said);
    let verdicts = verdicts(&report);
    assert!(verdicts.iter().all(|(_, verdict)| verdict == "not played"), "{verdicts:?}");
    let mut wav = hound::WavReader::open(folder.join("all-right-1.wav")).unwrap();
    let rate = f64::from(wav.spec().sample_rate);
    let loud: Vec<f64> = wav
        .samples::<f32>()
        .enumerate()
        .filter(|(_, sample)| sample.as_ref().unwrap().abs() > 0.15)
        .map(|(at, _)| at as f64 / rate)
        .collect();
    let mut clicks: Vec<f64> = Vec::new();
    for at_s in loud {
        if clicks.last().is_none_or(|last| at_s - last > 0.1) {
            clicks.push(at_s);
        }
    }
    // A bar counted in and five beats of the lick, 100 · 1.5 a minute.
    assert_eq!(clicks.len(), 9, "{clicks:?}");
    for pair in clicks.windows(2) {
        assert!((pair[1] - pair[0] - 0.4).abs() < 0.005, "{clicks:?}");
    }
}

/// A terminal made of software, and what stands on it.
struct Terminal {
    master: Box<dyn portable_pty::MasterPty + Send>,
    child: Box<dyn portable_pty::Child + Send + Sync>,
    keys: Box<dyn Write + Send>,
    parser: Arc<Mutex<vt100::Parser>>,
}

fn some(count: u16) -> NonZeroU16 {
    NonZeroU16::new(count).unwrap()
}

fn size(columns: u16, lines: u16) -> PtySize {
    PtySize { rows: lines, cols: columns, pixel_width: 0, pixel_height: 0 }
}

impl Terminal {
    fn start(arguments: &[&str], folder: &Path, no_colour: bool) -> Self {
        let pair = portable_pty::native_pty_system().openpty(size(80, 24)).unwrap();
        let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_doublecheck"));
        command.args(arguments);
        command.arg("--keep-in");
        command.arg(folder);
        command.env("TERM", "xterm-256color");
        if no_colour {
            command.env("NO_COLOR", "1");
        }
        let child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let parser = Arc::new(Mutex::new(vt100::Parser::new(some(24), some(80), 100)));
        let mut output = pair.master.try_clone_reader().unwrap();
        let screen = parser.clone();
        thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(n @ 1..) = output.read(&mut bytes) {
                screen.lock().unwrap().process(&bytes[..n]);
            }
        });
        let keys = pair.master.take_writer().unwrap();
        Self { master: pair.master, child, keys, parser }
    }

    fn text(&self) -> String {
        self.parser.lock().unwrap().screen().contents()
    }

    fn wait_for(&self, part: &str) -> String {
        let until = Instant::now() + PATIENCE;
        loop {
            let text = self.text();
            if text.contains(part) {
                return text;
            }
            assert!(Instant::now() < until, "no {part:?} on\n{text}");
            thread::sleep(Duration::from_millis(20));
        }
    }

    fn resize(&self, columns: u16, lines: u16) {
        self.parser.lock().unwrap().screen_mut().set_size(some(lines), some(columns));
        self.master.resize(size(columns, lines)).unwrap();
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn the_screen_shows_a_session_at_two_sizes_and_gives_the_terminal_back() {
    if !with_card("the_screen_shows_a_session_at_two_sizes_and_gives_the_terminal_back") {
        return;
    }
    let (lick, folder) = (audio("semitone-off", "toml"), takes_folder("screen"));
    let mut terminal = Terminal::start(&["practice", &lick, "--repeat", "2"], &folder, false);
    let text = terminal.wait_for("q stop and report");
    for part in ["Stone bridge", "pass 1 of 2", "100 % = 100 beats a minute", ">1", "E|-7-"] {
        assert!(text.contains(part), "no {part:?} on\n{text}");
    }
    let caution = "Keep headphones at a moderate level, rest your hands, stop if it hurts";
    assert!(text.contains(caution), "{text}");
    let rule = |columns: usize| "─".repeat(columns);
    assert!(text.lines().any(|line| line == rule(80)), "{text}");
    assert!(terminal.parser.lock().unwrap().screen().alternate_screen());
    let mut player = play("semitone-off");
    let text = terminal.wait_for(">4");
    assert!(text.contains("C4     C#4") && text.contains("not C4"), "{text}");
    player.wait().unwrap();
    terminal.wait_for("Pass 1: 2 of 4 steps right");
    terminal.resize(100, 30);
    let text = terminal.wait_for(&rule(100));
    assert!(text.contains("pass 2 of 2") && text.contains("q stop and report"), "{text}");
    terminal.keys.write_all(b"q").unwrap();
    let status = terminal.child.wait().unwrap();
    assert!(status.success(), "{status:?}");
    let text = terminal.wait_for("2 of 4 steps right; 2 wrong.");
    assert!(text.contains("wrong: C#4 instead of C4"), "{text}");
    let parser = terminal.parser.lock().unwrap();
    assert!(!parser.screen().alternate_screen() && !parser.screen().hide_cursor(), "{text}");
}

#[test]
fn no_colour_is_shown_where_none_is_wanted_and_ctrl_c_ends_it() {
    if !with_card("no_colour_is_shown_where_none_is_wanted_and_ctrl_c_ends_it") {
        return;
    }
    let (lick, folder) = (audio("semitone-off", "toml"), takes_folder("plain"));
    let mut terminal = Terminal::start(&["practice", &lick], &folder, true);
    terminal.wait_for("q stop and report");
    let mut player = play("semitone-off");
    terminal.wait_for("not C4");
    {
        let parser = terminal.parser.lock().unwrap();
        for (line, column) in (0..24).flat_map(|line| (0..80).map(move |column| (line, column))) {
            let cell = parser.screen().cell(line, column).unwrap();
            let colours = (cell.fgcolor(), cell.bgcolor());
            assert_eq!(colours, (vt100::Color::Default, vt100::Color::Default));
        }
    }
    // As the terminal sends Ctrl-C to a program that reads keys.
    terminal.keys.write_all(b"\x03").unwrap();
    let status = terminal.child.wait().unwrap();
    assert!(status.success(), "{status:?}");
    terminal.wait_for("of 4 steps right");
    let _ = player.wait();
    let parser = terminal.parser.lock().unwrap();
    assert!(!parser.screen().alternate_screen());
}

#[test]
fn listening_names_what_sounds() {
    if !with_card("listening_names_what_sounds") {
        return;
    }
    let mut session = Running::start(&["listen"]);
    session.wait_for("Listening on");
    let mut player = play("all-right");
    session.wait_for("major sixth");
    player.wait().unwrap();
    session.wait_for("perfect fourth");
    session.signal("-INT");
    assert_eq!(session.end(), Some(0), "{:?}", session.said);
}
