//! Two strings through an overdriven amplifier: what it adds is told as no string. Bending a waveform adds tones
//! at sums and differences of multiples of its frequencies (H. von Helmholtz, *Die Lehre von den
//! Tonempfindungen*, 1863; the sums of `cos a · cos b = ½ cos(a − b) + ½ cos(a + b)`); that a tube's curve is
//! much like a hyperbolic tangent, its two sides a little unlike, is common practice.

mod support;

use std::f64::consts::TAU;

use doublecheck::lick;
use doublecheck::practice::judge;
use doublecheck::practice::judge::judge_take;
use doublecheck::practice::verdict::Verdict;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::units::SampleRate;

/// Silence before a strike, in seconds.
const BEFORE_S: f64 = 0.5;

/// `samples` through an amplifier whose gain lifts their peak `drive_db` above where it would clip.
fn amplified(samples: &[f64], drive_db: f64) -> Vec<f32> {
    let peak = samples.iter().fold(0.0_f64, |peak, s| peak.max(s.abs()));
    let gain = 10_f64.powf(drive_db / 20.0) / peak;
    let rest = 0.2_f64.tanh();
    samples.iter().map(|s| (0.5 * ((gain * s + 0.2).tanh() - rest)) as f32).collect()
}

/// Strings at these MIDI numbers, struck at [`BEFORE_S`] and held for a second and a half.
fn struck(midi: &[f64], rate: SampleRate) -> Vec<f64> {
    let string = |midi: f64, since: f64| -> f64 {
        let hz = 440.0 * ((midi - 69.0) / 12.0).exp2();
        let stiff = |n: f64| n * hz * (1.0 + 4e-5 * n * n);
        let partial =
            |n: f64| (-since * (1.0 + 0.3 * n)).exp() / n * (TAU * stiff(n) * since + n * n).sin();
        (1..=12).map(|n| partial(f64::from(n))).sum()
    };
    let n = rate.samples_in(BEFORE_S + 1.5).0;
    (0..n)
        .map(|i| {
            let since = i as f64 / f64::from(rate.get()) - BEFORE_S;
            if since < 0.0 { 0.0 } else { midi.iter().map(|&midi| string(midi, since)).sum() }
        })
        .collect()
}

/// MIDI numbers of what is told as struck.
fn heard(samples: &[f32], rate: SampleRate) -> Vec<i32> {
    let take = support::listened(samples, rate);
    let struck = take.strikes.iter().flat_map(|s| &s.notes).filter(|note| note.is_struck());
    struck.map(|note| support::nearest_midi(note.frequency.get())).collect()
}

#[test]
fn what_an_amplifier_makes_of_two_strings_is_no_string() {
    let rate = SampleRate::new(44_100).unwrap();
    // Fourths, thirds, sixths, a tenth and a tone, a few cents out of tune as fretted strings are.
    let intervals = [
        [58.0, 63.04],
        [71.03, 76.0],
        [62.0, 66.0],
        [60.0, 69.0],
        [58.04, 66.98],
        [55.0, 71.0],
        [69.0, 71.0],
    ];
    for midi in intervals {
        for drive_db in [0.0, 6.0] {
            let told = heard(&amplified(&struck(&midi, rate), drive_db), rate);
            assert_eq!(told, midi.map(|m| m.round() as i32), "{midi:?} driven {drive_db} dB");
        }
    }
}

#[test]
fn a_low_string_through_an_amplifier_is_one() {
    let rate = SampleRate::new(44_100).unwrap();
    for midi in [40.0, 45.0, 50.0] {
        let told = heard(&amplified(&struck(&[midi], rate), 6.0), rate);
        assert_eq!(told, [midi as i32]);
    }
}

#[test]
fn a_lick_through_an_amplifier_is_judged_as_it_is_without() {
    let rate = SampleRate::new(48_000).unwrap();
    for name in ["slate-staircase", "orchard-gate-thirds"] {
        let expected = lick::find(name).unwrap().expected();
        let sound = Performance::new(&expected, &Manner::default());
        let clean: Vec<f64> =
            sound.render(rate, &Room::noisy(45.0), 3).into_iter().map(f64::from).collect();
        for drive_db in [3.0, 9.0] {
            let take = support::listened(&amplified(&clean, drive_db), rate);
            let judgement = judge_take(&expected, &take, &judge::Settings::default());
            for step in &judgement.steps {
                let place = format!("{name} driven {drive_db} dB, step {}", step.step);
                assert_eq!(step.verdict, Verdict::Right, "{place}: {:?}", step.heard);
            }
        }
    }
}
