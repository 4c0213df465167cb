//! One way through the steps: which step is due, which strike was meant for which step.
//!
//! **Conventions.** Instants are samples since the pass began. Lateness is positive.
//! **Limits.** Strikes are given to steps as they come; the last few may turn out to be other steps' (`follow`).
//! [`super::judge`] sees the whole pass afterwards.

mod beside;
mod follow;
mod unclear;

use follow::Follower;

use super::alignment::Place;
use super::doubt::doubt_if_short;
use super::doubt::doubt_if_unfollowed;
use super::judge;
use super::judge::judge_strike;
use super::matching::note;
use super::matching::place;
use super::moves::judge_moves;
use super::strum::Strum;
use super::strum::Strumming;
use super::verdict::HeardNote;
use super::verdict::Pitch;
use super::verdict::Status;
use super::verdict::StepJudgement;
use super::verdict::Verdict;
use crate::engine::HeardPitch;
use crate::engine::Stage;
use crate::engine::Strike;
use crate::lick::expected::ExpectedNote;
use crate::lick::expected::ExpectedStep;
use crate::units::Cents;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// What makes the lick go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pace {
    /// The player: a step is done when it was struck, right or wrong.
    Free,
    /// The click.
    Click,
}

/// What is known of the way of a click through loudspeaker, player and microphone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Delay {
    /// Measured for this pair of devices, in milliseconds.
    Measured(f64),
    /// Unknown: taken for the middle lateness of the playing itself.
    Estimated,
}

/// A strike that comes sooner after another is the same strike, heard twice, in seconds.
const SAME_STRIKE_S: f64 = 0.08;
/// How long the last strike of a pass is listened to, in seconds: the engine's whole strike.
const LAST_STRIKE_S: f64 = 1.6;
/// … and how long it is waited for another try if it was wrong.
const LAST_TRY_S: f64 = 3.0;

/// What a pass is like.
#[derive(Debug, Clone, Copy)]
pub struct Manner {
    /// What makes it go on.
    pub pace: Pace,
    /// Length of a quarter note in seconds, at the speed of this pass.
    pub beat_s: f64,
    /// Rate of the stream.
    pub rate: SampleRate,
    /// What the judge goes by.
    pub judge: judge::Settings,
    /// The way of a click.
    pub delay: Delay,
}

/// A step's strike so far.
#[derive(Debug, Clone, PartialEq)]
pub struct Try {
    /// When it was struck.
    pub onset: SampleIndex,
    /// How much of it had been heard for this judgement.
    pub stage: Stage,
    /// The judgement, with `start_s` since the pass began.
    pub judgement: StepJudgement,
}

/// What a pass has to tell.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// More is known of a step that was struck.
    Step(Try),
    /// This step is due now; `None` after the last.
    Due(Option<usize>),
    /// The click went on without this step.
    Missed(usize),
    /// What was taken for this step was no string: somebody talked, say. The step was not struck yet.
    TakenBack(usize),
    /// What was taken for one step was another, earlier or later.
    Meant {
        /// What was told.
        step: usize,
        /// What it was.
        instead: usize,
    },
    /// A strike that belongs to no step.
    Stray {
        /// When.
        onset: SampleIndex,
        /// What was struck.
        heard: Vec<Pitch>,
    },
    /// The pass is over; what comes from here on does not belong to it.
    Over(SampleIndex),
}

/// A pass that is being played.
#[derive(Debug)]
pub struct Pass {
    manner: Manner,
    steps: Vec<ExpectedStep>,
    first_beats: f64,
    end_beats: f64,
    tries: Vec<Option<Try>>,
    due: usize,
    /// The last strike and where it went.
    last: Option<(SampleIndex, Place)>,
    follower: Follower,
    strumming: Strumming,
    /// When the click of the first step was heard, were there no delay, in samples.
    origin: Option<f64>,
    /// Lateness of strikes of the passes before against the bare click, in samples.
    lateness: Vec<f64>,
    /// The whole strikes of a step that moves on: where it led is known once it is over.
    moves: Vec<(usize, Strike)>,
    /// The last strike that did not hold still.
    talked: Option<SampleIndex>,
    /// The last that belonged to no step.
    stray: Option<SampleIndex>,
    /// How sharp the guitar was as a whole when the last strike was told.
    offset: Cents,
    over: bool,
}

