//! Which strike of a take belongs to which step: what [`super::alignment`] goes by, and how far the guitar is
//! off as a whole.

use std::ops::Range;

use super::alignment::Costs;
use super::alignment::Place;
use super::alignment::align;
use super::alignment::is_due;
use super::alignment::settle;
use super::matching::brings;
use super::matching::match_strike;
use super::matching::may_be_struck;
use super::matching::place;
use super::offset::TOLD_OFFSET;
use super::offset::common_offset;
use super::offset::wrap;
use super::talk::UNSTEADY_CENTS;
use super::timing::Struck;
use super::timing::beat_s;
use super::verdict::Status;
use super::verdict::Verdict;
use crate::engine::HeardPitch;
use crate::engine::Strike;
use crate::engine::Take;
use crate::lick::expected::ExpectedNote;
use crate::lick::expected::ExpectedStep;
use crate::lick::expected::Stage;
use crate::theory::note::Reference;
use crate::units::Cents;
use crate::units::SampleRate;

mod others;

/// How much better another offset must make the take fit to be believed, in steps' worth of distance: one
/// that is but another tuning, and one of a semitone or more.
const TUNING_GAIN: f64 = 0.3;
const BELIEVED_GAIN: f64 = 2.5;
/// A guitar may be tuned off by less than this; what is further off was meant for other frets, in cents.
const TRANSPOSED_FROM: f64 = 75.0;
/// A capo forgotten or left on moves everything by as many semitones at most (common practice).
const CAPO: i32 = 7;
/// Ratios of sample rates in use, in cents: 48 for 44.1 kHz and back, 32 for 44.1.
const RATE_RATIOS: [f64; 2] = [146.7, -146.7];

/// What it costs that two steps are struck far sooner one after the other than in any tempo, …
const TOO_SOON: f64 = 0.2;
/// … and what every doubling of a pause between them costs, beyond so many times as long as in tempo, up to
/// so much: players hesitate, but what is played or said long before or after a lick is no part of it.
const A_PAUSE: f64 = 0.4;
const SHORT_PAUSE: f64 = 1.5;
const LONG_PAUSE: f64 = 0.5;

/// Steps shown one by one, with pauses in which to explain them, are slower than this many times the written beat: no
/// run of the lick that is played out beside them.
const SLOWEST: f64 = 2.0;
/// Players strike again what was wrong within this, in seconds.
const AGAIN_S: f64 = 5.0;

/// What came before this share of the way from a move to the next step is not that step struck too soon …
const MOVES_UNTIL: f64 = 0.25;
/// … if it may be the move; what it costs to take it for the step all the same.
const A_MOVE: f64 = 1.0;

/// Fewer steps or strikes than this do not tell whether it is the lick at all.
const A_FEW: usize = 4;

/// Where strikes belong, and how far the guitar is off as a whole.
#[derive(Debug)]
pub(super) struct Placement {
    /// Taken off every pitch.
    pub offset: Cents,
    /// The place of every strike in the pass that it belongs to.
    pub places: Vec<Place>,
    /// The strikes of every pass through the lick, as they were played: at least one pass, in which there may
    /// be no strike.
    pub passes: Vec<Range<usize>>,
    /// The index of the pass that fits best.
    pub best: usize,
    /// Semitones that everything lies too high: held against the player, for nobody else can tell a capo
    /// from the wrong fret.
    pub transposed: Option<i32>,
    /// Whether no more of the lick was found than chance finds.
    pub is_foreign: bool,
}

/// Gives the strikes of `take` to `steps` (none of them a rest), a beat of which is written to last
/// `written_s`. A strike in which no note was likely joins them where a step was due that has none.
pub(super) fn place_strikes(
    steps: &[&ExpectedStep],
    take: &mut Take,
    reference: Reference,
    written_s: f64,
) -> Placement {
    let mut placement = best_alignment(steps, take, reference, written_s);
    let at_s: Vec<f64> = take.strikes.iter().map(|s| s.onset.seconds(take.rate)).collect();
    let beats: Vec<f64> = steps.iter().map(|step| step.start_beats).collect();
    for pass in 0..placement.passes.len() {
        placement.settle(pass, &at_s, &beats);
    }
    // The one strike of a take is the one step that was asked for, right or not.
    if let ([strike], [_]) = (take.strikes.as_slice(), steps)
        && strike.notes.iter().any(HeardPitch::is_struck)
    {
        placement.places[0] = Place::Step(0);
        placement.passes[0] = 0..1;
    }
    if !placement.is_foreign {
        for pass in 0..placement.passes.len() {
            placement.take_unclear(pass, steps, take, reference);
        }
    }
    placement
}

