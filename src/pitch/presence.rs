//! Does this tone sound, beside the tones that are known to sound?
//!
//! A tone shows itself in partials that no other tone explains (*exclusive*), or, where all its
//! partials lie under another's (octave, twelfth), in the balance of that tone's partials and in
//! pairs of partials that do not quite coincide (see [`super::shadow`]).

use super::equations::Equations;
use super::fit::Fitter;
use super::tone::Tone;
use super::tone::typical_stiffness;
use crate::dsp::peaks::vertex_offset_bins;
use crate::dsp::spectrum::Spectrum;

/// Partials of a candidate that are looked at.
const N_LOOKED: usize = 12;
/// A partial nearer than this to a known tone's partial is not exclusive, in widths.
const EXCLUSIVE_WIDTHS: f64 = 2.2;
/// … nor is one nearer than this, relative to its frequency (25 cents): no two notes of a scale put
/// partials there but those that share them.
const EXCLUSIVE_RELATIVE: f64 = 0.0145;
/// How much of a strong partial the model leaves behind near it: −30 dB.
const MODEL_ERROR: f64 = 0.03;

/// Weights of [`Signs`] in the log odds, at even odds beforehand: fitted by
/// `benches/fit_presence.py` to what the estimator finds and leaves in mixes of eight guitars.
const BIAS: f64 = 1.624;
const CLARITY: f64 = 0.878;
const LEVEL_DB: f64 = 0.109;
const HAS_FIRST: f64 = -3.469;
const FIRST: f64 = 1.247;
/// Strings that only answer to others sound some 20 dB below them and more, on the guitars at hand.
/// From here on a decibel less counts for so much more.
const FAINT_DB: f64 = -18.0;
const FAINT: f64 = 0.3;

/// Pairs of partials on which two strings struck together lie, each taken for the first of its string:
/// fifth, fourth, thirds, sixths, tenth.
const PAIRS: [(usize, usize); 7] = [(2, 3), (3, 4), (4, 5), (5, 6), (3, 5), (5, 8), (2, 5)];
/// What no two such strings would explain lies at most so far below the loudest partial: of 21 000 tones
/// that sound, 99.8 % (the others are low E strings) …
const OWN_DB: f64 = -26.0;
/// … and counts so much for every decibel more.
const NOT_OWN: f64 = 0.5;
/// Fewer partials than this tell nothing of it.
const LEAST_OWN: usize = 2;

/// Sums and differences of two known tones up to the third order, at which an overdriven amplifier makes
/// others of them, as multiples of either.
const COMBINED: [[f64; 2]; 6] =
    [[1.0, 1.0], [1.0, -1.0], [2.0, 1.0], [1.0, 2.0], [2.0, -1.0], [1.0, -2.0]];
/// A first partial this near to one, in widths, lies on it, …
const COMBINED_WIDTHS: f64 = 0.4;
/// … unless both known tones are partials of it, this near: then others tell (see [`super::combination`]).
const PARTIAL_RELATIVE: f64 = 0.0145;
/// From so far below the weaker of the two on, every decibel counts so much against a tone that is as clear
/// as this: of strings that sound 5 % are so quiet and 1 % lie on a combination, of combinations 95 and 80 %.
const COMBINED_DB: f64 = -7.5;
const IS_COMBINED: f64 = 1.0;
const COMBINED_CLARITY: f64 = 2.8;
const COMBINED_FIRST: f64 = 2.5;

/// No partial's clarity counts for more.
const MOST_CLARITY: f64 = 1.5;

/// Partials that stand out by less than this many times 24 dB are not there …
const SHOWN: f64 = 0.5;
/// … and where odd ones hold less than this share of what stands out, the true tones lie an octave
/// and more above.
const LEAST_ODD: f64 = 0.25;
const SUBHARMONIC_PENALTY: f64 = 2.0;

/// What is known of one partial of a candidate.
#[derive(Debug, Clone, Copy, Default)]
struct Look {
    amplitude: f64,
    floor: f64,
    offset_widths: f64,
    exclusive: bool,
    /// How far it stands above its floor, in units of 12 dB.
    clarity: f64,
}

/// What is seen of a candidate's *exclusive* partials. Clarity is how far a partial stands above the
/// noise and what the known tones leave behind, in units of 12 dB.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Signs {
    /// Clarities of all partials, from 0 to 1.5 each, the n-th weighted by 1/√n.
    pub clarity: f64,
    /// Their power over that of the whole spectrum, in decibels.
    pub level_db: f64,
    /// Clarity of the first partial, if it is exclusive.
    pub first: Option<f64>,
    /// The loudest of those that two other strings a fifth, fourth, third, sixth or tenth apart would
    /// leave unexplained, below the loudest of all, in decibels: 0 to −180.
    pub own_db: f64,
    /// Their power over that of the weaker of two known tones whose sum or difference the first partial is, in
    /// decibels; 0 where it is none.
    pub combined_db: f64,
}