impl Pass {
    /// A pass through `steps`, rests included; `lateness` comes from [`Pass::lateness`] of the
    /// pass before.
    pub fn new(steps: &[ExpectedStep], manner: Manner, lateness: Vec<f64>) -> Self {
        let first_beats = steps.first().map_or(0.0, |step| step.start_beats);
        let end_beats = steps.last().map_or(0.0, |step| step.start_beats + step.length_beats);
        let steps: Vec<ExpectedStep> =
            steps.iter().filter(|step| !step.struck.is_empty()).cloned().collect();
        let strumming = Strumming::new(Strum::of(&steps, manner.beat_s, manner.rate));
        Self {
            manner,
            first_beats,
            end_beats,
            tries: vec![None; steps.len()],
            steps,
            due: 0,
            last: None,
            follower: Follower::default(),
            strumming,
            origin: None,
            lateness,
            moves: Vec::new(),
            talked: None,
            stray: None,
            offset: Cents(0.0),
            over: false,
        }
    }

    /// Number of the step that is due, as the lick counts.
    pub fn due(&self) -> Option<usize> {
        self.steps.get(self.due).map(|step| step.number)
    }

    /// Speed and pace.
    pub fn manner(&self) -> &Manner {
        &self.manner
    }

    /// The click of the first step was asked for at sample `at` of the pass. May be told again as
    /// the clocks of two sound cards drift apart.
    pub fn click_begins(&mut self, at: f64) {
        self.origin = Some(at);
    }

    /// The click is gone: the player sets the pace from here on.
    pub fn lose_click(&mut self) {
        self.lateness = self.lateness();
        self.manner.pace = Pace::Free;
    }

    /// Takes what the engine tells of a strike; `offset` is how sharp the guitar is as a whole.
    pub fn hear(&mut self, strike: &Strike, offset: Cents, told: &mut Vec<Told>) {
        if self.over {
            return;
        }
        let known = self.last.filter(|(onset, _)| *onset == strike.onset);
        let goes_on = known.is_none() && self.goes_on(strike, offset);
        let place = match (known, self.last) {
            (Some((_, place)), _) => place,
            (None, Some((_, place))) if goes_on => place,
            (None, _) => self.place(strike, offset),
        };
        let first = known.is_none() && !goes_on;
        if first && !matches!(place, Place::StageOf(_)) {
            self.close_step(told);
        }
        self.last = Some((strike.onset, place));
        self.offset = offset;
        let strike = &self.strumming.take(strike, known.is_none(), goes_on);
        let place = self.follow(strike, place, told);
        if let Place::Step(index) = place
            && strike.stage == Stage::Whole
            && self.is_talk(index, strike)
        {
            self.last = self.last.map(|(onset, _)| (onset, Place::Nothing));
            self.talked = Some(strike.onset);
            return self.take_back(index, strike.onset, told);
        }
        if let Place::Step(index) | Place::StageOf(index) = place
            && strike.stage == Stage::Whole
            && !self.steps[index].stages.is_empty()
        {
            // What a strum began with is in it.
            self.moves.retain(|(_, before)| before.onset != strike.onset);
            self.moves.push((index, strike.clone()));
        }
        match place {
            Place::Step(index) => self.judge(index, strike, offset, told),
            Place::StageOf(index) => self.reach(index, strike, offset, told),
            Place::Nothing => {
                // Beside a click, what is out of time shows only later what it is.
                let is_known = self.manner.pace == Pace::Free || strike.stage != Stage::Early;
                let is_new = self.talked.max(self.stray) < Some(strike.onset);
                if goes_on || is_known && is_new {
                    self.stray = Some(strike.onset);
                }
                if !goes_on && is_known && is_new {
                    let struck = self.struck(strike, offset).into_iter();
                    let heard = struck.map(|(pitch, _)| pitch).collect();
                    told.push(Told::Stray { onset: strike.onset, heard });
                }
                if self.manner.pace == Pace::Free && self.due == self.steps.len() {
                    self.end(strike.onset, told);
                }
            }
        }
    }

    /// Judges a step that moves on again, now that nothing more belongs to it.
    fn close_step(&mut self, told: &mut Vec<Told>) {
        let moves = std::mem::take(&mut self.moves);
        let Some(&(index, _)) = moves.last() else { return };
        let Some(found) = &mut self.tries[index] else { return };
        let of_step = moves.iter().filter(|(i, _)| *i == index);
        let strikes: Vec<&Strike> = of_step.map(|(_, strike)| strike).collect();
        let (step, manner, judgement) = (&self.steps[index], &self.manner, &mut found.judgement);
        let before = judgement.verdict;
        judge_moves(step, &strikes, manner.rate, &manner.judge, self.offset, judgement);
        doubt_if_unfollowed(step, judgement, &strikes, manner.rate);
        if found.judgement.verdict != before {
            told.push(Told::Step(found.clone()));
        }
    }

