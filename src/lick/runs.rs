//! Parallel runs: one interval carried along, step after step.
//!
//! **Conventions.** A run is at least three double stops of one number in a row, both voices
//! moving the same way each time; a rest or another number of notes ends it. A run in which the
//! size in semitones stays as well is told on its own, even inside a longer one.

use super::facts::StepFacts;
use crate::theory::interval::Interval;
use crate::theory::key::Key;
use crate::theory::note::MidiNote;

/// Double stops that make a run.
const SHORTEST: usize = 3;

/// A parallel run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Run {
    /// Number of its first step.
    pub first: usize,
    /// Number of its last step.
    pub last: usize,
    /// The interval of every step.
    pub intervals: Vec<Interval>,
    /// How it moves.
    pub motion: Motion,
    /// Where it goes.
    pub direction: Direction,
}

/// How a run moves from step to step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Motion {
    /// A semitone each time.
    Chromatic,
    /// A whole tone each time.
    WholeTones,
    /// On notes of the key.
    InKey,
    /// Otherwise.
    Free,
}

/// Where a run goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Always up.
    Rising,
    /// Always down.
    Falling,
    /// Up and down.
    Turning,
}

impl Run {
    /// True if the interval stays the same throughout.
    pub fn is_strict(&self) -> bool {
        self.intervals.windows(2).all(|pair| pair[0].semitones() == pair[1].semitones())
    }
}

/// One double stop of the lick.
struct Stop {
    step: usize,
    low: MidiNote,
    high: MidiNote,
    interval: Interval,
}

/// Finds the parallel runs of a lick in `key`, in order of their first step, longer ones first.
pub fn find_runs(steps: &[StepFacts], key: Key) -> Vec<Run> {
    let stops: Vec<Stop> = steps.iter().filter_map(stop).collect();
    let mut runs = Vec::new();
    for same in [same_number as fn(&Stop, &Stop) -> bool, same_size] {
        for chain in stops.chunk_by(|a, b| b.step == a.step + 1 && same(a, b) && parallel(a, b)) {
            if chain.len() >= SHORTEST {
                let run = describe(chain, key);
                if !runs.contains(&run) {
                    runs.push(run);
                }
            }
        }
    }
    runs.sort_by_key(|run| (run.first, std::cmp::Reverse(run.last)));
    runs
}

fn stop(step: &StepFacts) -> Option<Stop> {
    let moment = step.moments.first()?;
    let [low, high] = moment.double_stop()?;
    Some(Stop {
        step: step.number,
        low: low.played.note,
        high: high.played.note,
        interval: moment.span()?,
    })
}

fn same_number(a: &Stop, b: &Stop) -> bool {
    a.interval.number() == b.interval.number()
}

fn same_size(a: &Stop, b: &Stop) -> bool {
    a.interval.semitones() == b.interval.semitones()
}

fn parallel(a: &Stop, b: &Stop) -> bool {
    (b.low > a.low && b.high > a.high) || (b.low < a.low && b.high < a.high)
}

fn describe(chain: &[Stop], key: Key) -> Run {
    let moves: Vec<(i16, i16)> = chain
        .windows(2)
        .map(|pair| {
            let moved = |a: MidiNote, b: MidiNote| i16::from(b.0) - i16::from(a.0);
            (moved(pair[0].low, pair[1].low), moved(pair[0].high, pair[1].high))
        })
        .collect();
    let direction = match moves.iter().filter(|(low, _)| *low > 0).count() {
        0 => Direction::Falling,
        rising if rising == moves.len() => Direction::Rising,
        _ => Direction::Turning,
    };
    let all = |size: i16| moves.iter().all(|(low, high)| low.abs() == size && high.abs() == size);
    let in_key =
        || chain.iter().all(|stop| key.contains(stop.low.0 % 12) && key.contains(stop.high.0 % 12));
    let motion = match () {
        () if all(1) => Motion::Chromatic,
        () if all(2) => Motion::WholeTones,
        () if in_key() => Motion::InKey,
        () => Motion::Free,
    };
    Run {
        first: chain[0].step,
        last: chain[chain.len() - 1].step,
        intervals: chain.iter().map(|stop| stop.interval).collect(),
        motion,
        direction,
    }
}
