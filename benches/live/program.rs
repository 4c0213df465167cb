//! The program itself beside a sound server and no sound card, on a terminal made of software.

use std::collections::HashMap;
use std::fs;
use std::io::BufRead;
use std::io::BufReader;
use std::io::Read;
use std::io::Write;
use std::path::Path;
use std::path::PathBuf;
use std::process::Child;
use std::process::Command;
use std::process::Stdio;
use std::sync::mpsc;
use std::thread;
use std::time::Duration;
use std::time::Instant;

use doublecheck::lick;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::units::SampleRate;
use portable_pty::CommandBuilder;
use portable_pty::PtySize;

use crate::CARD_HZ;
use crate::corpus;
use crate::row;
use crate::score::quantile;
use crate::support::cases::Random;

const PROGRAM: &str = env!("CARGO_BIN_EXE_doublecheck");
const LICK: &str = "slate-staircase";
/// Takes of so many samples are told apart by their noise.
const KEY: usize = 64;

/// Processor time of a process so far, proc(5), in seconds at the usual 100 ticks a second.
pub fn processor_s(process: &str) -> Option<f64> {
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    let fields: Vec<&str> = stat[stat.rfind(')')?..].split_whitespace().collect();
    let ticks = fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?;
    Some(ticks / 100.0)
}

/// Processor time of a process's first thread so far, in seconds: ours, while others belong to the
/// libraries that speak to the sound system.
fn own_s_of(process: &str) -> Option<f64> {
    processor_s(&format!("{process}/task/{process}"))
}