impl Placement {
    /// Settles strikes of one pass, and those between it and its neighbours: see [`settle`].
    fn settle(&mut self, pass: usize, at_s: &[f64], beats: &[f64]) {
        let room = self.room(pass);
        settle(&mut self.places[room.clone()], &at_s[room.clone()], beats);
        self.passes[pass] = span(&self.places, room);
    }

    /// The strikes of one pass, and those between it and its neighbours.
    fn room(&self, pass: usize) -> Range<usize> {
        let start = pass.checked_sub(1).map_or(0, |before| self.passes[before].end);
        start..self.passes.get(pass + 1).map_or(self.places.len(), |after| after.start)
    }

    /// Gives steps of a pass that are left without a strike one of `take.unclear` that came when they were due
    /// and brought a note they ask for, or in which all that they ask for sounds, as it was struck just before; it
    /// joins the strikes.
    fn take_unclear(
        &mut self,
        pass: usize,
        steps: &[&ExpectedStep],
        take: &mut Take,
        reference: Reference,
    ) {
        let mut unclear = std::mem::take(&mut take.unclear);
        let rate = take.rate;
        let placed = |(strike, place): (&Strike, &Place)| match *place {
            Place::Step(j) => Some((j, strike.onset.seconds(rate))),
            Place::StageOf(_) | Place::Nothing => None,
        };
        let strikes = self.passes[pass].clone();
        let strikes = take.strikes[strikes.clone()].iter().zip(&self.places[strikes]);
        let known: Vec<(usize, f64)> = strikes.filter_map(placed).collect();
        for (j, step) in steps.iter().enumerate() {
            // Those on either side of it tell the tempo, or the two that are nearest.
            let later = known.partition_point(|(k, _)| *k < j);
            let first = later.saturating_sub(1).min(known.len().saturating_sub(2));
            let [before, after, ..] = known[first..] else { break };
            if known.get(later).is_some_and(|(k, _)| *k == j) {
                continue;
            }
            let at_s = [before.1, after.1];
            let beats = [before.0, after.0].map(|k| steps[k].start_beats);
            let room = self.room(pass);
            let index =
                |strike: &Strike| take.strikes.partition_point(|other| other.onset < strike.onset);
            let is_repeat = j > 0 && repeats(step, steps[j - 1]);
            let is_it = |strike: &Strike| {
                let found = match_strike(step, strike, reference, self.offset);
                brings(strike, &found) || is_repeat && found.verdict == Verdict::Right
            };
            let is_meant = |strike: &Strike| {
                is_due(at_s, beats, strike.onset.seconds(rate), step.start_beats)
                    && is_it(strike)
                    && (room.start..=room.end).contains(&index(strike))
            };
            if let Some(i) = unclear.iter().position(is_meant) {
                let strike = unclear.remove(i);
                let at = index(&strike);
                take.strikes.insert(at, strike);
                self.insert(at, pass, Place::Step(j));
            }
        }
        take.unclear = unclear;
    }

    /// A strike of `pass` has joined the others at index `at`.
    fn insert(&mut self, at: usize, pass: usize, place: Place) {
        self.places.insert(at, place);
        for strikes in &mut self.passes {
            strikes.start += usize::from(strikes.start >= at);
            strikes.end += usize::from(strikes.end > at);
        }
        let strikes = &mut self.passes[pass];
        *strikes = strikes.start.min(at)..strikes.end.max(at + 1);
    }
}

/// Whether `step` is the one `before` it struck again, or a part of it.
fn repeats(step: &ExpectedStep, before: &ExpectedStep) -> bool {
    let is_there = |note: &ExpectedNote| before.struck.iter().any(|b| b.note == note.note);
    before.stages.is_empty() && step.stages.is_empty() && step.struck.iter().all(is_there)
}

/// Of the strikes in `within` those from the first to the last that have a place.
fn span(places: &[Place], within: Range<usize>) -> Range<usize> {
    let is_placed = |i: &usize| places[*i] != Place::Nothing;
    let first = within.clone().find(is_placed).unwrap_or(within.start);
    let end = within.rev().find(is_placed).map_or(first, |last| last + 1);
    first..end
}

/// Whether an offset is that of a recording played at another rate.
pub(super) fn is_rate_ratio(cents: f64) -> bool {
    RATE_RATIOS.iter().any(|ratio| (cents - ratio).abs() < 25.0)
}

