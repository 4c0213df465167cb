//! Every format in, through encoders that are not ours; damage, pipes, memory; WAV out.
//!
//! The truth is a sine computed here; `ffmpeg`, `sox` and `flac` write it down. Where a tool is
//! not installed the case says so and is skipped.

#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]
#![expect(clippy::print_stderr, reason = "what is skipped must be seen")]

use std::f64::consts::TAU;
use std::fs;
use std::io::Read;
use std::io::Write;
use std::num::NonZeroU16;
use std::path::Path;
use std::path::PathBuf;
use std::process::Command;
use std::process::Stdio;

use doublecheck::audio::AudioError;
use doublecheck::audio::ChannelChoice;
use doublecheck::audio::Chunk;
use doublecheck::audio::Recording;
use doublecheck::audio::TakeRecorder;
use doublecheck::audio::WavWriter;
use doublecheck::audio::write::SampleFormat;
use doublecheck::synth::random::Random;
use doublecheck::units::SampleCount;
use doublecheck::units::SampleRate;

/// A4 by ISO 16:1975.
const A4_HZ: f64 = 440.0;

/// Mean frequency by counting crossings over two seconds: one crossing more or less is 0.25 Hz,
/// interpolated crossings leave far less.
const FREQUENCY_TOLERANCE_HZ: f64 = 0.02;

/// Lossy encoders pad both ends: up to 2112 samples of priming (Apple, *QuickTime File Format*,
/// «Audio Priming») and a last block.
const LOSSY_PADDING_S: f64 = 0.1;

/// A Vorbis block reaches into the next one, and none is longer (Xiph.Org, *Vorbis I*, section 4.2.2).
const LONGEST_BLOCK: usize = 8192;

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
            eprintln!("SKIPPED: {tool} is not installed");
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

#[test]
fn wav_of_every_width_and_rate_arrives_sample_for_sample() {
    let folder = folder();
    for rate in [8_000, 11_025, 22_050, 44_100, 48_000, 88_200, 96_000, 192_000] {
        for (bits, float) in [(8, false), (16, false), (24, false), (32, false), (32, true)] {
            let path = folder.path().join(format!("{rate}-{bits}-{float}.wav"));
            let truth = sine(A4_HZ, rate, 0.25);
            write_wav(&path, rate, bits, float, std::slice::from_ref(&truth));
            let heard = mix(&path);
            assert_eq!((heard.rate, heard.channels), (rate, 1), "{}", path.display());
            assert_eq!(heard.samples.len(), truth.len(), "{}", path.display());
            // One step of the width: half of it rounding, half the scale of 2^n against 2^n − 1.
            let step = if float { 0.0 } else { (2.0_f64).powi(1 - i32::from(bits)).max(6e-8) };
            let worst = heard
                .samples
                .iter()
                .zip(&truth)
                .map(|(a, b)| f64::from((a - b).abs()))
                .fold(0.0, f64::max);
            assert!(worst <= step, "{}: off by {worst}, allowed {step}", path.display());
            assert_eq!(heard.damage, None, "{}", path.display());
        }
    }
}

