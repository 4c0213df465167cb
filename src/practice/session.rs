//! Passes in a row: samples in, news out; each pass is a take of its own.
//!
//! Every pass has its own [`Listener`], which hears exactly the samples that belong to the pass: who
//! records them has a file of which `check` says the same.
//!
//! **Conventions.** Positions are samples since the session began, holes included; times within a
//! pass are seconds since the pass began.
//! **Limits.** No clock and no devices: time passes by pushing samples.

use super::judge;
use super::judge::judge_take;
use super::offset::TOLD_OFFSET;
use super::offset::common_offset;
use super::pass::Delay;
use super::pass::Manner;
use super::pass::Pace;
use super::pass::Pass;
use super::pass::Told;
use super::timing::common_lateness;
use super::timing::estimated_delay;
use super::verdict::Finding;
use super::verdict::TakeJudgement;
use crate::engine::Event;
use crate::engine::Listener;
use crate::engine::Strike;
use crate::lick::expected::Expected;
use crate::units::Cents;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// The latest samples are kept this long, in seconds: where a pass ends is known only afterwards.
const KEEP_S: f64 = 1.0;
/// A pass that follows on the heels of another begins this long before its first strike, in seconds.
const BEFORE_S: f64 = 0.3;
/// However clean the passes, the lick gets no faster than this many times its tempo.
const FASTEST: f64 = 3.0;

/// What a session is like.
#[derive(Debug, Clone, Copy)]
pub struct Settings {
    /// Rate of the stream.
    pub rate: SampleRate,
    /// What makes the lick go on.
    pub pace: Pace,
    /// Factor on the tempo of the lick.
    pub speed: f64,
    /// How many passes.
    pub repeat: usize,
    /// What a clean pass adds to the speed.
    pub faster: f64,
    /// What is known of the way of a click.
    pub delay: Delay,
    /// What the judge goes by.
    pub judge: judge::Settings,
}

impl Settings {
    /// One pass at the player's pace, the guitar tuned to A4 = 440 Hz.
    pub fn at_leisure(rate: SampleRate) -> Self {
        Self {
            rate,
            pace: Pace::Free,
            speed: 1.0,
            repeat: 1,
            faster: 0.0,
            delay: Delay::Estimated,
            judge: judge::Settings::default(),
        }
    }
}

/// What a session has to tell.
#[derive(Debug, Clone, PartialEq)]
pub enum News {
    /// From the pass that is being played.
    Pass(Told),
    /// Samples never arrived.
    Hole {
        /// Where in the pass, in seconds.
        start_s: f64,
        /// How long, in seconds.
        length_s: f64,
    },
    /// A pass is over, and judged as a whole.
    Over(Box<PassOver>),
}

/// A pass that is over.
#[derive(Debug, Clone, PartialEq)]
pub struct PassOver {
    /// 1 for the first.
    pub number: usize,
    /// Factor on the tempo of the lick at which it was played.
    pub speed: f64,
    /// Where it ended.
    pub end: SampleIndex,
    /// The judgement. With a click, `timing_ms` is against it.
    pub judgement: TakeJudgement,
}

/// The pass that is being played, and who listens to it.
#[derive(Debug)]
struct Playing {
    start: SampleIndex,
    listener: Listener,
    pass: Pass,
}

/// A session.
#[derive(Debug)]
pub struct Session {
    expected: Expected,
    settings: Settings,
    position: SampleIndex,
    /// The latest samples.
    kept: Vec<f32>,
    playing: Option<Playing>,
    /// Passes begun so far.
    number: usize,
    speed: f64,
    lateness: Vec<f64>,
    /// Where the next pass begins if it follows at once.
    next: SampleIndex,
}

impl Session {
    /// A session with the steps of `expected`; nothing is listened to before [`Session::begin`].
    pub fn new(expected: Expected, settings: Settings) -> Self {
        Self {
            expected,
            settings,
            position: SampleIndex(0),
            kept: Vec::new(),
            playing: None,
            number: 0,
            speed: settings.speed,
            lateness: Vec::new(),
            next: SampleIndex(0),
        }
    }

    /// What is played.
    pub fn expected(&self) -> &Expected {
        &self.expected
    }

    /// How much came so far, holes included.
    pub fn position(&self) -> SampleIndex {
        self.position
    }

    /// Number of the pass that is being played, or was last, 1 for the first.
    pub fn number(&self) -> usize {
        self.number
    }

    /// Factor on the tempo of the lick, for this pass or, between passes, the next.
    pub fn speed(&self) -> f64 {
        self.speed
    }

