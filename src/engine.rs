//! The whole instrument, without ears or mouth: samples in, events out.
//!
//! **Conventions.** Mono samples, full scale ±1, one rate for life; events come in stream order.
//! Equal samples give equal events however they are chunked, live or from a file.
//! **Limits.** No I/O, no clock, no randomness, no threads.

use crate::theory::note::Reference;
use crate::units::Decibels;
use crate::units::Hertz;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// What an [`Engine`] is built for.
#[derive(Debug, Clone, Copy)]
pub struct Settings {
    /// Rate of the samples to come.
    pub rate: SampleRate,
    /// Frequency of A4: where blind estimation looks for notes.
    pub reference: Reference,
}

/// How much of a strike had been heard when it was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// The first guess, from some 60 ms.
    Early,
    /// Enough for a verdict in most cases.
    Settled,
    /// All of it, up to the next strike or until it faded.
    Whole,
}

/// One note as heard, blind to what was expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeardPitch {
    /// The first partial.
    pub frequency: Hertz,
    /// One standard error of `frequency`, in cents; `None` where it could not be measured.
    pub error_cents: Option<f64>,
    /// Level of the note over all its partials.
    pub level: Decibels,
    /// False if the note was sounding before the strike and did not gain by it.
    pub struck: bool,
    /// How sure its presence is, 0.5 (a guess) to 1.
    pub confidence: f64,
}

/// A strike and what sounds after it.
#[derive(Debug, Clone)]
pub struct Strike {
    /// When it was struck.
    pub onset: SampleIndex,
    /// Where listening to it ended: the next strike, or where it faded.
    pub end: SampleIndex,
    /// How much had been heard.
    pub stage: Stage,
    /// The blind estimate, rising in frequency; at most six notes.
    pub notes: Vec<HeardPitch>,
}

/// What an engine tells.
#[derive(Debug)]
pub enum Event<'a> {
    /// A strike, told up to three times with a growing [`Stage`] and the same `onset`.
    Strike(&'a Strike),
    /// Samples that never arrived, or were not numbers.
    Gap {
        /// Where the hole begins.
        at: SampleIndex,
        /// How long it is.
        lost: SampleCount,
    },
}

/// Listens to a stream of samples.
#[derive(Debug)]
pub struct Engine {
    settings: Settings,
    heard: SampleCount,
}

impl Engine {
    /// Allocates everything that will ever be needed.
    pub fn new(settings: Settings) -> Self {
        Self { settings, heard: SampleCount(0) }
    }

    /// Listens to mono samples in `-1.0..=1.0`. Does not allocate.
    pub fn push(&mut self, samples: &[f32], _on_event: impl FnMut(Event<'_>)) {
        self.heard.0 += samples.len() as u64;
    }

    /// Tells that `lost` samples never arrived; listening restarts after the hole.
    pub fn gap(&mut self, lost: SampleCount, mut on_event: impl FnMut(Event<'_>)) {
        on_event(Event::Gap { at: SampleIndex(self.heard.0), lost });
        self.heard.0 += lost.0;
    }

    /// Reports what is still undecided. Nothing can be pushed after it.
    pub fn finish(self, _on_event: impl FnMut(Event<'_>)) {
        let _ = self.settings;
    }
}

/// Everything an engine told of one recording.
#[derive(Debug, Clone)]
pub struct Take {
    /// Rate of the recording.
    pub rate: SampleRate,
    /// Its length.
    pub length: SampleCount,
    /// All strikes at [`Stage::Whole`], in order.
    pub strikes: Vec<Strike>,
    /// Holes: where and how long.
    pub holes: Vec<(SampleIndex, SampleCount)>,
    /// Samples at full scale.
    pub clipped: SampleCount,
}

/// An engine that keeps what it hears, for recordings and for live takes alike.
#[derive(Debug)]
pub struct Listener {
    engine: Engine,
    take: Take,
}

impl Listener {
    /// A listener for a stream at `settings.rate`.
    pub fn new(settings: Settings) -> Self {
        let take = Take {
            rate: settings.rate,
            length: SampleCount(0),
            strikes: Vec::new(),
            holes: Vec::new(),
            clipped: SampleCount(0),
        };
        Self { engine: Engine::new(settings), take }
    }

    /// Listens to more samples; `on_event` sees the events as they come.
    pub fn push(&mut self, samples: &[f32], mut on_event: impl FnMut(&Event<'_>)) {
        self.take.length.0 += samples.len() as u64;
        self.take.clipped.0 += samples.iter().filter(|s| s.abs() >= 0.999).count() as u64;
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
        let Self { engine, mut take } = self;
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
        }
        Event::Strike(_) => {}
        Event::Gap { at, lost } => take.holes.push((*at, *lost)),
    }
}
