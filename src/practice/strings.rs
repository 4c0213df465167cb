//! Which string a note came from, by how stiff that string is.
//!
//! The same pitch lies on up to six strings; they differ in stiffness by a half to four fifths, mostly.
//! What the six open strings of this guitar have is not known: every note of a take tells something of
//! its string, and all notes are weighed together, each against what the *others* say of the strings.
//!
//! ```text
//! ln B(string, fret) = a(string) + fret · ln 2 / 6 + scatter,   a(string) ~ N(of the set of strings)
//! ```
//!
//! **Conventions.** Frets count from the nut or the capo. Strings are told only where they are as good
//! as certain; everything else is undecided.
//! **Limits.** Six strings, tuned within some semitones of E2 A2 D3 G3 B3 E4. Two neighbours may be
//! equally stiff at the same pitch (D3 and a plain G3, a wound G3 and B3): these cannot be told apart.
//! **Reference.** Stiffness of strings: H. Fletcher 1964. T. Minka, «Expectation propagation for
//! approximate Bayesian inference», 2001: each strike leaves a Gaussian message on every string. Gauges
//! of sets are common practice: `B = π² E d² / (64 ρ L⁴ f²)` of plain strings of 0.009 to 0.012 inches
//! (first string) at 648 mm; cores of wound ones, and nylon, from memory.

use super::verdict::HeardNote;
use super::verdict::StepJudgement;
use crate::lick::expected::Technique;
use crate::pitch::tone::Stiffness;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::LAST_FRET;
use crate::theory::fretboard::StringNumber;
use crate::theory::fretboard::Tuning;
use crate::theory::note::MidiNote;

/// A string and a fret.
pub type Place = (StringNumber, Fret);

/// One struck note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Note {
    /// The note it was taken for.
    pub note: MidiNote,
    /// How stiff its string is, where that was measured.
    pub stiffness: Option<Stiffness>,
    /// Where the lick asks for it.
    pub asked: Option<Place>,
}

const N_STRINGS: usize = 6;

/// A set of strings: B of the open ones, the first string first, how far sets differ in ln B, and how
/// often one meets it.
struct Set {
    b: [f64; N_STRINGS],
    spread: [f64; N_STRINGS],
    share: f64,
}

const SETS: [Set; 3] = [
    // Steel, third string plain.
    Set {
        b: [1.45e-5, 4.3e-5, 1.1e-4, 5.2e-5, 7.5e-5, 1.3e-4],
        spread: [0.3; N_STRINGS],
        share: 0.5,
    },
    // Steel, third string wound.
    Set { b: [1.6e-5, 5e-5, 3e-5, 5.2e-5, 7.5e-5, 1.3e-4], spread: [0.3; N_STRINGS], share: 0.3 },
    // Nylon, the basses wound on floss.
    Set {
        b: [1.9e-5, 4.5e-5, 1.1e-4, 1.5e-5, 2.5e-5, 4e-5],
        spread: [0.3, 0.3, 0.3, 0.5, 0.5, 0.5],
        share: 0.2,
    },
];

/// Growth of ln B with the fret: the sounding length falls as 2^(−fret / 12), B goes with its square.
const A_FRET: f64 = std::f64::consts::LN_2 / 6.0;
/// How far notes of one string stray from that.
const SCATTER: f64 = 0.12;
/// One measurement in so many is another string's, or nobody's; it may lie anywhere in so much of ln B.
const OUTLIERS: f64 = 0.03;
const OUTLIER_RANGE: f64 = 6.0;
/// A place is told from this probability on.
const SURE: f64 = 0.95;
/// What is written is played there so many times as often as at any other place.
const ASKED: f64 = 9.0;
/// Frets one hand reaches; how rarely it stretches one farther, or reaches beyond (common practice).
const REACH: u8 = 4;
const STRETCHES: f64 = 0.1;
const BEYOND: f64 = 1e-3;
/// More notes than this in a strike are too many ways to lay them.
const MOST_NOTES: usize = 4;
/// How often every strike is looked at.
const SWEEPS: usize = 3;

/// A normal distribution by precision and precision times mean, so that messages add.
#[derive(Debug, Clone, Copy, Default)]
struct Gaussian {
    precision: f64,
    pull: f64,
}

