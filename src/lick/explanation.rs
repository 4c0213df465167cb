//! Everything that can be said of a lick before anyone plays it.

use super::Lick;
use super::facts::StepFacts;
use super::facts::explain_steps;
use super::hand::HardSpot;
use super::hand::hard_spots;
use super::hand::holds;
use super::places::OtherPlace;
use super::places::other_places;
use super::runs::Run;
use super::runs::find_runs;

/// A lick explained.
#[derive(Debug, Clone, PartialEq)]
pub struct Explanation {
    /// Every step in the words of theory.
    pub steps: Vec<StepFacts>,
    /// Parallel runs.
    pub runs: Vec<Run>,
    /// For every step, other places of its double stop.
    pub places: Vec<Vec<OtherPlace>>,
    /// What is hard at the tempo.
    pub hard_spots: Vec<HardSpot>,
}

impl Lick {
    /// Explains the lick.
    pub fn explain(&self) -> Explanation {
        let steps = explain_steps(self);
        let holds = holds(self);
        Explanation {
            runs: find_runs(&steps, self.key),
            places: other_places(self, &steps, &holds),
            hard_spots: hard_spots(self, &holds),
            steps,
        }
    }
}
