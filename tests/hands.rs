//! What hands do beside striking strings: fingers are heard on wound strings before the next strike, and move
//! the pitch of what is held. What was played is known, for it is synthesised; how such a noise sounds (2 to
//! 5 kHz, a tenth of a second, 20 dB below the guitar) and what a vibrato is (5 Hz) are common practice.

mod support;

use std::f64::consts::LN_2;
use std::f64::consts::PI;
use std::f64::consts::TAU;

use doublecheck::lick;
use doublecheck::practice::judge;
use doublecheck::practice::judge::judge_take;
use doublecheck::practice::verdict::Verdict;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::units::SampleRate;

/// Silence before a performance, in seconds.
const BEFORE_S: f64 = 0.5;
/// A finger is heard for so long, so long before the strike, so loud against the loudest sample.
const NOISE_S: f64 = 0.08;
const GAP_S: f64 = 0.02;
const LEVEL: f32 = 0.1;

/// A finger on a wound string: many partials that belong to nothing, swelling and fading.
fn finger(rate: SampleRate) -> Vec<f32> {
    let n = rate.samples_in(NOISE_S).0 as usize;
    let partial = |k: u32, at_s: f64| {
        // The golden ratio scatters frequencies and phases.
        let part = (0.618_033_988_75 * f64::from(k)).fract();
        (TAU * ((2000.0 + 3000.0 * part) * at_s + 7.0 * part)).sin()
    };
    (0..n)
        .map(|i| {
            let at_s = i as f64 / f64::from(rate.get());
            let swell = (PI * at_s / NOISE_S).sin().sqrt();
            let sum: f64 = (1..=60).map(|k| partial(k, at_s)).sum();
            (swell * sum / 10.0) as f32
        })
        .collect()
}

#[test]
fn a_finger_heard_before_a_strike_moves_no_strike_and_no_verdict() {
    let rate = SampleRate::new(48_000).unwrap();
    for name in ["slate-staircase", "orchard-gate-thirds"] {
        let expected = lick::find(name).unwrap().expected();
        let sound = Performance::new(&expected, &Manner::default());
        let before = vec![0.0; rate.samples_in(BEFORE_S).0 as usize];
        let mut samples = [before, sound.render(rate, &Room::noisy(45.0), 3)].concat();
        let loudest = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
        let begins_s: Vec<f64> = expected
            .steps
            .iter()
            .filter(|step| !step.struck.is_empty())
            .map(|step| BEFORE_S + step.start_beats * 60.0 / expected.tempo_bpm)
            .collect();
        for begin_s in &begins_s {
            let from = rate.samples_in(begin_s - GAP_S - NOISE_S).0 as usize;
            let places = samples[from..].iter_mut().zip(finger(rate));
            places.for_each(|(sample, noise)| *sample += LEVEL * loudest * noise);
        }
        let take = support::listened(&samples, rate);
        let judgement = judge_take(&expected, &take, &judge::Settings::default());
        assert_eq!(judgement.steps.len(), begins_s.len(), "{name}");
        for (step, begin_s) in judgement.steps.iter().zip(&begins_s) {
            assert_eq!(step.verdict, Verdict::Right, "{name}, step {}", step.step);
            let off_s = step.start_s.unwrap() - begin_s;
            assert!(off_s.abs() < 0.03, "{name}, step {}: {off_s} s", step.step);
        }
    }
}

/// A vibrato begins so long after the strike, in seconds.
const VIBRATO_FROM_S: f64 = 0.25;
const VIBRATO_HZ: f64 = 5.0;

/// Two strings struck at [`BEFORE_S`] and held for a second and a half with a vibrato of `cents` either way.
fn held(hz: [f64; 2], cents: f64, rate: SampleRate) -> Vec<f32> {
    let swing = cents / 1200.0 * LN_2 / (TAU * VIBRATO_HZ);
    let string = |hz: f64, since: f64| -> f64 {
        let moving = (since - VIBRATO_FROM_S).max(0.0);
        let at_s = since + swing * (1.0 - (TAU * VIBRATO_HZ * moving).cos());
        let partial =
            |n: f64| (-since * (1.0 + 0.3 * n)).exp() / n * (TAU * n * hz * at_s + n * n).sin();
        (1..=12).map(|n| partial(f64::from(n))).sum()
    };
    let sample = |i: u64| {
        let since = i as f64 / f64::from(rate.get()) - BEFORE_S;
        // A little noise, for nothing is as silent as zeros.
        let noise = 1e-4 * (TAU * ((i * i % 7919) as f64 / 7919.0)).sin();
        let sound = if since < 0.0 { 0.0 } else { hz.iter().map(|&hz| string(hz, since)).sum() };
        (0.2 * sound + noise) as f32
    };
    (0..rate.samples_in(BEFORE_S + 1.5).0).map(sample).collect()
}

/// Heard over more than its first swing, each string would look like several.
#[test]
fn a_vibrato_makes_no_other_notes() {
    let rate = SampleRate::new(48_000).unwrap();
    for (notes, hz) in
        [([57, 66], [220.0, 369.99]), ([60, 64], [261.63, 329.63]), ([50, 55], [146.83, 196.0])]
    {
        for cents in [0.0, 15.0, 30.0] {
            let take = support::listened(&held(hz, cents, rate), rate);
            let heard: Vec<Vec<i32>> = take
                .strikes
                .iter()
                .map(|strike| {
                    strike
                        .likely_struck(take.rate)
                        .map(|(note, _)| support::nearest_midi(note.frequency.get()))
                        .collect()
                })
                .collect();
            assert_eq!(heard, [notes], "{cents} cents");
        }
    }
}
