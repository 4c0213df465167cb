//! What is damaged, or no recording at all.

use std::fs;
use std::path::Path;

use doublecheck::audio::AudioError;
use doublecheck::audio::ChannelChoice;
use doublecheck::synth::random::Random;

use super::A4_HZ;
use super::FREQUENCY_TOLERANCE_HZ;
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

/// A Vorbis block reaches into the next one, and none is longer (Xiph.Org, *Vorbis I*, section 4.2.2).
const LONGEST_BLOCK: usize = 8192;

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

/// A page of which a byte is another is passed over (RFC 3533, section 6, by its checksum), and one that is
/// not there is a gap too.
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
        let bytes = fs::read(&ogg).unwrap();
        let mut flawed = bytes.clone();
        flawed[bytes.len() / 2] ^= 0xFF;
        // The first page with sound is the third of all.
        let begins: Vec<usize> =
            (0..bytes.len()).filter(|&at| bytes[at..].starts_with(b"OggS")).collect();
        let headless = [&bytes[..begins[2]], &bytes[begins[3]..]].concat();
        for (flawed, lacks_beginning) in [(flawed, false), (headless, true)] {
            fs::write(&ogg, flawed).unwrap();
            let heard = mix(&ogg);
            assert!(heard.damage.is_some(), "{options:?}");
            assert_eq!(heard.samples.len(), whole.samples.len(), "{options:?}: time goes on");
            let [(from, lost)] = heard.gaps[..] else { panic!("{options:?}: {:?}", heard.gaps) };
            assert_eq!(from == 0, lacks_beginning, "{options:?}: a hole of {lost} at {from}");
            let behind = (from + lost) as usize + LONGEST_BLOCK;
            for part in [0..from as usize, behind..whole.samples.len()] {
                let same = heard.samples[part.clone()] == whole.samples[part.clone()];
                assert!(same, "{options:?}: {part:?} is as it was, a hole of {lost} at {from}");
            }
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
    let (whole, cut) = (at("whole.wav"), at("cut.m4a"));
    write_wav(&whole, 48_000, 16, false, &[sine(A4_HZ, 48_000, 1.0)]);
    if ffmpeg(&["-i", text(&whole), text(&cut)]) {
        let bytes = fs::read(&cut).unwrap();
        fs::write(&cut, &bytes[..bytes.len() / 2]).unwrap();
        let error = error_of(&cut);
        assert!(matches!(error, AudioError::Unfinished { .. }), "{error:?}");
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
        skip("this user may read everything");
        return;
    }
    let error = hear(&path, ChannelChoice::Mix).err().expect("locked");
    assert!(matches!(error, AudioError::Unreadable { .. }), "{error:?}");
}
