//! Every format in, and the channels of each.

use std::fs;
use std::io::Write;
use std::num::NonZeroU16;
use std::path::Path;
use std::process::Command;
use std::process::Stdio;

use doublecheck::audio::AudioError;
use doublecheck::audio::ChannelChoice;
use doublecheck::engine::Listener;
use doublecheck::units::SampleRate;

use super::A4_HZ;
use super::FREQUENCY_TOLERANCE_HZ;
use super::Heard;
use super::ffmpeg;
use super::folder;
use super::frequency;
use super::hear;
use super::mix;
use super::run;
use super::sine;
use super::skip::skip;
use super::text;
use super::write_wav;

/// Lossy encoders pad both ends: up to 2112 samples of priming (Apple, *QuickTime File Format*,
/// «Audio Priming») and a last block.
const LOSSY_PADDING_S: f64 = 0.1;

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
        skip("sox is not installed");
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

/// Interfaces that give floats go beyond full scale and cut nothing off: what the file of a live take is
/// told to be, the take is told live.
#[test]
fn a_live_take_is_clipped_where_its_own_file_is() {
    let folder = folder();
    let loud: Vec<f32> = sine(A4_HZ, 48_000, 1.0).iter().map(|s| s * 3.0).collect();
    let cut: Vec<f32> = loud.iter().map(|s| s.clamp(-1.2, 1.2)).collect();
    for (name, samples, is_clipped) in [("whole", loud, false), ("cut", cut, true)] {
        let path = folder.path().join(name);
        write_wav(&path, 48_000, 32, true, std::slice::from_ref(&samples));
        let of_file = mix(&path).clipped;
        let mut live = Listener::new(SampleRate::new(48_000).unwrap());
        samples.chunks(7).for_each(|block| live.push(block, |_| {}));
        assert_eq!(live.take().clipped.0, of_file, "{name}");
        assert_eq!(of_file > 0, is_clipped, "{name}: {of_file} samples");
    }
}
