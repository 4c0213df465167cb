//! Follows a player who does not go straight on: strikes again what was wrong, goes back, begins anew, leaves
//! steps out. And takes back what was none.
//!
//! **What.** The cheapest way through the steps that explains the strikes up to now: what a strike has not in common
//! with a step costs, and so does every step that is not the next (Viterbi). The next strike may show that the one
//! before was meant for another step.
//! Beside a click the next step is whichever is struck in time (`beside`).
//! **Limits.** The first guess of a strike is told of the step that is due; too little of it is known. How a note alone
//! goes wrong is often another step: more strikes are needed.
//! **Reference.** A. Viterbi, «Error bounds for convolutional codes», IEEE Trans. Inf. Theory 13 (1967).

use super::Pace;
use super::Pass;
use super::Told;
use super::Try;
use super::beside::Instant;
use crate::engine::Stage;
use crate::engine::Strike;
use crate::lick::expected::ExpectedStep;
use crate::practice::alignment::Place;
use crate::practice::matching::match_strike;
use crate::practice::talk::TALK_S;
use crate::practice::talk::is_talk;
use crate::practice::verdict::Verdict;
use crate::units::Cents;
use crate::units::SampleIndex;

/// What it costs to go on with a step that is not the next, in the unit of
/// [`crate::practice::matching::Match::distance`]: two notes that are all right there outweigh two others that are
/// all wrong where the player was; a note alone does not.
const JUMP: f64 = 0.95;
/// … the nearer the sooner, …
const A_STEP: f64 = 0.001;
/// … and with what was wrong just before.
const MEND: f64 = 0.25;
/// So many strikes are looked back upon.
const REMEMBERED: usize = 4;

/// The last strikes, and the ways to explain them.
#[derive(Debug, Default)]
pub(super) struct Follower {
    strikes: Vec<Followed>,
}

#[derive(Debug)]
struct Followed {
    strike: Strike,
    /// The step that it was told of, if it was.
    index: Option<usize>,
    /// What was told of that step before.
    replaced: Option<Try>,
    /// The step that was due.
    due: usize,
    /// How far it is from every step, …
    distances: Vec<f64>,
    /// … what it costs at least that it was this one, and which was the one before then.
    ways: Vec<(f64, usize)>,
}

impl Follower {
    /// The step of every strike that is remembered, the cheapest way.
    fn path(&self) -> Vec<usize> {
        let Some(last) = self.strikes.last() else { return Vec::new() };
        let mut index = cheapest(last.ways.iter().map(|way| way.0));
        let back = self.strikes.iter().rev().map(|followed| {
            let now = index;
            index = followed.ways[now].1;
            now
        });
        let mut path: Vec<usize> = back.collect();
        path.reverse();
        path
    }

    /// The step of the last strike, and when it came.
    pub(super) fn last(&self) -> Option<(Option<usize>, SampleIndex)> {
        self.strikes.last().map(|last| (last.index, last.strike.onset))
    }

    /// Whether what was struck at `onset` is all that some step of several notes asks for.
    fn is_double_stop(&self, onset: SampleIndex, steps: &[ExpectedStep]) -> bool {
        let last = self.strikes.last().filter(|followed| followed.strike.onset == onset);
        let distances = last.map_or(&[][..], |followed| &followed.distances);
        distances.iter().zip(steps).any(|(&d, step)| d == 0.0 && step.struck.len() > 1)
    }

    fn forget(&mut self, onset: SampleIndex) -> Option<Followed> {
        self.strikes.pop_if(|followed| followed.strike.onset == onset)
    }
}

/// The first of the smallest.
fn cheapest(costs: impl Iterator<Item = f64>) -> usize {
    costs.enumerate().min_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(index, _)| index)
}

