//! What runs on the audio threads allocates nothing, even when everything goes wrong.
#![cfg(feature = "live")]
#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

use std::process::Command;

use assert_no_alloc::AllocDisabler;
use assert_no_alloc::assert_no_alloc;
use doublecheck::audio::ChannelChoice;
use doublecheck::audio::Chunk;
use doublecheck::audio::live::capture;
use doublecheck::audio::live::capture::Fault;
use doublecheck::audio::live::playback;
use doublecheck::audio::live::playback::Clip;
use doublecheck::audio::live::playback::Told;
use doublecheck::units::SampleRate;

#[global_allocator]
static GUARD: AllocDisabler = AllocDisabler;

fn rate() -> SampleRate {
    SampleRate::new(48_000).unwrap()
}

#[test]
fn the_input_callback_does_not_allocate_even_when_it_overflows() {
    let (mut sender, mut receiver) = capture::channel_of(100, rate(), 2, ChannelChoice::Mix, 0);
    let counters = receiver.counters().clone();
    let (floats, shorts) = ([0.5_f32; 64], [1_000_i16; 64]);
    assert_no_alloc(|| {
        for _ in 0..10 {
            sender.forward(&floats, 0.0); // overflows in the second round
            sender.forward(&shorts, 0.0);
            counters.note_error(cpal::ErrorKind::BackendError);
            counters.note_error(cpal::ErrorKind::StreamInvalidated);
            counters.note_error(cpal::ErrorKind::DeviceNotAvailable);
        }
    });
    let (mut heard, mut lost) = (0, 0);
    receiver.pump(|chunk| match chunk {
        Chunk::Samples(samples) => heard += samples.len() as u64,
        Chunk::Gap(gap) => lost += gap.0,
    });
    assert_eq!((heard, lost), (100, 540), "it did overflow, and everything is accounted for");
    assert_eq!(counters.fault(), Some(Fault::Changed), "the first fault stays");
    assert_eq!(counters.grumbles(), 10);
}

#[test]
fn the_output_callback_neither_allocates_nor_frees() {
    let (mut player, mut feeder) = playback::channel(rate(), 2);
    for number in 0..8 {
        feeder.queue(Clip { number, samples: vec![0.5; 100].into() }).unwrap();
    }
    let (mut floats, mut shorts) = ([0.0_f32; 256], [0_i16; 256]);
    assert_no_alloc(|| {
        for _ in 0..5 {
            player.fill(&mut floats, 0.0);
            player.fill(&mut shorts, 0.0);
        }
    });
    let over = std::iter::from_fn(|| feeder.told()).filter(|told| matches!(told, Told::Over(_)));
    assert_eq!(over.count(), 8, "all were played and came back to be freed here");
}

/// The guard aborts the process, so a child must die of it.
#[test]
fn the_guard_against_allocation_guards() {
    const CHILD: &str = "LIVE_CALLBACK_CHILD";
    if std::env::var_os(CHILD).is_some() {
        assert_no_alloc(|| drop(std::hint::black_box(vec![0_u8; 100])));
        return;
    }
    let child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "the_guard_against_allocation_guards"])
        .env(CHILD, "1")
        .output()
        .unwrap();
    assert!(!child.status.success(), "an allocation went unnoticed");
}