impl Signs {
    fn of(looks: &[Look], total_power: f64) -> Self {
        let mut signs = Self::default();
        let mut power = 0.0;
        for (i, look) in looks.iter().enumerate().filter(|(_, look)| look.exclusive) {
            signs.clarity += look.clarity.clamp(0.0, MOST_CLARITY) / (1.0 + i as f64).sqrt();
            power += look.amplitude * look.amplitude;
        }
        signs.level_db = 10.0 * ((power + 1e-12) / (total_power + 1e-12)).log10();
        signs.own_db = own_db(looks);
        let first = looks.first().filter(|first| first.exclusive);
        signs.first = first.map(|first| first.clarity.clamp(-0.8, 3.3));
        signs
    }

    /// Clarities of all partials but the first.
    pub fn beyond_first(&self) -> f64 {
        self.clarity - self.first.unwrap_or(0.0).clamp(0.0, MOST_CLARITY)
    }

    fn log_odds(&self) -> f64 {
        BIAS + CLARITY * self.clarity
            + LEVEL_DB * self.level_db
            + self.first.map_or(0.0, |first| HAS_FIRST + FIRST * first)
            - FAINT * (FAINT_DB - self.level_db).max(0.0)
            - NOT_OWN * (OWN_DB - self.own_db).max(0.0)
            - IS_COMBINED * (COMBINED_DB - self.combined_db).max(0.0)
    }
}

/// What speaks for and against a candidate.
#[derive(Debug, Clone, Copy)]
pub struct Evidence {
    /// The candidate, drawn to the peaks it would explain.
    pub tone: Tone,
    /// What was seen of it.
    pub signs: Signs,
    /// Natural logarithm of the odds that it sounds, equally likely as not beforehand.
    pub log_odds: f64,
    /// Partials that stand out, less partials that ought to and do not, loud ones counting more:
    /// the most prominent candidate is taken first.
    pub prominence: f64,
}

/// See [`Signs::own_db`]; 0 where hardly a partial could tell.
fn own_db(looks: &[Look]) -> f64 {
    // How many partials neither string explains, and the loudest of them.
    let besides = |(p, q): (usize, usize)| {
        let numbered = (1..).zip(looks);
        let own = numbered.filter(|(n, look)| look.exclusive && n % p != 0 && n % q != 0);
        own.fold((0, 1e-9), |(n_own, top), (_, look)| (n_own + 1, look.amplitude.max(top)))
    };
    let (_, all) = besides((usize::MAX, usize::MAX));
    let told = PAIRS.map(besides).into_iter().filter(|(n_own, _)| *n_own >= LEAST_OWN);
    told.map(|(_, own)| 20.0 * (own / all).log10()).fold(0.0, f64::min)
}

/// Gathers the evidence for `candidate`, given that `fitter` has fitted the tones known to sound.
///
/// `total_power` is the power of all peaks of the spectrum.
pub fn examine(
    spectrum: &Spectrum,
    fitter: &Fitter,
    candidate: Tone,
    total_power: f64,
) -> Evidence {
    let mut line = StringLine::new(candidate);
    let mut looks = [Look::default(); N_LOOKED];
    let mut n_looked = 0;
    // Partial by partial: each draws the string's line a little before the next is looked for.
    for n in 1..=N_LOOKED {
        let hz = line.tone.partial(n);
        if hz > spectrum.top_hz() - 4.0 * spectrum.width_hz {
            break;
        }
        let reach = (2.0 * line.uncertainty(n)).min(0.014) * hz;
        let look = look_at(spectrum, fitter, hz, reach.max(0.75 * spectrum.width_hz));
        if look.exclusive && look.amplitude > 2.0 * look.floor {
            let relative = look.offset_widths * spectrum.width_hz / hz;
            line.add(n, relative, 0.2 * spectrum.width_hz / hz);
        }
        looks[n - 1] = look;
        n_looked = n;
    }
    let looks = &looks[..n_looked];
    let mut signs = Signs::of(looks, total_power);
    if signs.clarity > COMBINED_CLARITY && signs.first.is_some_and(|first| first > COMBINED_FIRST) {
        let weaker = weaker_of_combined(fitter, &line.tone, COMBINED_WIDTHS * spectrum.width_hz);
        let own = 10_f64.powf(0.1 * signs.level_db) * (total_power + 1e-12);
        signs.combined_db =
            weaker.map_or(0.0, |weaker| 10.0 * (own / (weaker + 1e-12)).log10().min(0.0));
    }
    let log_odds = signs.log_odds();
    let prominence = standing_out(looks) + 0.08 * signs.level_db + 0.15 * log_odds;
    Evidence { tone: line.tone, signs, log_odds, prominence }
}

