//! One string: a strike and what is done to it until it is damped, as a sum of partials.
//!
//! **Conventions.** Partial `n` of a string whose first partial is `f1` lies at
//!
//! ```text
//! f_n = n · f1 · √((1 + B n²) / (1 + B))
//! ```
//!
//! so that `f1` is exactly what was asked for. Every partial is a phasor turned once a sample; pitch
//! and amplitude are set anew every `CONTROL_S`, the amplitude running straight in between.
//! **Limits.** Partials above 45 % of the sample rate are left out.

use std::f64::consts::PI;
use std::f64::consts::TAU;

use super::random::Random;
use crate::units::Cents;
use crate::units::Hertz;
use crate::units::SampleRate;

/// How often pitch and amplitude are set; also the rise time of an attack.
const CONTROL_S: f64 = 0.0015;
/// Time constant with which a string struck sharp relaxes: 95 % of the way in 210 ms.
const GLIDE_S: f64 = 0.07;
/// Time in which a damped string falls by 60 dB: a finger laid down (from memory).
const DAMPED_S: f64 = 0.08;
/// Amplitude that no longer matters: a thirtieth of the last bit of a 16-bit file.
const INAUDIBLE: f64 = 1e-6;
/// Decay rate of partial `n` is `1 + DAMPING · (n − 1)` times that of the first: the loss per period
/// stays nearly the same, as internal friction has it, on top of a constant loss.
const DAMPING: f64 = 0.15;
/// What air and friction take from higher partials besides, growing with the square of the
/// frequency: at 5 kHz, 60 dB in half a second (from memory). The first partial is spared, its
/// decay being given.
const HIGH_DECAY_S_AT_5_KHZ: f64 = 0.5;
/// Peak of the noise of plectrum or nail, relative to the level of the strike.
const ATTACK_NOISE: f64 = 0.05;
/// Time constant of that noise.
const ATTACK_NOISE_S: f64 = 0.004;
/// Partials computed side by side.
const LANES: usize = 4;
/// More partials than anyone hears of a guitar.
const MOST_PARTIALS: usize = 60;

/// A string struck once, until it is damped.
#[derive(Debug, Clone, PartialEq)]
pub struct PluckedNote {
    /// When it is struck.
    pub start_s: f64,
    /// How long until it is damped.
    pub length_s: f64,
    /// The first partial, once a hard strike has settled.
    pub frequency: Hertz,
    /// Stiffness of the string, `B`; 0 for an ideally limp string.
    pub stiffness: f64,
    /// Peak of the first period, full scale being 1.
    pub level: f64,
    /// Where it is struck, as a share of the sounding length from either end, 0–0.5.
    pub pluck_position: f64,
    /// How sharp the strike begins, in cents.
    pub glide_cents: f64,
    /// Time in which the first partial falls by 60 dB while the string rings.
    pub decay_s: f64,
    /// 0 (flesh of the thumb, over the neck) to 1 (plectrum, near the bridge).
    pub brightness: f64,
    /// Later changes of pitch of the same string, in order of time.
    pub path: Vec<PitchPoint>,
}

/// A change of pitch while a string sounds: slide, bend, hammer-on, pull-off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PitchPoint {
    /// When it begins, in seconds after the strike.
    pub at_s: f64,
    /// How long it takes to arrive; 0 for a hammer-on.
    pub lasting_s: f64,
    /// Where it arrives, in cents above the `frequency` of the note.
    pub cents: f64,
    /// Level of the energy that it brings, relative to the strike; 0 for a slide or a bend.
    pub excitation: f64,
}

struct Partial {
    frequency_hz: f64,
    /// As struck.
    amplitude: f64,
    /// What is left of the amplitude after a control period.
    kept: f64,
}

/// Partials side by side, so that the processor can turn several at once.
#[derive(Default)]
struct Bank {
    re: [f64; LANES],
    im: [f64; LANES],
    turn_re: [f64; LANES],
    turn_im: [f64; LANES],
    amplitude: [f64; LANES],
    /// Cents above the settled pitch that `turn_re` and `turn_im` stand for.
    tuned_to: Option<f64>,
}

impl Bank {
    fn is_audible(&self) -> bool {
        self.amplitude.iter().any(|amplitude| amplitude.abs() > INAUDIBLE)
    }

    fn turn_by(&mut self, lane: usize, radians_a_sample: f64) {
        (self.turn_im[lane], self.turn_re[lane]) = radians_a_sample.sin_cos();
    }