impl Pass {
    /// Where `strike` belongs that would be taken for `place`; tells what was taken for other steps than it was
    /// meant for.
    pub(super) fn follow(&mut self, strike: &Strike, place: Place, told: &mut Vec<Told>) -> Place {
        let index = match (place, self.manner.pace) {
            (Place::Step(index), _) => Some(index),
            // What is out of time may still be a step.
            (Place::Nothing, Pace::Click) => None,
            _ => return place,
        };
        if strike.stage == Stage::Early || self.is_timeless() {
            return place;
        }
        let (due, replaced) = match self.follower.forget(strike.onset) {
            Some(before) => (before.due, before.replaced),
            None => (index.unwrap_or(self.due), None),
        };
        let followed = Followed { index, replaced, ..self.followed(strike, due) };
        if self.manner.pace == Pace::Click && self.is_nothing(&followed) {
            return place;
        }
        self.follower.strikes.push(followed);
        if self.follower.strikes.len() > REMEMBERED {
            self.follower.strikes.remove(0);
        }
        let path = self.follower.path();
        let due = self.due;
        self.retell(&path, told);
        if self.manner.pace == Pace::Click && self.due != due {
            told.push(Told::Due(self.due()));
        }
        let Some(&index) = path.last() else { return place };
        let is_again = self.manner.pace == Pace::Click && self.sounded_before(index);
        let place = if is_again { Place::Nothing } else { Place::Step(index) };
        self.last = self.last.map(|(onset, _)| (onset, place));
        place
    }

    /// Whether what is so far from step `to` is another try of it, the `last` strike being a wrong one of step `from`;
    /// beside a click, which goes on, it has to be a better one.
    fn mends(&self, last: &Followed, from: usize, to: usize, distance: f64) -> bool {
        let before = last.distances[from];
        from == to
            && match self.manner.pace {
                Pace::Free => before > 0.0,
                Pace::Click => before > distance,
            }
    }

    /// Whether what comes out of time is no step.
    fn is_nothing(&self, followed: &Followed) -> bool {
        let to = cheapest(followed.ways.iter().map(|way| way.0));
        let (from, distance) = (followed.ways[to].1, followed.distances[to]);
        let last = self.follower.strikes.last();
        !last.is_some_and(|last| self.mends(last, from, to, distance))
            && self.is_astray(followed.strike.onset, Some(from), to, distance)
    }

    /// Whether the last strike only repeats what step `index` was already; then that stays.
    fn sounded_before(&mut self, index: usize) -> bool {
        let last = self.follower.strikes.last();
        let last = last.and_then(|last| Some((last.strike.onset, last.replaced.as_ref()?)));
        let before = last.filter(|(onset, before)| self.is_repeated(index, *onset, before));
        let before = before.map(|(_, before)| before.clone());
        let is_again = before.is_some();
        if is_again {
            self.tries[index] = before;
        }
        is_again
    }

    /// What `strike`, which came when step `due` was, costs at every step.
    fn followed(&self, strike: &Strike, due: usize) -> Followed {
        let distances: Vec<f64> =
            self.steps.iter().map(|step| self.distance(step, strike, self.offset)).collect();
        let at = self.instant(strike.onset);
        let ways = distances.iter().enumerate().map(|(to, distance)| {
            let (cost, from) = self.way(at, due, to, *distance);
            (cost + distance, from)
        });
        let (strike, ways) = (strike.clone(), ways.collect());
        Followed { strike, index: None, replaced: None, due, ways, distances }
    }

    /// The cheapest way to step `to`, so far from what was struck then, when step `due` was: what it costs, and
    /// from which step.
    pub(super) fn way(&self, at: Instant, due: usize, to: usize, distance: f64) -> (f64, usize) {
        let Some(last) = self.follower.strikes.last() else {
            let cost = match self.manner.pace {
                Pace::Free => self.jump(due, to),
                Pace::Click => self.out_of_time(at, None, to),
            };
            return (cost, to);
        };
        let costs = |from: usize| {
            let cost = match self.manner.pace {
                _ if self.mends(last, from, to, distance) => MEND,
                Pace::Free => self.jump(from + 1, to),
                Pace::Click => self.out_of_time(at, Some(from), to),
            };
            last.ways[from].0 + cost
        };
        let from = cheapest((0..self.steps.len()).map(costs));
        (costs(from), from)
    }

    fn distance(&self, step: &ExpectedStep, strike: &Strike, offset: Cents) -> f64 {
        let found = match_strike(step, strike, self.manner.judge.reference, offset);
        found.distance(step.struck.len())
    }

    /// What it costs to strike step `to` where step `next` is the next.
    fn jump(&self, next: usize, to: usize) -> f64 {
        if to == next {
            return 0.0;
        }
        self.jump_to(to) + A_STEP * to.abs_diff(next) as f64
    }

