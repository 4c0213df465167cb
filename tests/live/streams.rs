//! Inputs, outputs and devices.

use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::thread;
use std::time::Duration;
use std::time::Instant;

use doublecheck::audio::Chunk;
use doublecheck::audio::live::Choice;
use doublecheck::audio::live::Input;
use doublecheck::audio::live::Status;
use doublecheck::synth::random::Random;
use serde_json::Value;

use crate::card::Server;
use crate::card::card_folder;
use crate::card::doublecheck;
use crate::card::json;
use crate::card::kill_server;
use crate::card::play;
use crate::card::with_card;
use crate::skip::skip;

const RATE: u32 = 48_000;

/// Both ways to the server.
const SYSTEMS: [&str; 2] = ["alsa", "pulseaudio"];

fn choice(device: &str) -> Choice {
    Choice { device: Some(device.to_owned()), ..Choice::default() }
}

/// What came in: samples, and holes as zeros.
#[derive(Default)]
struct Heard {
    samples: Vec<f32>,
    gaps: Vec<(usize, u64)>,
}

impl Heard {
    fn pump(&mut self, input: &mut Input) -> Status {
        let status = input.pump(|chunk| match chunk {
            Chunk::Samples(samples) => self.samples.extend_from_slice(samples),
            Chunk::Gap(lost) => {
                self.gaps.push((self.samples.len(), lost.0));
                self.samples.resize(self.samples.len() + lost.0 as usize, 0.0);
            }
        });
        thread::sleep(Duration::from_millis(5));
        status
    }

    fn pump_for(&mut self, input: &mut Input, seconds: f64) -> Status {
        let begun = Instant::now();
        let mut status = Status::Running;
        while begun.elapsed().as_secs_f64() < seconds && status != Status::Lost {
            status = self.pump(input);
        }
        status
    }
}

/// Noise whose every sample is an odd multiple of 2⁻¹⁶: exact as a float, and never zero, so not to
/// be mistaken for silence.
fn noise(seconds: f64) -> Vec<f32> {
    let mut random = Random::new(99, 0); // fixed, so that a failure repeats
    (0..(seconds * f64::from(RATE)) as usize)
        .map(|_| (2.0 * (random.bits() >> 50) as f32 - 16_383.0) / 65_536.0)
        .collect()
}

/// The same on both channels: their mean is exact.
fn wav(name: &str, samples: &[f32]) -> PathBuf {
    let path = card_folder().join(name);
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(&path, spec).unwrap();
    for &sample in samples {
        wav.write_sample(sample).unwrap();
        wav.write_sample(sample).unwrap();
    }
    wav.finalize().unwrap();
    path
}

#[test]
fn a_known_wav_arrives_bit_exact() {
    if !with_card("streams::a_known_wav_arrives_bit_exact") {
        return;
    }
    let truth = noise(3.0);
    let path = wav("noise.wav", &truth);
    for system in SYSTEMS {
        // Spoken to directly, the server keeps one buffer only: a large one, for a busy machine.
        let wanted = Choice { buffer: (system != "alsa").then_some(8192), ..choice(system) };
        let mut input = Input::open(&wanted).unwrap();
        assert_eq!(input.line().rate.get(), RATE);
        let mut heard = Heard::default();
        assert_eq!(heard.pump_for(&mut input, 0.5), Status::Running, "{system}");
        let mut player = play(&path);
        assert_eq!(heard.pump_for(&mut input, 5.0), Status::Running, "{system}");
        player.wait().unwrap();
        assert!(heard.gaps.is_empty(), "{system}");
        let begins = heard.samples.iter().position(|&sample| sample != 0.0);
        let begins = begins.unwrap_or_else(|| panic!("{system}: nothing was heard"));
        let arrived = &heard.samples[begins..(begins + truth.len()).min(heard.samples.len())];
        let differ = arrived.iter().zip(&truth).position(|(a, b)| a.to_bits() != b.to_bits());
        assert_eq!(differ, None, "{system}: first difference");
        assert_eq!(arrived.len(), truth.len(), "{system}");
    }
}

