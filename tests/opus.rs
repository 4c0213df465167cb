//! Opus in Ogg, WebM, Matroska, MP4 and CAF, as phones and browsers record it.
//!
//! `ffmpeg` with libopus, the reference implementation, writes every file and also decodes it: its
//! samples are the truth, and strikes must lie where they lay before. Where it is not installed the
//! case says so and is skipped.

#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

#[path = "support/skip.rs"]
mod skip;

use std::f64::consts::TAU;
use std::fs;
use std::path::Path;
use std::path::PathBuf;
use std::process::Command;
use std::process::Stdio;

use doublecheck::audio::AudioError;
use doublecheck::audio::ChannelChoice;
use doublecheck::audio::Chunk;
use doublecheck::audio::Recording;
use doublecheck::synth::random::Random;

use skip::skip;

/// The rate Opus counts at (RFC 6716, section 2).
const RATE: usize = 48_000;

/// Where the strikes of the truth begin, in samples: nowhere near the beginning of a packet.
const STRIKES: [usize; 3] = [12_345, 50_001, 91_234];

/// Two seconds and a bit: no whole number of packets of any length.
const LENGTH: usize = 100_003;

/// Floating point may be added up in another order (RFC 6716, section 6.1, allows far more); from
/// −80 dB on something else is wrong.
const SAME: f32 = 1e-4;

/// Containers that say where the last packet ends cut it there; the others end with it, and with the
/// packet that flushes the encoder.
const PADDING: usize = RATE / 10;

/// A strike may lie so many samples off in music; speech coders keep pitch, not waveform, and libopus'
/// own lies 10 samples (0.2 ms) early.
const CELT_LAG: isize = 2;
const SPEECH_LAG: isize = 12;

/// Plucks: three falling partials each.
fn truth() -> Vec<f32> {
    let mut samples = vec![0.0; LENGTH];
    for (strike, hz) in STRIKES.into_iter().zip([196.0, 246.94, 329.63]) {
        for (n, sample) in samples[strike..].iter_mut().enumerate() {
            let t = n as f64 / RATE as f64;
            let tone: f64 =
                (1..=3).map(|k| (TAU * hz * f64::from(k) * t).sin() / f64::from(k)).sum();
            *sample += (0.3 * tone * (-6.0 * t).exp()) as f32;
        }
    }
    samples
}

/// Writes samples without any header; on a second channel they are softer.
fn write_raw(path: &Path, samples: &[f32], channels: u16) {
    let second = (channels == 2).then_some(0.25);
    let frame = |sample: f32| [Some(sample), second.map(|softer| sample * softer)];
    let frames = samples.iter().flat_map(|&sample| frame(sample)).flatten();
    fs::write(path, frames.flat_map(f32::to_le_bytes).collect::<Vec<u8>>()).unwrap();
}

/// What `ffmpeg` writes on standard output; nothing, told on standard error, if it is not installed.
fn ffmpeg(arguments: &[&str]) -> Option<Vec<u8>> {
    let mut command = Command::new("ffmpeg");
    command.args(["-hide_banner", "-loglevel", "error", "-y"]).args(arguments);
    let Ok(done) = command.stdin(Stdio::null()).output() else {
        skip("ffmpeg is not installed");
        return None;
    };
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success(), "ffmpeg {arguments:?}: {said}");
    Some(done.stdout)
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// `samples` as Opus in a file called `name`.
fn encoded(
    folder: &Path,
    name: &str,
    samples: &[f32],
    channels: u16,
    options: &[&str],
) -> Option<PathBuf> {
    let (raw, path) = (folder.join("truth.raw"), folder.join(name));
    write_raw(&raw, samples, channels);
    let input = ["-f", "f32le", "-ar", "48000", "-ac", &channels.to_string(), "-i", text(&raw)];
    ffmpeg(&[&input, ["-c:a", "libopus"].as_slice(), options, &[text(&path)]].concat())?;
    Some(path)
}

