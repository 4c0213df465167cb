//! Which strike belongs to which step: dynamic programming over the whole take.
//!
//! **Conventions.** Strikes and steps keep their order. A strike may belong to no step (false start,
//! repetition, bump), a step may have no strike.
//! **Limits.** Of a repeated passage the run that fits best counts, the last one where they fit
//! equally: a player who starts again means the second time. Of steps alike those are taken that leave
//! no gap, then the first: a player stops halfway, or begins there, sooner than leaving steps out.

/// What leaving a step out costs, in the unit of [`super::matching::Match::distance`].
const SKIP_STEP: f64 = 0.75;
/// … and beginning to, between others: just enough to decide where steps are alike.
const SKIP_STEPS: f64 = 0.001;
/// What beginning to leave strikes out costs …
const SKIP_STRIKES: f64 = 0.25;
/// … and each of them, …
const SKIP_STRIKE: f64 = 0.35;
/// … and more between steps that were struck, so much for a string that is like a step: it belongs to another
/// run, and a run is not made of the best of two.
const SKIP_AMID: f64 = 0.25;
/// Strings struck so near to a step, one after the other, are tries of it: it came when the first did.
const LIKE: f64 = 0.6;
/// … so many before the last: more is another run.
const TRIES: usize = 2;
/// A strike that has less than this in common with a step is not taken for it.
const MAX_DISTANCE: f64 = 1.0;

/// A strike is in time if it is this near to where its neighbours put its step, as a share of the way to
/// the nearer of them.
pub(super) const IN_TIME: f64 = 0.2;

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

/// Everything an alignment goes by; every distance and stage is asked for
/// once at most, strike by strike.
pub trait Costs {
    /// Number of strikes.
    fn n_strikes(&self) -> usize;
    /// Number of steps.
    fn n_steps(&self) -> usize;
    /// How far strike `i` is from step `j`: 0 the same, 1 nothing in common.
    fn distance(&self, i: usize, j: usize) -> f64;
    /// Whether strike `i` was a string for sure, not talk.
    fn is_string(&self, i: usize) -> bool;
    /// Whether strike `i` may be another try of what the strike before it was.
    fn is_again(&self, i: usize) -> bool;
    /// An earlier step that every strike is as far from as from step `j`.
    fn alike(&self, j: usize) -> Option<usize>;
    /// Whether strike `i` may be a later stage of step `j`, which strike `before` began, and what that costs.
    fn stage(&self, i: usize, j: usize, before: usize) -> Option<f64>;
    /// What it costs that strike `i`, for step `j`, comes so long after strike `before`, for step `k`, no
    /// step between them being struck.
    fn pace(&self, i: usize, j: usize, before: usize, k: usize) -> f64;
}

/// What became of the last strike or step dealt with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Move {
    /// The strike was matched with the step.
    Match,
    /// The strike was taken for a later stage of the step.
    Stage,
    /// The strike was left out, or nothing was dealt with yet.
    LeaveStrike,
    /// The step was left out.
    LeaveStep,
}

/// The cheapest way to have dealt with some strikes and steps.
#[derive(Debug, Clone, Copy)]
struct Cell {
    cost: f64,
    last: Move,
    /// Whether what was dealt with before went into the strike's step, not nowhere.
    from_struck: bool,
    /// The last step that has a strike, and that strike, both counted from 1; 0 for none.
    step: usize,
    strike: usize,
}

impl Cell {
    const NOWHERE: Self = Self {
        cost: f64::INFINITY,
        last: Move::LeaveStrike,
        from_struck: false,
        step: 0,
        strike: 0,
    };

    /// At equal cost the first offer stays: of steps alike the first, of runs the last.
    fn offer(&mut self, other: Self) {
        if other.cost < self.cost - 1e-9 {
            *self = other;
        }
    }
}

/// The cheapest ways that end with a strike in its step, and with one or a step left out: what comes next
/// costs them different amounts.
#[derive(Debug, Clone, Copy)]
struct Ways {
    struck: Cell,
    left: Cell,
}

impl Ways {
    const NOWHERE: Self = Self { struck: Cell::NOWHERE, left: Cell::NOWHERE };

    /// Either, in the order in which they are offered.
    fn either(&self) -> [(Cell, bool); 2] {
        let (struck, left) = ((self.struck, true), (self.left, false));
        if self.left.last == Move::LeaveStep { [left, struck] } else { [struck, left] }
    }

    fn cheaper(&self) -> (Cell, bool) {
        let [first, second] = self.either();
        if second.0.cost < first.0.cost - 1e-9 { second } else { first }
    }
}

