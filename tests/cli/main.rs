//! The conduct of the program, seen from outside: exit codes, hints, what goes to which stream.
//!
//! What it promises is written down in README.md under «In scripts». Nothing here depends on how
//! well it hears.

mod command_line;
mod files;
mod history;
mod recordings;
#[path = "../support/skip.rs"]
mod skip;
mod streams;

use std::fs;
use std::io::Read;
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

fn names_in(desk: &Desk) -> Vec<String> {
    let entries = fs::read_dir(desk.folder.path()).expect("the folder");
    entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into()).collect()
}
