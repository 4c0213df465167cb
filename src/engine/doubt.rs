//! Rises that were hardly a strike by their power: they are one if a note surely began there, and unclear if one
//! may have.

use super::DECIDE_S;
use super::Engine;
use super::Event;
use super::LEAST_SAMPLES;
use super::SKIP_S;
use super::Stage;
use super::several::Several;
use crate::pitch::fit::MAX_TONES;
use crate::pitch::tone::Tone;

/// Doubtful rises kept of an open strike.
const MOST: usize = 4;
/// One that rises by less than this share of what would be enough is none.
const LEAST_SHARE: f64 = 0.25;
/// So much of what follows one decides, in seconds.
const DECIDED_S: f64 = SKIP_S + DECIDE_S;
/// Nearer to another strike than this, in seconds, it cannot be told from it.
const APART_S: f64 = 0.07;
/// The stretch before it that tells what sounded already, in seconds.
const BEFORE_S: f64 = 0.2;
/// Log odds of having been struck there from which a note that did not sound before makes it a strike,
/// and those that it sounds at all.
const STRUCK: f64 = 4.0;
const SOUNDS: f64 = 1.0;

/// Instants of doubtful rises, in order of time.
#[derive(Debug, Default)]
pub(super) struct Doubts {
    at: [u64; MOST],
    n: usize,
}

impl Doubts {
    pub(super) fn clear(&mut self) {
        self.n = 0;
    }

    /// Keeps one at `at` that rises by so much of what would be enough.
    pub(super) fn add(&mut self, at: u64, share: f64) {
        if let Some(slot) = self.at.get_mut(self.n).filter(|_| share > LEAST_SHARE) {
            *slot = at;
            self.n += 1;
        }
    }

    fn first(&self) -> Option<u64> {
        self.at[..self.n].first().copied()
    }

    fn remove_first(&mut self) {
        self.at.rotate_left(1);
        self.n -= 1;
    }
}

impl Engine {
    /// When the first doubt can be settled, sooner if nothing more is heard of it.
    pub(super) fn doubt_due(&self) -> Option<u64> {
        self.doubts.first().map(|at| at + self.samples(DECIDED_S))
    }

    /// Parts the open strike where a note surely began at the first doubtful rise; `end` is as far as is heard.
    pub(super) fn settle_doubt(&mut self, end: u64, on_event: &mut impl FnMut(Event<'_>)) {
        let (Some(at), Some(open)) = (self.doubts.first(), self.open) else {
            return self.doubts.clear();
        };
        self.doubts.remove_first();
        let apart = self.samples(APART_S);
        if at <= open.onset + apart || at + apart >= end {
            return;
        }
        let near = at - self.samples(0.006);
        let from =
            self.heard_from(open.onset, near).max(near.saturating_sub(self.samples(BEFORE_S)));
        let known = self.tones(from, near);
        if self.is_strike(&known, at, end) {
            self.begin(at, on_event);
        } else if !self.guesses {
            self.tell_unclear(known, at, end, on_event);
        }
    }

    /// Settles all doubts about the open strike, of which no more is heard than up to `end`.
    pub(super) fn settle_doubts(&mut self, end: u64, on_event: &mut impl FnMut(Event<'_>)) {
        while self.doubts.first().is_some() {
            self.settle_doubt(end, on_event);
        }
    }

    /// Tells what may have been struck at `at`, where `known` sounded before. The open strike goes on.
    fn tell_unclear(
        &mut self,
        known: Several,
        at: u64,
        end: u64,
        on_event: &mut impl FnMut(Event<'_>),
    ) {
        let before = std::mem::replace(&mut self.previous, known);
        std::mem::swap(&mut self.strike, &mut self.unclear);
        self.analyse(at, end);
        self.strike.onset = self.outside(at);
        self.strike.end = self.outside(end);
        self.strike.stage = Stage::Whole;
        std::mem::swap(&mut self.strike, &mut self.unclear);
        self.previous = before;
        if self.unclear.any_struck() {
            on_event(Event::Unclear(&self.unclear));
        }
    }

    /// Whether a note that is not `known` from before began at `at`.
    fn is_strike(&mut self, known: &Several, at: u64, end: u64) -> bool {
        let from = self.heard_from(at, end);
        let tones = self.tones(from, end.min(from + self.samples(DECIDE_S)));
        let is_part = |tone: &Tone, of: &Tone| {
            tone.is_note_of(of) || tone.is_overtone_of(of) || of.is_overtone_of(tone)
        };
        let mut is_new = [false; MAX_TONES];
        for ((slot, tone), found) in is_new.iter_mut().zip(tones.iter()).zip(self.estimator.found())
        {
            let is_known = known.iter().any(|before| is_part(tone, before));
            *slot = found.evidence.log_odds > SOUNDS && !is_known;
        }
        if !is_new.contains(&true) {
            return false;
        }
        let struck = self.struck(at, end, &tones, known);
        is_new.iter().zip(struck.odds).any(|(is_new, odds)| *is_new && odds > STRUCK)
    }

    /// What sounds from `from` to `to`.
    fn tones(&mut self, from: u64, to: u64) -> Several {
        let range = self.stretch(from, to);
        if range.len() < LEAST_SAMPLES {
            return Several::of([]);
        }
        self.estimate(range);
        self.found()
    }
}