    /// The pass that is being played.
    pub fn pass(&self) -> Option<&Pass> {
        self.playing.as_ref().map(|playing| &playing.pass)
    }

    /// True when all passes were played.
    pub fn is_over(&self) -> bool {
        self.playing.is_none() && self.number >= self.settings.repeat
    }

    /// The delay that the lateness of the playing so far speaks for, in milliseconds; `None` while
    /// there is too little of it.
    pub fn estimated_delay_ms(&self) -> Option<f64> {
        let samples = match &self.playing {
            Some(playing) => playing.pass.estimated_delay(),
            None => estimated_delay(&self.lateness),
        };
        samples.map(|samples| 1000.0 * samples / f64::from(self.settings.rate.get()))
    }

    /// Length of a quarter note in seconds, at the present speed.
    pub fn beat_s(&self) -> f64 {
        60.0 / (self.expected.tempo_bpm * self.speed)
    }

    /// Begins the next pass where the last one ended, or now if that is too long ago, and tells
    /// where that is.
    pub fn begin(&mut self, news: &mut Vec<News>) -> SampleIndex {
        let manner = Manner {
            pace: self.settings.pace,
            beat_s: self.beat_s(),
            rate: self.settings.rate,
            judge: self.settings.judge,
            delay: self.settings.delay,
        };
        let pass = Pass::new(&self.expected.steps, manner, std::mem::take(&mut self.lateness));
        news.push(News::Pass(Told::Due(pass.due())));
        let oldest = SampleIndex(self.position.0 - self.kept.len() as u64);
        let start = if self.next >= oldest { self.next } else { self.position };
        self.number += 1;
        let listener = Listener::new(self.settings.rate);
        self.playing = Some(Playing { start, listener, pass });
        let already = self.samples(start, self.position).to_vec();
        self.listen(&already, news);
        start
    }

    /// Takes the samples that came.
    pub fn push(&mut self, samples: &[f32], news: &mut Vec<News>) {
        self.position.0 += samples.len() as u64;
        self.keep(samples);
        self.listen(samples, news);
    }

    /// Tells that `lost` samples never arrived.
    pub fn gap(&mut self, lost: SampleCount, news: &mut Vec<News>) {
        let at = self.position;
        self.position.0 += lost.0;
        // What is older cannot follow on at once any more.
        self.kept.clear();
        let Some(playing) = &mut self.playing else { return };
        let rate = self.settings.rate;
        let mut heard = Vec::new();
        playing.listener.gap(lost, |event| heard.extend(Heard::of(event)));
        news.push(News::Hole {
            start_s: SampleIndex(at.0 - playing.start.0).seconds(rate),
            length_s: lost.seconds(rate),
        });
        self.hear(&heard, news);
    }

    /// The click of the first step was asked for at sample `at` of the session.
    pub fn click_begins(&mut self, at: f64) {
        if let Some(playing) = &mut self.playing {
            playing.pass.click_begins(at - playing.start.0 as f64);
        }
    }

    /// The click is gone: the player sets the pace for the rest of this pass.
    pub fn lose_click(&mut self) {
        if let Some(playing) = &mut self.playing {
            playing.pass.lose_click();
        }
    }

    /// Drops the pass that is being played, as if it had not begun; of it only the lateness of the
    /// playing is kept.
    pub fn again(&mut self) {
        if let Some(playing) = self.playing.take() {
            self.lateness = playing.pass.lateness();
        }
        self.number = self.number.saturating_sub(1);
        self.next = self.position;
    }

    /// Ends the pass that is being played. `None` if nothing was struck in it.
    pub fn stop(&mut self) -> Option<PassOver> {
        let end = self.position;
        self.end_pass(end).filter(|over| {
            let struck = over.judgement.steps.iter().any(|step| step.start_s.is_some());
            struck || !over.judgement.unmatched.is_empty()
        })
    }

    /// A pass was clean: the next is faster.
    pub fn speed_up(&mut self) {
        self.speed = (self.speed + self.settings.faster).min(FASTEST.max(self.settings.speed));
    }

    /// The latest samples from `from` to `to`, as far as they are kept.
    pub fn samples(&self, from: SampleIndex, to: SampleIndex) -> &[f32] {
        let oldest = self.position.0 - self.kept.len() as u64;
        let place = |at: SampleIndex| (at.0.saturating_sub(oldest) as usize).min(self.kept.len());
        let (from, to) = (place(from), place(to));
        &self.kept[from..to.max(from)]
    }

    /// Up to here it is certain that samples belong to the pass that is being played.
    pub fn certain(&self) -> SampleIndex {
        let open = self.settings.rate.samples_in(KEEP_S / 2.0).0;
        SampleIndex(self.position.0.saturating_sub(open))
    }