/// Processor time of this process so far, proc(5), in seconds at the usual 100 ticks a second.
fn processor_s() -> f64 {
    let stat = fs::read_to_string("/proc/self/stat").unwrap();
    let fields: Vec<&str> = stat[stat.rfind(')').unwrap()..].split_whitespace().collect();
    let ticks: f64 = fields[12].parse::<f64>().unwrap() + fields[11].parse::<f64>().unwrap();
    ticks / 100.0
}

#[test]
fn a_killed_server_is_a_plain_failure_and_no_spin() {
    if !with_card("streams::a_killed_server_is_a_plain_failure_and_no_spin") {
        return;
    }
    let mut server: Option<Server> = None;
    for system in SYSTEMS {
        let mut input = Input::open(&choice(system)).unwrap();
        let mut heard = Heard::default();
        assert_eq!(heard.pump_for(&mut input, 1.0), Status::Running, "{system}");
        let before = heard.samples.len();
        assert!(before > 36_000, "{system}: {before} samples in a second");
        let killed = Instant::now();
        match &server {
            None => kill_server(),
            Some(server) => server.kill(),
        }
        assert_eq!(heard.pump_for(&mut input, 5.0), Status::Lost, "{system}");
        let noticed = killed.elapsed();
        // Two seconds of stillness, and one to close what may never close.
        assert!(noticed < Duration::from_millis(3_500), "{system}: noticed after {noticed:?}");
        let error = input.loss().unwrap().to_string();
        assert!(error.contains("disconnected") || error.contains("no samples"), "{error}");
        let busy = processor_s();
        assert_eq!(heard.pump(&mut input), Status::Lost, "it stays lost");
        thread::sleep(Duration::from_secs(1));
        let busy = processor_s() - busy;
        assert!(busy < 0.2, "{system}: {busy} s of processor in one second of rest");
        assert!(input.reconnect().is_err(), "{system}: there is nothing to connect to");
        eprintln!("NOTE {system}: noticed after {noticed:?}");
        server = Some(Server::start(RATE));
    }
}

#[test]
fn a_device_that_comes_back_goes_on_in_time() {
    if !with_card("streams::a_device_that_comes_back_goes_on_in_time") {
        return;
    }
    let mut input = Input::open(&choice("alsa")).unwrap();
    let mut heard = Heard::default();
    heard.pump_for(&mut input, 1.5);
    let (begun, at) = (Instant::now(), input.position().0);
    kill_server();
    assert_eq!(heard.pump_for(&mut input, 5.0), Status::Lost);
    let _server = Server::start(RATE);
    thread::sleep(Duration::from_millis(500));
    input.reconnect().unwrap();
    assert_eq!(heard.pump_for(&mut input, 2.0), Status::Running);
    assert_eq!(heard.gaps.len(), 1, "{:?}", heard.gaps);
    let passed = (input.position().0 - at) as f64 / f64::from(RATE);
    let clock = begun.elapsed().as_secs_f64();
    // A new stream may start a few buffers ahead of or behind the old one.
    assert!((passed - clock).abs() < 0.15, "{passed} s of samples in {clock} s");
    assert_eq!(heard.samples.len() as u64, input.position().0);
}

#[test]
fn the_round_trip_is_measured_and_kept() {
    if !with_card("streams::the_round_trip_is_measured_and_kept") {
        return;
    }
    let mut delays = Vec::new();
    for _ in 0..2 {
        let measured = json(&["calibrate", "--chirps", "4", "--json"]);
        assert_eq!(measured["chirps_heard"], 4, "{measured}");
        let delay_ms = measured["delay_ms"].as_f64().unwrap();
        // Two buffers of the output and one of the input, in whatever pieces the server passes on.
        assert!((1.0..250.0).contains(&delay_ms), "{measured}");
        // Far below what counts as early or late; measured on an idle machine: 0.1 ms.
        assert!(measured["spread_ms"].as_f64().unwrap() < 10.0, "{measured}");
        let kept = fs::read_to_string(measured["kept_in"].as_str().unwrap()).unwrap();
        let kept: Value = serde_json::from_str(&kept).unwrap();
        assert_eq!(kept["delays"].as_array().unwrap().len(), 1, "one pair, one delay: {kept}");
        assert_eq!(kept["delays"][0]["delay_ms"], measured["delay_ms"]);
        delays.push(delay_ms);
    }
    eprintln!("NOTE round trips {delays:?} ms");
}