#[test]
fn every_format_tells_pitch_and_length() {
    let folder = folder();
    let wav = folder.path().join("truth.wav");
    let truth = sine(A4_HZ, 44_100, 2.0);
    write_wav(&wav, 44_100, 16, false, &[truth.clone(), truth.clone()]);
    // Name, encoder options, whether every sample must come back.
    let cases: &[(&str, &[&str], bool)] = &[
        ("flac16.flac", &["-c:a", "flac"], true),
        ("flac24.flac", &["-c:a", "flac", "-sample_fmt", "s32"], true),
        ("lame.mp3", &["-c:a", "libmp3lame", "-b:a", "192k"], false),
        ("vbr.mp3", &["-c:a", "libmp3lame", "-q:a", "2"], false),
        ("vorbis.ogg", &["-c:a", "libvorbis"], false),
        ("aac.m4a", &["-c:a", "aac", "-b:a", "160k"], false),
        ("aac-front.m4a", &["-c:a", "aac", "-movflags", "+faststart"], false),
        ("alac.m4a", &["-c:a", "alac"], true),
        ("big-endian.aiff", &["-c:a", "pcm_s24be"], true),
        ("pcm.caf", &["-c:a", "pcm_s16le"], true),
        ("alac.caf", &["-c:a", "alac"], true),
        ("double.wav", &["-c:a", "pcm_f64le"], true),
        ("byte.wav", &["-c:a", "pcm_u8"], true),
    ];
    for (name, options, exact) in cases {
        let path = folder.path().join(name);
        if !ffmpeg(&[&["-i", text(&wav)], *options, &[text(&path)]].concat()) {
            return;
        }
        for (way, pipe) in [("file", false), ("pipe", true)] {
            let heard = if pipe { through_pipe(&path) } else { mix(&path) };
            let hz = frequency(&heard.samples, heard.rate);
            assert!((hz - A4_HZ).abs() < FREQUENCY_TOLERANCE_HZ, "{name} by {way}: {hz} Hz");
            let seconds = heard.samples.len() as f64 / f64::from(heard.rate);
            let allowed = if *exact { 0.0 } else { LOSSY_PADDING_S };
            assert!((seconds - 2.0).abs() <= allowed, "{name} by {way}: {seconds} s");
            assert_eq!((heard.rate, heard.channels), (44_100, 2), "{name} by {way}");
            assert_eq!((&heard.damage, heard.gaps.len()), (&None, 0), "{name} by {way}");
        }
    }
}

#[test]
fn files_of_other_encoders_are_read() {
    let folder = folder();
    let wav = folder.path().join("truth.wav");
    let truth = sine(A4_HZ, 48_000, 2.0);
    write_wav(&wav, 48_000, 24, false, &[truth]);
    let flac = folder.path().join("flac-tool.flac");
    let mut made = Vec::new();
    if run("flac", &["--silent", "-o", text(&flac), text(&wav)]) {
        made.push(flac);
    }
    for extension in ["aiff", "flac", "ogg", "caf"] {
        let path = folder.path().join(format!("sox.{extension}"));
        if run("sox", &[text(&wav), text(&path)]) {
            made.push(path);
        }
    }
    for path in made {
        let heard = mix(&path);
        let hz = frequency(&heard.samples, heard.rate);
        assert!((hz - A4_HZ).abs() < FREQUENCY_TOLERANCE_HZ, "{}: {hz} Hz", path.display());
        assert_eq!(heard.samples.len(), 96_000, "{}", path.display());
        assert_eq!(heard.damage, None, "{}", path.display());
    }
}

/// Sends a file through a named pipe, which cannot be read backwards.
fn through_pipe(path: &Path) -> Heard {
    let folder = folder();
    let pipe = folder.path().join("pipe");
    assert!(run("mkfifo", &[text(&pipe)]), "mkfifo is part of every Unix (POSIX.1)");
    let (bytes, end) = (fs::read(path).unwrap(), pipe.clone());
    let sender = std::thread::spawn(move || {
        // The reader may be satisfied before the last byte: a closed pipe is no failure.
        let _ = fs::OpenOptions::new().write(true).open(end).unwrap().write_all(&bytes);
    });
    let heard = mix(&pipe);
    sender.join().unwrap();
    heard
}

#[test]
fn a_wav_still_being_written_into_a_pipe_has_no_length_and_no_damage() {
    let Ok(sox) = Command::new("sox")
        .args(["-n", "-r", "48000", "-b", "16", "-t", "wav", "-", "synth", "2", "sine", "440"])
        .stderr(Stdio::null())
        .output()
    else {
        eprintln!("SKIPPED: sox is not installed");
        return;
    };
    let folder = folder();
    let path = folder.path().join("from-pipe.wav");
    fs::write(&path, sox.stdout).unwrap();
    for heard in [mix(&path), through_pipe(&path)] {
        let hz = frequency(&heard.samples, heard.rate);
        assert!((hz - A4_HZ).abs() < FREQUENCY_TOLERANCE_HZ, "{hz} Hz");
        assert_eq!(heard.samples.len(), 96_000);
        assert_eq!(heard.damage, None);
    }
}