    /// What it costs to strike step `to` where another is expected.
    pub(super) fn jump_to(&self, to: usize) -> f64 {
        2.0 * JUMP / self.steps[to].struck.len().min(2) as f64
    }

    /// Tells of the remembered strikes what they were along `path`, where that is not what was told.
    fn retell(&mut self, path: &[usize], told: &mut Vec<Told>) {
        let mut strikes = std::mem::take(&mut self.follower.strikes);
        let now = strikes.len() - 1;
        // Where a step moves on, its strike does not stand alone.
        let stays = |index: usize| !self.steps[index].stages.is_empty();
        let changed: Vec<usize> = (0..=now)
            .filter(|&i| strikes[i].index != Some(path[i]))
            .filter(|&i| i == now || !(strikes[i].index.is_some_and(stays) || stays(path[i])))
            .collect();
        for &i in changed.iter().rev() {
            let Some(index) = strikes[i].index else { continue };
            self.tries[index] = strikes[i].replaced.take();
            let [step, instead] = [index, path[i]].map(|index| self.steps[index].number);
            told.push(Told::Meant { step, instead });
            told.extend(self.tries[index].clone().map(Told::Step));
            if self.manner.pace == Pace::Click {
                self.due = self.due.min(index);
            }
        }
        for &i in &changed {
            let index = path[i];
            strikes[i].index = Some(index);
            strikes[i].replaced = self.tries[index].take();
            if i < now {
                self.tell(index, &strikes[i].strike, self.offset, told);
            }
        }
        if self.manner.pace == Pace::Free && changed.last() == Some(&now) {
            self.due = path[now];
        }
        self.follower.strikes = strikes;
    }

    /// Whether `strike`, after the last step went wrong, is of this pass still, and does not begin the next.
    pub(super) fn goes_back(&self, strike: &Strike, offset: Cents) -> bool {
        let is_right = |found: &Try| found.judgement.verdict == Verdict::Right;
        let [first, others @ ..] = &self.steps[..] else { return false };
        let begins = self.distance(first, strike, offset);
        let last = self.tries.last().and_then(Option::as_ref);
        last.is_some_and(|found| !is_right(found))
            && others.iter().any(|step| self.distance(step, strike, offset) + MEND < begins)
    }

    /// Takes that the strike at `onset` is over. One that was never told as a whole was none: what it began
    /// with did not hold.
    pub fn end_strike(&mut self, onset: SampleIndex, told: &mut Vec<Told>) {
        let Some((last, Place::Step(index))) = self.last else { return };
        let is_whole = |found: &Try| found.stage == Stage::Whole;
        if self.over || last != onset || self.tries[index].as_ref().is_none_or(is_whole) {
            return;
        }
        // What cut it off may yet be told with this same beginning.
        self.last = None;
        self.take_back(index, onset, told);
    }

    /// Whether `strike`, taken for step `index`, was talk, which is no two notes that a step asks for.
    pub(super) fn is_talk(&self, index: usize, strike: &Strike) -> bool {
        if self.follower.is_double_stop(strike.onset, &self.steps) {
            return false;
        }
        let since = |at: SampleIndex| strike.onset.0.saturating_sub(at.0) as f64;
        let is_amid = self.talked.is_some_and(|at| since(at) <= self.samples(TALK_S));
        let found = self.tries[index].as_ref();
        is_talk(strike, found.map_or(&[], |found| &found.judgement.heard), is_amid)
    }

    /// What was struck at `onset` and taken for step `index` was none: it is still to be played.
    pub(super) fn take_back(&mut self, index: usize, onset: SampleIndex, told: &mut Vec<Told>) {
        self.strumming.forget();
        let followed = self.follower.forget(onset);
        if self.tries[index].take().is_none() {
            return;
        }
        told.push(Told::TakenBack(self.steps[index].number));
        let due = followed.as_ref().map_or(index, |followed| followed.due);
        self.tries[index] = followed.and_then(|followed| followed.replaced);
        told.extend(self.tries[index].clone().map(Told::Step));
        if self.due == index + 1 {
            self.due = due;
            told.push(Told::Due(self.due()));
        }
    }
}
