//! The stream flows in, up to where something happens: an onset, a moment when a strike is told, or
//! one when it may have faded.

use super::CUT_S;
use super::EARLY_S;
use super::Engine;
use super::Event;
use super::Open;
use super::SETTLED_LOW_S;
use super::Stage;
use super::WHOLE_S;
use crate::dsp::onset;

/// A strike has faded once it is this much quieter than it was, in decibels.
const FADED_DB: f64 = 40.0;
/// How often that is looked at, in seconds.
const FOLLOW_EVERY_S: f64 = 0.05;
/// How often one that was told is listened to once more for where it led, in seconds.
const LISTEN_EVERY_S: f64 = 1.2;
/// A strike is followed for this long at most, in seconds.
const FOLLOW_S: f64 = 20.0;

impl Engine {
    /// Listens to samples that are numbers.
    pub(super) fn listen(&mut self, samples: &[f32], on_event: &mut impl FnMut(Event<'_>)) {
        for block in samples.chunks(1024) {
            self.heard += block.len() as u64;
            let mut decimated = std::mem::take(&mut self.scratch);
            decimated.clear();
            self.decimator.push(block, |s| decimated.push(s));
            self.listen_decimated(&decimated, on_event);
            self.scratch = decimated;
        }
    }

    /// Listens to samples of the decimated stream.
    pub(super) fn listen_decimated(
        &mut self,
        samples: &[f32],
        on_event: &mut impl FnMut(Event<'_>),
    ) {
        let mut rest = samples;
        while !rest.is_empty() {
            if self.stream.len() == self.stream.capacity() {
                let half = self.stream.len() / 2;
                self.stream.copy_within(half.., 0);
                self.stream.truncate(self.stream.len() - half);
                self.stream_start += half as u64;
            }
            let (now, later) = rest.split_at(self.quiet().min(rest.len()));
            self.step(now, on_event);
            rest = later;
        }
    }

    /// How many samples, one at least, can be taken at once: nothing happens before the last of them.
    fn quiet(&self) -> usize {
        let room = self.stream.capacity() - self.stream.len();
        let now = self.now();
        let until_doubt = self.doubt_due().map_or(u64::MAX, |due| due.saturating_sub(now).max(1));
        let quiet = self.detector.until_frame().min(room).min(until_doubt as usize);
        let Some(open) = self.open else { return quiet };
        let age = now - open.onset;
        let due = self.next_stage(&open).map_or(u64::MAX, |(_, due)| due);
        let until_due = due.saturating_sub(age).max(1);
        let follow = self.samples(FOLLOW_EVERY_S).max(1);
        quiet.min(until_due.min(follow - age % follow) as usize)
    }

    /// What a strike is told as next, and how many samples after its onset.
    fn next_stage(&self, open: &Open) -> Option<(Stage, u64)> {
        let (stage, due_s) = match open.told {
            None if self.guesses => (Stage::Early, EARLY_S),
            Some(Stage::Early) => (Stage::Settled, open.settled_s),
            None | Some(Stage::Settled) => (Stage::Whole, WHOLE_S),
            Some(Stage::Whole) => return None,
        };
        Some((stage, self.samples(due_s)))
    }

    /// Decimated samples of which only the last can make anything happen.
    fn step(&mut self, samples: &[f32], on_event: &mut impl FnMut(Event<'_>)) {
        self.stream.extend_from_slice(samples);
        if let Some(onset) = self.detector.push(samples) {
            let within = onset.at.saturating_sub(self.stream_start) as usize;
            let start = onset::refine(&self.stream, within, self.rate);
            let at = self.stream_start + start.at as u64;
            if start.rise_db <= onset.least_rise_db {
                self.detector.dismiss();
                self.doubts.add(at, start.rise_db / onset.least_rise_db);
            } else {
                self.settle_doubts(at, on_event);
                self.begin(at, on_event);
            }
        }
        let now = self.now();
        if self.doubt_due().is_some_and(|due| now >= due) {
            self.settle_doubt(now, on_event);
        }
        let Some(open) = self.open else { return };
        if let Some((stage, due)) = self.next_stage(&open)
            && now - open.onset >= due
        {
            self.tell(now, stage, on_event);
        }
        self.follow(now, on_event);
    }

    /// Ends the open strike and opens another at `onset`.
    pub(super) fn begin(&mut self, onset: u64, on_event: &mut impl FnMut(Event<'_>)) {
        // Where a recording is cut off there is a jolt, but no time to hear a string.
        if self.end.is_some_and(|end| onset + self.samples(0.05) > end) {
            return;
        }
        self.close(onset, on_event);
        let cut = self.unheard.filter(|&cut| self.is_within(cut, onset, CUT_S));
        self.open = Some(Open {
            onset,
            began: onset,
            cut,
            told: None,
            loudest: 0.0,
            loud_until: onset,
            settled_s: SETTLED_LOW_S,
            has_notes: false,
            whole_has_notes: false,
            listened: onset,
            led: false,
        });
    }

    /// Notices when a strike that was told has faded.
    fn follow(&mut self, now: u64, on_event: &mut impl FnMut(Event<'_>)) {
        let every = self.samples(FOLLOW_EVERY_S);
        let follow = self.samples(FOLLOW_S);
        let further = self.samples(LISTEN_EVERY_S);
        let Some(open) = &mut self.open else { return };
        let age = now - open.onset;
        if age == 0 || !age.is_multiple_of(every) {
            return;
        }
        let recent = &self.stream[self.stream.len().saturating_sub(every as usize)..];
        // Four squares at a time, so that they are not added one after the other.
        let fours = recent.chunks(4).map(|four| four.iter().map(|s| s * s).sum::<f32>());
        let power = fours.map(f64::from).sum::<f64>() / recent.len() as f64;
        open.loudest = open.loudest.max(power);
        if power > 0.01 * open.loudest {
            open.loud_until = now;
        }
        let faded = power < open.loudest * 10_f64.powf(-FADED_DB / 10.0);
        if open.told != Some(Stage::Whole) {
            return;
        }
        if faded || age > follow {
            self.close(now, on_event);
        } else if open.whole_has_notes && now - open.listened > further {
            self.listen_further(now, true);
        }
    }
}
