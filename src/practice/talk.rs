//! Strings hold still, voices hardly do: what tells talk from strikes.

use super::verdict::HeardNote;
use super::verdict::Status;
use crate::engine::Strike;

/// A string's pitch holds still: of its strikes one in thirty tells no note to within this, of syllables four in
/// five, in cents of standard error; …
pub(super) const UNSTEADY_CENTS: f64 = 3.0;
/// … and within so many seconds of one that did not, less is needed to be none either.
const TALK_CENTS: f64 = 1.0;
pub(super) const TALK_S: f64 = 1.0;

/// How many strikes of strings and of talk tell a note to within so many cents of standard error and not to within
/// the error before, 0–1, …
const HELD_STILL: [(f64, [f64; 2]); 3] =
    [(1.0, [0.7, 0.01]), (2.0, [0.15, 0.04]), (UNSTEADY_CENTS, [0.05, 0.1])];
/// … and how many tell none.
const MOVING: [f64; 2] = [0.1, 0.85];
/// From one strike to the next one in so many turns from playing to talking or back.
const TURNS: f64 = 0.01;

/// Whether no note of `strike` held still, and none of those `heard` was asked for: amid talk, none that held
/// still.
pub(super) fn is_talk(strike: &Strike, heard: &[HeardNote], is_amid: bool) -> bool {
    let (steady, right) = match is_amid {
        true => (TALK_CENTS, UNSTEADY_CENTS),
        false => (UNSTEADY_CENTS, f64::INFINITY),
    };
    let mut asked_for = heard.iter().filter(|heard| heard.status == Status::Right);
    !asked_for.any(|heard| heard.pitch.cents_error.map_or(f64::INFINITY, |e| e.0) <= right)
        && !strike.holds_still(steady)
}

/// Of every strike whether it was played, not said: the likeliest of all ways between playing and talking
/// (Viterbi), going by which strikes hold still.
pub fn are_played(strikes: &[Strike]) -> Vec<bool> {
    let likelihoods = |strike: &Strike| {
        let held = HELD_STILL.into_iter().find(|(cents, _)| strike.holds_still(*cents));
        held.map_or(MOVING, |(_, likelihoods)| likelihoods)
    };
    // What playing and talking have cost up to now, and for every strike whether each went on from the other.
    let mut costs = [0.0; 2];
    let mut turns: Vec<[bool; 2]> = Vec::with_capacity(strikes.len());
    for strike in strikes {
        let turn = [0, 1].map(|to: usize| costs[1 - to] - TURNS.ln() < costs[to]);
        let likelihoods = likelihoods(strike);
        costs = [0, 1].map(|to: usize| {
            let before = if turn[to] { costs[1 - to] - TURNS.ln() } else { costs[to] };
            before - f64::ln(likelihoods[to])
        });
        turns.push(turn);
    }
    let mut talks = usize::from(costs[1] < costs[0]);
    let mut played: Vec<bool> = Vec::with_capacity(strikes.len());
    for turn in turns.iter().rev() {
        played.push(talks == 0);
        talks = if turn[talks] { 1 - talks } else { talks };
    }
    played.reverse();
    played
}