/// All strikes against all steps, for one offset of the guitar.
#[derive(Clone, Copy)]
struct Table<'a> {
    steps: &'a [&'a ExpectedStep],
    /// For every step an earlier one that asks for the same.
    alike: &'a [Option<usize>],
    strikes: &'a [Strike],
    rate: SampleRate,
    reference: Reference,
    offset: Cents,
    /// Seconds a beat, once they are known.
    beat_s: Option<f64>,
    /// Every distance, strike by strike, once they are known.
    distances: Option<&'a [f32]>,
}

impl Table<'_> {
    fn second(&self, i: usize) -> f64 {
        self.strikes[i].onset.seconds(self.rate)
    }

    /// How many notes that steps ask for are right.
    fn n_right(&self, places: &[Place]) -> usize {
        let right = |(place, strike): (&Place, &Strike)| match *place {
            Place::Step(j) => {
                let found = match_strike(self.steps[j], strike, self.reference, self.offset);
                found.heard.iter().filter(|heard| heard.status == Status::Right).count()
            }
            Place::StageOf(_) | Place::Nothing => 0,
        };
        places.iter().zip(self.strikes).map(right).sum()
    }

    /// Seconds a beat of what `places` gives strikes to, that of the slowest run at most.
    fn beat_s(&self, places: &[Place], written_s: f64) -> Option<f64> {
        let beat_s = beat_s(&self.struck(places), written_s)?;
        Some(beat_s.min(SLOWEST * written_s))
    }

    /// The steps that `places` gives strikes to.
    fn struck(&self, places: &[Place]) -> Vec<Struck> {
        let struck = |(i, place): (usize, &Place)| match *place {
            Place::Step(j) => Some(Struck::new(self.steps[j], self.second(i))),
            Place::StageOf(_) | Place::Nothing => None,
        };
        places.iter().enumerate().filter_map(struck).collect()
    }
}

impl Costs for Table<'_> {
    fn n_strikes(&self) -> usize {
        self.strikes.len()
    }

    fn n_steps(&self) -> usize {
        self.steps.len()
    }

    fn distance(&self, i: usize, j: usize) -> f64 {
        if let Some(known) = self.distances {
            return f64::from(known[i * self.steps.len() + j]);
        }
        let step = self.steps[j];
        match_strike(step, &self.strikes[i], self.reference, self.offset)
            .distance(step.struck.len())
    }

    fn is_string(&self, i: usize) -> bool {
        self.strikes[i].holds_still(UNSTEADY_CENTS)
    }

    fn is_again(&self, i: usize) -> bool {
        self.is_string(i) && self.second(i) - self.second(i - 1) < AGAIN_S
    }

    fn alike(&self, j: usize) -> Option<usize> {
        self.alike[j]
    }

    fn stage(&self, i: usize, j: usize, before: usize) -> Option<f64> {
        let step = self.steps[j];
        let cost = stage_cost(step, &self.strikes[i], self.reference, self.offset)?;
        // Far behind its time it is the beginning of something else, sooner than a move.
        let due = step.stages.iter().map(|stage| step.due_beats(stage)).fold(0.0, f64::max);
        let gap_s = self.second(i) - self.second(before);
        Some(cost + self.beat_s.map_or(0.0, |beat_s| pause(gap_s, due * beat_s)))
    }

    fn pace(&self, i: usize, j: usize, before: usize, k: usize) -> f64 {
        let gap_s = self.second(i) - self.second(before);
        let beats = self.steps[j].start_beats - self.steps[k].start_beats;
        // Two strikes far closer than any tempo would have it are one strike heard twice.
        if gap_s < 0.08 * beats {
            return TOO_SOON;
        }
        let Some(beat_s) = self.beat_s else { return 0.0 };
        let step = self.steps[k];
        let is_move = |stage: &Stage| {
            let due = step.due_beats(stage);
            let is_in_time = gap_s < (due + MOVES_UNTIL * (beats - due)) * beat_s;
            usize::from(stage.order) == i - before && is_in_time
        };
        if step.stages.iter().any(is_move) && self.stage(i, k, before).is_some() {
            return A_MOVE;
        }
        pause(gap_s, beats * beat_s).min(LONG_PAUSE)
    }
}

/// What it costs that something comes after `gap_s` instead of `due_s`, both in seconds.
fn pause(gap_s: f64, due_s: f64) -> f64 {
    (A_PAUSE * (gap_s / due_s / SHORT_PAUSE).log2()).max(0.0)
}

/// For every step an earlier one that asks for the same, if there is one.
fn alike(steps: &[&ExpectedStep]) -> Vec<Option<usize>> {
    let earlier = |(j, step): (usize, &&ExpectedStep)| {
        steps[..j].iter().position(|other| other.asks_alike(step))
    };
    steps.iter().enumerate().map(earlier).collect()
}

