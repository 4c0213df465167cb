//! Passes through the lick beside the one that fits best: students play it several times in one recording.
//!
//! **Limits.** Of a pass most steps have to be there, in tempo; what was begun and given up is none, whatever is
//! said after it. A lick of one step has one pass.

use std::ops::Range;

use super::SLOWEST;
use super::Table;
use super::span;
use crate::practice::alignment::Costs;
use crate::practice::alignment::Place;
use crate::practice::alignment::align;
use crate::practice::timing::beat_s;

/// A pass has at least this share of the steps, and two at the least, each from strings, not talk, …
const STEPS: f64 = 2.0 / 3.0;
/// … as far from what is asked for as this on average, the rest of the lick not counted, …
const LIKE: f64 = 0.5;
/// … and so many strikes between them that belong to none, for every step: other playing now and then is like one.
const BESIDE: f64 = 0.5;

/// The strikes of every pass, in order: of the one known, to which `places` gives strikes already, and of those found
/// before and after it, to which it does then.
pub(super) fn find(
    best: &Table<'_>,
    written_s: f64,
    places: &mut [Place],
    known: Range<usize>,
) -> Vec<Range<usize>> {
    let n_steps = best.n_steps();
    let is_roomy = |room: &Range<usize>| room.len() >= fewest(n_steps);
    let beside = [0..known.start, known.end..places.len()];
    let mut rooms: Vec<Range<usize>> = beside.into_iter().filter(is_roomy).collect();
    if rooms.is_empty() {
        return vec![known];
    }
    let pairs = (0..best.n_strikes()).flat_map(|i| (0..n_steps).map(move |j| (i, j)));
    let distances: Vec<f32> = pairs.map(|(i, j)| best.distance(i, j) as f32).collect();
    let mut passes = vec![known];
    while let Some(room) = rooms.pop() {
        let part = Table {
            strikes: &best.strikes[room.clone()],
            distances: Some(&distances[room.start * n_steps..room.end * n_steps]),
            ..*best
        };
        let Some(found) = pass(&part, written_s) else { continue };
        let strikes = span(&found, 0..found.len());
        let start = room.start + strikes.start;
        let end = room.start + strikes.end;
        places[start..end].copy_from_slice(&found[strikes]);
        rooms.extend([room.start..start, end..room.end].into_iter().filter(is_roomy));
        passes.push(start..end);
    }
    passes.sort_by_key(|pass| pass.start);
    passes
}

/// Strikes that a pass has at least.
fn fewest(n_steps: usize) -> usize {
    (STEPS * n_steps as f64).ceil().max(2.0) as usize
}

/// The places of the strikes of `part` in the pass that fits best there, if there is one; at first its tempo is that
/// of the take.
fn pass(part: &Table<'_>, written_s: f64) -> Option<Vec<Place>> {
    let (places, _) = align(&Table { beat_s: None, ..*part });
    let paced = Table { beat_s: part.beat_s(&places, written_s), ..*part };
    let (places, _) = align(&paced);
    let beat_s = beat_s(&part.struck(&places), written_s);
    let slowest_s = SLOWEST * part.beat_s.unwrap_or(written_s).max(written_s);
    let distances: Vec<f64> = (0..)
        .zip(&places)
        .filter_map(|(i, place)| match *place {
            Place::Step(j) if part.is_string(i) => Some(part.distance(i, j)),
            Place::Step(_) | Place::StageOf(_) | Place::Nothing => None,
        })
        .collect();
    let strikes = span(&places, 0..places.len());
    let n_beside = places[strikes].iter().filter(|place| **place == Place::Nothing).count();
    let is_pass = distances.len() >= fewest(part.n_steps())
        && beat_s.is_none_or(|beat_s| beat_s <= slowest_s)
        && distances.iter().sum::<f64>() <= LIKE * distances.len() as f64
        && n_beside as f64 <= BESIDE * distances.len() as f64;
    is_pass.then_some(places)
}
