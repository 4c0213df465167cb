//! How fast the ear is: audio seconds a second on one core, the worst single `push`, peak memory.
#![allow(missing_docs, clippy::print_stdout)]
#![expect(clippy::disallowed_methods, reason = "a bench of speed reads the clock")]

mod support;

use std::time::Duration;
use std::time::Instant;

use doublecheck::engine::Engine;
use doublecheck::engine::Settings;
use doublecheck::theory::note::Reference;
use doublecheck::units::SampleRate;
use support::cases::Placed;
use support::cases::Random;
use support::cases::mix;
use support::corpus::RATE;
use support::corpus::synthetic_set;

fn main() {
    let quick = !std::env::args().any(|a| a == "--bench");
    let mut random = Random(1);
    let set = synthetic_set(&mut random);
    let seconds = if quick { 2.0 } else { 60.0 };
    // Double stops in eighths at 110 a minute.
    let gap = 60.0 / 110.0 / 2.0;
    let mut placed = Vec::new();
    let mut at = 0.2;
    while at + gap < seconds {
        let low = 48 + random.below(20) as i32;
        for midi in [low, low + [3, 4, 5, 8, 9][random.below(5)]] {
            if let Some(note) = set.pick(midi, &mut random) {
                placed.push(Placed { note, start_s: at, end_s: at + gap, gain_db: 0.0 });
            }
        }
        at += gap;
    }
    let samples = mix(&placed, seconds, Some(45.0), &mut random);
    let rate = SampleRate::new(RATE).expect("positive");
    let mut engine = Engine::new(Settings { rate, reference: Reference::default() });
    let (mut worst, mut strikes) = (Duration::ZERO, 0);
    let began = Instant::now();
    for block in samples.chunks(441) {
        let pushed = Instant::now();
        engine.push(block, |event| {
            strikes += usize::from(matches!(event, doublecheck::engine::Event::Strike(_)));
        });
        worst = worst.max(pushed.elapsed());
    }
    engine.finish(|_| {});
    let spent = began.elapsed().as_secs_f64();
    println!("{seconds:.0} s of double stops in eighths, {strikes} events");
    println!("{:.0} times real time on one core (target 300)", seconds / spent);
    println!("worst push of 10 ms: {:.2} ms", worst.as_secs_f64() * 1000.0);
    if let Some(peak) = peak_memory_mb() {
        println!("peak memory of this process, the audio itself included: {peak} MB (target 64)");
    }
}

/// Largest resident set so far, as Linux tells it.
fn peak_memory_mb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse::<u64>().ok().map(|kb| kb / 1024)
}
