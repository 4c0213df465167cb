//! Which strike belongs to which step: dynamic programming over the whole take.
//!
//! **Conventions.** Strikes and steps keep their order. A strike may belong to no step (false start,
//! repetition, bump), a step may have no strike.
//! **Limits.** Of a repeated passage the run that fits best counts, the last one where they fit
//! equally: a player who starts again means the second time.

/// What leaving a step out costs, in the unit of [`super::matching::Match::distance`].
const SKIP_STEP: f64 = 0.75;
/// What beginning to leave strikes out costs …
const SKIP_STRIKES: f64 = 0.25;
/// … and each of them.
const SKIP_STRIKE: f64 = 0.35;
/// A strike that has less than this in common with a step is not taken for it.
const MAX_DISTANCE: f64 = 1.0;

/// What a strike belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// It is the strike of this step (index into the steps that are no rests).
    Step(usize),
    /// It is a later stage of this step: a hammer-on heard as a strike of its own.
    StageOf(usize),
    /// It belongs to nothing.
    Nothing,
}

/// Everything an alignment goes by.
pub trait Costs {
    /// Number of strikes.
    fn n_strikes(&self) -> usize;
    /// Number of steps.
    fn n_steps(&self) -> usize;
    /// How far strike `i` is from step `j`: 0 the same, 1 nothing in common.
    fn distance(&self, i: usize, j: usize) -> f64;
    /// Whether strike `i` may be a later stage of step `j`, and what that costs.
    fn stage(&self, i: usize, j: usize) -> Option<f64>;
    /// What it costs that step `j` comes this long after step `k`, both struck.
    fn haste(&self, i: usize, j: usize, before: usize, k: usize) -> f64;
}

#[derive(Debug, Clone, Copy)]
struct Cell {
    cost: f64,
    /// Whether the strike before was left out.
    from: (usize, usize, Place),
}

/// The cheapest alignment, a place for every strike, and what it costs.
pub fn align(costs: &impl Costs) -> (Vec<Place>, f64) {
    let (n, m) = (costs.n_strikes(), costs.n_steps());
    let start = Cell { cost: f64::INFINITY, from: (0, 0, Place::Nothing) };
    // table[i][j]: the first i strikes and j steps are dealt with.
    let mut table = vec![vec![start; m + 1]; n + 1];
    table[0][0].cost = 0.0;
    for i in 0..=n {
        for j in 0..=m {
            if i == 0 && j == 0 {
                continue;
            }
            let mut best = start;
            let mut offer = |cost: f64, from: (usize, usize, Place)| {
                // At equal cost the way that matches this strike wins: the last run counts.
                if cost < best.cost - 1e-9 {
                    best = Cell { cost, from };
                }
            };
            if i > 0 && j > 0 {
                let distance = costs.distance(i - 1, j - 1);
                if distance < MAX_DISTANCE {
                    let before = &table[i - 1][j - 1];
                    let haste = match before.from {
                        (bi, bj, Place::Step(k)) if (bi, bj) != (i - 1, j - 1) || i > 1 => {
                            costs.haste(i - 1, j - 1, i - 2, k)
                        }
                        _ => 0.0,
                    };
                    offer(before.cost + distance + haste, (i - 1, j - 1, Place::Step(j - 1)));
                }
            }
            if let Some(cost) = (i > 1 && j > 0).then(|| costs.stage(i - 1, j - 1)).flatten() {
                let before = &table[i - 1][j];
                if matches!(before.from.2, Place::Step(_) | Place::StageOf(_)) {
                    offer(before.cost + cost, (i - 1, j, Place::StageOf(j - 1)));
                }
            }
            if i > 0 {
                let before = &table[i - 1][j];
                let first = i == 1 || before.from.2 != Place::Nothing;
                let begin = if first { SKIP_STRIKES } else { 0.0 };
                offer(before.cost + SKIP_STRIKE + begin, (i - 1, j, Place::Nothing));
            }
            if j > 0 {
                offer(table[i][j - 1].cost + SKIP_STEP, (i, j - 1, Place::Nothing));
            }
            table[i][j] = best;
        }
    }
    let mut places = vec![Place::Nothing; n];
    let (mut i, mut j) = (n, m);
    while i > 0 || j > 0 {
        let (from_i, from_j, place) = table[i][j].from;
        if from_i < i {
            places[i - 1] = place;
        }
        (i, j) = (from_i, from_j);
    }
    (places, table[n][m].cost)
}
