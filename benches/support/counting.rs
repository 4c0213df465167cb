//! Notes and frames counted as the field counts them.
//!
//! **Conventions.** A note matches within 50 ms and 50 cents, the limits counted in, offsets
//! ignored; a pitch of a frame within half a semitone. Matching is as large as possible (bipartite),
//! never greedy.
//! **Reference.** C. Raffel et al., «mir_eval: a transparent implementation of common MIR metrics»,
//! ISMIR 2014, modules `transcription` and `multipitch` (version 0.8); the frame errors after
//! G. Poliner, D. Ellis, EURASIP J. Adv. Signal Process. 2007.

use std::ops::AddAssign;

/// Notes begin together within this, in seconds.
pub const ONSET_S: f64 = 0.05;
/// … and are the same within this, in cents.
pub const PITCH_CENTS: f64 = 50.0;

/// When a note began, and its pitch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sounding {
    pub onset_s: f64,
    pub hz: f64,
}

/// Notes matched, asked for and told.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Notes {
    pub matched: usize,
    pub reference: usize,
    pub estimate: usize,
}

impl Notes {
    /// Counts `estimate` against `reference`.
    pub fn of(reference: &[Sounding], estimate: &[Sounding]) -> Self {
        let matched = pairs(reference, estimate).len();
        Self { matched, reference: reference.len(), estimate: estimate.len() }
    }

    pub fn precision(&self) -> f64 {
        self.matched as f64 / self.estimate.max(1) as f64
    }

    pub fn recall(&self) -> f64 {
        self.matched as f64 / self.reference.max(1) as f64
    }

    /// Harmonic mean of precision and recall.
    pub fn f1(&self) -> f64 {
        2.0 * self.matched as f64 / (self.reference + self.estimate).max(1) as f64
    }
}

impl AddAssign for Notes {
    fn add_assign(&mut self, other: Self) {
        self.matched += other.matched;
        self.reference += other.reference;
        self.estimate += other.estimate;
    }
}

/// Which note of `reference` is which of `estimate`.
pub fn pairs(reference: &[Sounding], estimate: &[Sounding]) -> Vec<(usize, usize)> {
    // Rounded to a tenth of a millisecond, as the reference does.
    let apart = |a: f64, b: f64| (1e4 * (a - b)).round().abs() / 1e4;
    matching(reference.len(), estimate.len(), |r, e| {
        let (r, e) = (reference[r], estimate[e]);
        apart(r.onset_s, e.onset_s) <= ONSET_S && cents(r.hz, e.hz).abs() <= PITCH_CENTS
    })
}

/// The pitches of one frame, or of many when added up.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Frames {
    correct: usize,
    reference: usize,
    estimate: usize,
    substituted: usize,
    missed: usize,
    false_alarms: usize,
}

impl Frames {
    /// Counts the pitches told of one frame, in hertz.
    pub fn of(reference: &[f64], estimate: &[f64]) -> Self {
        let (n, m) = (reference.len(), estimate.len());
        let near = |r: usize, e: usize| cents(reference[r], estimate[e]).abs() <= 50.0;
        let correct = matching(n, m, near).len();
        Self {
            correct,
            reference: n,
            estimate: m,
            substituted: n.min(m) - correct,
            missed: n.saturating_sub(m),
            false_alarms: m.saturating_sub(n),
        }
    }

    pub fn precision(&self) -> f64 {
        self.correct as f64 / self.estimate.max(1) as f64
    }

    pub fn recall(&self) -> f64 {
        self.correct as f64 / self.reference.max(1) as f64
    }

    pub fn accuracy(&self) -> f64 {
        self.correct as f64 / (self.reference + self.estimate - self.correct).max(1) as f64
    }

    /// Pitches taken for others, missed, and told beyond those asked for, each as a share of those
    /// asked for; their sum is the total error.
    pub fn errors(&self) -> [f64; 3] {
        let share = |n: usize| n as f64 / self.reference.max(1) as f64;
        [share(self.substituted), share(self.missed), share(self.false_alarms)]
    }
}

impl AddAssign for Frames {
    fn add_assign(&mut self, other: Self) {
        self.correct += other.correct;
        self.reference += other.reference;
        self.estimate += other.estimate;
        self.substituted += other.substituted;
        self.missed += other.missed;
        self.false_alarms += other.false_alarms;
    }
}

fn cents(a: f64, b: f64) -> f64 {
    1200.0 * (a / b).log2()
}

/// A largest matching between `0..n` and `0..m` along the edges of `near`, by augmenting paths.
fn matching(n: usize, m: usize, near: impl Fn(usize, usize) -> bool) -> Vec<(usize, usize)> {
    let mut partner: Vec<Option<usize>> = vec![None; m];
    for left in 0..n {
        augment(left, &near, &mut vec![false; m], &mut partner);
    }
    let mut pairs: Vec<(usize, usize)> =
        partner.iter().enumerate().filter_map(|(right, left)| Some(((*left)?, right))).collect();
    pairs.sort_unstable();
    pairs
}

fn augment(
    left: usize,
    near: &impl Fn(usize, usize) -> bool,
    seen: &mut [bool],
    partner: &mut [Option<usize>],
) -> bool {
    for right in 0..partner.len() {
        if seen[right] || !near(left, right) {
            continue;
        }
        seen[right] = true;
        let free = match partner[right] {
            None => true,
            Some(other) => augment(other, near, seen, partner),
        };
        if free {
            partner[right] = Some(left);
            return true;
        }
    }
    false
}
