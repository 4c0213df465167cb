//! WAV out.

use std::fs;
use std::path::Path;
use std::path::PathBuf;

use doublecheck::audio::AudioError;
use doublecheck::audio::TakeRecorder;
use doublecheck::audio::WavWriter;
use doublecheck::audio::write::SampleFormat;
use doublecheck::units::SampleCount;
use doublecheck::units::SampleRate;

use super::A4_HZ;
use super::FREQUENCY_TOLERANCE_HZ;
use super::ffmpeg;
use super::folder;
use super::frequency;
use super::in_own_process;
use super::mix;
use super::role;
use super::sine;
use super::text;

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
    let died = in_own_process(
        "written::a_take_is_valid_up_to_the_last_second_when_the_program_dies",
        text(&path),
    )
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
    wav.finish(false).unwrap();
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
        wav.finish(true).unwrap();
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
fn a_wav_does_not_replace_a_file_that_came_while_it_was_written() {
    let folder = folder();
    let path = folder.path().join("reference.wav");
    let mut wav = WavWriter::create(&path, rate_48k(), SampleFormat::Int16).unwrap();
    wav.write(&[0.0; 10]).unwrap();
    fs::write(&path, "my only take").unwrap();
    let error = wav.finish(false).expect_err("it exists by now");
    assert!(matches!(error, AudioError::Exists { .. }), "{error}");
    assert_eq!(fs::read_to_string(&path).unwrap(), "my only take");
    assert_eq!(names_in(folder.path()), [&*path], "nothing is left behind");
}

#[test]
fn samples_beyond_full_scale_are_cut_not_wrapped() {
    let folder = folder();
    let path = folder.path().join("loud.wav");
    let mut wav = WavWriter::create(&path, rate_48k(), SampleFormat::Int16).unwrap();
    wav.write(&[1.5, -1.5, f32::NAN]).unwrap();
    wav.finish(false).unwrap();
    let samples: Vec<i16> =
        hound::WavReader::open(&path).unwrap().samples().map(Result::unwrap).collect();
    assert_eq!(samples, [i16::MAX, i16::MIN, 0]);
}
