//! Standard input, and how much memory a long recording takes.

use std::fs;
use std::io::Read;
use std::io::Write;
use std::path::Path;
use std::process::Stdio;

use doublecheck::audio::ChannelChoice;
use doublecheck::audio::Recording;

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
use super::write_wav;

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
    let redirected = in_own_process("pipes::standard_input_is_a_recording", "reader")
        .stdin(fs::File::open(&path).unwrap())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&redirected.stdout);
    assert!(redirected.status.success() && said.contains("1 passed"), "{said}");
    let mut piped = in_own_process("pipes::standard_input_is_a_recording", "reader")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    piped.stdin.take().unwrap().write_all(&fs::read(&path).unwrap()).unwrap();
    assert!(piped.wait().unwrap().success());
}

/// Where the end of a WebM file is missing, that is told of a pipe, too.
#[test]
fn a_pipe_that_breaks_off_is_told() {
    if role().is_some() {
        let damage = mix(Path::new("-")).damage.expect("the end is missing");
        assert_eq!(damage.0, "the end is missing");
        return;
    }
    let folder = folder();
    let (wav, webm) = (folder.path().join("take.wav"), folder.path().join("take.webm"));
    write_wav(&wav, 48_000, 16, false, &[sine(A4_HZ, 48_000, 4.0)]);
    if !ffmpeg(&["-i", text(&wav), "-c:a", "libvorbis", text(&webm)]) {
        return;
    }
    let bytes = fs::read(&webm).unwrap();
    let mut reader = in_own_process("pipes::a_pipe_that_breaks_off_is_told", "reader")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    reader.stdin.take().unwrap().write_all(&bytes[..bytes.len() / 2]).unwrap();
    let output = reader.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success() && said.contains("1 passed"), "{said}");
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
    let mut child = in_own_process("pipes::memory_does_not_grow_with_length", "reader")
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
    assert!(child.wait().unwrap().success() && said.contains("1 passed"), "{said}");
}

/// The high-water mark of resident memory, proc(5) `VmHWM`.
#[cfg(target_os = "linux")]
fn peak_memory_kb() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}