/// Power of the weaker of two known tones whose sum or difference `tone` lies on, to `reach` hertz; the largest
/// where there are several.
fn weaker_of_combined(fitter: &Fitter, tone: &Tone, reach: f64) -> Option<f64> {
    let known = fitter.tones();
    let is_partial = |f1: f64| {
        let ratio = f1 / tone.f1;
        (ratio / ratio.round().max(1.0)).ln().abs() < PARTIAL_RELATIVE
    };
    let lies_on = |a: f64, b: f64| {
        COMBINED.iter().any(|[p, q]| ((p * a + q * b).abs() - tone.f1).abs() < reach)
    };
    let pairs =
        known.iter().enumerate().flat_map(|(i, a)| known[i + 1..].iter().map(move |b| (a, b)));
    pairs
        .filter(|(a, b)| !(is_partial(a.tone.f1) && is_partial(b.tone.f1)))
        .filter(|(a, b)| lies_on(a.tone.f1, b.tone.f1))
        .map(|(a, b)| a.power.min(b.power))
        .reduce(f64::max)
}

/// How much of a string's series stands out.
fn standing_out(looks: &[Look]) -> f64 {
    let mut outs = [0.0; N_LOOKED];
    for (out, look) in outs.iter_mut().zip(looks).filter(|(_, look)| look.exclusive) {
        *out = (0.5 * look.clarity).clamp(0.0, 1.5);
    }
    let last = outs.iter().rposition(|&out| out > SHOWN).map_or(0, |i| i + 1).max(2);
    let [mut shown, mut odd, mut absent] = [0.0; 3];
    for (i, _) in looks.iter().enumerate().filter(|(_, look)| look.exclusive) {
        let weight = 1.0 / (1.0 + i as f64).sqrt();
        if outs[i] > SHOWN {
            shown += weight * outs[i];
            odd += if i % 2 == 0 { weight * outs[i] } else { 0.0 };
        } else if i < last {
            absent += weight * 2.0 * (SHOWN - outs[i]);
        }
    }
    let subharmonic = if odd < LEAST_ODD * shown { SUBHARMONIC_PENALTY } else { 0.0 };
    shown - absent - subharmonic
}

/// First partial and stiffness as partials are found one by one: recursive least squares.
#[derive(Debug)]
struct StringLine {
    tone: Tone,
    known: Equations,
}

impl StringLine {
    /// Before any partial is found: 8.7 cents and the whole of its stiffness either way.
    fn new(tone: Tone) -> Self {
        let f1_spread: f64 = 5e-3;
        let stiffness_spread = typical_stiffness(tone.f1);
        Self { tone, known: Equations::knowing(f1_spread.powi(-2), stiffness_spread.powi(-2)) }
    }

    /// Standard error of partial `n`, relative to its frequency.
    fn uncertainty(&self, n: usize) -> f64 {
        self.known.variance(self.tone.stiffness_slope(n)).max(0.0).sqrt()
    }

    /// Partial `n` was found `relative` above where the line puts it, give or take `error`.
    fn add(&mut self, n: usize, relative: f64, error: f64) {
        // Real partials stray half a cent from the line of an ideal stiff string.
        let weight = 1.0 / (error * error + 9e-8);
        self.known.add(weight, self.tone.stiffness_slope(n), relative);
        if let Some(line) = self.known.solve() {
            self.tone = self.tone.moved(line.shift, line.bend);
        }
        self.known.settle();
    }
}

/// Looks for a peak of the residual within `reach` of `hz`.
fn look_at(spectrum: &Spectrum, fitter: &Fitter, hz: f64, reach: f64) -> Look {
    let width = spectrum.width_hz;
    let residual = fitter.residual();
    let mut best = (0.0_f32, 0_usize);
    for k in spectrum.range_around(hz, reach) {
        let power = residual[k].norm_sqr();
        if power > best.0 {
            best = (power, k);
        }
    }
    let k = best.1;
    let (mut offset, mut amplitude) = (0.0, f64::from(best.0).sqrt());
    if k > 0 && k + 1 < residual.len() {
        let logs = [k - 1, k, k + 1].map(|i| f64::from(residual[i].norm_sqr().max(1e-20).ln()));
        if logs[1] >= logs[0] && logs[1] >= logs[2] {
            offset = ((k as f64 + vertex_offset_bins(logs)) * spectrum.bin_hz - hz) / width;
        } else {
            // The slope of something further off: no peak here.
            amplitude *= 0.3;
        }
    }
    let at = hz + offset * width;
    let mut nearest = f64::INFINITY;
    let mut debris = 0.0;
    let partials = fitter.partials();
    let start = partials.partition_point(|p| p.hz < at - 40.0 * width);
    for partial in partials[start..].iter().take_while(|p| p.hz <= at + 40.0 * width) {
        let gap = (partial.hz - at).abs() / width;
        nearest = nearest.min(gap);
        let share = MODEL_ERROR / (1.0 + 0.25 * gap * gap);
        debris += partial.amplitude.norm_sqr() * share * share;
    }
    let floor = ((2.5 * spectrum.floor_at(hz)).powi(2) + debris).sqrt();
    Look {
        amplitude,
        floor,
        offset_widths: offset,
        clarity: f64::from(20.0 / 12.0 * (((amplitude + 1e-9) / (floor + 1e-9)) as f32).log10()),
        exclusive: nearest * width > (EXCLUSIVE_WIDTHS * width).max(EXCLUSIVE_RELATIVE * at),
    }
}
