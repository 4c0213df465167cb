//! Struck or ringing on, told from sums of sines made here. What they must do follows from the Fourier
//! shift theorem (R. N. Bracewell, *The Fourier Transform and Its Applications*): a sine left alone turns
//! by 2πfΔt between two stretches Δt apart.

use std::f64::consts::LN_2;
use std::f64::consts::TAU;

use doublecheck::dsp::spectrum::Transformer;
use doublecheck::pitch::fit::Fitter;
use doublecheck::pitch::struck::Change;
use doublecheck::pitch::struck::Partials;
use doublecheck::pitch::tone::Tone;

const RATE_HZ: f64 = 11_025.0;
const STRIKE_S: f64 = 0.4;
/// Stretches before and after the strike.
const BEFORE_S: [f64; 2] = [0.304, 0.394];
const AFTER_S: [f64; 2] = [0.415, 0.565];
const N_PARTIALS: usize = 8;
/// A guitarist's vibrato (common practice).
const VIBRATO_HZ: f64 = 5.0;

/// Partials that die away, with phases that follow from `seed`.
struct Pluck {
    tone: Tone,
    start_s: f64,
    end_s: f64,
    level: f64,
    seed: f64,
    /// A vibrato up to the strike, of so many cents either way.
    vibrato_cents: f64,
}

impl Pluck {
    /// One that rings on to the end, its pitch still.
    fn ringing(tone: Tone, start_s: f64, level: f64, seed: f64) -> Self {
        Self { tone, start_s, end_s: f64::INFINITY, level, seed, vibrato_cents: 0.0 }
    }

    fn at(&self, t: f64) -> f64 {
        if !(self.start_s..self.end_s).contains(&t) {
            return 0.0;
        }
        let swing = self.vibrato_cents / 1200.0 * LN_2 / (TAU * VIBRATO_HZ);
        let since = t - self.start_s + swing * (TAU * VIBRATO_HZ * t.min(STRIKE_S)).sin();
        (1..=N_PARTIALS)
            .map(|n| {
                let phase = TAU * (self.seed * (n * n) as f64).fract();
                let decay = (-since * (1.0 + 0.5 * n as f64)).exp();
                self.level / n as f64 * decay * (TAU * self.tone.partial(n) * since + phase).cos()
            })
            .sum()
    }
}

/// The partials of `tones` before and after the strike in the sum of `plucks`, and how far apart, in
/// seconds, they were heard.
fn partials(tones: &[Tone], plucks: &[Pluck]) -> (Partials, Partials, f64) {
    let n = (0.7 * RATE_HZ) as usize;
    let sample = |i: usize| {
        let t = i as f64 / RATE_HZ;
        // A little noise, or ratios would be infinite.
        let noise = 1e-4 * (TAU * ((i * i % 7919) as f64 / 7919.0)).sin();
        (plucks.iter().map(|pluck| pluck.at(t)).sum::<f64>() + noise) as f32
    };
    let samples: Vec<f32> = (0..n).map(sample).collect();
    let mut transformer = Transformer::new(RATE_HZ, n);
    let mut spectrum = transformer.make_spectrum();
    let mut fitter = Fitter::new(spectrum.bins.capacity());
    let mut partials = |[from_s, to_s]: [f64; 2]| {
        let at = |s: f64| (s * RATE_HZ) as usize;
        transformer.transform(&samples[at(from_s)..at(to_s)], &mut spectrum);
        fitter.fit(&spectrum, tones, 0);
        Partials::of(&fitter, &spectrum)
    };
    let (before, after) = (partials(BEFORE_S), partials(AFTER_S));
    let middle = |stretch: [f64; 2]| 0.5 * (stretch[0] + stretch[1]);
    (before, after, middle(AFTER_S) - middle(BEFORE_S))
}

/// How each of `tones` changed in the sum of `plucks`.
fn changes(tones: &[Tone], plucks: &[Pluck]) -> Vec<Change> {
    let (before, after, apart_s) = partials(tones, plucks);
    (0..tones.len()).map(|t| after.change(&before, t, apart_s)).collect()
}

fn odds(change: &Change) -> f64 {
    change.log_odds().expect("its partials are heard")
}

/// A2 rings from before, with a vibrato; at the strike D3 is struck, and A2 as `again` says.
fn strike(vibrato_cents: f64, again: Option<Pluck>) -> Vec<Change> {
    let (low, high) = (Tone::at(110.0), Tone::at(146.83));
    let end_s = if again.is_some() { STRIKE_S - 0.02 } else { f64::INFINITY };
    let ringing = Pluck { end_s, vibrato_cents, ..Pluck::ringing(low, 0.05, 0.2, 0.37) };
    let struck = Pluck::ringing(high, STRIKE_S, 0.2, 0.71);
    let plucks: Vec<Pluck> = [ringing, struck].into_iter().chain(again).collect();
    changes(&[low, high], &plucks)
}

#[test]
fn what_nobody_touches_rings_on_and_what_comes_from_nothing_was_struck() {
    let [low, high] = strike(0.0, None)[..] else { panic!("two tones") };
    assert!(odds(&low) < -4.0, "it rings on: {low:?}");
    assert!(odds(&high) > 4.0, "it was struck: {high:?}");
}

#[test]
fn what_a_vibrato_moved_rings_on() {
    for cents in [3.0, 6.0, 10.0] {
        let low = strike(cents, None)[0];
        assert!(odds(&low) < -2.0, "{cents} cents: {low:?}");
    }
}

#[test]
fn a_string_struck_again_as_loud_as_it_still_was_is_known_by_its_phases() {
    let tone = Tone::at(110.0);
    // What is left of it after 0.35 s, in its first partial.
    let level = 0.2 * (-0.35_f64 * 1.5).exp();
    for seed in [0.11, 0.23, 0.59, 0.83] {
        let again = Pluck::ringing(tone, STRIKE_S - 0.003, level, seed);
        let low = strike(0.0, Some(again))[0];
        assert!(odds(&low) > 1.0, "seed {seed}: {low:?}");
        assert!(low.phases > 5.0, "seed {seed}: {low:?}");
    }
}

#[test]
fn what_was_struck_on_multiples_of_what_rings_is_told_by_these_alone() {
    let low = Tone::at(110.0);
    let ringing = |multiple: usize| -> [Pluck; 2] {
        let above = Tone { f1: low.partial(multiple), ..low };
        [Pluck::ringing(low, 0.05, 0.2, 0.37), Pluck::ringing(above, STRIKE_S, 0.1, 0.71)]
    };
    for multiple in [2, 3] {
        let (before, after, apart_s) = partials(&[low], &ringing(multiple));
        let other = if multiple == 2 { 3 } else { 4 };
        assert!(odds(&after.change_above(&before, 0, multiple, apart_s)) > 1.0, "{multiple}");
        assert!(odds(&after.change_above(&before, 0, other, apart_s)) < 0.0, "{multiple}");
        let beside = odds(&after.change_beside(&before, 0, multiple, apart_s));
        let all = odds(&after.change(&before, 0, apart_s));
        assert!(beside < 0.0 && beside < all - 1.0, "{multiple}: {beside} of {all}");
        assert!((after.hz(0, multiple) - low.partial(multiple)).abs() < 0.5, "{multiple}");
    }
}

#[test]
fn nothing_is_said_of_what_is_not_heard() {
    let high = Tone::at(880.0);
    let low = Pluck { end_s: 0.2, ..Pluck::ringing(Tone::at(110.0), 0.05, 0.2, 0.37) };
    assert_eq!(changes(&[high], &[low])[0].log_odds(), None);
}
