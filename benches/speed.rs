//! How fast the ear is: audio seconds a second on one core, the worst single `push`, peak memory.
//!
//! `cargo bench --bench speed` feeds a minute of double stops; `cargo bench --bench speed -- hour` an
//! hour each of silence, white noise, pink noise and double stops, then the program itself on an hour.
#![allow(missing_docs, clippy::print_stdout)]
#![expect(clippy::disallowed_methods, reason = "a bench of speed reads the clock")]

mod support;

use std::io::Write;
use std::process::Command;
use std::process::Stdio;
use std::sync::LazyLock;
use std::time::Duration;
use std::time::Instant;

use doublecheck::engine::Engine;
use doublecheck::engine::Listener;
use doublecheck::units::SampleRate;
use support::cases::Placed;
use support::cases::Random;
use support::cases::mix;
use support::corpus::RATE;
use support::corpus::synthetic_set;
use support::figures::Target;
use support::figures::figure;
use support::spoil::pink;

/// Seconds in a loop of sound that is fed again and again.
const LOOP_S: f64 = 60.0;
/// Root mean square of the noise, as of a loud room recorded with a high gain.
const NOISE: f64 = 0.03;

fn main() {
    let quick = !std::env::args().any(|a| a == "--bench");
    let mut random = Random(1);
    if std::env::args().any(|a| a == "hour") {
        hours(if quick { 2.0 } else { 3600.0 }, &mut random);
        return;
    }
    let seconds = if quick { 2.0 } else { LOOP_S };
    let samples = double_stops(seconds, &mut random);
    let mut engine = Engine::of_recording(rate());
    let (mut worst, mut strikes) = (Duration::ZERO, 0);
    let began = cpu_s();
    for block in samples.chunks(441) {
        let pushed = Instant::now();
        engine.push(block, |event| {
            strikes += usize::from(matches!(event, doublecheck::engine::Event::Strike(_)));
        });
        worst = worst.max(pushed.elapsed());
    }
    engine.finish(|_| {});
    let spent = cpu_s() - began;
    println!("{seconds:.0} s of double stops in eighths, {strikes} strikes");
    figure("times real time on one core", seconds / spent, "", Target::AtLeast(300.0));
    println!("worst push of 10 ms: {:.2} ms", worst.as_secs_f64() * 1000.0);
    tell_memory("the audio itself included");
}

fn rate() -> SampleRate {
    SampleRate::new(RATE).expect("positive")
}

/// Double stops in eighths at 110 a minute.
fn double_stops(seconds: f64, random: &mut Random) -> Vec<f32> {
    let set = synthetic_set(random);
    let gap = 60.0 / 110.0 / 2.0;
    let mut placed = Vec::new();
    let mut at = 0.2;
    while at + gap < seconds {
        let low = 48 + random.below(20) as i32;
        for midi in [low, low + [3, 4, 5, 8, 9][random.below(5)]] {
            if let Some(note) = set.pick(midi, random) {
                placed.push(Placed { note, start_s: at, end_s: at + gap, gain_db: 0.0 });
            }
        }
        at += gap;
    }
    mix(&placed, seconds, Some(45.0), random)
}

/// So many seconds of each sound through the ear, everything heard being kept as `check` does.
fn hours(seconds: f64, random: &mut Random) {
    let n = (LOOP_S * f64::from(RATE)) as usize;
    feed("silence", seconds, 0, |block| block.fill(0.0));
    let mut white = random.clone();
    feed("white noise, made anew", seconds, 10, |block| {
        block.iter_mut().for_each(|s| *s = (NOISE * white.normal()) as f32);
    });
    let noise = pink(n, random);
    let power: f64 = noise.iter().map(|s| f64::from(s * s)).sum::<f64>() / n as f64;
    let gain = (NOISE / power.sqrt()) as f32;
    let noise: Vec<f32> = noise.iter().map(|s| s * gain).collect();
    feed("pink noise, a minute again and again", seconds, 10, again(&noise));
    drop(noise);
    let samples = double_stops(LOOP_S, random);
    feed("double stops, a minute again and again", seconds, usize::MAX, again(&samples));
    check_recording(seconds, &samples);
}