#[test]
fn channels_are_mixed_or_chosen() {
    let folder = folder();
    let path = folder.path().join("stereo.wav");
    let (left, right) = (sine(220.0, 48_000, 1.0), sine(A4_HZ, 48_000, 1.0));
    write_wav(&path, 48_000, 32, true, &[left.clone(), right.clone()]);
    let one = |number| ChannelChoice::One(NonZeroU16::new(number).unwrap());
    assert_eq!(hear(&path, one(1)).unwrap().samples, left);
    assert_eq!(hear(&path, one(2)).unwrap().samples, right);
    let mean: Vec<f32> = left.iter().zip(&right).map(|(a, b)| (a + b) * 0.5).collect();
    let mixed = mix(&path);
    assert_eq!(mixed.samples, mean);
    assert!(!mixed.cancels, "unlike channels do not cancel");
    let error = hear(&path, one(3)).err().expect("there is no channel 3");
    assert!(matches!(error, AudioError::NoChannel { asked: 3, found: 2, .. }), "{error}");
}

#[test]
fn eight_channels_with_one_sounding_are_heard() {
    let folder = folder();
    let path = folder.path().join("eight.wav");
    let mut channels = vec![vec![0.0; 48_000]; 8];
    channels[5] = sine(A4_HZ, 48_000, 1.0);
    write_wav(&path, 48_000, 24, false, &channels);
    let heard = mix(&path);
    let hz = frequency(&heard.samples, heard.rate);
    assert!((hz - A4_HZ).abs() < FREQUENCY_TOLERANCE_HZ, "{hz} Hz");
    assert!(!heard.cancels, "one sounding channel is no cancellation");
}

#[test]
fn channels_in_opposite_phase_are_told() {
    let folder = folder();
    let path = folder.path().join("opposite.wav");
    let left = sine(A4_HZ, 48_000, 1.0);
    let right = left.iter().map(|sample| -sample).collect();
    write_wav(&path, 48_000, 16, false, &[left, right]);
    assert!(mix(&path).cancels);
    let one = ChannelChoice::One(NonZeroU16::MIN);
    assert!(!hear(&path, one).unwrap().cancels, "a chosen channel cannot cancel");
}

#[test]
fn clipping_is_counted_and_loudness_is_not() {
    let folder = folder();
    let path = folder.path().join("loud.wav");
    let loud: Vec<f32> = sine(A4_HZ, 48_000, 1.0).iter().map(|s| s * 1.99).collect();
    write_wav(&path, 48_000, 16, false, std::slice::from_ref(&loud));
    assert_eq!(mix(&path).clipped, 0, "loud, but whole");
    let cut = loud.iter().map(|s| (s * 1.5).clamp(-1.0, 1.0)).collect();
    write_wav(&path, 48_000, 16, false, &[cut]);
    // |1.4925·sin| ≥ 1 for 1 − (2/π)·asin(1/1.4925) = 53 % of the time.
    let share = mix(&path).clipped as f64 / 48_000.0;
    assert!((share - 0.53).abs() < 0.02, "{share} of the samples");
}

#[test]
fn a_shortened_file_gives_what_is_left_and_says_where_it_ends() {
    let folder = folder();
    let wav = folder.path().join("whole.wav");
    write_wav(&wav, 48_000, 16, false, &[sine(A4_HZ, 48_000, 4.0)]);
    let mut paths = vec![wav.clone()];
    for name in ["whole.flac", "whole.aiff", "whole.caf", "whole.ogg", "whole.mka"] {
        let path = folder.path().join(name);
        if ffmpeg(&["-i", text(&wav), text(&path)]) {
            paths.push(path);
        }
    }
    let front = folder.path().join("front.m4a");
    if ffmpeg(&["-i", text(&wav), "-movflags", "+faststart", text(&front)]) {
        paths.push(front);
    }
    for path in paths {
        let bytes = fs::read(&path).unwrap();
        fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
        let heard = mix(&path);
        let seconds = heard.samples.len() as f64 / 48_000.0;
        assert!((1.0..3.0).contains(&seconds), "{}: {seconds} s", path.display());
        let (cause, at_s) = heard.damage.unwrap_or_else(|| panic!("{}", path.display()));
        assert!((at_s - seconds).abs() < 0.1, "{}: {cause} at {at_s} s", path.display());
    }
}