    /// Adds one control period to `samples`, the amplitudes running straight to `target`.
    fn add_to(&mut self, samples: &mut [f32], period: f64, target: [f64; LANES]) {
        let step: [f64; LANES] =
            std::array::from_fn(|lane| (target[lane] - self.amplitude[lane]) / period);
        for sample in samples {
            let mut sum = 0.0;
            for lane in 0..LANES {
                sum += self.amplitude[lane] * self.im[lane];
            }
            *sample += sum as f32;
            for (lane, step) in step.iter().enumerate() {
                let (re, im) = (self.re[lane], self.im[lane]);
                self.re[lane] = re * self.turn_re[lane] - im * self.turn_im[lane];
                self.im[lane] = re * self.turn_im[lane] + im * self.turn_re[lane];
                self.amplitude[lane] += step;
            }
        }
        self.amplitude = target;
    }
}

impl PluckedNote {
    /// The same note tuned `offset` away: one string out of tune, or the whole guitar.
    #[must_use]
    pub fn detuned(mut self, offset: Cents) -> Self {
        self.frequency = self.frequency.raised(offset);
        self
    }

    /// When nothing is left of it: the damping and its 60 dB counted.
    pub fn end_s(&self) -> f64 {
        self.start_s + self.length_s + DAMPED_S
    }

    /// Adds the note to `samples`, the first of which is at time 0.
    pub(super) fn add_to(&self, samples: &mut [f32], rate: SampleRate, random: &mut Random) {
        let rate = f64::from(rate.get());
        let period = (CONTROL_S * rate).round().max(1.0);
        let period_s = period / rate;
        let partials = self.partials(rate, period_s);
        let first = (self.start_s * rate).ceil().max(0.0);
        if first >= samples.len() as f64 {
            return;
        }
        let samples = &mut samples[first as usize..];
        // What is struck between two samples is already a little way on at the second.
        let lead_s = first / rate - self.start_s;
        self.add_noise(samples, rate, random);

        let mut banks: Vec<Bank> =
            (0..partials.len().div_ceil(LANES)).map(|_| Bank::default()).collect();
        for (n, partial) in partials.iter().enumerate() {
            let (bank, lane) = (&mut banks[n / LANES], n % LANES);
            (bank.im[lane], bank.re[lane]) = (TAU * partial.frequency_hz * lead_s).sin_cos();
        }
        let kept_when_damped = (-1000_f64.ln() * period_s / DAMPED_S).exp();
        for (index, samples) in samples.chunks_mut(period as usize).enumerate() {
            let now_s = lead_s + index as f64 * period_s;
            let next_s = lead_s + (index + 1) as f64 * period_s;
            let cents = self.cents_at(now_s + 0.5 * period_s);
            let turn = TAU / rate * (cents / 1200.0).exp2();
            let brought = self.excitation_between(now_s, next_s, index == 0);
            let kept = if now_s < self.length_s { 1.0 } else { kept_when_damped };
            let mut sounds = false;
            for (bank, partials) in banks.iter_mut().zip(partials.chunks(LANES)) {
                let mut target = [0.0; LANES];
                for ((target, now), partial) in target.iter_mut().zip(bank.amplitude).zip(partials)
                {
                    *target = now * partial.kept * kept + brought * partial.amplitude;
                }
                // A bank gone silent stops turning: nobody can tell where it takes up again.
                if brought == 0.0 && !bank.is_audible() {
                    continue;
                }
                sounds = true;
                if bank.tuned_to != Some(cents) {
                    bank.tuned_to = Some(cents);
                    for (lane, partial) in partials.iter().enumerate() {
                        bank.turn_by(lane, turn * partial.frequency_hz);
                    }
                }
                bank.add_to(samples, period, target);
            }
            if !sounds && self.path.iter().all(|point| point.at_s < now_s) {
                break;
            }
        }
    }

    /// Pitch above the settled frequency, `at_s` seconds after the strike.
    fn cents_at(&self, at_s: f64) -> f64 {
        let glide = self.glide_cents * (-at_s / GLIDE_S).exp();
        let settled = if glide.abs() < 0.01 { 0.0 } else { glide };
        self.path.iter().filter(|point| point.at_s <= at_s).fold(0.0, |from, point| {
            let done = ((at_s - point.at_s) / point.lasting_s.max(1e-9)).min(1.0);
            from + (point.cents - from) * done * done * (3.0 - 2.0 * done)
        }) + settled
    }

