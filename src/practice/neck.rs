//! The whole neck: how far every fret of every string is off, and what explains it.
//!
//! The deviation of a fretted note from the equal-tempered scale of its own string is split, string
//! by string, by least squares, frets that stray far counting less (P. Huber, «Robust Estimation of a
//! Location Parameter», 1964):
//!
//! ```text
//! deviation(n) = tuning + nut · [n ≥ 1] + saddle · (2^(n/12) − 1) + what only fret n explains
//! ```
//!
//! **Conventions.** All in cents, positive where sharp. `saddle` is the offset at the twelfth fret that
//! a misplaced saddle makes; `nut` is by how much all fretted notes are sharp of the open string.
//! Frets on all strings together tell a fret that lies wrong from one worn on a string.
//! **Limits.** Without the open string, nut and tuning cannot be told apart; with fewer frets than
//! unknowns there is nothing to split.
//! **Reference.** Setbacks of nut and saddle as the two unknowns of compensation: G. Byers, «Classical
//! Guitar Intonation», American Lutherie 47 (1996) (from memory). The function of the fret follows
//! from f ∝ 1/L and frets at L · (1 − 2^(−n/12)).

use super::intonation::is_mended;
use super::intonation::saddle_mm;
use super::pluck::Fault;
use super::pluck::Mean;
use super::pluck::Pluck;
use super::tuning::Refused;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::fretboard::Tuning;
use crate::theory::note::Reference;
use crate::units::Cents;
use crate::units::Hertz;

/// Farther off, it is another fret.
const HALF_A_FRET: Cents = Cents(50.0);

/// A fret that strays farther from what explains the string counts less, so that one that lies wrong
/// does not bend the rest; how often the weights are found anew.
const STRAY_CENTS: f64 = 0.7;
const STRAY_ROUNDS: usize = 10;

/// The neck to be looked at.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The open strings.
    pub tuning: Tuning,
    /// Strings in the order in which they are played.
    pub strings: Vec<StringNumber>,
    /// First and last fret; the open string is always welcome.
    pub frets: (Fret, Fret),
    /// Where A4 is.
    pub reference: Reference,
    /// How far off a fret may be by itself.
    pub tolerance: Cents,
}

/// One fret of one string.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// The string.
    pub string: StringNumber,
    /// The fret; 0 is the open string.
    pub fret: Fret,
    /// Deviation from the equal-tempered scale at the reference.
    pub deviation: Mean,
    /// What tuning, nut and saddle leave over; `None` where there is nothing to split.
    pub alone: Option<Cents>,
}

/// What explains a string.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Split {
    /// The string.
    pub string: StringNumber,
    /// How far it is tuned off.
    pub tuning: Cents,
    /// By how much all fretted notes are sharp of the open string; `None` without the open string.
    pub nut: Option<Cents>,
    /// The offset at the twelfth fret that the saddle makes.
    pub saddle: Cents,
}

/// A fret over all strings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FretAlone {
    /// The fret.
    pub fret: Fret,
    /// What it alone explains, the mean over the strings.
    pub alone: Mean,
}

/// What became of a pluck.
#[derive(Debug, Clone, PartialEq)]
pub enum Heard {
    /// It was measured.
    Taken {
        /// The string.
        string: StringNumber,
        /// The fret.
        fret: Fret,
    },
    /// It has to be played again.
    Refused(Refused),
    /// Nothing was struck, or only for a moment.
    Nothing,
}

/// Takes plucks string by string, fret by fret.
#[derive(Debug)]
pub struct NeckMap {
    plan: Plan,
    /// Every place in the order of playing.
    places: Vec<(StringNumber, Fret, Hertz)>,
    at: usize,
    plucks: Vec<(usize, f64, f64)>,
    refused: Vec<Refused>,
}

impl NeckMap {
    /// Nothing heard yet.
    pub fn new(plan: Plan) -> Self {
        let frets = std::iter::once(Fret(0))
            .chain((plan.frets.0.0.max(1)..=plan.frets.1.0).map(Fret))
            .collect::<Vec<_>>();
        let place = |string, fret| {
            let note = plan.tuning.note_at(string, fret)?;
            Some((string, fret, plan.reference.frequency(note)))
        };
        let places = plan
            .strings
            .iter()
            .flat_map(|&string| frets.iter().filter_map(move |&fret| place(string, fret)))
            .collect();
        Self { plan, places, at: 0, plucks: Vec::new(), refused: Vec::new() }
    }

    /// The neck that is looked at.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// Takes a pluck. The same pitch lies in several places: it is the nearest one that has not been
    /// passed, going up each string in turn; of a single string, any order does.
    pub fn push(&mut self, pluck: &Pluck) -> Heard {
        let mut struck = pluck.strings.iter().filter(|sounding| sounding.struck);
        let from = if self.plan.strings.len() == 1 { 0 } else { self.at };
        let found = struck.find_map(|sounding| {
            let near = |hz: Hertz| sounding.frequency.cents_above(hz).0.abs() < HALF_A_FRET.0;
            let ahead = (from..self.places.len()).find(|&i| near(self.places[i].2))?;
            Some((sounding, ahead))
        });
        let at_s = pluck.at_s;
        let Some((sounding, place)) = found else {
            let Some(heard) = pluck.stranger() else { return Heard::Nothing };
            return self.refuse(Refused { at_s, string: None, fault: Fault::Wrong { heard } });
        };
        self.at = place;
        let (string, fret, hz) = self.places[place];
        if let Some(fault) = pluck.fault(sounding) {
            return self.refuse(Refused { at_s, string: Some(string), fault });
        }
        let cents = sounding.frequency.cents_above(hz);
        self.plucks.push((place, cents.0, sounding.error_cents()));
        Heard::Taken { string, fret }
    }