    fn keep(&mut self, samples: &[f32]) {
        let most = self.settings.rate.samples_in(KEEP_S).0 as usize;
        self.kept.extend_from_slice(samples);
        // Twice as much at times, so that not every block moves a second of sound.
        if self.kept.len() > 2 * most {
            self.kept.drain(..self.kept.len() - most);
        }
    }

    fn listen(&mut self, samples: &[f32], news: &mut Vec<News>) {
        let Some(playing) = &mut self.playing else { return };
        let mut heard = Vec::new();
        playing.listener.push(samples, |event| heard.extend(Heard::of(event)));
        self.hear(&heard, news);
    }

    fn hear(&mut self, heard: &[Heard], news: &mut Vec<News>) {
        let certain = self.certain();
        let Some(playing) = &mut self.playing else { return };
        let mut told = Vec::new();
        let reference = self.settings.judge.reference;
        let strikes = &playing.listener.take().strikes;
        let offset = || {
            let offset = common_offset(strikes, reference);
            offset.filter(|o| o.0.abs() >= TOLD_OFFSET).unwrap_or(Cents(0.0))
        };
        for heard in heard {
            match heard {
                Heard::Strike(strike) => playing.pass.hear(strike, offset(), &mut told),
                Heard::Unclear(strike) => playing.pass.hear_unclear(strike, offset(), &mut told),
                Heard::End(onset) => playing.pass.end_strike(*onset, &mut told),
            }
        }
        let now = SampleIndex(self.position.0 - playing.start.0);
        playing.pass.advance(now, &mut told);
        let ended = told.iter().find_map(|told| match told {
            // A strike that was told late cannot end what is recorded already.
            Told::Over(at) => Some(SampleIndex(playing.start.0 + at.0).max(certain)),
            _ => None,
        });
        news.extend(told.into_iter().map(News::Pass));
        if let Some(over) = ended.and_then(|end| self.end_pass(end)) {
            news.push(News::Over(Box::new(over)));
        }
    }

    fn end_pass(&mut self, end: SampleIndex) -> Option<PassOver> {
        let Playing { start, listener, pass } = self.playing.take()?;
        let rate = self.settings.rate;
        let mut take = listener.finish(|_| {});
        let length = end.0 - start.0;
        take.strikes.retain(|strike| strike.onset.0 < length);
        take.unclear.retain(|strike| strike.onset.0 < length);
        take.length = SampleCount(length.min(take.length.0));
        let mut judgement = judge_take(&self.expected, &take, &self.settings.judge).as_one_pass();
        if pass.manner().pace == Pace::Click {
            let swung = judgement.findings.iter().find_map(|finding| match finding {
                Finding::Swung { played, written } => Some(played - written),
                _ => None,
            });
            let swung_ms = 1000.0 * pass.manner().beat_s * swung.unwrap_or(0.0);
            // Of steps that are no rests one is judged each.
            let asked = self.expected.steps.iter().filter(|step| !step.struck.is_empty());
            for (step, asked) in judgement.steps.iter_mut().zip(asked) {
                let late_ms = step.start_s.and_then(|start_s| pass.late_ms(step.step, start_s));
                let swung_ms = if asked.is_off_beat { swung_ms } else { 0.0 };
                step.timing_ms = late_ms.map(|late_ms| late_ms - swung_ms);
            }
            if !judgement.findings.contains(&Finding::AnotherLick) {
                let late_ms: Vec<f64> =
                    judgement.steps.iter().filter_map(|step| step.timing_ms).collect();
                judgement.findings.extend(common_lateness(&late_ms, pass.manner().beat_s));
            }
        }
        self.lateness = pass.lateness();
        self.next = match end < self.position {
            true => SampleIndex(end.0.saturating_sub(rate.samples_in(BEFORE_S).0).max(start.0)),
            false => end,
        };
        Some(PassOver { number: self.number, speed: self.speed, end, judgement })
    }
}

/// What a pass goes by, of all that an engine tells.
enum Heard {
    Strike(Strike),
    /// One of which no note is as likely as not.
    Unclear(Strike),
    /// The strike that began here is over.
    End(SampleIndex),
}

impl Heard {
    fn of(event: &Event<'_>) -> Option<Self> {
        match event {
            Event::Strike(strike) | Event::Led(strike) => Some(Self::Strike((*strike).clone())),
            Event::Ended { onset, .. } => Some(Self::End(*onset)),
            Event::Unclear(strike) => Some(Self::Unclear((*strike).clone())),
            Event::Gap { .. } => None,
        }
    }
}
