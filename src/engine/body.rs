//! What the body of a guitar answers with: the air in it rings for a moment at a pitch of its own, at every
//! strike, and looks like a low string struck along.
//!
//! **Physics.** The air of an acoustic guitar resonates at some 100 Hz, near the open fifth string, with a quality
//! of 20 to 40 (N. Fletcher, T. Rossing, *The Physics of Musical Instruments*; from memory): it dies away by
//! 8.7 πf/Q decibels a second, 70 to 130. A low string takes seconds.
//! **Limits.** A string that is stopped soon after it was struck, while others ring on, may look like it: such
//! tones count where they are asked for. The top of the guitar answers an octave higher, too shortly to be told.

use std::ops::Range;

use super::Engine;
use super::several::Several;
use crate::pitch::fit::MAX_TONES;

/// The air of no guitar answers above this, in hertz.
const HIGHEST_HZ: f64 = 140.0;
/// Its answer is one partial alone: what has more than this beyond its first, as 95 % of low strings in doubt
/// have, is a string (see [`Signs::beyond_first`](crate::pitch::presence::Signs::beyond_first)).
const BEYOND_FIRST: f64 = 1.3;
/// It dies away so much faster than all that sounds, in decibels a second.
const DIES_DB_S: f64 = 50.0;
/// Parts nearer to each other than this do not tell that, in seconds: any such tone may be an answer.
const LEAST_PART_S: f64 = 0.065;

impl Engine {
    /// Which of the tones found in `stretch` may be the body's own.
    pub(super) fn answers_of_body(&mut self, stretch: &Range<usize>) -> [bool; MAX_TONES] {
        let mut answers = [false; MAX_TONES];
        let middle = stretch.start + stretch.len() / 2;
        let apart_s = 0.5 * stretch.len() as f64 / self.rate;
        for (answer, found) in answers.iter_mut().zip(self.estimator.found()) {
            *answer = found.evidence.signs.beyond_first() < BEYOND_FIRST
                && found.fitted.tone.f1 < HIGHEST_HZ;
        }
        if !answers.contains(&true) || apart_s < LEAST_PART_S {
            return answers;
        }
        let tones = Several::of(self.estimator.found().iter().map(|found| found.fitted.tone));
        let (mut firsts, mut all) = ([[0.0; 2]; MAX_TONES], [0.0; 2]);
        for (half, part) in [stretch.start..middle, middle..stretch.end].into_iter().enumerate() {
            let samples = &self.stream[part];
            let power = samples.iter().map(|&s| f64::from(s * s)).sum::<f64>();
            all[half] = power / samples.len() as f64;
            self.transformer.transform(samples, &mut self.attack);
            self.fitter.fit(&self.attack, &tones, 0);
            for first in self.fitter.partials().iter().filter(|partial| partial.n == 1) {
                firsts[first.tone][half] = first.amplitude.norm_sqr();
            }
        }
        let dies_db_s =
            |[early, late]: [f64; 2]| 10.0 * ((early + 1e-15) / (late + 1e-15)).log10() / apart_s;
        for (answer, first) in answers.iter_mut().zip(firsts) {
            *answer &= dies_db_s(first) > dies_db_s(all) + DIES_DB_S;
        }
        answers
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::super::Event;
    use super::super::Strike;
    use super::Engine;
    use crate::pitch::tone::Tone;
    use crate::units::SampleRate;

    const RATE: u32 = 44_100;
    const STRUCK_S: f64 = 0.3;
    const LONG_S: f64 = 0.25;
    const SHORT_S: f64 = 0.12;

    /// B2 and F#3, struck twice so far apart, and besides the first time a tone at 109 Hz whose partials have these
    /// amplitudes and die away by so many nepers a second: what is told of the first strike.
    fn told(amplitude: fn(usize) -> f64, decay: f64, length_s: f64) -> Strike {
        let string = |tone: Tone, amplitude: fn(usize) -> f64, decay: f64, t: f64| -> f64 {
            let wave = |n: usize| (TAU * tone.partial(n) * t + 2.3 * n as f64).sin();
            (1..=10).map(|n| amplitude(n) * wave(n)).sum::<f64>() * (-decay * t).exp()
        };
        let fall = |n: usize| 0.15 / n as f64;
        let sample = |i: u32| {
            let t = f64::from(i) / f64::from(RATE) - STRUCK_S;
            let hiss = 3e-5 * (TAU * f64::from(i.wrapping_mul(i) % 7919) / 7919.0).sin();
            let since = if t < length_s { t } else { t - length_s };
            if since < 0.0 {
                return hiss as f32;
            }
            let two = [123.47, 185.0].map(|f1| string(Tone::at(f1), fall, 1.0, since));
            let besides = string(Tone::at(109.0), amplitude, decay, t);
            let besides = if t < length_s { besides } else { 0.0 };
            (two.iter().sum::<f64>() + besides + hiss) as f32
        };
        let samples: Vec<f32> = (0..RATE).map(sample).collect();
        let rate = SampleRate::new(RATE).expect("positive");
        let mut strikes = Vec::new();
        let mut keep = |event: Event<'_>| {
            if let Event::Strike(strike) = event {
                strikes.push(strike.clone());
            }
        };
        let mut engine = Engine::of_recording(rate);
        engine.push(&samples, &mut keep);
        engine.finish(&mut keep);
        strikes.swap_remove(0)
    }

    fn holds_it(strike: &Strike) -> bool {
        let mut counts = strike.every_note().filter(|note| note.likely);
        counts.any(|note| (note.frequency.get() - 109.0).abs() < 2.0)
    }

    #[test]
    fn what_dies_away_at_once_and_is_one_partial_is_the_body() {
        let alone = |n: usize| if n == 1 { 0.25 } else { 0.0 };
        assert!(!holds_it(&told(alone, 10.0, LONG_S)));
        assert!(holds_it(&told(alone, 1.0, LONG_S)), "it rings on");
        assert!(holds_it(&told(|n| 0.08 / n as f64, 10.0, LONG_S)), "a string, stopped soon");
        assert!(!holds_it(&told(alone, 1.0, SHORT_S)), "too short to say that it rings on");
        assert!(holds_it(&told(|n| 0.08 / n as f64, 1.0, SHORT_S)), "a string");
    }
}
