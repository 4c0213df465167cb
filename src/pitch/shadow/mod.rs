//! Spectra of a tone that sounds in; out, the odds that another an octave, a twelfth, two octaves or two
//! octaves and a third above was struck with it.
//!
//! All partials of the upper string lie beside every `ratio`-th of the lower (*multiples*). Two
//! things betray it. Strings differ in tuning and stiffness, so beside each multiple lies a second
//! line, and all second lines fit one string: every partial *votes* for the places where it has
//! one, and a search over tuning and stiffness counts the votes. And the multiples are louder than
//! the other partials (*controls*) let expect. A lone string is no ideal one either (two planes of
//! vibration, two decays), but then its controls are as rough as its multiples: they are counted
//! the same way and speak against.
//!
//! **Conventions.** Log odds are natural, above 0 for «struck», at even odds beforehand.
//! **Limits.** Blind to an upper tone more than some 12 dB below the lower, and to one exactly in
//! tune with it that adds nothing to its level. An octave and a double octave above look alike to
//! one who asks for the other: ask for all ratios and believe the likeliest. Of real notes 5 % are
//! judged wrongly (`benches/fit_shadow.py`, each guitar judged by what the others taught).
//! **Reference.** H. Fletcher, J. Acoust. Soc. Am. 36 (1964), for the partials of stiff strings;
//! G. Weinreich, «Coupled piano strings», J. Acoust. Soc. Am. 62 (1977), for what lone strings do.

mod lower;
mod second;
mod weights;

use self::lower::Lower;
use self::second::Desk;
use self::second::MAX_STEPS;
use self::second::MAX_VOTERS;
use self::second::Voter;
use self::second::count_votes;
use self::second::debris_of;
use self::weights::MODELS;
use super::fit::Fitter;
use super::fit::MAX_TONES;
use super::tone::Tone;
use super::tone::typical_stiffness;
use crate::dsp::spectrum::Spectrum;

/// Number of features: five of the shortest spectrum, five of the longest.
pub const N_FEATURES: usize = 10;

/// What is known of a tone in the shadow of another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shadow {
    /// Natural logarithm of the odds that it was struck, equally likely as not beforehand.
    pub log_odds: f64,
    /// Its first partial in hertz, as far as it can be told.
    pub f1: f64,
    /// What `log_odds` was computed from; `benches/shadow_fit.rs` writes it down.
    pub features: [f64; N_FEATURES],
}

/// A logistic model on standardised features.
#[derive(Debug)]
struct Model {
    bias: f64,
    /// Mean, spread and weight of every feature.
    terms: [[f64; 3]; N_FEATURES],
}

impl Model {
    fn log_odds(&self, features: &[f64; N_FEATURES]) -> f64 {
        let standardised = |x: f64, mean: f64, spread: f64| ((x - mean) / spread).clamp(-3.0, 3.0);
        let terms = self.terms.iter().zip(features);
        self.bias + terms.map(|([m, s, w], &x)| w * standardised(x, *m, *s)).sum::<f64>()
    }
}

/// Memory for [`Workspace::log_odds`], all of it taken in `new`.
#[derive(Debug)]
pub struct Workspace {
    multiples: Vec<Voter>,
    controls: Vec<Voter>,
    desk: Desk,
    votes: Vec<f32>,
}

impl Default for Workspace {
    fn default() -> Self {
        Self::new()
    }
}

impl Workspace {
    /// A workspace for spectra of any length.
    pub fn new() -> Self {
        let voters = || (0..MAX_VOTERS).map(|_| Voter::new()).collect();
        Self {
            multiples: voters(),
            controls: voters(),
            desk: Desk::new(),
            votes: vec![0.0; 2 * MAX_STEPS + 1],
        }
    }

    /// Was a tone `ratio` (2 to 5) times as high struck together with `context[t]`?
    ///
    /// As [`Workspace::survey`], for one tone and ratio.
    pub fn log_odds(
        &mut self,
        spectra: &[Spectrum],
        fitter: &mut Fitter,
        context: &[Tone],
        t: usize,
        ratio: usize,
    ) -> Option<Shadow> {
        let (short, long) = (spectra.first()?, spectra.last()?);
        let mut found = None;
        self.survey([short, long], fitter, context, f64::NEG_INFINITY, |tone, r, shadow| {
            if (tone, r) == (t, ratio) {
                found = Some(shadow);
            }
        });
        found
    }

