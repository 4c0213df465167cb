//! A live output: plays prepared samples and tells when each began.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

use super::Choice;
use super::Input;
use super::Status;
use super::capture::Fault;
use super::capture::Lead;
use super::devices;
use super::devices::Direction;
use super::devices::Found;
use super::hush::Hush;
use super::now_s;
use super::playback;
use super::playback::Clip;
use super::playback::Feeder;
use super::playback::Told;
use super::stream;
use super::stream::Running;
use crate::audio::AudioError;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// After so long without being asked for samples the output counts as dead, in seconds.
const DEAD_S: f64 = 2.0;

/// After so long it is said to wait, in seconds.
const WAITING_S: f64 = 0.5;

/// Which clip, in the order of playing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct ClipNumber(u64);

/// An open output.
pub struct Output {
    choice: Choice,
    id: String,
    name: String,
    rate: SampleRate,
    buffer: u32,
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
        let _hush = Hush::new();
        let mut refused = None;
        for found in devices::find(Direction::Output, choice)? {
            match Self::open_found(choice, &found) {
                Ok(output) => return Ok(output),
                Err(error) => refused = refused.or(Some(error)),
            }
        }
        Err(refused.expect("find gives at least one device"))
    }

    fn open_found(choice: &Choice, found: &Found) -> Result<Self, AudioError> {
        let plan = devices::plan(found, Direction::Output, choice)?;
        let rate = plan.rate();
        let (player, feeder) = playback::channel(rate, usize::from(plan.config.channels));
        let stream = stream::open_output(found, plan, player, feeder.counters().clone())?;
        Ok(Self {
            choice: choice.clone(),
            id: found.listed.id.clone(),
            name: found.listed.name.clone(),
            rate,
            buffer: plan.buffer(),
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
    }

    /// Plays mono samples at [`Output::rate`], behind those that still wait; `None` if eight do, or
    /// the output is lost.
    pub fn play(&mut self, samples: impl Into<Arc<[f32]>>) -> Option<ClipNumber> {
        self.poll();
        self.stream.as_ref()?;
        let clip = Clip { number: self.next, samples: samples.into() };
        self.feeder.queue(clip).ok()?;
        self.next += 1;
        Some(ClipNumber(self.next - 1))
    }

    /// Fades out within milliseconds and forgets what waits.
    pub fn stop(&mut self) {
        self.feeder.stop();
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

    /// Tries to open the same device again after it was lost. What waited is gone; positions
    /// begin anew.
    ///
    /// # Errors
    /// As [`Output::open`], and [`AudioError::RateChanged`].
    pub fn reconnect(&mut self) -> Result<(), AudioError> {
        let choice = Choice { device: Some(self.id.clone()), ..self.choice.clone() };
        let again = Self::open(&choice)?;
        if again.rate != self.rate {
            return Err(AudioError::RateChanged {
                device: self.id.clone(),
                expected: self.rate.get(),
                found: again.rate.get(),
            });
        }
        *self = Self { choice: self.choice.clone(), next: self.next, over: self.next, ..again };
        Ok(())
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
        let at_s = (at as f64 - self.lead.get()?) / f64::from(self.rate.get());
        input.index_at(at_s)
    }

    /// Which sample of the output a clip began with; `None` while it waits.
    pub fn began(&self, clip: ClipNumber) -> Option<SampleIndex> {
        self.began.get(&clip.0).copied().map(SampleIndex)
    }

    /// Why the output was lost.
    pub fn loss(&self) -> Option<AudioError> {
        self.fault.map(|fault| stream::loss(fault, &self.id))
    }

    /// The device's id.
    pub fn id(&self) -> &str {
        &self.id
    }

    /// What people call the device.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Samples a second.
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// Samples that are asked for at a time.
    pub fn buffer(&self) -> SampleCount {
        SampleCount(u64::from(self.buffer))
    }
}

impl fmt::Debug for Output {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Output")
            .field("id", &self.id)
            .field("rate", &self.rate)
            .finish_non_exhaustive()
    }
}
