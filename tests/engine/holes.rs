//! What holes in a stream do to what comes after them.

use doublecheck::engine::Listener;
use doublecheck::engine::Take;
use doublecheck::units::SampleCount;

use super::LICK;
use super::PLAIN;
use super::hear;
use super::played;
use super::rate;
use super::support::nearest_midi;

/// After a hole the engine hears what a fresh one hears.
#[test]
fn what_was_heard_before_a_hole_is_forgotten() {
    let rate = rate(44_100);
    let samples = played(LICK, rate);
    let notes = |take: &Take, from: u64| {
        let strikes = take.strikes.iter().filter(|s| s.onset.0 >= from);
        let told = strikes.map(|strike| {
            let struck = strike.notes.iter().filter(|n| n.is_struck());
            struck.map(|n| nearest_midi(n.frequency.get())).collect::<Vec<_>>()
        });
        told.collect::<Vec<_>>()
    };
    let fresh = notes(&hear(&samples, rate), 0);
    let mut listener = Listener::new(rate);
    let before = &samples[..100_000];
    listener.push(before, |_| {});
    listener.gap(SampleCount(20_000), |_| {});
    listener.push(&samples, |_| {});
    let take = listener.finish(|_| {});
    assert_eq!(notes(&take, 120_000), fresh);
    assert_eq!(take.holes.len(), 1);
}

/// Holes of a single sample, fewer than make one of the decimated stream, leave the clock alone.
#[test]
fn many_small_holes_shift_no_strike() {
    for hz in [44_100, 48_000, 192_000] {
        let rate = rate(hz);
        let samples = played(PLAIN, rate);
        let onsets = |take: &Take| {
            take.strikes.iter().map(|strike| strike.onset.seconds(rate)).collect::<Vec<f64>>()
        };
        let whole = onsets(&hear(&samples, rate));
        assert_eq!(whole.len(), 4);
        for holes in [2, 3, 7] {
            let mut listener = Listener::new(rate);
            let n = hz as usize - 1;
            let spoilt = (0..n).map(|i| if i % holes == 1 { f32::NAN } else { 0.0 });
            listener.push(&spoilt.collect::<Vec<f32>>(), |_| {});
            listener.push(&samples, |_| {});
            let after = onsets(&listener.finish(|_| {}));
            assert_eq!(after.len(), 4, "{hz} Hz, every {holes} samples");
            for (whole, after) in whole.iter().zip(&after) {
                let off_s = after - n as f64 / f64::from(hz) - whole;
                assert!(off_s.abs() < 0.001, "{hz} Hz, every {holes} samples: {off_s} s");
            }
        }
    }
}

/// How samples come in pieces must not tell: a hole from one piece into the next is one hole.
#[test]
fn a_hole_over_the_border_of_two_chunks_is_one_hole() {
    let rate = rate(44_100);
    let mut samples = played(LICK, rate);
    samples[30_000..31_000].fill(f32::NAN);
    samples[50_000] = f32::INFINITY;
    for chunk in [64, 441, 4096, samples.len()] {
        let mut listener = Listener::new(rate);
        for chunk in samples.chunks(chunk) {
            listener.push(chunk, |_| {});
        }
        let holes: Vec<(u64, u64)> =
            listener.finish(|_| {}).holes.iter().map(|(at, lost)| (at.0, lost.0)).collect();
        assert_eq!(holes, [(30_000, 1_000), (50_000, 1)], "chunks of {chunk}");
    }
}