impl Gaussian {
    fn new(mean: f64, variance: f64) -> Self {
        Self { precision: 1.0 / variance, pull: mean / variance }
    }
    fn mean(&self) -> f64 {
        self.pull / self.precision
    }
    fn variance(&self) -> f64 {
        1.0 / self.precision
    }
    fn with(&self, other: &Self) -> Self {
        Self { precision: self.precision + other.precision, pull: self.pull + other.pull }
    }
    fn without(&self, other: &Self) -> Self {
        Self { precision: self.precision - other.precision, pull: self.pull - other.pull }
    }
}

type Belief = [Gaussian; N_STRINGS];

/// Every note of a strike at every place where it may lie.
type Layout = Vec<Vec<Laid>>;

/// What all strikes say, the strings being of one set.
struct Weighed {
    log_evidence: f64,
    layouts: Vec<Layout>,
}

/// A note that may lie at a place.
#[derive(Debug, Clone, Copy)]
struct Laid {
    string: usize,
    fret: u8,
    prior: f64,
    /// Prior times likelihood.
    weight: f64,
    /// The share of `weight` that is no outlier's, and what the string is then.
    share: f64,
    posterior: Gaussian,
    /// Probability, once the strike was laid out.
    probability: f64,
}

/// A place where a note may have been played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likely {
    /// String and fret.
    pub place: Place,
    /// How likely it is, 0–1.
    pub probability: f64,
    /// The same by the sound alone, whatever is written.
    pub heard: f64,
}

/// Where each note of each strike was played; `None` where that cannot be told. `open` are the open
/// strings as they sound.
pub fn places(open: &[(StringNumber, MidiNote)], strikes: &[Vec<Note>]) -> Vec<Vec<Option<Place>>> {
    let is_sure = |likely: &&Likely| likely.probability.min(likely.heard) >= SURE;
    let decide = |places: Vec<Likely>| Some(places.iter().find(is_sure)?.place);
    let strikes = likely_places(open, strikes).into_iter();
    strikes.map(|strike| strike.into_iter().map(decide).collect()).collect()
}

/// Every place where each note of each strike may have been played; none where nothing is known.
pub fn likely_places(
    open: &[(StringNumber, MidiNote)],
    strikes: &[Vec<Note>],
) -> Vec<Vec<Vec<Likely>>> {
    let nothing = || strikes.iter().map(|strike| vec![Vec::new(); strike.len()]).collect();
    let Some(neck) = Neck::new(open) else { return nothing() };
    let told: Vec<Weighed> = SETS.iter().map(|set| neck.weigh(set, strikes)).collect();
    let likeliest = told.iter().map(|t| t.log_evidence).fold(f64::NEG_INFINITY, f64::max);
    let shares: Vec<f64> = told.iter().map(|t| (t.log_evidence - likeliest).exp()).collect();
    let all: f64 = shares.iter().sum();
    let places = |i: usize, k: usize| -> Vec<Likely> {
        let Some(options) = told[0].layouts[i].get(k) else { return Vec::new() };
        let probability = |j: usize| {
            let of_set = |(t, share): (&Weighed, &f64)| share * t.layouts[i][k][j].probability;
            told.iter().zip(&shares).map(of_set).sum::<f64>() / all
        };
        // The sound must say so by itself, whatever is written.
        let heard = |j: usize| probability(j) / options[j].prior;
        let all_heard: f64 = (0..options.len()).map(heard).sum();
        let likely = |(j, option): (usize, &Laid)| Likely {
            place: (neck.open[option.string].0, Fret(option.fret)),
            probability: probability(j),
            heard: heard(j) / all_heard,
        };
        options.iter().enumerate().map(likely).collect()
    };
    strikes
        .iter()
        .enumerate()
        .map(|(i, strike)| (0..strike.len()).map(|k| places(i, k)).collect())
        .collect()
}

