//! A tone of its own, or what an overdriven amplifier makes of two strings?
//!
//! What bends the waveform of two strings, as an amplifier or a microphone does that is driven too far, adds
//! tones at sums and differences of multiples of their frequencies, `|p·f_a + q·f_b|`. Those of a fourth, a
//! fifth or a sixth lie where a tone below the two has its partials, and the two are partials of it as well. But
//! what the two do not explain is then quieter than they are, and yet stands out, partial by partial.
//!
//! **Conventions.** Powers as [`super::presence`] has them.
//! **Limits.** A low string of which hardly more than two partials and their multiples sounds looks alike.
//! **Reference.** H. von Helmholtz, *Die Lehre von den Tonempfindungen* (1863), on combination tones.

use super::estimate::HIGHEST_F1_HZ;
use super::fit::Fitter;
use super::fit::MAX_TONES;
use super::presence::Evidence;
use super::presence::examine;
use super::tone::Tone;
use crate::dsp::spectrum::Spectrum;

/// Ratios of two strings to the tone that stands for them: those of fifth, fourth, major third, major sixth
/// and tenth, and those in which one of the two was found beside it.
pub const PAIRS: [[f64; 2]; 8] = [
    [2.0, 3.0],
    [3.0, 4.0],
    [4.0, 5.0],
    [3.0, 5.0],
    [2.0, 5.0],
    [1.5, 2.0],
    [1.5, 4.0],
    [2.5, 4.0],
];

/// Weights of [`Signs`] in the log odds, at even odds beforehand: fitted by `benches/fit_combination.py` to
/// mixes of eight guitars, some of them overdriven.
const BIAS: f64 = -9.280;
const BELOW_DB: f64 = -0.540;
const PAIR_ODDS: f64 = 0.922;
/// Strings whose octave is their loudest partial are common.
const OCTAVE: f64 = -3.530;
/// A tone is one from these log odds on: of those made at a drive of 0 dB, 92 %; of 96 000 notes that
/// sound, 21.
pub const IS_COMBINATION: f64 = 3.0;
/// … and may be one, from these on, if both strings were asked for: few players strike neither of them, but one
/// an octave or more below.
const MAY_BE: f64 = -4.0;
/// Tones whose own partials are not this far below the loudest are none (see [`super::presence::Signs`]), …
pub const MOST_OWN_DB: f64 = -6.0;
/// … nor those that are not this far below the weaker of the two, …
const MOST_BELOW_DB: f64 = -6.0;
/// … and both of these must be likelier than this (log odds).
const LEAST_PAIR: f64 = 2.0;

/// What is seen of a tone that may be a combination of two others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Signs {
    /// Power of the partials that neither of the two explains, over that of the weaker of them, in decibels.
    pub below_db: f64,
    /// Log odds that the less likely of the two sounds, the tone being left out.
    pub pair_odds: f64,
    /// Whether one of the two is its octave.
    pub has_octave: bool,
}

impl Signs {
    fn log_odds(&self) -> f64 {
        let octave = if self.has_octave { OCTAVE } else { 0.0 };
        BIAS + BELOW_DB * self.below_db + PAIR_ODDS * self.pair_odds + octave
    }
}

/// A tone that may be a combination of two others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combination {
    /// The tone.
    pub tone: Tone,
    /// The two, the lower first.
    pub pair: [Tone; 2],
    /// Log odds that it is.
    pub log_odds: f64,
}

/// The likeliest combination among `tones` and its index, if any; `evidence` is that for `tones`, each beside
/// the others.
///
/// `total_power` is the power of all peaks of the spectrum.
pub fn find(
    spectrum: &Spectrum,
    fitter: &mut Fitter,
    tones: &[Tone],
    evidence: &[Evidence],
    total_power: f64,
) -> Option<(usize, Combination)> {
    let mut best: Option<(usize, Combination)> = None;
    let suspects = evidence.iter().enumerate().filter(|(_, e)| e.signs.own_db <= MOST_OWN_DB);
    for (index, _) in suspects {
        for ratios in PAIRS {
            let weighed = weigh(spectrum, fitter, tones, index, ratios, total_power);
            let Some((pair, signs)) = weighed else { continue };
            let log_odds = signs.log_odds();
            if log_odds > best.map_or(MAY_BE, |(_, b)| b.log_odds) {
                best = Some((index, Combination { tone: tones[index], pair, log_odds }));
            }
        }
    }
    best
}

/// The two tones at `ratios` to tone `index` of `tones`, and what speaks for its being a combination of
/// them; `None` if it cannot be one.
pub fn weigh(
    spectrum: &Spectrum,
    fitter: &mut Fitter,
    tones: &[Tone],
    index: usize,
    ratios: [f64; 2],
    total_power: f64,
) -> Option<([Tone; 2], Signs)> {
    let tone = tones[index];
    let mut pair = ratios.map(|ratio| Tone::at(ratio * tone.f1));
    let known = pair.map(|other| tones.iter().find(|t| t.is_note_of(&other)));
    let is_partial = ratios[0].fract() == 0.0;
    if known[0].is_none() && !is_partial || known.iter().all(Option::is_some) {
        return None;
    }
    let mut all = [tone; MAX_TONES];
    let mut n = 0;
    for (i, other) in tones.iter().enumerate() {
        if i != index && !pair.iter().any(|t| t.is_note_of(other)) {
            all[n] = *other;
            n += 1;
        }
    }
    if n + 2 >= MAX_TONES || pair[1].f1 > HIGHEST_F1_HZ {
        return None;
    }
    let left = |fitter: &mut Fitter, known: &[Tone], tone: Tone| {
        fitter.fit(spectrum, known, 2);
        fitter.subtract(spectrum);
        examine(spectrum, fitter, tone, total_power)
    };
    fitter.fit(spectrum, &all[..n], 2);
    fitter.subtract(spectrum);
    for (tone, known) in pair.iter_mut().zip(known) {
        let drawn = examine(spectrum, fitter, *tone, total_power);
        if drawn.log_odds < LEAST_PAIR {
            return None;
        }
        *tone = known.copied().unwrap_or(drawn.tone);
    }
    [all[n], all[n + 1]] = pair;
    let own = left(fitter, &all[..n + 2], tone);
    let fitted = &fitter.tones()[n..];
    let weaker = f64::min(fitted[0].power, fitted[1].power);
    pair = [fitted[0].tone, fitted[1].tone];
    let below_db = own.signs.level_db - 10.0 * ((weaker + 1e-12) / (total_power + 1e-12)).log10();
    if below_db > MOST_BELOW_DB {
        return None;
    }
    let [lower, upper] = pair;
    let odds = [(lower, upper), (upper, lower)].map(|(tone, other)| {
        all[n] = other;
        left(fitter, &all[..=n], tone).log_odds
    });
    let pair_odds = f64::min(odds[0], odds[1]);
    let signs = Signs { below_db, pair_odds, has_octave: ratios.contains(&2.0) };
    (pair_odds > LEAST_PAIR).then_some((pair, signs))
}
