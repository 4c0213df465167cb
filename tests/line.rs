//! Lines of stiff strings: windows against integrals, pitches against the bound that noise sets, and
//! a string whose first partial lies off its line.

mod support;

use std::f64::consts::PI;
use std::f64::consts::TAU;

use doublecheck::dsp::spectrum::Window;
use doublecheck::engine::HeardPitch;
use doublecheck::engine::Listener;
use doublecheck::synth::random::Random;
use support::cd_rate;
use support::cents;

const RATE: f64 = 44_100.0;
const SILENCE_S: f64 = 0.3;
const LENGTH_S: f64 = 1.4;
const N_PARTIALS: usize = 10;
/// Standard deviation of the noise.
const NOISE: f64 = 0.001;
const LOUDNESS: f64 = 0.2;

/// A stiff string's partial `n`: Fletcher 1964, over partial 1.
fn partial_hz(f1: f64, stiffness: f64, n: usize) -> f64 {
    let square = (n * n) as f64;
    n as f64 * f1 * ((1.0 + stiffness * square) / (1.0 + stiffness)).sqrt()
}

/// The first note heard in a tone of ten partials `LOUDNESS / n` that neither decays nor glides, its
/// first partial moved by `off_cents`, in white noise.
fn hear(f1: f64, stiffness: f64, off_cents: f64, seed: u64) -> Option<HeardPitch> {
    let mut random = Random::new(seed, 0);
    let samples: Vec<f32> = (0..((SILENCE_S + LENGTH_S) * RATE) as usize)
        .map(|i| {
            let at_s = i as f64 / RATE - SILENCE_S;
            let partial = |n: usize| {
                let off = if n == 1 { (off_cents / 1200.0).exp2() } else { 1.0 };
                let turn = TAU * off * partial_hz(f1, stiffness, n) * at_s + (n * n) as f64;
                LOUDNESS / n as f64 * turn.sin()
            };
            let tone: f64 = if at_s < 0.0 { 0.0 } else { (1..=N_PARTIALS).map(partial).sum() };
            (tone + NOISE * random.normal()) as f32
        })
        .collect();
    let mut listener = Listener::new(cd_rate());
    listener.push(&samples, |_| ());
    let take = listener.finish(|_| ());
    let notes = &take.strikes.first()?.notes;
    notes.iter().find(|n| cents(n.frequency.get(), f1).abs() < 50.0).copied()
}

/// `∫ w(t) cos(2πxt) dt / ∫ w dt` over a window that falls over `taper` of its length, added up.
fn transform(taper: f64, x: f64) -> f64 {
    const STEPS: usize = 20_000;
    let [mut sum, mut all] = [0.0; 2];
    for i in 0..STEPS {
        let t = (i as f64 + 0.5) / STEPS as f64;
        let edge = t.min(1.0 - t) / (0.5 * taper);
        let weight = if edge < 1.0 { 0.5 - 0.5 * (PI * edge).cos() } else { 1.0 };
        sum += weight * (TAU * x * (t - 0.5)).cos();
        all += weight;
    }
    sum / all
}

#[test]
fn windows_have_the_transforms_that_they_say() {
    for (window, taper) in [(Window::Hann, 1.0), (Window::Flat, 0.15)] {
        for x in [0.0, 0.3, 1.0, 1.7, 2.5, 1.0 / 0.15, 7.9] {
            let (told, added) = (window.kernel(x), transform(taper, x));
            assert!((told - added).abs() < 1e-5, "{window:?} at {x}: {told}, {added}");
        }
    }
}

/// The bound for first partial and stiffness together, from the Fisher information of sinusoids in
/// white noise (S. M. Kay, *Estimation Theory*, 1993, ch. 3): partial n alone tells its frequency to
/// `24 σ² / (A_n² N (N² − 1))`, radians a sample, squared.
fn bound_cents(f1: f64, stiffness: f64) -> f64 {
    let n = (LENGTH_S * RATE).floor();
    let [mut ff, mut fb, mut bb] = [0.0; 3];
    for l in 1..=N_PARTIALS {
        let amplitude = LOUDNESS / l as f64;
        let information = amplitude * amplitude * n * (n * n - 1.0) / (24.0 * NOISE * NOISE);
        let at = |f1: f64, b: f64| TAU / RATE * partial_hz(f1, b, l);
        let by_f = (at(f1 * 1.0001, stiffness) - at(f1, stiffness)) / (1e-4 * f1);
        let by_b = (at(f1, stiffness * 1.0001) - at(f1, stiffness)) / (1e-4 * stiffness);
        ff += information * by_f * by_f;
        fb += information * by_f * by_b;
        bb += information * by_b * by_b;
    }
    let variance = bb / (ff * bb - fb * fb);
    1200.0 / 2_f64.ln() * variance.sqrt() / f1
}

/// B as of an A2, a G3 and an E4 string (../shared/design/hearing.md).
#[test]
fn a_pitch_in_noise_is_known_nearly_as_well_as_it_can_be() {
    for (f1, stiffness) in [(110.0, 8e-5), (196.0, 1e-4), (329.6, 2e-5)] {
        let trials = (0..8_u32).map(|seed| {
            let f1 = f1 * (2.0 * f64::from(seed) / 1200.0).exp2();
            let heard = hear(f1, stiffness, 0.0, seed.into()).expect("a note");
            (cents(heard.frequency.get(), f1) / bound_cents(f1, stiffness)).powi(2)
        });
        let times = (trials.sum::<f64>() / 8.0).sqrt();
        assert!(times < 2.5, "{f1} Hz: {times} times the bound");
    }
}

#[test]
fn a_first_partial_off_its_line_does_not_draw_it() {
    for (f1, stiffness) in [(110.0, 8e-5), (261.6, 1.6e-4), (329.6, 2e-5)] {
        for off in [-2.5, 2.5] {
            let heard = hear(f1, stiffness, off, 5).expect("a note");
            let error = cents(heard.frequency.get(), f1);
            let told = heard.error_cents.expect("an error");
            assert!(error.abs() < 1.5 && error.abs() < 2.0 * told, "{f1} {off}: {error} ± {told}");
        }
    }
}
