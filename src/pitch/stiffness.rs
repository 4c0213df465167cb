//! How stiff a string is, looked for over all that strings can be.
//!
//! The fit of [`super::fit`] starts from an ordinary string; where that lies widths off, its high
//! partials settle beside theirs. Here every peak of the spectrum votes for the stiffnesses that put a
//! partial on it: only one gets the votes of many partials. The line is then drawn through those.
//!
//! **Conventions.** `ln B` is searched in even steps; errors are one standard error of `B`.
//! **Limits.** A tenth of a second of sound at least. Where fewer than five partials stand out,
//! or another string would do nearly as well, nothing is told.
//! **Reference.** H. Fletcher 1964 (see [`super::tone`]). The vote: P. Hough, US patent 3 069 654 (1962),
//! from memory.

use std::ops::Range;

use super::equations::Equations;
use super::fit::MAX_TONES;
use super::tone::MAX_PARTIALS;
use super::tone::MAX_STIFFNESS;
use super::tone::Stiffness;
use super::tone::Tone;
use crate::dsp::peaks::Peak;
use crate::dsp::peaks::find_peaks;
use crate::dsp::spectrum::Spectrum;

/// The thinnest first strings have 1e-5.
const MIN_STIFFNESS: f64 = 4e-6;
/// A step of the search, in ln B, and how many there are up to [`MAX_STIFFNESS`].
const STEP: f64 = 0.03;
const N_STEPS: usize = 215;
/// Peaks looked at, at most.
const MAX_PEAKS: usize = 1024;
/// A peak so many times over the floor is no noise.
const CLEAR: f64 = 5.0;
/// A partial lies this near to the line of its string: relative to its frequency (3 cents) and in widths.
const NEAR: f64 = 1.7e-3;
const NEAR_WIDTHS: f64 = 0.3;
/// Fewer partials on peaks say nothing.
const LEAST_PARTIALS: usize = 5;
/// Another summit of the votes, behind a valley so deep, must be lower by so much. On one broad summit
/// the string is limp, and the error says how well that is known.
const VALLEY: f64 = 0.25;
const MARGIN: f64 = 0.5;
/// Partials of real strings stray from their line by a cent, relative to their frequency.
const STRAY: f64 = 5.8e-4;
/// Scatter below a third of that is luck.
const LEAST_SCATTER: f64 = 0.3;
/// How often the line is drawn.
const ROUNDS: usize = 5;

/// Looks for the stiffness of strings; all memory is taken in `new`.
#[derive(Debug)]
pub struct Gauge {
    peaks: Vec<Peak>,
    /// Peaks that are those of other tones.
    taken: Vec<bool>,
    width_hz: f64,
    votes: [f64; N_STEPS],
}

impl Gauge {
    /// A gauge.
    pub fn new() -> Self {
        let peaks = Vec::with_capacity(MAX_PEAKS);
        Self {
            taken: Vec::with_capacity(peaks.capacity()),
            peaks,
            width_hz: 1.0,
            votes: [0.0; N_STEPS],
        }
    }

    /// Measures `tones`, whose first partials are known to some cents, in `spectrum`.
    pub fn measure(
        &mut self,
        spectrum: &Spectrum,
        tones: impl Iterator<Item = Tone>,
    ) -> [Option<Stiffness>; MAX_TONES] {
        find_peaks(spectrum, CLEAR, &mut self.peaks);
        self.width_hz = spectrum.width_hz;
        let mut lines = [Tone::at(440.0); MAX_TONES];
        let n = lines.iter_mut().zip(tones).map(|(line, tone)| *line = tone).count();
        self.leave_all();
        if n > 1 {
            // Roughly at first, for the peaks of the others to be left out then.
            for line in &mut lines[..n] {
                *line = self.search(*line).unwrap_or(*line);
            }
        }
        let mut found = [None; MAX_TONES];
        for t in 0..n {
            self.leave_all();
            let others = (0..n).filter(|&other| other != t);
            others.for_each(|other| self.take(&lines[other]));
            found[t] = self.search(lines[t]).and_then(|line| self.draw(line));
        }
        found
    }

    fn leave_all(&mut self) {
        self.taken.clear();
        self.taken.resize(self.peaks.len(), false);
    }

