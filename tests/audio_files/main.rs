//! Every format in, through encoders that are not ours; damage, pipes, memory; WAV out.
//!
//! The truth is a sine computed here; `ffmpeg`, `sox` and `flac` write it down. Where a tool is
//! not installed the case says so and is skipped.

#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

mod damage;
mod formats;
mod pipes;
#[path = "../support/skip.rs"]
mod skip;
mod written;

use std::f64::consts::TAU;
use std::path::Path;
use std::process::Command;
use std::process::Stdio;

use doublecheck::audio::AudioError;
use doublecheck::audio::ChannelChoice;
use doublecheck::audio::Chunk;
use doublecheck::audio::Recording;

use skip::skip;

/// A4 by ISO 16:1975.
const A4_HZ: f64 = 440.0;

/// Mean frequency by counting crossings over two seconds: one crossing more or less is 0.25 Hz,
/// interpolated crossings leave far less.
const FREQUENCY_TOLERANCE_HZ: f64 = 0.02;

struct Heard {
    samples: Vec<f32>,
    gaps: Vec<(u64, u64)>,
    rate: u32,
    channels: usize,
    damage: Option<(String, f64)>,
    clipped: u64,
    cancels: bool,
}

fn hear(path: &Path, choice: ChannelChoice) -> Result<Heard, AudioError> {
    let mut recording = Recording::open(path, choice)?;
    let (mut samples, mut gaps) = (Vec::new(), Vec::new());
    while let Some(chunk) = recording.next_chunk() {
        match chunk {
            Chunk::Samples(block) => samples.extend_from_slice(block),
            Chunk::Gap(lost) => {
                gaps.push((samples.len() as u64, lost.0));
                samples.extend(std::iter::repeat_n(0.0, lost.0 as usize));
            }
        }
    }
    assert_eq!(recording.position().0, samples.len() as u64, "position counts what was given");
    Ok(Heard {
        samples,
        gaps,
        rate: recording.rate().get(),
        channels: recording.channels(),
        damage: recording.damage().map(|damage| (damage.cause.clone(), damage.at_s)),
        clipped: recording.clipped().0,
        cancels: recording.mix_cancels(),
    })
}

fn mix(path: &Path) -> Heard {
    hear(path, ChannelChoice::Mix).unwrap_or_else(|error| panic!("{error}"))
}

/// Frequency from the first to the last rising zero crossing, without the ends, where lossy
/// encoders leave traces.
fn frequency(samples: &[f32], rate: u32) -> f64 {
    let samples = &samples[samples.len() / 10..samples.len() * 9 / 10];
    let crossings: Vec<f64> = samples
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| pair[0] < 0.0 && pair[1] >= 0.0)
        .map(|(at, pair)| at as f64 + f64::from(pair[0] / (pair[0] - pair[1])))
        .collect();
    assert!(crossings.len() > 10, "only {} crossings", crossings.len());
    let span = crossings[crossings.len() - 1] - crossings[0];
    (crossings.len() - 1) as f64 * f64::from(rate) / span
}

fn sine(hz: f64, rate: u32, seconds: f64) -> Vec<f32> {
    let samples = (seconds * f64::from(rate)) as usize;
    (0..samples).map(|n| (0.5 * (TAU * hz * n as f64 / f64::from(rate)).sin()) as f32).collect()
}

/// Interleaves and writes with hound, an independent writer.
fn write_wav(path: &Path, rate: u32, bits: u16, float: bool, channels: &[Vec<f32>]) {
    let sample_format = if float { hound::SampleFormat::Float } else { hound::SampleFormat::Int };
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate,
        bits_per_sample: bits,
        sample_format,
    };
    let mut wav = hound::WavWriter::create(path, spec).unwrap();
    for n in 0..channels[0].len() {
        for channel in channels {
            if float {
                wav.write_sample(channel[n]).unwrap();
            } else {
                let scale = f64::from(2_u32).powi(i32::from(bits) - 1) - 1.0;
                wav.write_sample((f64::from(channel[n]) * scale).round() as i32).unwrap();
            }
        }
    }
    wav.finalize().unwrap();
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

/// Runs a tool; false, told on standard error, if it is not installed.
fn run(tool: &str, args: &[&str]) -> bool {
    match Command::new(tool).args(args).stdin(Stdio::null()).output() {
        Ok(done) => {
            let said = String::from_utf8_lossy(&done.stderr);
            assert!(done.status.success(), "{tool} {args:?}: {said}");
            true
        }
        Err(_) => {
            skip(format!("{tool} is not installed"));
            false
        }
    }
}

fn ffmpeg(args: &[&str]) -> bool {
    let quiet = ["-hide_banner", "-loglevel", "error", "-y"];
    run("ffmpeg", &[quiet.as_slice(), args].concat())
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Runs one test, named with its module, in a process of its own, told by `role` what to do.
fn in_own_process(test: &str, role: &str) -> Command {
    let mut child = Command::new(std::env::current_exe().unwrap());
    child.args(["--exact", test, "--nocapture"]).env("AUDIO_FILES_ROLE", role);
    child
}

fn role() -> Option<String> {
    std::env::var("AUDIO_FILES_ROLE").ok()
}