/// The folder of a sound server that runs beside this; outside of one, runs this again beside one.
fn card() -> Option<PathBuf> {
    if let Some(folder) = std::env::var_os("CARD_FOLDER") {
        return Some(PathBuf::from(folder));
    }
    if Command::new("pulseaudio").arg("--version").output().is_err() {
        println!("\nthe program beside a sound server: SKIPPED, pulseaudio is not installed");
        return None;
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/live/virtual_card.sh");
    let again = std::env::current_exe().unwrap();
    // This bench prints its own lines; the part that needs a card prints beside them.
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let asked = if arguments.is_empty() { vec!["starts".to_owned()] } else { arguments };
    assert!(Command::new("bash").arg(script).arg(again).args(asked).status().unwrap().success());
    None
}

/// From starting the program to listening.
pub fn starts() {
    if card().is_none() {
        return;
    }
    let mut took_s: Vec<f64> = (0..9)
        .map(|_| {
            let begun = Instant::now();
            let mut program = Command::new(PROGRAM)
                .args(["practice", LICK, "--json"])
                .stdout(Stdio::piped())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
            let lines = BufReader::new(program.stdout.take().unwrap()).lines();
            let due = lines.map_while(Result::ok).find(|line| line.contains("\"due\""));
            let took_s = begun.elapsed().as_secs_f64();
            assert!(due.is_some(), "it does not listen");
            program.kill().unwrap();
            program.wait().unwrap();
            took_s
        })
        .collect();
    took_s.sort_by(f64::total_cmp);
    let (median, most) = (quantile(&took_s, 0.5), took_s[took_s.len() - 1]);
    println!("\nthe program beside a sound server");
    let found = format!("median {median:.2} s, at most {most:.2} s");
    row("start to listening", found, "1 s", most < 1.0);
}

/// Minutes of play on a screen while two loops keep two cores busy: every sample that was played must
/// be in the recordings.
pub fn soak(minutes: f64) {
    let Some(folder) = card() else { return };
    let length_s = 60.0 * minutes;
    let source = playing(length_s);
    let wav = folder.join("playing.wav");
    write(&wav, &source);

    let takes = folder.join("takes");
    let size = PtySize { rows: 24, cols: 80, ..PtySize::default() };
    let pair = portable_pty::native_pty_system().openpty(size).unwrap();
    let mut command = CommandBuilder::new(PROGRAM);
    command.args(["practice", LICK, "--repeat", "60000", "--keep-in"]);
    command.arg(&takes);
    command.env("TERM", "xterm-256color");
    let mut program = pair.slave.spawn_command(command).unwrap();
    let process = program.process_id().unwrap().to_string();
    let mut output = pair.master.try_clone_reader().unwrap();
    let (drawn, wait) = mpsc::channel();
    thread::spawn(move || {
        let mut bytes = [0; 4096];
        while let Ok(n @ 1..) = output.read(&mut bytes) {
            let _ = drawn.send(n);
        }
    });
    wait.recv_timeout(Duration::from_secs(10)).expect("a screen");
    thread::sleep(Duration::from_millis(500));

    let loops: Vec<Busy> = (0..2).map(|_| Busy::start()).collect();
    let (own_s, busy_s) = (own_s_of(&process).unwrap(), processor_s(&process).unwrap());
    let begun = Instant::now();
    let mut player = Command::new("paplay")
        .args(["--latency-msec=1000", "--device=room"])
        .arg(&wav)
        .spawn()
        .unwrap();
    thread::sleep(Duration::from_secs_f64(length_s));
    let own_s = own_s_of(&process).unwrap() - own_s;
    let busy_s = processor_s(&process).unwrap() - busy_s;
    let percent = |spent_s: f64| 100.0 * spent_s / begun.elapsed().as_secs_f64();
    let (own, percent) = (percent(own_s), percent(busy_s));
    player.wait().unwrap();
    drop(loops);
    thread::sleep(Duration::from_secs(3));
    pair.master.take_writer().unwrap().write_all(b"q").unwrap();
    program.wait().unwrap();

    let found = Found::of(&takes, &source);
    println!("{minutes} minutes of play on a screen, two loops beside it, {} takes", found.takes);
    let lost = format!("{} lost of {}", found.lost, source.len());
    row("samples", lost, "none", found.lost == 0 && found.last_s > length_s - 5.0);
    println!("  {:34} {} (silence the player let in)", "pauses", found.pauses);
    println!("  {:34} {:.1} s", "last sample found at", found.last_s);
    row("whole program, of one core", format!("{percent:.1} %"), "3 %", percent <= 3.0);
    println!("  {:34} {own:.1} %, the rest is the sound system's client", "of it our own thread");
}

/// The same on both channels, as floats: only then does the server change no bit of their mean.
fn write(path: &Path, samples: &[f32]) {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: CARD_HZ,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(path, spec).unwrap();
    for &sample in samples {
        wav.write_sample(sample).unwrap();
        wav.write_sample(sample).unwrap();
    }
    wav.finalize().unwrap();
}

/// A lick over and over, under noise that is never the same.
fn playing(length_s: f64) -> Vec<f32> {
    let rate = SampleRate::new(CARD_HZ).unwrap();
    let expected = lick::find(LICK).unwrap().expected();
    let once = Performance::new(&expected, &Manner::default());
    let once = once.render(rate, &Room::default(), 3);
    let mut random = Random(99);
    let noise = |random: &mut Random| (random.unit() as f32 - 0.5) * 1e-3 + 1e-6;
    (0..rate.samples_in(length_s).0 as usize)
        .map(|at| once[at % once.len()] + noise(&mut random))
        .collect()
}

/// A loop that does nothing, as fast as it can.
struct Busy(Child);

impl Busy {
    fn start() -> Self {
        Self(Command::new("sh").args(["-c", "while :; do :; done"]).spawn().unwrap())
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What of the playing is in the recordings.
#[derive(Debug, Default)]
struct Found {
    takes: usize,
    lost: u64,
    pauses: usize,
    /// Where in the playing the last sample was found.
    last_s: f64,
}

impl Found {
    fn of(folder: &Path, source: &[f32]) -> Self {
        let places: HashMap<[u32; 2], usize> = (0..source.len() - 1)
            .step_by(KEY)
            .map(|at| ([source[at].to_bits(), source[at + 1].to_bits()], at))
            .collect();
        let mut found = Self::default();
        for number in 1.. {
            let path = folder.join(format!("{LICK}-{number}.wav"));
            if !path.exists() {
                break;
            }
            found.takes += 1;
            found.add(&corpus::read(&path).0, source, &places);
        }
        found
    }

    /// Follows a take through the playing. Two takes share what lies between them, so only what is
    /// missing within one counts.
    fn add(&mut self, take: &[f32], source: &[f32], places: &HashMap<[u32; 2], usize>) {
        let mut expected = None;
        let mut at = 0;
        while at + 1 < take.len() {
            let key = [take[at].to_bits(), take[at + 1].to_bits()];
            let Some(&place) = places.get(&key) else {
                at += 1;
                continue;
            };
            // Back to the first sample that follows on, so that nothing seems to be missing.
            let back = (0..at.min(place))
                .take_while(|&n| take[at - 1 - n].to_bits() == source[place - 1 - n].to_bits())
                .count();
            match expected {
                None => {}
                Some(expected) if expected == place - back => self.pauses += 1,
                Some(expected) => self.lost += (place - back).abs_diff(expected) as u64,
            }
            let same = take[at..]
                .iter()
                .zip(&source[place..])
                .take_while(|(a, b)| a.to_bits() == b.to_bits())
                .count();
            at += same.max(1);
            expected = Some(place + same);
            self.last_s = (place + same) as f64 / f64::from(CARD_HZ);
        }
    }
}