/// Fills in where the right notes of a take were played. What glides, is hammered on or touched as a
/// harmonic has another stiffness, and one pitch on two strings has two.
pub(super) fn tell_strings(steps: &mut [StepJudgement], open: &[(StringNumber, MidiNote)]) {
    let mut chosen: Vec<Vec<usize>> = Vec::new();
    for step in &*steps {
        let is_plain = |heard: &HeardNote| {
            heard.expected.is_some_and(|asked| {
                asked.technique == Technique::Struck
                    && step
                        .expected
                        .iter()
                        .all(|e| *e == asked || e.string != asked.string && e.note != asked.note)
            })
        };
        let right = step.heard.iter().enumerate().filter(|(_, heard)| is_plain(heard));
        chosen.push(right.map(|(i, _)| i).collect());
    }
    let note = |heard: &HeardNote| Note {
        note: heard.pitch.note,
        stiffness: heard.stiffness,
        asked: heard.expected.map(|asked| (asked.string, asked.fret)),
    };
    let strikes: Vec<Vec<Note>> = steps
        .iter()
        .zip(&chosen)
        .map(|(step, chosen)| chosen.iter().map(|&i| note(&step.heard[i])).collect())
        .collect();
    for ((step, chosen), told) in steps.iter_mut().zip(chosen).zip(places(open, &strikes)) {
        for (i, place) in chosen.into_iter().zip(told) {
            step.heard[i].played_at = place;
        }
    }
}

/// The open strings, the first string first.
struct Neck {
    open: [(StringNumber, MidiNote); N_STRINGS],
    /// How much stiffer each is than in standard tuning: a capo shortens it, slack makes it so too.
    stiffer: [f64; N_STRINGS],
}

impl Neck {
    fn new(open: &[(StringNumber, MidiNote)]) -> Option<Self> {
        let mut open: [_; N_STRINGS] = open.try_into().ok()?;
        open.sort_by_key(|(string, _)| *string);
        let standard = Tuning::default();
        let stiffer = open.map(|(string, note)| {
            let usual = standard.open(string).unwrap_or(note);
            A_FRET * f64::from(note.0.abs_diff(usual.0))
        });
        Some(Self { open, stiffer })
    }

    /// Lays out all strikes on strings of `set`.
    fn weigh(&self, set: &Set, strikes: &[Vec<Note>]) -> Weighed {
        let mut belief: Belief = std::array::from_fn(|s| {
            Gaussian::new(set.b[s].ln() + self.stiffer[s], set.spread[s].powi(2))
        });
        let mut messages = vec![Belief::default(); strikes.len()];
        let mut layouts = vec![Layout::new(); strikes.len()];
        let mut log_evidence = set.share.ln();
        for sweep in 0..SWEEPS {
            for (i, strike) in strikes.iter().enumerate() {
                let others: Belief = std::array::from_fn(|s| belief[s].without(&messages[i][s]));
                let (layout, likelihood) = self.lay(strike, &others);
                if sweep == 0 {
                    log_evidence += likelihood.max(1e-300).ln();
                }
                messages[i] = message(&layout, &others);
                belief = std::array::from_fn(|s| others[s].with(&messages[i][s]));
                layouts[i] = layout;
            }
        }
        Weighed { log_evidence, layouts }
    }

    /// Every note of a strike on every string where it lies, with its probability; and how likely the
    /// whole is.
    fn lay(&self, strike: &[Note], belief: &Belief) -> (Layout, f64) {
        if strike.len() > MOST_NOTES {
            return (Layout::new(), 1.0);
        }
        let mut options: Layout = strike.iter().map(|note| self.options(note, belief)).collect();
        let mut chosen = Vec::new();
        let mut all = 0.0;
        lay_out(&mut options, &mut chosen, 1.0, &mut all);
        for option in options.iter_mut().flatten() {
            option.probability /= all.max(1e-300);
        }
        (options, all)
    }

    fn options(&self, note: &Note, belief: &Belief) -> Vec<Laid> {
        let mut options: Vec<Laid> = (0..N_STRINGS)
            .filter_map(|s| {
                let fret = note.note.0.checked_sub(self.open[s].1.0)?;
                (fret <= LAST_FRET.0).then(|| option(note, s, fret, &belief[s], self.open[s].0))
            })
            .collect();
        let all: f64 = options.iter().map(|o| o.prior).sum();
        options.iter_mut().for_each(|o| o.weight /= all);
        options
    }
}