/// The cheapest alignment, a place for every strike, and what it costs.
///
/// Takes four bytes for every strike and step: an hour of strikes against a long lick is no burden.
pub fn align(costs: &impl Costs) -> (Vec<Place>, f64) {
    let (n, m) = (costs.n_strikes(), costs.n_steps());
    // row[j]: the first i strikes and j steps are dealt with; above[j]: i − 1 strikes.
    let (mut above, mut row) = (vec![Ways::NOWHERE; m + 1], vec![Ways::NOWHERE; m + 1]);
    let mut moves = Vec::with_capacity((n + 1) * (m + 1));
    let mut distances = vec![MAX_DISTANCE; m];
    // For every step the first of the strikes in a row, up to this one, that are like it.
    let mut tried_from: Vec<Option<usize>> = vec![None; m];
    for i in 0..=n {
        let is_string = i > 0 && costs.is_string(i - 1);
        if i > 0 {
            for (j, tried) in tried_from.iter_mut().enumerate() {
                distances[j] = match costs.alike(j) {
                    Some(earlier) => distances[earlier],
                    None => costs.distance(i - 1, j),
                };
                let again = tried.filter(|_| costs.is_again(i - 1));
                *tried = (distances[j] < LIKE).then(|| again.unwrap_or(i - 1));
            }
        }
        let likeness = match is_string {
            true => 1.0 - distances.iter().copied().fold(MAX_DISTANCE, f64::min),
            false => 0.0,
        };
        for j in 0..=m {
            let mut best = Ways::NOWHERE;
            if i == 0 && j == 0 {
                best.left.cost = 0.0;
            }
            if j > 0 {
                for (cell, from_struck) in row[j - 1].either() {
                    let begins = j > 1 && cell.step == j - 1 && i < n;
                    let begin = if begins { SKIP_STEPS } else { 0.0 };
                    let cost = cell.cost + SKIP_STEP + begin;
                    best.left.offer(Cell { cost, last: Move::LeaveStep, from_struck, ..cell });
                }
            }
            let distance = if i > 0 && j > 0 { distances[j - 1] } else { MAX_DISTANCE };
            if distance < MAX_DISTANCE {
                for (cell, from_struck) in above[j - 1].either() {
                    let pace = match cell.step {
                        0 => 0.0,
                        step => {
                            let pace = |i: usize| costs.pace(i, j - 1, cell.strike - 1, step - 1);
                            let tried = tried_from[j - 1].unwrap_or(i - 1).max(cell.strike);
                            match tried.max((i - 1).saturating_sub(TRIES)) {
                                tried if tried < i - 1 => pace(i - 1).min(pace(tried)),
                                _ => pace(i - 1),
                            }
                        }
                    };
                    let cost = cell.cost + distance + pace;
                    let last = Move::Match;
                    best.struck.offer(Cell { cost, last, from_struck, step: j, strike: i });
                }
            }
            let struck = above[j].struck;
            if i > 1
                && j > 0
                && struck.cost.is_finite()
                && let Some(cost) = costs.stage(i - 1, j - 1, struck.strike - 1)
            {
                let cost = struck.cost + cost;
                best.struck.offer(Cell { cost, last: Move::Stage, from_struck: true, ..struck });
            }
            if i > 0 {
                for (cell, from_struck) in above[j].either() {
                    let begin = if i == 1 || from_struck { SKIP_STRIKES } else { 0.0 };
                    let is_outside = cell.step == 0 || j == m;
                    let amid = if is_outside { 0.0 } else { SKIP_AMID * likeness };
                    let cost = cell.cost + SKIP_STRIKE + begin + amid;
                    best.left.offer(Cell { cost, last: Move::LeaveStrike, from_struck, ..cell });
                }
            }
            row[j] = best;
            moves.push([best.left, best.struck].map(|cell| (cell.last, cell.from_struck)));
        }
        std::mem::swap(&mut above, &mut row);
    }
    let mut places = vec![Place::Nothing; n];
    let (mut i, mut j) = (n, m);
    let (end, mut is_struck) = above[m].cheaper();
    while i > 0 || j > 0 {
        let (last, from_struck) = moves[i * (m + 1) + j][usize::from(is_struck)];
        match last {
            Move::Match => {
                (i, j) = (i - 1, j - 1);
                places[i] = Place::Step(j);
            }
            Move::Stage => {
                i -= 1;
                places[i] = Place::StageOf(j - 1);
            }
            Move::LeaveStrike => i -= 1,
            Move::LeaveStep => j -= 1,
        }
        is_struck = from_struck;
    }
    (places, end.cost)
}