    /// Marks the peaks on the line of `tone`.
    fn take(&mut self, tone: &Tone) {
        for n in 1..=MAX_PARTIALS {
            let hz = tone.partial(n);
            let reach = self.width_hz + 0.5 * STRAY * hz;
            let range = self.between(hz - reach, hz + reach);
            self.taken[range].fill(true);
        }
    }

    fn between(&self, low: f64, high: f64) -> Range<usize> {
        let from = self.peaks.partition_point(|p| p.hz < low);
        from..from + self.peaks[from..].partition_point(|p| p.hz <= high)
    }

    /// `tone` with the stiffness most partials vote for; `None` if another gets nearly as many.
    fn search(&mut self, tone: Tone) -> Option<Tone> {
        self.votes.fill(0.0);
        (2..=MAX_PARTIALS).for_each(|n| self.vote(&tone, n));
        let (best, &best_votes) =
            self.votes.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
        if self.has_rival(best_votes, (0..best).rev()) || self.has_rival(best_votes, best..N_STEPS)
        {
            return None;
        }
        Some(Tone { stiffness: MIN_STIFFNESS * (STEP * best as f64).exp(), ..tone })
    }

    /// Whether the votes rise to another summit, nearly as high, going through `steps` from the best.
    fn has_rival(&self, best_votes: f64, mut steps: impl Iterator<Item = usize>) -> bool {
        let mut lowest = best_votes;
        steps.any(|i| {
            lowest = lowest.min(self.votes[i]);
            self.votes[i] > lowest + VALLEY && self.votes[i] > best_votes - MARGIN
        })
    }

    /// Adds the votes of all peaks on which partial `n` may lie; one peak a stiffness counts.
    fn vote(&mut self, tone: &Tone, n: usize) {
        let line = |stiffness| Tone { stiffness, ..*tone }.partial(n);
        let mut most = [0.0_f64; N_STEPS];
        let square = (n * n) as f64;
        for i in self.between(line(MIN_STIFFNESS) * (1.0 - NEAR), line(MAX_STIFFNESS)) {
            if self.taken[i] {
                continue;
            }
            let hz = self.peaks[i].hz;
            let ratio = (hz / (n as f64 * tone.f1)).powi(2);
            let b = ((ratio - 1.0) / (square - ratio)).max(MIN_STIFFNESS);
            let slope = b * Tone { stiffness: b, ..*tone }.stiffness_slope(n);
            let reach = 2.0 * near(hz, self.width_hz) / slope / STEP;
            let at = (b / MIN_STIFFNESS).ln() / STEP;
            let from = (at - reach).ceil().max(0.0) as usize;
            let to = ((at + reach) as usize + 1).min(N_STEPS);
            for (step, most) in most.iter_mut().enumerate().take(to).skip(from) {
                let off = (step as f64 - at) / reach;
                *most = most.max((1.0 - off * off).powi(2));
            }
        }
        self.votes.iter_mut().zip(most).for_each(|(votes, most)| *votes += most);
    }

    /// The line through the peaks near that of `tone`, by least squares.
    fn draw(&self, mut tone: Tone) -> Option<Stiffness> {
        let mut error = f64::INFINITY;
        for _ in 0..ROUNDS {
            let mut equations = Equations::default();
            let [mut chi2, mut count] = [0.0; 2];
            for n in 1..=MAX_PARTIALS {
                let Some((off, peak)) = self.nearest(tone.partial(n)) else { continue };
                let noise = 0.35 * self.width_hz / (peak.above_floor * peak.hz);
                let huber = (near(peak.hz, self.width_hz) / off.abs().max(1e-12)).min(1.0);
                let weight = huber * huber / (noise * noise + STRAY * STRAY);
                equations.add(weight, tone.stiffness_slope(n), off);
                chi2 += weight * off * off;
                count += 1.0;
            }
            let line = equations.solve().filter(|_| count >= LEAST_PARTIALS as f64)?;
            tone = tone.moved(line.shift, line.bend);
            tone.stiffness = tone.stiffness.max(MIN_STIFFNESS);
            error = (f64::max(chi2 / (count - 2.0), LEAST_SCATTER) * line.spread[2]).sqrt();
        }
        Some(Stiffness { b: tone.stiffness, error })
    }

