//! An engine that keeps what it hears.

use super::Engine;
use super::Event;
use super::Stage;
use super::Strike;
use super::hindsight::look_back;
use crate::units::Clipping;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// Everything an engine told of one recording.
#[derive(Debug, Clone)]
pub struct Take {
    /// Rate of the recording.
    pub rate: SampleRate,
    /// Its length.
    pub length: SampleCount,
    /// All strikes at [`Stage::Whole`], in order, each with what the next one tells of it.
    pub strikes: Vec<Strike>,
    /// What may have been struck besides, as it was told: see [`Event::Unclear`].
    pub unclear: Vec<Strike>,
    /// Holes: where and how long.
    pub holes: Vec<(SampleIndex, SampleCount)>,
    /// Samples cut off at the top of the scale.
    pub clipped: SampleCount,
}

/// An engine that keeps what it hears, for recordings and for live takes alike.
#[derive(Debug)]
pub struct Listener {
    engine: Engine,
    clipping: Clipping,
    take: Take,
}

impl Listener {
    /// A listener for a stream at `rate`.
    pub fn new(rate: SampleRate) -> Self {
        Self::with(Engine::new(rate), rate)
    }

    /// A listener for a recording: see [`Engine::of_recording`].
    pub fn of_recording(rate: SampleRate) -> Self {
        Self::with(Engine::of_recording(rate), rate)
    }

    fn with(engine: Engine, rate: SampleRate) -> Self {
        let take = Take {
            rate,
            length: SampleCount(0),
            strikes: Vec::new(),
            unclear: Vec::new(),
            holes: Vec::new(),
            clipped: SampleCount(0),
        };
        Self { engine, clipping: Clipping::default(), take }
    }

    /// Listens to more samples; `on_event` sees the events as they come.
    pub fn push(&mut self, samples: &[f32], mut on_event: impl FnMut(&Event<'_>)) {
        self.take.length.0 += samples.len() as u64;
        samples.iter().for_each(|&sample| self.clipping.add(sample));
        self.take.clipped = self.clipping.count();
        let take = &mut self.take;
        self.engine.push(samples, |event| {
            keep(take, &event);
            on_event(&event);
        });
    }

    /// Tells that `lost` samples never arrived.
    pub fn gap(&mut self, lost: SampleCount, mut on_event: impl FnMut(&Event<'_>)) {
        self.take.length.0 += lost.0;
        let take = &mut self.take;
        self.engine.gap(lost, |event| {
            keep(take, &event);
            on_event(&event);
        });
    }

    /// The take as heard so far, whole strikes only.
    pub fn take(&self) -> &Take {
        &self.take
    }

    /// Ends listening.
    pub fn finish(self, mut on_event: impl FnMut(&Event<'_>)) -> Take {
        let Self { engine, mut take, .. } = self;
        engine.finish(|event| {
            keep(&mut take, &event);
            on_event(&event);
        });
        take
    }
}

fn keep(take: &mut Take, event: &Event<'_>) {
    match event {
        Event::Strike(strike) if strike.stage == Stage::Whole => {
            take.strikes.push((*strike).clone());
            look_back(&mut take.strikes);
        }
        Event::Strike(_) => {}
        Event::Led(strike) => {
            if let Some(told) = take.strikes.last_mut().filter(|s| s.onset == strike.onset) {
                told.later.clone_from(&strike.later);
            }
        }
        Event::Unclear(strike) => take.unclear.push((*strike).clone()),
        Event::Ended { onset, end } => {
            if let Some(strike) = take.strikes.last_mut().filter(|s| s.onset == *onset) {
                strike.end = *end;
            }
        }
        Event::Gap { at, lost } => match take.holes.last_mut() {
            Some((from, so_far)) if from.0 + so_far.0 == at.0 => so_far.0 += lost.0,
            _ => take.holes.push((*at, *lost)),
        },
    }
}