#[test]
fn a_flaw_inside_is_a_gap_and_time_goes_on() {
    let folder = folder();
    let wav = folder.path().join("whole.wav");
    let mut truth = sine(220.0, 48_000, 2.0);
    truth.extend(sine(A4_HZ, 48_000, 2.0));
    write_wav(&wav, 48_000, 16, false, &[truth]);
    let flac = folder.path().join("whole.flac");
    if !run("flac", &["--silent", "--no-padding", "-o", text(&flac), text(&wav)]) {
        return;
    }
    let mut bytes = fs::read(&flac).unwrap();
    let quarter = bytes.len() / 4;
    bytes[quarter..quarter + 3000].fill(0x55);
    fs::write(&flac, &bytes).unwrap();
    let heard = mix(&flac);
    assert!(!heard.gaps.is_empty(), "the flaw is a gap");
    assert!(heard.damage.is_some(), "the flaw is told");
    assert_eq!(heard.samples.len(), 192_000, "its length is kept");
    let late = frequency(&heard.samples[96_500..], heard.rate);
    assert!((late - A4_HZ).abs() < FREQUENCY_TOLERANCE_HZ, "after the flaw: {late} Hz");
    let early = frequency(&heard.samples[..24_000], heard.rate);
    assert!((early - 220.0).abs() < FREQUENCY_TOLERANCE_HZ, "before the flaw: {early} Hz");
}

/// A page of which a byte is another is passed over (RFC 3533, section 6, by its checksum).
#[test]
fn a_flaw_in_an_ogg_file_is_a_gap_in_its_place() {
    let folder = folder();
    let (wav, ogg) = (folder.path().join("whole.wav"), folder.path().join("whole.ogg"));
    let mut random = Random::new(20_261_127, 0); // any; noise is like itself at one place only
    let truth = (0..480_000).map(|_| 0.2 * random.normal() as f32).collect();
    write_wav(&wav, 48_000, 16, false, &[truth]);
    for options in [&["-c:a", "libvorbis"][..], &["-c:a", "libvorbis", "-page_duration", "100000"]]
    {
        if !ffmpeg(&[&["-i", text(&wav)], options, &[text(&ogg)]].concat()) {
            return;
        }
        let whole = mix(&ogg);
        let mut bytes = fs::read(&ogg).unwrap();
        let middle = bytes.len() / 2;
        bytes[middle] ^= 0xFF;
        fs::write(&ogg, bytes).unwrap();
        let heard = mix(&ogg);
        assert!(heard.damage.is_some(), "{options:?}");
        assert_eq!(heard.samples.len(), whole.samples.len(), "{options:?}: time goes on");
        let [(from, lost)] = heard.gaps[..] else { panic!("{options:?}: {:?}", heard.gaps) };
        let behind = (from + lost) as usize + LONGEST_BLOCK;
        for part in [0..from as usize, behind..whole.samples.len()] {
            let same = heard.samples[part.clone()] == whole.samples[part.clone()];
            assert!(same, "{options:?}: {part:?} is as it was, a hole of {lost} at {from}");
        }
    }
}

#[test]
fn flaws_anywhere_in_any_format_never_panic() {
    let folder = folder();
    let wav = folder.path().join("whole.wav");
    write_wav(&wav, 44_100, 16, false, &[sine(A4_HZ, 44_100, 1.0)]);
    let names = ["a.wav", "a.flac", "a.mp3", "a.ogg", "a.m4a", "a.aiff", "a.caf"];
    let mut random = Random::new(20_261_125, 0); // any; fixed so that a failure repeats
    for name in names {
        let path = folder.path().join(name);
        if !ffmpeg(&["-i", text(&wav), text(&path)]) {
            return;
        }
        let bytes = fs::read(&path).unwrap();
        for case in 0..40 {
            let mut flawed = bytes.clone();
            // Headers are the tender part: half of the flaws go there.
            let reach = if case % 2 == 0 { 200.min(bytes.len()) } else { bytes.len() };
            for _ in 0..8 {
                flawed[random.bits() as usize % reach] = random.bits() as u8;
            }
            flawed.truncate(bytes.len() - random.bits() as usize % (bytes.len() / 2));
            fs::write(&path, &flawed).unwrap();
            if let Ok(heard) = hear(&path, ChannelChoice::Mix) {
                let seconds = heard.samples.len() as f64 / f64::from(heard.rate);
                assert!(seconds < 130.0, "{name} {case}: a second became {seconds} s");
            }
        }
    }
}