/// Gives strikes that are like no step to steps without a strike, where one of each lies beside strikes
/// that have their steps and it was struck when the step was due: a double stop of which nothing is right
/// is wrong, not left out.
///
/// `at_s` are the strikes' instants in seconds, `beats` where the steps begin.
pub fn settle(places: &mut [Place], at_s: &[f64], beats: &[f64]) {
    let placed = |(i, place): (usize, &Place)| match place {
        Place::Step(j) => Some((i, *j)),
        Place::StageOf(_) | Place::Nothing => None,
    };
    let known: Vec<(usize, usize)> = places.iter().enumerate().filter_map(placed).collect();
    // A stray, the step it may be, and two that tell the tempo: those on either side of it, or the next two.
    let mut lone = Vec::new();
    if let [first @ (1, 1), next, ..] = known[..] {
        lone.push((0, 0, [first, next]));
    }
    for pair in known.windows(2) {
        let [(i, j), (k, l)] = [pair[0], pair[1]];
        let mut strays = (i + 1..k).filter(|&stray| places[stray] == Place::Nothing);
        if let (Some(stray), None, true) = (strays.next(), strays.next(), l == j + 2) {
            lone.push((stray, j + 1, [(i, j), (k, l)]));
        }
    }
    if let [.., before, last @ (k, l)] = known[..]
        && (k + 2, l + 2) == (places.len(), beats.len())
    {
        lone.push((k + 1, l + 1, [before, last]));
    }
    for (stray, step, pair) in lone {
        let [known_s, known_beats] = [pair.map(|(i, _)| at_s[i]), pair.map(|(_, j)| beats[j])];
        if places[stray] == Place::Nothing && is_due(known_s, known_beats, at_s[stray], beats[step])
        {
            places[stray] = Place::Step(step);
        }
    }
}

/// Whether what was struck at `now_s` was struck when `beat` was due, going by two strikes and their beats.
pub(super) fn is_due(at_s: [f64; 2], beats: [f64; 2], now_s: f64, beat: f64) -> bool {
    let beat_s = (at_s[1] - at_s[0]) / (beats[1] - beats[0]);
    let late_s = now_s - at_s[0] - (beat - beats[0]) * beat_s;
    let gap = beats.map(|known| (beat - known).abs()).into_iter().fold(f64::INFINITY, f64::min);
    late_s.abs() < IN_TIME * gap * beat_s
}

#[cfg(test)]
mod tests {
    use super::Place::Nothing;
    use super::Place::StageOf;
    use super::Place::Step;
    use super::*;

    /// Strikes and steps as letters, alike or with nothing in common.
    struct Letters<'a>(&'a str, &'a str);

    impl Costs for Letters<'_> {
        fn n_strikes(&self) -> usize {
            self.0.len()
        }

        fn n_steps(&self) -> usize {
            self.1.len()
        }

        fn distance(&self, i: usize, j: usize) -> f64 {
            assert_eq!(self.alike(j), None, "asked before");
            if self.0.as_bytes()[i] == self.1.as_bytes()[j] { 0.0 } else { MAX_DISTANCE }
        }

        fn is_string(&self, _: usize) -> bool {
            true
        }

        fn is_again(&self, _: usize) -> bool {
            true
        }

        fn alike(&self, j: usize) -> Option<usize> {
            let first = self.1.find(char::from(self.1.as_bytes()[j]));
            first.filter(|first| *first < j)
        }

        fn stage(&self, _: usize, _: usize, _: usize) -> Option<f64> {
            None
        }

