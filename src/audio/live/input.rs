//! A live input: opened, pumped, watched, and found again when it was lost.

use std::fmt;

use super::Choice;
use super::Line;
use super::Status;
use super::capture;
use super::capture::Advice;
use super::capture::Counters;
use super::capture::Fault;
use super::capture::Receiver;
use super::capture::Timekeeper;
use super::devices;
use super::devices::Direction;
use super::devices::Found;
use super::devices::Plan;
use super::now_s;
use super::stream;
use super::stream::Running;
use crate::audio::AudioError;
use crate::audio::Chunk;
use crate::units::SampleIndex;

/// After so long without a sample the input is said to wait, in seconds.
const WAITING_S: f64 = 0.25;

/// After so long without a sample the input counts as dead, in seconds. Sound servers may suspend
/// a device for a second and go on.
const DEAD_S: f64 = 2.0;

/// So many meaningless errors without a sample are a dying sound server: it emits more than a
/// hundred thousand a second, a healthy start a few hundred at most (measured with PulseAudio 16).
const DEADLY_GRUMBLES: u64 = 2_000;

/// An open input.
pub struct Input {
    choice: Choice,
    line: Line,
    receiver: Receiver,
    stream: Option<Running>,
    keeper: Timekeeper,
    grumbles: u64,
    fault: Option<Fault>,
    position: SampleIndex,
    /// Holes the ring knew nothing of.
    unreported: u64,
}

impl Input {
    /// Opens and starts an input.
    ///
    /// # Errors
    /// No such device, several, busy, not permitted, no such channel, a rate it does not run at
    /// or outside what can be judged.
    pub fn open(choice: &Choice) -> Result<Self, AudioError> {
        devices::open(Direction::Input, choice, |found, plan| {
            let (receiver, stream) = connect(found, plan, choice, 0)?;
            let mut keeper = Timekeeper::new(plan.rate(), plan.buffer());
            keeper.opened(now_s());
            Ok(Self {
                choice: choice.clone(),
                line: Line::new(found, plan),
                receiver,
                stream: Some(stream),
                keeper,
                grumbles: 0,
                fault: None,
                position: SampleIndex(0),
                unreported: 0,
            })
        })
    }

    /// Hands over what arrived since the last call, and tells how the input is doing. Call it at
    /// least twice a second; it never waits.
    ///
    /// Once [`Status::Lost`], the device is closed and [`Input::loss`] says why.
    pub fn pump(&mut self, mut on_chunk: impl FnMut(Chunk<'_>)) -> Status {
        if self.stream.is_none() {
            return Status::Lost;
        }
        let now_s = now_s();
        let advice = self.keeper.check(now_s, self.receiver.counters());
        let position = &mut self.position;
        if let Advice::Hole(lost) = advice {
            self.unreported += lost.0;
            position.0 += lost.0;
            on_chunk(Chunk::Gap(lost));
        }
        let fault = self.find_fault(now_s);
        if advice != Advice::Hold || fault.is_some() {
            let position = &mut self.position;
            self.receiver.pump(|chunk| {
                position.0 += match chunk {
                    Chunk::Samples(samples) => samples.len() as u64,
                    Chunk::Gap(lost) => lost.0,
                };
                on_chunk(chunk);
            });
        }
        if fault.is_some() {
            self.fault = fault;
            self.stream = None;
            return Status::Lost;
        }
        match self.keeper.still_for_s(now_s) > WAITING_S {
            true => Status::Waiting,
            false => Status::Running,
        }
    }

    fn find_fault(&mut self, now_s: f64) -> Option<Fault> {
        let counters: &Counters = self.receiver.counters();
        let still_s = self.keeper.still_for_s(now_s);
        if still_s < WAITING_S {
            self.grumbles = counters.grumbles();
        }
        let grumbles = counters.grumbles() - self.grumbles;
        counters
            .fault()
            .or((grumbles > DEADLY_GRUMBLES).then_some(Fault::Gone))
            .or((still_s > DEAD_S).then_some(Fault::Still))
    }

    /// Tries to open the same device again after it was lost. What was missed meanwhile comes as
    /// one [`Chunk::Gap`] soon after, so that the count of samples keeps to the clock.
    ///
    /// # Errors
    /// As [`Input::open`]: not there yet, for example; try again later. [`AudioError::RateChanged`]
    /// if it came back at another rate: then there is no going on.
    pub fn reconnect(&mut self) -> Result<(), AudioError> {
        let Line { id, rate, .. } = &self.line;
        let choice =
            Choice { device: Some(id.clone()), rate: Some(rate.get()), ..self.choice.clone() };
        let moved = self.receiver.counters().moved();
        let (receiver, stream) = devices::open(Direction::Input, &choice, |found, plan| {
            connect(found, plan, &choice, moved)
        })
        .map_err(|error| match error {
            AudioError::NotAtRate { device, asked, usual } => {
                AudioError::RateChanged { device, expected: asked, found: usual }
            }
            error => error,
        })?;
        (self.receiver, self.stream, self.fault) = (receiver, Some(stream), None);
        self.grumbles = 0;
        self.keeper.opened(now_s());
        Ok(())
    }

    /// Why the input was lost.
    pub fn loss(&self) -> Option<AudioError> {
        self.fault.map(|fault| stream::loss(fault, &self.line.id))
    }

    /// The device, and how it runs.
    pub fn line(&self) -> &Line {
        &self.line
    }

    /// How much was handed over so far, holes included.
    pub fn position(&self) -> SampleIndex {
        self.position
    }

    /// Which sample arrives `at_s` on the clock of [`now_s`], in samples; `None` before the first.
    pub(super) fn index_at(&self, at_s: f64) -> Option<f64> {
        let lead = self.keeper.lead()? + self.unreported as f64;
        Some(at_s * f64::from(self.line.rate.get()) + lead)
    }
}

/// Opens a stream whose first sample is number `moved`, and starts it.
fn connect(
    found: &Found,
    plan: Plan,
    choice: &Choice,
    moved: u64,
) -> Result<(Receiver, Running), AudioError> {
    let channels = usize::from(plan.config.channels);
    let (sender, receiver) = capture::channel(plan.rate(), channels, choice.channel, moved);
    let stream = stream::open_input(found, plan, sender, receiver.counters().clone())?;
    Ok((receiver, stream))
}

impl fmt::Debug for Input {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Input")
            .field("line", &self.line)
            .field("position", &self.position)
            .finish_non_exhaustive()
    }
}