#[test]
fn a_way_without_sound_is_no_measurement() {
    if !with_card("streams::a_way_without_sound_is_no_measurement") {
        return;
    }
    let done = doublecheck(&["calibrate", "--chirps", "3", "--input", "hall", "--output", "room"]);
    assert_eq!(done.status.code(), Some(2));
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(
        said.contains("error: pulseaudio:hall.monitor: only 0 of 3 chirps came back"),
        "{said}"
    );
    assert!(said.contains("\nhint: "), "{said}");
    assert!(said.contains("\nConnect the two by a cable"), "lines are lines: {said}");
}

#[test]
fn real_devices_are_listed_and_others_hidden() {
    if !with_card("streams::real_devices_are_listed_and_others_hidden") {
        return;
    }
    let listed = json(&["devices", "--json"]);
    for (direction, expected) in [
        ("inputs", ["alsa:default", "pulseaudio:room.monitor", "pulseaudio:hall.monitor"]),
        ("outputs", ["alsa:default", "pulseaudio:room", "pulseaudio:hall"]),
    ] {
        let devices = listed[direction].as_array().unwrap();
        let ids: Vec<&str> = devices.iter().map(|device| device["id"].as_str().unwrap()).collect();
        for id in expected {
            assert!(ids.contains(&id), "{direction}: no {id} in {ids:?}");
        }
        assert!(!ids.iter().any(|id| id.contains("null")), "{ids:?}");
        let defaults = devices.iter().filter(|device| device["default"] == true).count();
        assert_eq!(defaults, 1, "{listed}");
        for device in devices {
            assert_eq!((&device["channels"], &device["rate_hz"]), (&2.into(), &RATE.into()));
        }
    }
    let text = doublecheck(&["devices"]);
    assert!(text.status.success() && text.stderr.is_empty(), "{text:?}");
    for (arguments, error) in [
        (
            ["calibrate", "--input", "harp"],
            "error: no audio input \"harp\": there are alsa:default",
        ),
        (["calibrate", "--input", "monitor"], "error: \"monitor\" fits more than one audio input"),
        (["calibrate", "--channel", "3"], "error: alsa:default: has no channel 3, only 2"),
    ] {
        let done = doublecheck(&arguments);
        let said = String::from_utf8_lossy(&done.stderr);
        assert_eq!(done.status.code(), Some(2), "{arguments:?}: {said}");
        assert!(said.starts_with(error), "{arguments:?}: {said}");
        assert!(said.lines().count() == 2 && said.contains("\nhint: "), "{arguments:?}: {said}");
    }
}

/// Needs no server: there is none.
#[test]
fn without_any_sound_system_two_plain_lines_are_said() {
    let folder = tempfile::tempdir().unwrap();
    for arguments in [&["devices"][..], &["calibrate"][..]] {
        let done = Command::new(env!("CARGO_BIN_EXE_doublecheck"))
            .args(arguments)
            .env_clear()
            .env("HOME", folder.path())
            .env("PULSE_SERVER", "unix:/nowhere/at/all")
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&done.stderr);
        if done.status.success() {
            skip("this machine has a sound card");
            return;
        }
        assert_eq!(done.status.code(), Some(2), "{said}");
        assert!(said.starts_with("error: no audio input"), "{said}");
        assert!(said.lines().count() == 2 && said.contains("\nhint: "), "{said}");
        assert!(done.stdout.is_empty());
    }
}