    /// Energy brought within a control period: the strike itself, hammer-ons, pull-offs.
    fn excitation_between(&self, now_s: f64, next_s: f64, struck: bool) -> f64 {
        let later = self.path.iter().filter(|p| (now_s..next_s).contains(&p.at_s));
        f64::from(struck) + later.map(|point| point.excitation).sum::<f64>()
    }

    fn partials(&self, rate: f64, period_s: f64) -> Vec<Partial> {
        let stretch = |n: f64| n * ((1.0 + self.stiffness * n * n) / (1.0 + self.stiffness)).sqrt();
        let highest_cents = self.path.iter().map(|point| point.cents).fold(0.0, f64::max);
        let highest_hz = 0.45 * rate / ((highest_cents + self.glide_cents) / 1200.0).exp2();
        // The velocity of a string pulled aside falls as 1/n; a soft or broad plectrum rounds it.
        let slope = 2.0 - 0.8 * self.brightness;
        let mut partials: Vec<Partial> = (1..=MOST_PARTIALS)
            .map(|n| n as f64)
            .map(|n| (n, self.frequency.get() * stretch(n)))
            .take_while(|&(_, frequency_hz)| frequency_hz < highest_hz)
            .map(|(n, frequency_hz)| Partial {
                frequency_hz,
                amplitude: (n * PI * self.pluck_position).sin() / n.powf(slope)
                    * body(frequency_hz),
                kept: (-period_s * self.decay(n, frequency_hz)).exp(),
            })
            .collect();
        let peak = peak_of_first_period(&partials);
        if peak > 0.0 {
            partials.iter_mut().for_each(|partial| partial.amplitude *= self.level / peak);
        }
        partials
    }

    /// Amplitude that partial `n` loses, in nepers a second.
    fn decay(&self, n: f64, frequency_hz: f64) -> f64 {
        let slowest = 1000_f64.ln() / self.decay_s.max(0.01);
        let high = |hz: f64| 1000_f64.ln() / HIGH_DECAY_S_AT_5_KHZ * (hz / 5000.0).powi(2);
        slowest * (1.0 + DAMPING * (n - 1.0)) + high(frequency_hz) - high(self.frequency.get())
    }

    /// The tick of plectrum, nail or fingertip, low-passed.
    fn add_noise(&self, samples: &mut [f32], rate: f64, random: &mut Random) {
        let strike = (0.0, 1.0);
        let later = self.path.iter().map(|point| (point.at_s, point.excitation));
        for (at_s, level) in std::iter::once(strike).chain(later).filter(|&(_, level)| level > 0.0)
        {
            let length = (8.0 * ATTACK_NOISE_S * rate) as usize;
            let loudness = ATTACK_NOISE * level * self.level * (0.3 + 0.7 * self.brightness);
            let smoothing = 1.0 - (-TAU * 3000.0 / rate).exp();
            let mut smooth = 0.0;
            let from = ((at_s * rate) as usize).min(samples.len());
            for (k, sample) in samples[from..].iter_mut().take(length).enumerate() {
                smooth += smoothing * (random.normal() - smooth);
                let fade = (-(k as f64) / (ATTACK_NOISE_S * rate)).exp();
                *sample += (loudness * fade * smooth) as f32;
            }
        }
    }
}

/// The body colours a partial: three broad resonances, air, top and back (from memory).
fn body(frequency_hz: f64) -> f64 {
    const RESONANCES: [(f64, f64, f64); 3] =
        [(100.0, 30.0, 0.7), (200.0, 50.0, 0.9), (400.0, 120.0, 0.5)];
    RESONANCES.iter().fold(1.0, |gain, &(centre_hz, width_hz, height)| {
        gain + height / (1.0 + ((frequency_hz - centre_hz) / width_hz).powi(2))
    })
}

/// Peak of the sum as struck, by evaluating one period of it.
fn peak_of_first_period(partials: &[Partial]) -> f64 {
    const POINTS: usize = 256;
    let sine: [f64; POINTS] = std::array::from_fn(|k| (TAU * k as f64 / POINTS as f64).sin());
    (0..POINTS)
        .map(|k| {
            let at = |n: usize| sine[(n + 1) * k % POINTS];
            partials.iter().enumerate().map(|(n, partial)| partial.amplitude * at(n)).sum::<f64>()
        })
        .fold(0.0, |peak, sum| peak.max(sum.abs()))
}