/// What it costs to take `strike` for a later stage of `step`; `None` if it cannot be one.
fn stage_cost(
    step: &ExpectedStep,
    strike: &Strike,
    reference: Reference,
    offset: Cents,
) -> Option<f64> {
    if step.stages.is_empty() {
        return None;
    }
    let is_target = |note| step.stages.iter().any(|s| s.to.note == note);
    let (mut reached, mut n_foreign) = (false, 0);
    let sure = strike.notes.iter().map(|sound| (sound, true));
    let doubtful = strike.doubtful.iter().map(|sound| (sound, false));
    for (sound, is_sure) in sure.chain(doubtful).filter(|(sound, _)| may_be_struck(sound)) {
        let Some(pitch) = place(sound, reference, offset) else { continue };
        if is_target(pitch.note) {
            reached = true;
        } else if is_sure && sound.is_struck() {
            n_foreign += usize::from(!step.struck.iter().any(|e| e.note == pitch.note));
        }
    }
    reached.then_some(0.3 * n_foreign as f64)
}

/// Tries the offsets the strikes suggest and keeps the one that fits best.
fn best_alignment(
    steps: &[&ExpectedStep],
    take: &Take,
    reference: Reference,
    written_s: f64,
) -> Placement {
    let common = common_offset(&take.strikes, reference);
    let near = common.filter(|c| c.0.abs() >= TOLD_OFFSET).unwrap_or(Cents(0.0));
    let (strikes, rate) = (take.strikes.as_slice(), take.rate);
    let alike = alike(steps);
    let table = |offset: Cents, beat_s| {
        let (alike, distances) = (alike.as_slice(), None);
        Table { steps, alike, strikes, rate, reference, offset, beat_s, distances }
    };
    let attempt = |offset: Cents| {
        let (places, cost) = align(&table(offset, None));
        (cost, offset, places)
    };
    let mut best = attempt(near);
    let near_cost = best.0;
    let mut transposed = None;
    if let Some(common) = common {
        // Half a semitone off may be a whole one less half; the rest is a wrong rate, a capo or another fret.
        let rates = RATE_RATIOS.map(|ratio| (ratio + wrap(common.0 - ratio), None));
        let rates = rates.into_iter().filter(|(offset, _)| is_rate_ratio(*offset));
        let semitones = (-CAPO..=CAPO).filter(|k| *k != 0);
        let semitones = semitones.map(|k| (common.0 + 100.0 * f64::from(k), Some(k)));
        for (offset, k) in rates.chain(semitones) {
            let is_tuning = offset.abs() < TRANSPOSED_FROM;
            let needed = if is_tuning { TUNING_GAIN } else { BELIEVED_GAIN };
            if best.0 <= needed {
                continue;
            }
            let other = attempt(Cents(offset));
            if other.0 + needed < best.0.min(near_cost) {
                best = other;
                transposed = k.filter(|_| !is_tuning);
            }
        }
    }
    let (_, offset, places) = best;
    let beat_s = table(offset, None).beat_s(&places, written_s);
    let best = table(offset, beat_s);
    let (mut places, _) = align(&best);
    let is_foreign = transposed.is_none() && is_foreign(&table(offset, None), &places);
    let mut passes = vec![span(&places, 0..places.len())];
    let mut index = 0;
    if transposed.is_none() && !is_foreign {
        let first = passes[0].start;
        passes = others::find(&best, written_s, &mut places, passes.remove(0));
        index = passes.partition_point(|pass| pass.start < first);
    }
    let offset = if transposed.is_some() { near } else { offset };
    Placement { offset, places, passes, best: index, transposed, is_foreign }
}

/// Whether less than a third of what is asked for is right, and hardly more than were the lick read backwards:
/// that is chance, with the same freedom to choose among strikes and steps.
fn is_foreign(table: &Table<'_>, places: &[Place]) -> bool {
    let sounds = |strike: &&Strike| strike.notes.iter().any(HeardPitch::is_struck);
    let n_strikes = table.strikes.iter().filter(sounds).count();
    let n_asked: usize = table.steps.iter().map(|step| step.struck.len()).sum();
    let n_right = table.n_right(places);
    if n_strikes.min(table.steps.len()) < A_FEW || 3 * n_right >= n_asked {
        return false;
    }
    let steps: Vec<&ExpectedStep> = table.steps.iter().rev().copied().collect();
    let backwards = Table { steps: &steps, alike: &alike(&steps), ..*table };
    let by_chance = backwards.n_right(&align(&backwards).0) as f64;
    // Counts stray by their root.
    n_right as f64 <= by_chance + by_chance.max(1.0).sqrt()
}