fn option(note: &Note, s: usize, fret: u8, belief: &Gaussian, string: StringNumber) -> Laid {
    let prior = if note.asked == Some((string, Fret(fret))) { ASKED } else { 1.0 };
    let unmeasured = Laid {
        string: s,
        fret,
        prior,
        weight: prior,
        share: 0.0,
        posterior: *belief,
        probability: 0.0,
    };
    let Some(Stiffness { b, error }) = note.stiffness else { return unmeasured };
    let up = A_FRET * f64::from(fret);
    // Of a limp string little is known but that it is limp.
    let variance = SCATTER.powi(2) + (error / b.max((belief.mean() + up).exp())).powi(2);
    let spread = belief.variance() + variance;
    let off = b.ln() - up - belief.mean();
    let fits = (1.0 - OUTLIERS) * (-0.5 * off * off / spread).exp()
        / (std::f64::consts::TAU * spread).sqrt();
    let likelihood = fits + OUTLIERS / OUTLIER_RANGE;
    Laid {
        weight: prior * likelihood,
        share: fits / likelihood,
        posterior: belief.with(&Gaussian::new(b.ln() - up, variance)),
        ..unmeasured
    }
}

/// Adds to the probability of each option that of every layout it is part of: no string twice, and
/// what one hand reaches.
fn lay_out(options: &mut [Vec<Laid>], chosen: &mut Vec<usize>, weight: f64, all: &mut f64) {
    let Some(next) = options.get(chosen.len()) else {
        let frets = chosen.iter().zip(&*options).map(|(&j, o)| o[j].fret).filter(|&f| f > 0);
        let span = frets.clone().max().unwrap_or(0) - frets.min().unwrap_or(0);
        let weight = weight
            * match span.saturating_sub(REACH) {
                0 => 1.0,
                1 => STRETCHES,
                _ => BEYOND,
            };
        *all += weight;
        for (note, &j) in options.iter_mut().zip(chosen.iter()) {
            note[j].probability += weight;
        }
        return;
    };
    for j in 0..next.len() {
        let string = options[chosen.len()][j].string;
        let is_free = chosen.iter().zip(&*options).all(|(&k, o)| o[k].string != string);
        if is_free {
            let weight = weight * options[chosen.len()][j].weight;
            chosen.push(j);
            lay_out(options, chosen, weight, all);
            chosen.pop();
        }
    }
}