/// Mono samples, holes as silence, and whether the file was damaged.
fn hear(path: &Path) -> Result<(Vec<f32>, bool), AudioError> {
    let mut recording = Recording::open(path, ChannelChoice::Mix)?;
    assert_eq!(recording.rate().get() as usize, RATE);
    let mut samples = Vec::new();
    while let Some(chunk) = recording.next_chunk() {
        match chunk {
            Chunk::Samples(block) => samples.extend_from_slice(block),
            Chunk::Gap(lost) => samples.extend(std::iter::repeat_n(0.0, lost.0 as usize)),
        }
    }
    Ok((samples, recording.damage().is_some()))
}

/// The same by libopus.
fn reference(path: &Path, channels: usize) -> Option<Vec<f32>> {
    let bytes = ffmpeg(&["-c:a", "libopus", "-i", text(path), "-f", "f32le", "-"])?;
    let samples = bytes.chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap()));
    let frames: Vec<f32> = samples.collect();
    Some(frames.chunks(channels).map(|f| f.iter().sum::<f32>() / channels as f32).collect())
}

/// How many samples later than in the truth the strike at `at` lies: where the two agree best, within
/// less than half a period.
fn lag(heard: &[f32], truth: &[f32], at: usize) -> isize {
    let strike = &truth[at..at + RATE / 20];
    let likeness = |lag: isize| -> f32 {
        let from = at.checked_add_signed(lag).unwrap();
        strike.iter().zip(&heard[from..]).map(|(a, b)| a * b).sum()
    };
    (-60..=60).max_by(|&a, &b| likeness(a).total_cmp(&likeness(b))).unwrap()
}

#[test]
fn every_kind_of_opus_is_what_libopus_decodes_and_in_time() {
    let folder = tempfile::tempdir().unwrap();
    // Name, channels, encoder options: speech at few bits (SILK), in between (hybrid), music (CELT);
    // 40 and 60 ms put several frames into a packet.
    let cases: &[(&str, u16, &[&str])] = &[
        ("silk.opus", 1, &["-b:a", "8k", "-application", "voip"]),
        ("silk-60.ogg", 1, &["-b:a", "12k", "-application", "voip", "-frame_duration", "60"]),
        ("hybrid.oga", 1, &["-b:a", "16k", "-application", "voip"]),
        ("hybrid-10.opus", 2, &["-b:a", "24k", "-application", "voip", "-frame_duration", "10"]),
        ("celt.opus", 1, &["-b:a", "64k"]),
        ("celt-2.5.opus", 1, &["-b:a", "96k", "-frame_duration", "2.5"]),
        ("celt-40.opus", 1, &["-b:a", "64k", "-frame_duration", "40"]),
        ("celt-120.opus", 2, &["-b:a", "96k", "-frame_duration", "120"]),
        ("celt-stereo.opus", 2, &["-b:a", "128k", "-vbr", "off"]),
        ("celt-browser.webm", 1, &["-b:a", "64k", "-live", "1"]),
        ("celt.mka", 2, &["-b:a", "64k"]),
        ("celt.mp4", 1, &["-b:a", "64k", "-strict", "-2"]),
    ];
    let truth = truth();
    for (name, channels, options) in cases {
        let Some(path) = encoded(folder.path(), name, &truth, *channels, options) else { return };
        let (heard, damaged) = hear(&path).unwrap_or_else(|error| panic!("{error}"));
        assert!(!damaged, "{name}");
        let reference = reference(&path, usize::from(*channels)).unwrap();
        if [".opus", ".ogg", ".oga"].iter().any(|end| name.ends_with(end)) {
            assert_eq!((heard.len(), reference.len()), (LENGTH, LENGTH), "{name}");
        } else {
            assert!((LENGTH..LENGTH + PADDING).contains(&heard.len()), "{name}: {}", heard.len());
        }
        let differences = heard.iter().zip(&reference).map(|(a, b)| (a - b).abs());
        let worst = differences.fold(0.0, f32::max);
        assert!(worst < SAME, "{name}: off by {worst}");
        for at in STRIKES {
            let late = lag(&heard, &truth, at);
            let allowed = if name.starts_with("celt") { CELT_LAG } else { SPEECH_LAG };
            assert!(late.abs() <= allowed, "{name}: the strike at {at} lies {late} samples later");
        }
    }
}