#[test]
fn what_is_no_recording_is_said_plainly() {
    let folder = folder();
    let at = |name: &str| folder.path().join(name);
    let error_of = |path: &Path| hear(path, ChannelChoice::Mix).err().expect("no recording");
    let missing = error_of(&at("missing.wav"));
    assert!(matches!(missing, AudioError::Missing { .. }), "{missing:?}");
    assert!(missing.to_string().ends_with("missing.wav: no such file"), "{missing}");
    let directory = error_of(folder.path());
    assert!(matches!(directory, AudioError::Directory { .. }), "{directory:?}");
    fs::write(at("empty.wav"), b"").unwrap();
    let empty = error_of(&at("empty.wav"));
    assert!(matches!(empty, AudioError::Empty { .. }), "{empty:?}");
    write_wav(&at("no-samples.wav"), 48_000, 16, false, &[vec![]]);
    let empty = error_of(&at("no-samples.wav"));
    assert!(matches!(empty, AudioError::Empty { .. }), "{empty:?}");
    for (name, bytes) in [
        ("short.mp3", vec![0xFF]),
        ("letter.wav", b"Dear teacher, here is my take.\n".repeat(200)),
        ("zeros.flac", vec![0; 100_000]),
        ("head.wav", b"RIFF\x24\0\0\0WAVEfmt ".to_vec()),
    ] {
        fs::write(at(name), bytes).unwrap();
        let error = error_of(&at(name));
        assert!(matches!(error, AudioError::NotAudio { .. }), "{name}: {error:?}");
        assert!(error.to_string().contains(name), "{error}");
        assert!(!error.to_string().contains("probe"), "in a player's words: {error}");
    }
    for rate in [4_000, 384_000] {
        write_wav(&at("rate.wav"), rate, 16, false, &[sine(A4_HZ, rate, 0.1)]);
        let error = error_of(&at("rate.wav"));
        assert!(matches!(error, AudioError::Rate { found, .. } if found == rate), "{error:?}");
    }
    let film = at("film.mkv");
    if ffmpeg(&["-f", "lavfi", "-i", "testsrc=d=0.2:s=64x64", "-c:v", "mpeg4", text(&film)]) {
        let error = error_of(&film);
        assert!(matches!(error, AudioError::NoAudioTrack { .. }), "{error:?}");
    }
}

#[cfg(unix)]
#[test]
fn a_locked_file_is_unreadable() {
    use std::os::unix::fs::PermissionsExt;
    let folder = folder();
    let path = folder.path().join("locked.wav");
    write_wav(&path, 48_000, 16, false, &[sine(A4_HZ, 48_000, 0.1)]);
    fs::set_permissions(&path, fs::Permissions::from_mode(0o000)).unwrap();
    if fs::read(&path).is_ok() {
        eprintln!("SKIPPED: this user may read everything");
        return;
    }
    let error = hear(&path, ChannelChoice::Mix).err().expect("locked");
    assert!(matches!(error, AudioError::Unreadable { .. }), "{error:?}");
}

/// Runs one test of this file in a process of its own, told by `role` what to do.
fn in_own_process(test: &str, role: &str) -> Command {
    let mut child = Command::new(std::env::current_exe().unwrap());
    child.args(["--exact", test, "--nocapture"]).env("AUDIO_FILES_ROLE", role);
    child
}

fn role() -> Option<String> {
    std::env::var("AUDIO_FILES_ROLE").ok()
}