/// What a strike says of each string: the change from `others` to the Gaussian with the moments of the
/// mixture over all places.
fn message(layout: &[Vec<Laid>], others: &Belief) -> Belief {
    std::array::from_fn(|s| {
        let on_string = || layout.iter().flatten().filter(|o| o.string == s);
        let known: f64 = on_string().map(|o| o.probability * o.share).sum();
        let before = others[s];
        let mean = (1.0 - known) * before.mean()
            + on_string().map(|o| o.probability * o.share * o.posterior.mean()).sum::<f64>();
        let around = |g: &Gaussian| g.variance() + (g.mean() - mean).powi(2);
        let variance = (1.0 - known) * around(&before)
            + on_string().map(|o| o.probability * o.share * around(&o.posterior)).sum::<f64>();
        let message = Gaussian::new(mean, variance).without(&before);
        // A message that takes knowledge away says only that nothing is sure.
        if message.precision > 0.0 { message } else { Gaussian::default() }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ln B of a plain string of diameter `d_inches` at `hz` and 648 mm: `π² E d² / (64 ρ L⁴ f²)`, of
    /// steel 200 GPa and 7850 kg/m³ (tables of materials).
    fn plain_steel(d_inches: f64, hz: f64) -> f64 {
        let d = 0.0254 * d_inches;
        let pi2 = std::f64::consts::PI.powi(2);
        pi2 * 200e9 * d * d / (64.0 * 7850.0 * 0.648_f64.powi(4) * hz * hz)
    }

    /// A take that goes over the neck in sixths and thirds, `played` on strings of these stiffnesses,
    /// measured to a tenth; what is asked for lies a string lower where `elsewhere` says so.
    fn told(open_b: [f64; 6], elsewhere: impl Fn(usize) -> bool) -> Vec<(Place, Option<Place>)> {
        let tuning = Tuning::default();
        let place = |string: u8, fret: u8| (StringNumber(string), Fret(fret));
        let stops = [
            [(3, 4), (1, 3)],
            [(5, 3), (4, 2)],
            [(2, 8), (1, 7)],
            [(6, 5), (4, 4)],
            [(3, 9), (1, 8)],
            [(4, 7), (2, 8)],
            [(5, 7), (4, 5)],
            [(2, 12), (1, 10)],
        ];
        let strays = [0.06, -0.1, 0.02, 0.1, -0.04, -0.08, 0.09, 0.0];
        let mut truth = Vec::new();
        let strikes: Vec<Vec<Note>> = stops
            .iter()
            .enumerate()
            .map(|(i, stop)| {
                let note = |&(string, fret): &(u8, u8)| {
                    let note = tuning.note_at(StringNumber(string), Fret(fret)).expect("a note");
                    let b = open_b[usize::from(string) - 1] * (f64::from(fret) / 6.0).exp2();
                    let b = b * f64::exp(strays[(i + usize::from(string)) % 8]);
                    let below = tuning.open(StringNumber(string + 1));
                    let lower = below.map(|open| place(string + 1, note.0 - open.0));
                    let asked = lower.filter(|_| elsewhere(i)).unwrap_or(place(string, fret));
                    truth.push(place(string, fret));
                    let stiffness = Some(Stiffness { b, error: 0.05 * b });
                    Note { note, stiffness, asked: Some(asked) }
                };
                stop.iter().map(note).collect()
            })
            .collect();
        let open: Vec<_> = tuning.strings().collect();
        truth.into_iter().zip(places(&open, &strikes).into_iter().flatten()).collect()
    }

    /// Plain strings by their gauge; wound ones at either end of what is met, nylon basses below it (from
    /// memory).
    fn guitars() -> [[f64; 6]; 4] {
        let plain = |first, second| [plain_steel(first, 329.63), plain_steel(second, 246.94)];
        let [light, heavy] = [plain(0.009, 0.011), plain(0.012, 0.016)];
        let third = plain_steel(0.018, 196.0);
        [
            [light[0], light[1], third, 4e-5, 7e-5, 1e-4],
            [light[0], light[1], third, 6e-5, 9e-5, 1.6e-4],
            [heavy[0], heavy[1], 3e-5, 6e-5, 9e-5, 1.6e-4],
            [1.9e-5, 4.5e-5, 1.1e-4, 1.5e-5, 2.5e-5, 4e-5],
        ]
    }

    #[test]
    fn the_formula_gives_the_stiffness_of_ordinary_strings() {
        assert!((plain_steel(0.010, 329.63) / 1.5e-5 - 1.0).abs() < 0.2);
        assert!((plain_steel(0.013, 246.94) / 4.5e-5 - 1.0).abs() < 0.2);
    }

    #[test]
    fn what_is_told_is_so_on_guitars_of_all_sets() {
        for open_b in guitars() {
            for every in [1, 3, usize::MAX] {
                let told = told(open_b, |i| (i + 1).is_multiple_of(every));
                for (truth, place) in &told {
                    assert!(place.is_none_or(|place| place == *truth), "{open_b:?} {told:?}");
                }
                let decided = told.iter().filter(|(_, place)| place.is_some()).count();
                assert!(decided >= 5, "{open_b:?}, every {every}: {decided} of {}", told.len());
            }
        }
    }

    #[test]
    fn a_note_on_one_string_only_needs_no_measurement() {
        let open: Vec<_> = Tuning::default().strings().collect();
        let note = Note { note: MidiNote(43), stiffness: None, asked: None };
        let place = Some((StringNumber(6), Fret(3)));
        assert_eq!(places(&open, &[vec![note]]), [[place]]);
        let high = Note { note: MidiNote(64), ..note };
        assert_eq!(places(&open, &[vec![high]]), [[None]]);
    }

    #[test]
    fn other_instruments_are_left_alone() {
        let open: Vec<_> = Tuning::default().strings().skip(2).collect();
        let note = Note { note: MidiNote(43), stiffness: None, asked: None };
        assert_eq!(places(&open, &[vec![note]]), [[None]]);
    }
}