    /// Tells that `now` samples have come.
    pub fn advance(&mut self, now: SampleIndex, told: &mut Vec<Told>) {
        if self.over {
            return;
        }
        match self.manner.pace {
            Pace::Free => {
                let Some(Some(last)) = self.tries.last() else { return };
                if self.due < self.steps.len() {
                    return;
                }
                let last_step = self.steps.last().expect("as many steps as tries");
                let staged_s = match last_step.stages.is_empty() {
                    true => 0.0,
                    false => last_step.length_beats * self.manner.beat_s,
                };
                let heard_s = match last.judgement.verdict {
                    Verdict::Right => LAST_STRIKE_S,
                    _ => LAST_TRY_S,
                };
                let wait = self.samples(heard_s.max(staged_s));
                if now.0 as f64 >= last.onset.0 as f64 + wait {
                    self.end(now, told);
                }
            }
            Pace::Click => self.follow_click(now, told),
        }
    }

    fn end(&mut self, at: SampleIndex, told: &mut Vec<Told>) {
        self.close_step(told);
        self.over = true;
        told.push(Told::Over(at));
    }

    fn samples(&self, seconds: f64) -> f64 {
        seconds * f64::from(self.manner.rate.get())
    }

    /// Whether a new `strike` belongs to the last one: that was heard twice, or these are the strings of one strum.
    fn goes_on(&self, strike: &Strike, offset: Cents) -> bool {
        let Some((last, place)) = self.last else { return false };
        let since = strike.onset.0.saturating_sub(last.0) as f64;
        let is_strum = || match place {
            Place::Step(index) | Place::StageOf(index) => {
                self.strumming.reaches(last, strike.onset)
                    && !self.is_stage_of(index, strike, offset)
            }
            Place::Nothing => false,
        };
        since < self.samples(SAME_STRIKE_S) || is_strum()
    }

    fn place(&self, strike: &Strike, offset: Cents) -> Place {
        if let Some((_, Place::Step(index) | Place::StageOf(index))) = self.last
            && self.is_stage_of(index, strike, offset)
        {
            return Place::StageOf(index);
        }
        match self.manner.pace {
            Pace::Free if self.due < self.steps.len() => Place::Step(self.due),
            Pace::Free if self.goes_back(strike, offset) => Place::Step(self.due - 1),
            Pace::Free => Place::Nothing,
            Pace::Click => self.place_by_click(strike.onset),
        }
    }

    /// Whether all that was struck is where the step has still to move on to. A string may come back to
    /// where it was struck, as in a hammer-on and pull-off; what rang before leads nowhere.
    fn is_stage_of(&self, index: usize, strike: &Strike, offset: Cents) -> bool {
        let (step, reached) = (&self.steps[index], &self.tries[index]);
        let struck = self.struck(strike, offset);
        let heard = || reached.iter().flat_map(|reached| &reached.judgement.heard);
        let target = |pitch: &Pitch| {
            let comes_back = step.struck.iter().any(|note| note.note == pitch.note);
            let sounds = heard().any(|heard| heard.pitch.note == pitch.note);
            let is_due = |to: &ExpectedNote| {
                to.note == pitch.note && !heard().any(|heard| heard.expected == Some(*to))
            };
            (comes_back || !sounds) && step.stages.iter().any(|stage| is_due(&stage.to))
        };
        !struck.is_empty() && struck.iter().all(|(pitch, _)| target(pitch))
    }