/// Apple, *Core Audio Format Specification 1.0*, «Packet Table Chunk»: after the numbers of packets and
/// of valid frames stand the priming frames. `ffmpeg` leaves them at 0; the encoder's are the 312 of
/// its other files.
#[test]
fn priming_of_a_caf_file_is_cut_off() {
    let folder = tempfile::tempdir().unwrap();
    let Some(path) = encoded(folder.path(), "a.caf", &truth(), 1, &["-b:a", "64k"]) else { return };
    let mut bytes = fs::read(&path).unwrap();
    let table = bytes.windows(4).position(|bytes| bytes == b"pakt").expect("a packet table");
    let priming = table + 4 + 8 + 16;
    assert_eq!(bytes[priming..priming + 4], [0; 4]);
    bytes[priming..priming + 4].copy_from_slice(&312_u32.to_be_bytes());
    fs::write(&path, bytes).unwrap();
    let (heard, _) = hear(&path).unwrap();
    for at in STRIKES {
        let late = lag(&heard, &truth(), at);
        assert!(late.abs() <= CELT_LAG, "the strike at {at} lies {late} samples later");
    }
}

#[test]
fn a_take_of_one_page_is_neither_longer_nor_shorter() {
    let folder = tempfile::tempdir().unwrap();
    for length in [100, 4_801, 20_000] {
        let samples = &truth()[STRIKES[0]..][..length];
        let Some(path) = encoded(folder.path(), "a.opus", samples, 1, &[]) else { return };
        let (heard, damaged) = hear(&path).unwrap();
        assert_eq!((heard.len(), damaged), (length, false));
    }
}

/// RFC 7845, section 5.1: a player applies the gain, in 1/256 dB; MP4 writes it the other way round.
#[test]
fn the_output_gain_is_applied() {
    let folder = tempfile::tempdir().unwrap();
    let halved = -1541_i16; // 10^(−1541 / 256 / 20) = 0.50006
    for (name, mark, gain) in [
        ("a.webm", b"OpusHead", halved.to_le_bytes()),
        ("a.mp4", b"\0\x13dOps\0\x01", halved.to_be_bytes()),
    ] {
        let Some(path) = encoded(folder.path(), name, &truth(), 1, &["-strict", "-2"]) else {
            return;
        };
        let (plain, _) = hear(&path).unwrap();
        let mut bytes = fs::read(&path).unwrap();
        let head = bytes.windows(8).position(|bytes| bytes == mark).expect("a header");
        let at = head + if name == "a.webm" { 16 } else { 14 };
        assert_eq!(bytes[at..at + 2], [0, 0], "{name}: no gain before");
        bytes[at..at + 2].copy_from_slice(&gain);
        fs::write(&path, bytes).unwrap();
        let (quiet, _) = hear(&path).unwrap();
        assert_eq!(quiet.len(), plain.len());
        for (quiet, plain) in quiet.iter().zip(&plain) {
            assert!((quiet - plain * 0.500_06).abs() < 1e-5, "{name}: {quiet} of {plain}");
        }
    }
}

#[test]
fn what_is_cut_off_is_heard_up_to_there() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["a.opus", "a.webm", "a.mka"] {
        let Some(path) = encoded(folder.path(), name, &truth(), 1, &["-b:a", "64k"]) else {
            return;
        };
        let (whole, damaged) = hear(&path).unwrap();
        assert!(!damaged, "{name}");
        let bytes = fs::read(&path).unwrap();
        fs::write(&path, &bytes[..bytes.len() * 3 / 4]).unwrap();
        let (heard, damaged) = hear(&path).unwrap_or_else(|error| panic!("{error}"));
        assert!(damaged, "{name}: that the end is missing is told");
        assert!(heard.len() > LENGTH / 3, "{name}: {} samples", heard.len());
        assert_eq!(heard, whole[..heard.len()], "{name}");
    }
}