#[test]
fn standard_input_is_a_recording() {
    if role().is_some() {
        let heard = mix(Path::new("-"));
        let hz = frequency(&heard.samples, heard.rate);
        assert!((hz - A4_HZ).abs() < FREQUENCY_TOLERANCE_HZ, "{hz} Hz");
        assert_eq!(heard.samples.len(), 96_000);
        return;
    }
    let folder = folder();
    let path = folder.path().join("take.wav");
    write_wav(&path, 48_000, 24, false, &[sine(A4_HZ, 48_000, 2.0)]);
    let redirected = in_own_process("standard_input_is_a_recording", "reader")
        .stdin(fs::File::open(&path).unwrap())
        .output()
        .unwrap();
    assert!(redirected.status.success(), "{}", String::from_utf8_lossy(&redirected.stdout));
    let mut piped = in_own_process("standard_input_is_a_recording", "reader")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    piped.stdin.take().unwrap().write_all(&fs::read(&path).unwrap()).unwrap();
    assert!(piped.wait().unwrap().success());
}

/// Ten minutes are 115 MB as `f32`; reading them may not cost more than buffers.
#[cfg(target_os = "linux")]
#[test]
fn memory_does_not_grow_with_length() {
    const ROOM_KB: u64 = 4 * 1024;
    const SECONDS: u32 = 600;
    if role().is_some() {
        let mut recording = Recording::open(Path::new("-"), ChannelChoice::Mix).unwrap();
        let before = peak_memory_kb();
        while recording.next_chunk().is_some() {}
        assert_eq!(recording.position().0, u64::from(SECONDS * 48_000));
        let grown = peak_memory_kb() - before;
        assert!(grown < ROOM_KB, "grew by {grown} kB");
        return;
    }
    let mut child = in_own_process("memory_does_not_grow_with_length", "reader")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    let second: Vec<u8> = sine(A4_HZ, 48_000, 1.0)
        .iter()
        .flat_map(|sample| ((sample * 32_767.0) as i16).to_le_bytes())
        .collect();
    let folder = folder();
    let header = folder.path().join("header.wav");
    write_wav(&header, 48_000, 16, false, &[vec![0.0; 1]]);
    let mut header = fs::read(&header).unwrap();
    header.truncate(header.len() - 2);
    let end = header.len();
    header[end - 4..].copy_from_slice(&(SECONDS * 96_000).to_le_bytes());
    input.write_all(&header).unwrap();
    for _ in 0..SECONDS {
        input.write_all(&second).unwrap();
    }
    drop(input);
    let mut said = String::new();
    child.stdout.take().unwrap().read_to_string(&mut said).unwrap();
    assert!(child.wait().unwrap().success(), "{said}");
}

/// The high-water mark of resident memory, proc(5) `VmHWM`.
#[cfg(target_os = "linux")]
fn peak_memory_kb() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

fn rate_48k() -> SampleRate {
    SampleRate::new(48_000).unwrap()
}

#[test]
fn a_take_is_valid_up_to_the_last_second_when_the_program_dies() {
    if let Some(path) = role() {
        let mut take = TakeRecorder::create(Path::new(&path), rate_48k()).unwrap();
        for block in sine(A4_HZ, 48_000, 3.7).chunks(480) {
            take.write(block).unwrap();
        }
        std::process::abort();
    }
    let folder = folder();
    let path = folder.path().join("take.wav");
    let died =
        in_own_process("a_take_is_valid_up_to_the_last_second_when_the_program_dies", text(&path))
            .output()
            .unwrap();
    assert!(!died.status.success(), "it was aborted");
    let truth = sine(A4_HZ, 48_000, 3.7);
    // By two readers: hound, strict, and ours.
    let by_hound: Vec<f32> =
        hound::WavReader::open(&path).unwrap().samples::<f32>().map(Result::unwrap).collect();
    assert_eq!(by_hound.len(), 144_000, "three seconds were safe");
    assert_eq!(by_hound, truth[..144_000]);
    let heard = mix(&path);
    assert_eq!(heard.samples, truth[..144_000]);
    assert_eq!(heard.damage, None);
}

