//! A live output: plays prepared samples and tells when each began.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

use super::Choice;
use super::Input;
use super::Line;
use super::Status;
use super::capture::Fault;
use super::capture::Lead;
use super::devices;
use super::devices::Direction;
use super::now_s;
use super::playback;
use super::playback::Clip;
use super::playback::Feeder;
use super::playback::Told;
use super::stream;
use super::stream::Running;
use crate::audio::AudioError;
use crate::units::SampleCount;

/// After so long without being asked for samples the output counts as dead, in seconds.
const DEAD_S: f64 = 2.0;

/// After so long it is said to wait, in seconds.
const WAITING_S: f64 = 0.5;

/// Which clip, in the order of playing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct ClipNumber(u64);

/// An open output.
pub struct Output {
    line: Line,
    feeder: Feeder,
    stream: Option<Running>,
    fault: Option<Fault>,
    next: u64,
    over: u64,
    /// Clips that began: where.
    began: BTreeMap<u64, u64>,
    moved: u64,
    moved_s: f64,
    lead: Lead,
}

impl Output {
    /// Opens and starts an output; it is silent until something is played.
    ///
    /// # Errors
    /// No such device, several, busy, not permitted, a rate it does not run at.
    pub fn open(choice: &Choice) -> Result<Self, AudioError> {
        devices::open(Direction::Output, choice, |found, plan| {
            let channels = usize::from(plan.config.channels);
            let (player, feeder) = playback::channel(plan.rate(), channels);
            let stream = stream::open_output(found, plan, player, feeder.counters().clone())?;
            Ok(Self {
                line: Line::new(found, plan),
                feeder,
                stream: Some(stream),
                fault: None,
                next: 0,
                over: 0,
                began: BTreeMap::new(),
                moved: 0,
                moved_s: now_s(),
                lead: Lead::default(),
            })
        })
    }

    /// Plays mono samples at the rate of [`Output::line`], behind those that still wait; `None` if
    /// eight do, or the output is lost.
    pub fn play(&mut self, samples: impl Into<Arc<[f32]>>) -> Option<ClipNumber> {
        self.poll();
        self.stream.as_ref()?;
        let clip = Clip { number: self.next, samples: samples.into() };
        self.feeder.queue(clip).ok()?;
        self.next += 1;
        Some(ClipNumber(self.next - 1))
    }

    /// Fades out within milliseconds and forgets what waits; what is played from now on is not
    /// touched.
    pub fn stop(&mut self) {
        self.feeder.stop_before(self.next);
    }

    /// True while something plays or waits.
    pub fn plays(&mut self) -> bool {
        self.poll();
        self.stream.is_some() && self.over < self.next
    }

    /// Looks after the stream and tells how it is doing. Call it as often as [`Input::pump`].
    pub fn poll(&mut self) -> Status {
        while let Some(told) = self.feeder.told() {
            match told {
                Told::Began { number, at } => {
                    self.began.insert(number, at);
                }
                Told::Over(_) => self.over += 1,
            }
        }
        if self.stream.is_none() {
            return Status::Lost;
        }
        let now_s = now_s();
        let counters = self.feeder.counters();
        if let Some(ahead) = counters.take_ahead() {
            self.lead.note(ahead as f64, now_s);
        }
        if counters.moved() > self.moved {
            (self.moved, self.moved_s) = (counters.moved(), now_s);
        }
        let still_s = now_s - self.moved_s;
        self.fault = counters.fault().or((still_s > DEAD_S).then_some(Fault::Still));
        if self.fault.is_some() {
            self.stream = None;
            return Status::Lost;
        }
        if still_s > WAITING_S { Status::Waiting } else { Status::Running }
    }

    /// Which sample of `input` was arriving when sample `offset` of `clip` was asked for, in
    /// samples; `None` until it began and both streams flow.
    ///
    /// Streams need about a second after opening to find their pace; ask near the time the sample
    /// is played, for clocks of two cards drift apart.
    ///
    /// The sound itself arrives later, by the round trip of this pair of devices, which
    /// [`super::calibration`] knows in exactly these terms.
    pub fn heard_at(&self, clip: ClipNumber, offset: SampleCount, input: &Input) -> Option<f64> {
        let at = self.began.get(&clip.0)? + offset.0;
        let at_s = (at as f64 - self.lead.get()?) / f64::from(self.line.rate.get());
        input.index_at(at_s)
    }

    /// Why the output was lost.
    pub fn loss(&self) -> Option<AudioError> {
        self.fault.map(|fault| stream::loss(fault, &self.line.id))
    }

    /// The device, and how it runs.
    pub fn line(&self) -> &Line {
        &self.line
    }
}

impl fmt::Debug for Output {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Output").field("line", &self.line).finish_non_exhaustive()
    }
}