/// The program itself, a recording of so many seconds coming in on standard input.
fn check_recording(seconds: f64, samples: &[f32]) {
    let lick = doublecheck::lick::library::names().next().expect("a lick in the library");
    let began = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_doublecheck"))
        .args(["check", lick, "-", "--json"])
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program");
    let mut input = child.stdin.take().expect("it was asked for");
    let n = (seconds * f64::from(RATE)) as usize;
    let minute: Vec<u8> =
        samples.iter().flat_map(|s| ((32_767.0 * s) as i16).to_le_bytes()).collect();
    input.write_all(&wav_header(n)).expect("it listens");
    let mut left = 2 * n;
    while left > 0 {
        let now = left.min(minute.len());
        input.write_all(&minute[..now]).expect("it listens");
        left -= now;
    }
    drop(input);
    let mut peak = None;
    let status = loop {
        peak = peak_memory_mb(&child.id().to_string()).or(peak);
        if let Some(status) = child.try_wait().expect("a child") {
            break status;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    println!("\n`check {lick} -` on {seconds:.0} s of double stops: {status}");
    figure("times real time", seconds / began.elapsed().as_secs_f64(), "", Target::AtLeast(300.0));
    if let Some(peak) = peak {
        figure("peak memory of the program", peak as f64, "MB", Target::AtMost(64.0));
    }
}

/// Header of a WAV file of `n` samples, mono, 16 bit (RIFF, 1991).
fn wav_header(n: usize) -> Vec<u8> {
    let length = 2 * n as u32;
    let mut header = Vec::new();
    header.extend(b"RIFF");
    header.extend((36 + length).to_le_bytes());
    header.extend(b"WAVEfmt ");
    header.extend(16_u32.to_le_bytes());
    header.extend([1_u16.to_le_bytes(), 1_u16.to_le_bytes()].concat());
    header.extend([RATE.to_le_bytes(), (2 * RATE).to_le_bytes()].concat());
    header.extend([2_u16.to_le_bytes(), 16_u16.to_le_bytes()].concat());
    header.extend(b"data");
    header.extend(length.to_le_bytes());
    header
}

fn again(samples: &[f32]) -> impl FnMut(&mut [f32]) {
    let mut endless = samples.iter().copied().cycle();
    move |block| block.iter_mut().zip(&mut endless).for_each(|(slot, s)| *slot = s)
}

fn feed(name: &str, seconds: f64, most: usize, mut fill: impl FnMut(&mut [f32])) {
    forget_peak_memory();
    let mut listener = Listener::of_recording(rate());
    let mut block = [0.0; 1024];
    let mut spent = Duration::ZERO;
    for _ in 0..(seconds * f64::from(RATE) / block.len() as f64) as usize {
        fill(&mut block);
        let began = Instant::now();
        listener.push(&block, |_| {});
        spent += began.elapsed();
    }
    let strikes = listener.finish(|_| {}).strikes.len();
    println!("\n{seconds:.0} s of {name}");
    let target = if most == usize::MAX { Target::None } else { Target::AtMost(most as f64) };
    figure("strikes", strikes as f64, "", target);
    figure("times real time", seconds / spent.as_secs_f64(), "", Target::AtLeast(300.0));
    tell_memory("this bench's own sounds included");
}

/// Seconds this thread has computed so far; as Linux counts them, other programs do not change it.
fn cpu_s() -> f64 {
    static BEGAN: LazyLock<Instant> = LazyLock::new(Instant::now);
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let ns = told.and_then(|told| told.split_whitespace().next()?.parse::<f64>().ok());
    ns.map_or_else(|| BEGAN.elapsed().as_secs_f64(), |ns| 1e-9 * ns)
}

fn tell_memory(with: &str) {
    if let Some(peak) = peak_memory_mb("self") {
        figure(&format!("peak memory, {with}"), peak as f64, "MB", Target::AtMost(64.0));
    }
}

/// Makes Linux count the largest resident set anew (proc(5), `clear_refs`); elsewhere it counts on.
fn forget_peak_memory() {
    let _ = std::fs::write("/proc/self/clear_refs", "5");
}

/// Largest resident set of a process so far, as Linux tells it.
fn peak_memory_mb(process: &str) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse::<u64>().ok().map(|kb| kb / 1024)
}