#[test]
fn a_take_keeps_time_over_a_hole_and_never_replaces_another() {
    let folder = folder();
    let path = folder.path().join("take.wav");
    let mut take = TakeRecorder::create(&path, rate_48k()).unwrap();
    take.write(&[0.25; 100]).unwrap();
    take.gap(SampleCount(10_000)).unwrap();
    take.write(&[-0.25; 100]).unwrap();
    take.finish().unwrap();
    let heard = mix(&path);
    assert_eq!(heard.samples.len(), 10_200);
    assert_eq!((heard.samples[99], heard.samples[100]), (0.25, 0.0));
    assert_eq!((heard.samples[10_099], heard.samples[10_100]), (0.0, -0.25));
    let again = TakeRecorder::create(&path, rate_48k()).expect_err("it exists");
    assert!(matches!(again, AudioError::Exists { .. }), "{again}");
    assert_eq!(mix(&path).samples.len(), 10_200, "the first take is untouched");
}

/// Encoders refuse a file whose one channel is said to be the left one.
#[test]
fn what_is_written_is_mono_to_other_programs() {
    let folder = folder();
    let (rendered, kept) = (folder.path().join("rendered.wav"), folder.path().join("kept.wav"));
    let second = sine(A4_HZ, 48_000, 1.0);
    let mut wav = WavWriter::create(&rendered, rate_48k(), SampleFormat::Int24).unwrap();
    wav.write(&second).unwrap();
    wav.finish().unwrap();
    let mut take = TakeRecorder::create(&kept, rate_48k()).unwrap();
    take.write(&second).unwrap();
    take.finish().unwrap();
    for wav in [rendered, kept] {
        let encoded = wav.with_extension("m4a");
        if ffmpeg(&["-i", text(&wav), "-c:a", "aac", text(&encoded)]) {
            let heard = mix(&encoded);
            assert_eq!(heard.channels, 1, "{}", wav.display());
            let hz = frequency(&heard.samples, heard.rate);
            assert!((hz - A4_HZ).abs() < FREQUENCY_TOLERANCE_HZ, "{}: {hz} Hz", wav.display());
        }
    }
}

fn names_in(folder: &Path) -> Vec<PathBuf> {
    fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect()
}

#[test]
fn a_wav_appears_whole_or_not_at_all() {
    let folder = folder();
    let path = folder.path().join("reference.wav");
    let truth = sine(A4_HZ, 48_000, 0.5);
    for (format, step) in [
        (SampleFormat::Int16, 1.0 / 32_768.0),
        (SampleFormat::Int24, 1.0 / 8_388_608.0),
        (SampleFormat::Float32, 0.0),
    ] {
        let mut wav = WavWriter::create(&path, rate_48k(), format).unwrap();
        wav.write(&truth).unwrap();
        wav.finish().unwrap();
        let heard = mix(&path);
        assert_eq!(heard.samples.len(), truth.len(), "{format:?}");
        let worst =
            heard.samples.iter().zip(&truth).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        assert!(worst <= step, "{format:?}: off by {worst}");
        let before = fs::read(&path).unwrap();
        let mut given_up = WavWriter::create(&path, rate_48k(), format).unwrap();
        given_up.write(&[0.0; 10]).unwrap();
        drop(given_up);
        assert_eq!(fs::read(&path).unwrap(), before, "the old file is untouched");
        assert_eq!(names_in(folder.path()), [&*path], "nothing is left behind");
    }
    let nowhere = folder.path().join("no/such/folder.wav");
    let error =
        WavWriter::create(&nowhere, rate_48k(), SampleFormat::Int16).expect_err("no folder");
    assert!(matches!(error, AudioError::Write { .. }), "{error}");
}

#[test]
fn samples_beyond_full_scale_are_cut_not_wrapped() {
    let folder = folder();
    let path = folder.path().join("loud.wav");
    let mut wav = WavWriter::create(&path, rate_48k(), SampleFormat::Int16).unwrap();
    wav.write(&[1.5, -1.5, f32::NAN]).unwrap();
    wav.finish().unwrap();
    let samples: Vec<i16> =
        hound::WavReader::open(&path).unwrap().samples().map(Result::unwrap).collect();
    assert_eq!(samples, [i16::MAX, i16::MIN, 0]);
}