    /// Asks of every tone of `context` and every ratio (2 to 5) whether a tone that many times as
    /// high was struck with it; `on_shadow` gets the tone's index, the ratio and the answer.
    ///
    /// `spectra` begin soon after the strike, the shorter (0.17 s) first; 0.25 to 0.8 s are best
    /// for the longer. `context` are all tones known to sound then. Answers below `least` log odds
    /// after the first spectrum are not pursued. `fitter` is left with the last fit made.
    pub fn survey(
        &mut self,
        spectra: [&Spectrum; 2],
        fitter: &mut Fitter,
        context: &[Tone],
        least: f64,
        mut on_shadow: impl FnMut(usize, usize, Shadow),
    ) {
        let n = context.len().min(MAX_TONES);
        let mut attacks = [[None; MODELS.len()]; MAX_TONES];
        fitter.fit(spectra[0], context, 1);
        fitter.subtract(spectra[0]);
        for (t, row) in attacks[..n].iter_mut().enumerate() {
            for (i, slot) in row.iter_mut().enumerate() {
                *slot = self
                    .examine(spectra[0], fitter, t, i + 2)
                    .filter(|attack| answer(attack, attack, &MODELS[i]).log_odds > least);
            }
        }
        fitter.fit(spectra[1], context, 1);
        fitter.subtract(spectra[1]);
        for (t, row) in attacks[..n].iter().enumerate() {
            for (i, attack) in row.iter().enumerate() {
                let Some(attack) = attack else { continue };
                let Some(whole) = self.examine(spectra[1], fitter, t, i + 2) else { continue };
                on_shadow(t, i + 2, answer(attack, &whole, &MODELS[i]));
            }
        }
    }

    /// One spectrum, to which `fitter` was fitted.
    fn examine(
        &mut self,
        spectrum: &Spectrum,
        fitter: &Fitter,
        t: usize,
        ratio: usize,
    ) -> Option<Look> {
        let mut lower = Lower::new(spectrum, fitter, t);
        lower.draw_line(spectrum, ratio);
        let (roughness_db, weight) = lower.roughness(spectrum, ratio, true);
        let (control_roughness_db, _) = lower.roughness(spectrum, ratio, false);
        let (balance_db, edge_db) = lower.balance(spectrum, ratio)?;
        if weight == 0.0 {
            return None;
        }
        let [mut n_multiples, mut n_controls] = [0; 2];
        for k in 1..=MAX_VOTERS {
            let n = k * ratio;
            let mut examine = |voter: &mut Voter, n: usize, k: usize| {
                usize::from(voter.examine(spectrum, fitter, &lower, n, k, &mut self.desk))
            };
            n_multiples += examine(&mut self.multiples[n_multiples], n, k);
            n_controls += examine(&mut self.controls[n_controls], n - 1, n - 1);
        }
        let (multiples, controls) =
            (&mut self.multiples[..n_multiples], &mut self.controls[..n_controls]);
        let debris = debris_of(controls);
        for voter in multiples.iter_mut().chain(controls.iter_mut()) {
            voter.vote(spectrum, debris, &mut self.votes);
        }
        let upper = lower.place(ratio);
        let (votes, f1) = count_votes(multiples, upper, typical_stiffness(upper));
        let stiffness = lower.tone.stiffness.max(3e-5);
        let (control_votes, _) = count_votes(controls, lower.place(1), stiffness);
        // A second line clear of doubt is the upper string; else its partials lie where they are.
        let f1 =
            if votes > 1.5 + control_votes { f1 } else { lower.found(ratio, spectrum.width_hz) };
        Some(Look {
            votes,
            control_votes,
            balance_db,
            edge_db,
            roughness_db,
            control_roughness_db,
            f1,
        })
    }
}

/// What two spectra say together.
fn answer(attack: &Look, whole: &Look, model: &Model) -> Shadow {
    let features = [
        attack.votes,
        attack.control_votes,
        attack.balance_db,
        attack.edge_db,
        attack.roughness_db,
        whole.votes,
        whole.control_votes,
        whole.balance_db,
        whole.edge_db,
        whole.roughness_db - whole.control_roughness_db,
    ];
    let log_odds = model.log_odds(&features);
    Shadow { log_odds, f1: whole.f1, features }
}

/// What one spectrum says.
#[derive(Debug, Clone, Copy)]
struct Look {
    /// Votes of all multiples for the best upper string, over the root of their number.
    votes: f64,
    control_votes: f64,
    /// Multiples over a smooth envelope of the controls.
    balance_db: f64,
    /// Multiples over the louder of their neighbours.
    edge_db: f64,
    /// What no single line explains at the multiples, relative to them.
    roughness_db: f64,
    control_roughness_db: f64,
    f1: f64,
}