    /// The peak nearest to `hz`, and how far above it lies, relative; `None` if it is another's.
    fn nearest(&self, hz: f64) -> Option<(f64, &Peak)> {
        let at = self.peaks.partition_point(|p| p.hz < hz);
        (at.saturating_sub(1)..(at + 1).min(self.peaks.len()))
            .filter(|&i| !self.taken[i])
            .map(|i| (self.peaks[i].hz / hz - 1.0, &self.peaks[i]))
            .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
            .filter(|(off, _)| off.abs() < 3.0 * near(hz, self.width_hz))
    }
}

impl Default for Gauge {
    fn default() -> Self {
        Self::new()
    }
}

/// How near to its line a partial at `hz` lies, relative to its frequency.
fn near(hz: f64, width_hz: f64) -> f64 {
    NEAR.hypot(NEAR_WIDTHS * width_hz / hz)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::spectrum::Transformer;
    use crate::synth::random::Random;
    use std::f64::consts::TAU;

    const RATE: f64 = 22_050.0;

    /// Sums of 16 decaying partials where Fletcher 1964 has them, over noise of −60 dB.
    fn measured(strings: &[(f64, f64)], n_partials: usize) -> Vec<Option<Stiffness>> {
        let mut random = Random::new(12_345, 0);
        let samples: Vec<f32> = (0..(1.2 * RATE) as usize)
            .map(|i| {
                let at_s = i as f64 / RATE;
                let hiss = 1e-3 * (random.uniform() - 0.5);
                let partial = |(f0, b): (f64, f64), n: f64| {
                    let hz = n * f0 * (1.0 + b * n * n).sqrt();
                    (TAU * hz * at_s + n * n).sin() * (-at_s * (1.0 + 0.2 * n)).exp() / n
                };
                let string =
                    |&s: &(f64, f64)| (1..=n_partials).map(|n| partial(s, n as f64)).sum::<f64>();
                (hiss + 0.2 * strings.iter().map(string).sum::<f64>()) as f32
            })
            .collect();
        let mut transformer = Transformer::new(RATE, samples.len());
        let mut spectrum = transformer.make_spectrum();
        transformer.transform(&samples, &mut spectrum);
        let tones = strings.iter().map(|&(f0, b)| Tone::at(f0 * (1.0 + b).sqrt()));
        Gauge::new().measure(&spectrum, tones)[..strings.len()].to_vec()
    }

    /// Open strings of the design notes (`hearing.md`, section 2), and stopped ones far stiffer.
    #[test]
    fn the_stiffness_of_a_string_is_found_from_far_off() {
        for (f0, b) in [
            (82.41, 1.3e-4),
            (110.0, 8e-5),
            (146.83, 5e-5),
            (196.0, 1e-4),
            (246.94, 4.5e-5),
            (329.63, 1.5e-5),
            (220.0, 3.2e-4),
            (293.66, 1.2e-3),
        ] {
            let found = measured(&[(f0, b)], 16)[0].expect("sixteen partials say enough");
            assert!((found.b - b).abs() < 2.0 * found.error, "{f0} Hz, {b}: {found:?}");
            assert!(found.error < 0.35 * b, "{f0} Hz, {b}: {found:?}");
        }
    }

    #[test]
    fn two_strings_at_once_are_told_apart() {
        let mut uppers = 0;
        // A major sixth, an octave and a fifth, with one stiffness an octave from the other's.
        for (low, high) in [
            ((146.83, 5e-5), (246.94, 4.5e-5)),
            ((110.0, 8e-5), (220.0, 3e-4)),
            ((196.0, 3.2e-4), (293.66, 4e-5)),
        ] {
            let found = measured(&[low, high], 16);
            for (found, (f0, b)) in found.iter().zip([low, high]) {
                if let Some(found) = found {
                    assert!((found.b / b).ln().abs() < 0.2, "{f0} Hz, {b}: {found:?}");
                }
            }
            assert!(found[0].is_some(), "the lower of {low:?} {high:?}");
            uppers += usize::from(found[1].is_some());
        }
        assert!(uppers >= 2, "only {uppers} of three upper strings");
    }

    #[test]
    fn a_few_partials_say_nothing() {
        assert_eq!(measured(&[(329.63, 1.5e-5)], 3), [None]);
    }
}