    fn refuse(&mut self, refused: Refused) -> Heard {
        self.refused.push(refused.clone());
        Heard::Refused(refused)
    }

    /// Plucks that were not taken, in order of time.
    pub fn refused(&self) -> &[Refused] {
        &self.refused
    }

    /// The next place that has not been heard yet, in the order of playing.
    pub fn next(&self) -> Option<(StringNumber, Fret)> {
        let heard = |i: &usize| self.plucks.iter().any(|(place, ..)| place == i);
        (0..self.places.len()).find(|i| !heard(i)).map(|i| (self.places[i].0, self.places[i].1))
    }

    /// Every place that was heard, and what explains each string.
    pub fn spots(&self) -> (Vec<Spot>, Vec<Split>) {
        let mut spots = Vec::new();
        for (i, &(string, fret, _)) in self.places.iter().enumerate() {
            let plucks: Vec<(f64, f64)> = self
                .plucks
                .iter()
                .filter(|(place, ..)| *place == i)
                .map(|&(_, cents, error)| (cents, error))
                .collect();
            let mean = Mean::of(&plucks).filter(|mean| mean.error.is_finite());
            spots.extend(mean.map(|deviation| Spot { string, fret, deviation, alone: None }));
        }
        let mut splits = Vec::new();
        for &string in &self.plan.strings {
            let points: Vec<(Fret, f64)> = spots
                .iter()
                .filter(|spot| spot.string == string)
                .map(|spot| (spot.fret, spot.deviation.cents))
                .collect();
            let Some(split) = split(string, &points) else { continue };
            splits.push(split);
            for spot in spots.iter_mut().filter(|spot| spot.string == string) {
                spot.alone = Some(Cents(spot.deviation.cents - split.at(spot.fret)));
            }
        }
        (spots, splits)
    }
}

impl Split {
    /// What tuning, nut and saddle make of `fret`, in cents.
    pub fn at(&self, fret: Fret) -> f64 {
        let nut = self.nut.filter(|_| fret.0 > 0).map_or(0.0, |nut| nut.0);
        self.tuning.0 + nut + self.saddle.0 * saddle_course(fret)
    }

    /// How far the saddle has to move away from the nut, in millimetres, at this scale; `None` if no
    /// saddle goes so far.
    pub fn saddle_mm(&self, scale_mm: f64) -> Option<f64> {
        is_mended(self.saddle).then(|| saddle_mm(self.saddle, scale_mm, (Fret(0), Fret(12))))
    }
}

/// How much of its effect at the twelfth fret a moved saddle has at `fret`.
fn saddle_course(fret: Fret) -> f64 {
    (f64::from(fret.0) / 12.0).exp2() - 1.0
}

/// What each fret explains by itself, over the strings that were heard there.
pub fn frets_alone(spots: &[Spot]) -> Vec<FretAlone> {
    let mut frets: Vec<Fret> = spots.iter().map(|spot| spot.fret).filter(|f| f.0 > 0).collect();
    frets.sort_unstable();
    frets.dedup();
    let of = |fret: Fret| {
        let alone: Vec<(f64, f64)> = spots
            .iter()
            .filter(|spot| spot.fret == fret)
            .filter_map(|spot| Some((spot.alone?.0, spot.deviation.error)))
            .collect();
        Mean::of(&alone).map(|alone| FretAlone { fret, alone })
    };
    frets.into_iter().filter_map(of).collect()
}

/// Least squares of one string; `None` unless there are more frets than unknowns.
fn split(string: StringNumber, points: &[(Fret, f64)]) -> Option<Split> {
    let has_open = points.iter().any(|(fret, _)| fret.0 == 0);
    let n_unknowns = if has_open { 3 } else { 2 };
    if points.len() <= n_unknowns {
        return None;
    }
    let columns = |fret: Fret| [1.0, saddle_course(fret), f64::from(u8::from(fret.0 > 0))];
    let mut solved = [0.0; 3];
    for round in 0..STRAY_ROUNDS {
        let mut matrix = [[0.0; 4]; 3];
        for &(fret, cents) in points {
            let row = columns(fret);
            let explained: f64 = row.iter().zip(solved).map(|(x, part)| x * part).sum();
            let stray = (cents - explained).abs();
            let weight = if round == 0 { 1.0 } else { (STRAY_CENTS / stray.max(1e-9)).min(1.0) };
            for i in 0..n_unknowns {
                for j in 0..n_unknowns {
                    matrix[i][j] += weight * row[i] * row[j];
                }
                matrix[i][3] += weight * row[i] * cents;
            }
        }
        solved = eliminate(matrix, n_unknowns)?;
    }
    Some(Split {
        string,
        tuning: Cents(solved[0]),
        nut: has_open.then_some(Cents(solved[2])),
        saddle: Cents(solved[1]),
    })
}

/// Solves `n` equations, right side in column 3, pivoting on the diagonal: the matrix is positive
/// definite unless the frets say too little.
fn eliminate(mut matrix: [[f64; 4]; 3], n: usize) -> Option<[f64; 3]> {
    for i in 0..n {
        let pivot = matrix[i][i];
        if pivot < 1e-9 {
            return None;
        }
        let row = matrix[i];
        for (k, other) in matrix.iter_mut().enumerate().take(n) {
            if k != i {
                let factor = other[i] / pivot;
                other.iter_mut().zip(row).for_each(|(cell, above)| *cell -= factor * above);
            }
        }
    }
    let mut solved = [0.0; 3];
    for i in 0..n {
        solved[i] = matrix[i][3] / matrix[i][i];
    }
    Some(solved)
}