/// The pages of an Ogg file (RFC 3533, section 6: 27 bytes, lengths, data).
fn pages(bytes: &[u8]) -> Vec<&[u8]> {
    let mut pages = Vec::new();
    let mut rest = bytes;
    while let Some(&lengths) = rest.get(26) {
        let head = 27 + usize::from(lengths);
        let page = head + rest[27..head].iter().map(|&length| usize::from(length)).sum::<usize>();
        pages.push(&rest[..page]);
        rest = &rest[page..];
    }
    assert!(pages.len() >= 8 && rest.is_empty(), "{} pages", pages.len());
    pages
}

/// Pages of about a second, two without sound before them; each of those with sound but the last is lost once.
#[test]
fn a_lost_page_is_a_hole_and_what_follows_is_in_time() {
    let folder = tempfile::tempdir().unwrap();
    let samples = truth().repeat(3);
    let Some(path) = encoded(folder.path(), "a.opus", &samples, 1, &["-b:a", "64k"]) else {
        return;
    };
    let (whole, _) = hear(&path).unwrap();
    let bytes = fs::read(&path).unwrap();
    for n in [0, 2, 4] {
        let mut left = pages(&bytes);
        left.remove(2 + n);
        fs::write(&path, left.concat()).unwrap();
        let (heard, damaged) = hear(&path).unwrap();
        assert!(damaged);
        assert_eq!(heard.len(), whole.len(), "page {n}: time goes on");
        // Before the lost page (312 samples are skipped first of all), and behind it once the decoder has
        // found its feet again.
        let lost = (n * RATE).saturating_sub(312)..(n + 1) * RATE - 312;
        assert!(heard[lost.clone()].iter().all(|&s| s == 0.0), "page {n}: silence in its place");
        for part in [0..lost.start, lost.end + RATE / 2..whole.len()] {
            let pairs = heard[part.clone()].iter().zip(&whole[part.clone()]);
            let worst = pairs.map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
            assert!(worst < 1e-3, "page {n}, {part:?}: off by {worst}");
        }
    }
}

#[test]
fn flaws_anywhere_never_panic() {
    let folder = tempfile::tempdir().unwrap();
    let mut random = Random::new(20_261_126, 0); // any; fixed so that a failure repeats
    for name in ["a.opus", "a.webm", "a.mp4", "a.caf"] {
        let options = ["-b:a", "24k", "-application", "voip", "-strict", "-2"];
        let Some(path) = encoded(folder.path(), name, &truth(), 1, &options) else { return };
        let bytes = fs::read(&path).unwrap();
        let mut heard = 0;
        for case in 0..60 {
            let mut flawed = bytes.clone();
            // Headers are the tender part: half of the flaws go there.
            let reach = if case % 2 == 0 { 200.min(bytes.len()) } else { bytes.len() };
            for _ in 0..1 + case % 6 {
                flawed[random.bits() as usize % reach] = random.bits() as u8;
            }
            fs::write(&path, &flawed).unwrap();
            if let Ok((samples, _)) = hear(&path) {
                assert!(samples.len() < 130 * RATE, "{name} {case}: two seconds became more");
                heard += 1;
            }
        }
        assert!(heard > 0, "{name}: none could be opened at all");
    }
}

#[test]
fn surround_is_refused_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("surround.opus");
    let source = ["-f", "lavfi", "-i", "sine=d=0.2", "-ac", "6", "-c:a", "libopus"];
    if ffmpeg(&[&source, [text(&path)].as_slice()].concat()).is_none() {
        return;
    }
    let error = hear(&path).expect_err("six channels");
    assert!(error.to_string().contains("Opus other than mono and stereo"), "{error}");
}