    fn struck<'a>(&self, strike: &'a Strike, offset: Cents) -> Vec<(Pitch, &'a HeardPitch)> {
        let placed = |sound| Some((place(sound, self.manner.judge.reference, offset)?, sound));
        strike.notes.iter().filter(|sound| sound.is_struck()).filter_map(placed).collect()
    }

    fn judge(&mut self, index: usize, strike: &Strike, offset: Cents, told: &mut Vec<Told>) {
        self.tell(index, strike, offset, told);
        if self.due == index {
            self.due += 1;
            told.push(Told::Due(self.due()));
        }
    }

    fn tell(&mut self, index: usize, strike: &Strike, offset: Cents, told: &mut Vec<Told>) {
        let step = &self.steps[index];
        let start_s = strike.onset.seconds(self.manner.rate);
        let mut judgement = judge_strike(step, strike, &self.manner.judge, offset);
        if strike.stage == Stage::Whole {
            doubt_if_short(&mut judgement, strike, self.manner.rate);
        }
        judgement.start_s = Some(start_s);
        judgement.timing_ms = self.late_ms(step.number, start_s);
        let judged = Try { onset: strike.onset, stage: strike.stage, judgement };
        self.tries[index] = Some(judged.clone());
        told.push(Told::Step(judged));
    }

    /// Adds what was reached at a later stage of the step.
    fn reach(&mut self, index: usize, strike: &Strike, offset: Cents, told: &mut Vec<Told>) {
        let struck = self.struck(strike, offset);
        let start_s = strike.onset.seconds(self.manner.rate);
        let stages = &self.steps[index].stages;
        let Some(reached) = &mut self.tries[index] else { return };
        for (pitch, sound) in struck {
            let heard = &mut reached.judgement.heard;
            let by_other = |to: ExpectedNote| {
                heard.iter().any(|h| h.expected == Some(to) && h.start_s != Some(start_s))
            };
            let is_due = |to: ExpectedNote| to.note == pitch.note && !by_other(to);
            let Some(target) = stages.iter().find(|stage| is_due(stage.to)) else { continue };
            let note = note(pitch, Status::Right, Some(target.to), sound);
            let note = HeardNote { start_s: Some(start_s), ..note };
            match heard.iter_mut().find(|h| h.expected == note.expected) {
                Some(before) => *before = note,
                None => heard.push(note),
            }
        }
        told.push(Told::Step(reached.clone()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lick::Lick;

    pub(super) const RATE: u32 = 48_000;

    /// A free pass through F4 with C#5 and G4 with D5, which has heard nothing yet.
    pub(super) fn pass() -> Pass {
        let lick = "title = \"Weir\"\nkey = \"C major\"\ntempo = 60\nmeter = \"4/4\"\nsteps = [\n\
             { beats = 1, frets = \"x x x 10 x 9\" },\n{ beats = 1, frets = \"x x x 12 x 10\" },\n]\n";
        let steps = Lick::parse(lick, "test").expect("a good lick").expected().steps;
        let rate = SampleRate::new(RATE).expect("positive");
        let judge = judge::Settings::default();
        let delay = Delay::Estimated;
        let manner = Manner { pace: Pace::Free, beat_s: 1.0, rate, judge, delay };
        Pass::new(&steps, manner, Vec::new())
    }

    /// What is told of a strike at `at_ms` as it goes on; each note a MIDI number and an error in cents.
    fn hear(pass: &mut Pass, at_ms: u64, notes: &[(f64, f64)], stages: &[Stage]) -> Vec<Told> {
        let onset = SampleIndex(at_ms * u64::from(RATE) / 1000);
        let sound = |&(midi, error): &(f64, f64)| HeardPitch {
            error_cents: Some(error),
            ..HeardPitch::sure(midi)
        };
        let mut told = Vec::new();
        for &stage in stages {
            let strike = Strike {
                onset,
                end: SampleIndex(onset.0 + u64::from(RATE) / 10),
                stage,
                notes: notes.iter().map(sound).collect(),
                doubtful: Vec::new(),
                faint: Vec::new(),
                later: Vec::new(),
                combined: Vec::new(),
            };
            pass.hear(&strike, Cents(0.0), &mut told);
        }
        pass.end_strike(onset, &mut told);
        told
    }

    const ALL: [Stage; 3] = [Stage::Early, Stage::Settled, Stage::Whole];

    #[test]
    fn what_holds_still_takes_its_step_right_or_wrong() {
        for notes in [[(65.0, 0.5), (73.0, 5.0)], [(61.0, 1.0), (70.0, 4.0)]] {
            let mut pass = pass();
            let told = hear(&mut pass, 1000, &notes, &ALL);
            assert_eq!(pass.due(), Some(2));
            assert!(!told.contains(&Told::TakenBack(1)), "{told:?}");
        }
        let mut pass = pass();
        hear(&mut pass, 1000, &[(65.0, 8.0), (73.0, 9.0)], &ALL);
        assert_eq!(pass.due(), Some(2), "damped at once, but what was asked for");
    }

    #[test]
    fn syllables_take_no_step() {
        let mut pass = pass();
        let told = hear(&mut pass, 1000, &[(58.4, 6.0)], &ALL);
        assert_eq!(told[told.len() - 2..], [Told::TakenBack(1), Told::Due(Some(1))]);
        hear(&mut pass, 1200, &[(57.0, 1.5)], &ALL);
        assert_eq!(pass.due(), Some(1), "steadier, but amid talk");
        hear(&mut pass, 1400, &[(65.3, 4.0)], &ALL);
        assert_eq!(pass.due(), Some(1), "near F4 by chance");
        hear(&mut pass, 3000, &[(57.0, 1.5)], &ALL);
        assert_eq!(pass.due(), Some(2), "long after");
    }

    #[test]
    fn what_was_never_heard_whole_is_taken_back_and_may_be_told_with_what_cut_it_off() {
        let mut pass = pass();
        let notes = [(65.0, 0.5), (73.0, 0.5)];
        let told = hear(&mut pass, 1000, &notes, &ALL[..2]);
        assert!(told.ends_with(&[Told::TakenBack(1), Told::Due(Some(1))]), "{told:?}");
        hear(&mut pass, 1000, &[(65.0, 4.0), (73.0, 5.0)], &ALL);
        assert_eq!(pass.due(), Some(2), "a touch is no talk");
    }
}