        fn pace(&self, _: usize, _: usize, _: usize, _: usize) -> f64 {
            0.0
        }
    }

    /// The step of every strike, counted from 1; `-` for none.
    fn aligned(strikes: &str, steps: &str) -> String {
        let places = align(&Letters(strikes, steps)).0;
        let told = |place: &Place| match place {
            Step(j) => (j + 1).to_string(),
            StageOf(_) | Nothing => "-".to_owned(),
        };
        places.iter().map(told).collect()
    }

    /// The same at one a second, but for a pause before the strikes written as capitals; a strike `x` is
    /// nearly like every step.
    struct Paused<'a>(Letters<'a>);

    impl Costs for Paused<'_> {
        fn n_strikes(&self) -> usize {
            self.0.n_strikes()
        }

        fn n_steps(&self) -> usize {
            self.0.n_steps()
        }

        fn distance(&self, i: usize, j: usize) -> f64 {
            let strike = self.0.0.as_bytes()[i];
            let is_like = strike.eq_ignore_ascii_case(&self.0.1.as_bytes()[j]);
            match strike {
                b'x' | b'X' => 0.45,
                _ if is_like => 0.0,
                _ => MAX_DISTANCE,
            }
        }

        fn is_string(&self, _: usize) -> bool {
            true
        }

        fn is_again(&self, _: usize) -> bool {
            true
        }

        fn alike(&self, _: usize) -> Option<usize> {
            None
        }

        fn stage(&self, _: usize, _: usize, _: usize) -> Option<f64> {
            None
        }

        fn pace(&self, i: usize, _: usize, before: usize, _: usize) -> f64 {
            let paused = self.0.0[before + 1..=i].bytes().any(|strike| strike.is_ascii_uppercase());
            if paused { 0.5 } else { 0.0 }
        }
    }

    #[test]
    fn what_is_nearly_right_in_time_comes_before_what_is_right_after_a_pause() {
        let places = |strikes: &str| align(&Paused(Letters(strikes, "abc"))).0;
        assert_eq!(places("abxC"), [Step(0), Step(1), Nothing, Step(2)], "struck again");
        assert_eq!(places("abxTC"), [Step(0), Step(1), Step(2), Nothing, Nothing], "not at once");
        assert_eq!(places("axBc"), [Step(0), Nothing, Step(1), Step(2)], "both after the pause");
        let places = |strikes: &str| align(&Paused(Letters(strikes, "abcd"))).0;
        let second = [Nothing, Nothing, Nothing, Nothing, Step(0), Step(1), Step(2), Step(3)];
        assert_eq!(places("abxxXxcd"), second, "two runs, neither right");
        assert_eq!(places("abxCd"), [Step(0), Step(1), Nothing, Step(2), Step(3)], "corrected");
        let places = |strikes: &str| align(&Paused(Letters(strikes, "abc"))).0;
        assert_eq!(places("abC"), [Step(0), Step(1), Step(2)], "a pause alone is forgiven");
        assert_eq!(places("aXbc"), [Nothing, Step(0), Step(1), Step(2)]);
    }

    #[test]
    fn of_steps_alike_those_count_that_leave_no_gap() {
        let lick = "ABCDEDF";
        assert_eq!(aligned("ABCD", lick), "1234", "stopped halfway");
        assert_eq!(aligned("DF", lick), "67", "began late");
        assert_eq!(aligned("DED", lick), "456", "the middle alone");
        assert_eq!(aligned("ABCDF", lick), "12347", "where both leave one, the first");
        assert_eq!(aligned("AB", "ABAB"), "12", "the first bar of two alike");
        assert_eq!(aligned("ABABC", "ABC"), "--123", "of runs the last");
        assert_eq!(aligned("AXABC", "ABC"), "--123", "begun anew");
    }

    fn settled(places: [Place; 4], at_s: [f64; 4]) -> [Place; 4] {
        let mut settled = places;
        settle(&mut settled, &at_s, &[0.0, 0.5, 1.0, 2.0]);
        settled
    }

    #[test]
    fn what_is_struck_when_its_step_is_due_belongs_to_it() {
        let places = [Step(0), Nothing, Step(2), Step(3)];
        let due = [Step(0), Step(1), Step(2), Step(3)];
        assert_eq!(settled(places, [1.0, 1.52, 2.0, 3.0]), due);
        assert_eq!(settled(places, [1.0, 1.7, 2.0, 3.0]), places, "too late");
        let early = [Step(0), Nothing, Step(1), Step(3)];
        assert_eq!(settled(early, [1.0, 1.5, 2.0, 3.0]), early, "no step between them");
        let two = [Step(0), Nothing, Nothing, Step(2)];
        assert_eq!(settled(two, [1.0, 1.5, 1.7, 2.0]), two, "one of the two is none");
        let moved = [Step(0), StageOf(0), Nothing, Step(2)];
        let ends = [Nothing, Step(1), Step(2), Nothing];
        assert_eq!(settled(ends, [1.0, 1.5, 2.0, 3.05]), due);
        assert_eq!(settled(ends, [0.7, 1.5, 2.0, 2.6]), ends, "at some other time");
        assert_eq!(settled(moved, [1.0, 1.2, 1.5, 2.0]), [Step(0), StageOf(0), Step(1), Step(2)]);
    }
}
