//! The card, and programs beside it.

use std::fs;
use std::io::BufRead;
use std::io::BufReader;
use std::io::Read;
use std::path::Path;
use std::path::PathBuf;
use std::process::Child;
use std::process::Command;
use std::process::Output;
use std::process::Stdio;
use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::mpsc;
use std::sync::mpsc::Receiver;
use std::thread;
use std::time::Duration;
use std::time::Instant;

use doublecheck::audio::Chunk;
use doublecheck::audio::WavWriter;
use doublecheck::audio::live::Choice;
use doublecheck::audio::live::Input;
use doublecheck::audio::write::SampleFormat;
use serde_json::Value;

use crate::skip::skip;
use crate::truth;

/// Longer than anything here takes, even on a busy machine.
pub const PATIENCE: Duration = Duration::from_secs(30);

pub fn script() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/live/virtual_card.sh")
}

/// True inside of the second run, with a card. Outside, makes that run of `test`, its name with its
/// module, and judges it.
pub fn with_card(test: &str) -> bool {
    if std::env::var_os("CARD_FOLDER").is_some() {
        return true;
    }
    for tool in ["pulseaudio", "pactl", "paplay"] {
        if Command::new(tool).arg("--version").output().is_err() {
            skip(format!("{tool} is not installed (Debian: pulseaudio-utils)"));
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
    // Everything the libraries would say of themselves; `NOTE` is ours.
    let noise: Vec<&str> = err.lines().filter(|line| !line.starts_with("NOTE")).collect();
    assert!(noise.is_empty(), "libraries wrote on the screen:\n{}", noise.join("\n"));
    false
}

pub fn card_folder() -> PathBuf {
    PathBuf::from(std::env::var_os("CARD_FOLDER").unwrap())
}

/// A folder for recordings, empty.
pub fn takes_folder(name: &str) -> PathBuf {
    let folder = card_folder().join(name);
    fs::create_dir_all(&folder).unwrap();
    folder
}

/// A file of `test-audio/`.
pub fn audio(name: &str, ending: &str) -> String {
    truth::folder().join(format!("{name}.{ending}")).to_str().unwrap().to_owned()
}

/// The server's own player, an independent source.
pub fn play(wav: impl AsRef<Path>) -> Child {
    Command::new("paplay")
        .args(["--latency-msec=500", "--device=room"])
        .arg(wav.as_ref())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

pub fn kill(signal: &str, process: &str) {
    assert!(Command::new("kill").args([signal, process]).status().unwrap().success());
}

/// Kills the server the card began with.
pub fn kill_server() {
    kill("-9", &std::env::var("CARD_PID").unwrap());
}

/// A server beside the first one's folder; killed at the end.
pub struct Server(Child);

impl Server {
    pub fn start(rate: u32) -> Self {
        let child = Command::new("bash")
            .arg(script())
            .arg("--serve")
            .arg(card_folder())
            .env("CARD_RATE", rate.to_string())
            .spawn()
            .unwrap();
        let begun = Instant::now();
        while !Command::new("pactl").arg("info").output().unwrap().status.success() {
            assert!(begun.elapsed() < PATIENCE, "the server does not start");
            thread::sleep(Duration::from_millis(50));
        }
        Self(child)
    }

    pub fn kill(&self) {
        kill("-9", &self.0.id().to_string());
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

pub fn doublecheck(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_doublecheck")).args(arguments).output().unwrap()
}

pub fn json(arguments: &[&str]) -> Value {
    let done = doublecheck(arguments);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    serde_json::from_slice(&done.stdout).unwrap()
}

pub fn check(lick: &str, recording: impl AsRef<Path>) -> Value {
    json(&["check", lick, recording.as_ref().to_str().unwrap(), "--json"])
}

/// Step numbers and verdicts of a document of `check`, first take.
pub fn verdicts(document: &Value) -> Vec<(u64, String)> {
    let steps = document["takes"][0]["steps"].as_array().unwrap();
    let verdict = |step: &Value| step["verdict"].as_str().unwrap().to_owned();
    steps.iter().map(|step| (step["step"].as_u64().unwrap(), verdict(step))).collect()
}

/// The verdicts that were put into a take of `test-audio/`.
pub fn true_verdicts(name: &str) -> Vec<(u64, String)> {
    let steps = truth::Truth::of(name).steps;
    steps.iter().map(|step| (step.step as u64, step.verdict.clone())).collect()
}

/// What sounds in the room, recorded.
pub struct Room {
    input: Input,
    wav: WavWriter,
    path: PathBuf,
}

impl Room {
    pub fn open() -> Self {
        let input = Input::open(&Choice::default()).unwrap();
        let path = card_folder().join("room.wav");
        let wav = WavWriter::create(&path, input.line().rate, SampleFormat::Float32).unwrap();
        Self { input, wav, path }
    }

    /// Records until `over` says so.
    pub fn record(mut self, mut over: impl FnMut() -> bool) -> PathBuf {
        let begun = Instant::now();
        while !over() {
            assert!(begun.elapsed() < PATIENCE, "it does not end");
            self.input.pump(|chunk| match chunk {
                Chunk::Samples(samples) => self.wav.write(samples).unwrap(),
                Chunk::Gap(lost) => self.wav.write(&vec![0.0; lost.0 as usize]).unwrap(),
            });
            thread::sleep(Duration::from_millis(5));
        }
        self.wav.finish(false).unwrap();
        self.path
    }
}

/// A running `doublecheck`, whose lines can be waited for; killed if a test fails.
pub struct Running {
    child: Child,
    lines: Receiver<String>,
    /// All lines so far.
    pub said: Vec<String>,
}

impl Running {
    pub fn start(arguments: &[&str]) -> Self {
        Self::run(Command::new(env!("CARGO_BIN_EXE_doublecheck")).args(arguments))
    }

    pub fn run(command: &mut Command) -> Self {
        let mut child = command
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
    pub fn wait_for(&mut self, part: &str) -> String {
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

    /// The next line that contains `part`, of those that came already.
    pub fn poll(&mut self, part: &str) -> Option<String> {
        while let Ok(line) = self.lines.try_recv() {
            self.said.push(line.clone());
            if line.contains(part) {
                return Some(line);
            }
        }
        None
    }

    /// Plays a take of `test-audio` into the room; the report that follows.
    pub fn hears(&mut self, name: &str) -> Value {
        let mut player = play(audio(name, "wav"));
        let report = serde_json::from_str(&self.wait_for("\"report\"")).unwrap();
        player.wait().unwrap();
        report
    }

    pub fn signal(&self, signal: &str) {
        kill(signal, &self.child.id().to_string());
    }

    /// Waits for its end and gives its exit status.
    pub fn end(&mut self) -> Option<i32> {
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
