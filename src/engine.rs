//! The whole instrument, without ears or mouth: samples in, events out.
//!
//! **Conventions.** Mono samples, full scale ±1, one rate for life; events come in stream order.
//! Equal samples give equal events however they are chunked, live or from a file.
//! **Limits.** No I/O, no clock, no randomness, no threads.

use crate::dsp::decimate::Decimator;
use crate::dsp::onset;
use crate::dsp::onset::Detector;
use crate::dsp::spectrum::Spectrum;
use crate::dsp::spectrum::Transformer;
use crate::pitch::estimate::Estimator;
use crate::pitch::fit::Fitter;
use crate::pitch::fit::MAX_TONES;
use crate::pitch::tone::Tone;
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
    /// How much louder it is than before the strike.
    pub rise: Decibels,
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
    /// A strike that was told has faded, or was cut off by the next.
    Ended {
        /// Onset of that strike.
        onset: SampleIndex,
        /// When it ended.
        end: SampleIndex,
    },
    /// Samples that never arrived, or were not numbers.
    Gap {
        /// Where the hole begins.
        at: SampleIndex,
        /// How long it is.
        lost: SampleCount,
    },
}

/// Listening starts this long after the onset, when the pick's noise is over, in seconds.
const SKIP_S: f64 = 0.045;
/// … and lasts this long at most for deciding what sounds.
const DECIDE_S: f64 = 0.6;
/// Frequencies are measured from here …
const SETTLED_FROM_S: f64 = 0.1;
/// … to here at most.
const SETTLED_TO_S: f64 = 1.4;
/// When the first guess is made, in seconds after the onset.
const EARLY_S: f64 = 0.075;
/// When the verdict for the screen is made.
const SETTLED_S: f64 = 0.16;
/// When listening to a strike ends at the latest.
const WHOLE_S: f64 = 1.5;
/// Length of the stretches before and after the onset that tell struck notes from ringing ones.
const COMPARE_S: f64 = 0.15;
/// A struck note is louder than it was by this much at least, in decibels.
const STRUCK_RISE_DB: f64 = 2.0;
/// A strike has faded once it is this much quieter than it was, in decibels.
const FADED_DB: f64 = 40.0;
/// A strike is followed for this long at most, in seconds.
const FOLLOW_S: f64 = 20.0;
/// How much of the stream is kept, in seconds.
const KEEP_S: f64 = 4.0;

/// A strike that is being listened to; instants in samples of the decimated stream.
#[derive(Debug, Clone, Copy)]
struct Open {
    onset: u64,
    told: Option<Stage>,
    /// Loudest mean power of 50 ms so far, and whether the strike holds any note.
    loudest: f64,
    has_notes: bool,
}

/// Listens to a stream of samples.
#[derive(Debug)]
pub struct Engine {
    decimator: Decimator,
    rate: f64,
    /// The last seconds of the decimated stream and the instant of its first sample.
    stream: Vec<f32>,
    stream_start: u64,
    detector: Detector,
    transformer: Transformer,
    estimator: Estimator,
    fitter: Fitter,
    spectrum: Spectrum,
    open: Option<Open>,
    /// Tones of the strike before, for telling what rings on.
    previous: Vec<Tone>,
    strike: Strike,
    heard: u64,
    scratch: Vec<f32>,
}

impl Engine {
    /// Allocates everything that will ever be needed.
    pub fn new(settings: Settings) -> Self {
        let rate_in = settings.rate.get();
        let decimator = Decimator::new(rate_in);
        let rate = f64::from(rate_in) / decimator.factor() as f64;
        let longest = ((SETTLED_TO_S + 0.05) * rate) as usize;
        let transformer = Transformer::new(rate, longest);
        let spectrum = transformer.make_spectrum();
        Self {
            decimator,
            rate,
            stream: Vec::with_capacity((KEEP_S * rate) as usize),
            stream_start: 0,
            detector: Detector::new(rate),
            estimator: Estimator::new(&transformer),
            fitter: Fitter::new(spectrum.bins.capacity()),
            transformer,
            spectrum,
            open: None,
            previous: Vec::with_capacity(MAX_TONES),
            strike: Strike {
                onset: SampleIndex(0),
                end: SampleIndex(0),
                stage: Stage::Early,
                notes: Vec::with_capacity(2 * MAX_TONES),
            },
            heard: 0,
            scratch: Vec::with_capacity(4096),
        }
    }

    /// Listens to mono samples in `-1.0..=1.0`. Does not allocate.
    ///
    /// Samples that are not numbers are a fault of the input: a gap of their length.
    pub fn push(&mut self, samples: &[f32], mut on_event: impl FnMut(Event<'_>)) {
        let mut rest = samples;
        while !rest.is_empty() {
            let good = rest.iter().position(|s| !s.is_finite()).unwrap_or(rest.len());
            self.listen(&rest[..good], &mut on_event);
            rest = &rest[good..];
            let bad = rest.iter().position(|s| s.is_finite()).unwrap_or(rest.len());
            if bad > 0 {
                self.gap(SampleCount(bad as u64), &mut on_event);
                rest = &rest[bad..];
            }
        }
    }

    fn listen(&mut self, samples: &[f32], on_event: &mut impl FnMut(Event<'_>)) {
        for block in samples.chunks(1024) {
            self.heard += block.len() as u64;
            let mut decimated = std::mem::take(&mut self.scratch);
            decimated.clear();
            self.decimator.push(block, |s| decimated.push(s));
            for &sample in &decimated {
                self.step(sample, on_event);
            }
            self.scratch = decimated;
        }
    }

    /// Tells that `lost` samples never arrived; listening restarts after the hole.
    pub fn gap(&mut self, lost: SampleCount, mut on_event: impl FnMut(Event<'_>)) {
        let now = self.now();
        self.close(now, &mut on_event);
        on_event(Event::Gap { at: SampleIndex(self.heard), lost });
        self.heard += lost.0;
        self.decimator.reset();
        self.stream.clear();
        self.stream_start = self.heard / self.decimator.factor() as u64;
        self.detector.skip(self.stream_start - now);
        self.previous.clear();
    }

    /// Reports what is still undecided. Nothing can be pushed after it.
    pub fn finish(mut self, mut on_event: impl FnMut(Event<'_>)) {
        // Onsets in the last frame are known only after some silence.
        for _ in 0..self.detector.delay_samples() {
            self.step(0.0, &mut on_event);
        }
        let end = self.heard / self.decimator.factor() as u64;
        self.close(end, &mut on_event);
    }

    /// Instant of the next decimated sample.
    fn now(&self) -> u64 {
        self.stream_start + self.stream.len() as u64
    }

    fn samples(&self, seconds: f64) -> u64 {
        (seconds * self.rate) as u64
    }

    /// One decimated sample.
    fn step(&mut self, sample: f32, on_event: &mut impl FnMut(Event<'_>)) {
        if self.stream.len() == self.stream.capacity() {
            let half = self.stream.len() / 2;
            self.stream.copy_within(half.., 0);
            self.stream.truncate(self.stream.len() - half);
            self.stream_start += half as u64;
        }
        self.stream.push(sample);
        if let Some(guess) = self.detector.push(sample) {
            let within = guess.saturating_sub(self.stream_start) as usize;
            let onset = self.stream_start + onset::refine(&self.stream, within, self.rate) as u64;
            self.close(onset, on_event);
            self.open = Some(Open { onset, told: None, loudest: 0.0, has_notes: false });
        }
        let Some(open) = self.open else { return };
        let now = self.now();
        let age = now - open.onset;
        let due = match open.told {
            None if age >= self.samples(EARLY_S) => Some(Stage::Early),
            Some(Stage::Early) if age >= self.samples(SETTLED_S) => Some(Stage::Settled),
            Some(Stage::Settled) if age >= self.samples(WHOLE_S) => Some(Stage::Whole),
            _ => None,
        };
        if let Some(stage) = due {
            self.tell(now, stage, on_event);
        }
        self.follow(now, on_event);
    }

    /// Notices when a strike that was told has faded.
    fn follow(&mut self, now: u64, on_event: &mut impl FnMut(Event<'_>)) {
        let tenth = self.samples(0.05);
        let follow = self.samples(FOLLOW_S);
        let Some(open) = &mut self.open else { return };
        let age = now - open.onset;
        if age == 0 || age % tenth != 0 {
            return;
        }
        let recent = &self.stream[self.stream.len().saturating_sub(tenth as usize)..];
        let power = recent.iter().map(|s| f64::from(s * s)).sum::<f64>() / recent.len() as f64;
        open.loudest = open.loudest.max(power);
        let faded = power < open.loudest * 10_f64.powf(-FADED_DB / 10.0);
        if open.told == Some(Stage::Whole) && (faded || age > follow) {
            self.close(now, on_event);
        }
    }

    /// Ends the open strike at `end`.
    fn close(&mut self, end: u64, on_event: &mut impl FnMut(Event<'_>)) {
        let Some(open) = self.open else { return };
        if open.told != Some(Stage::Whole) {
            self.tell(end, Stage::Whole, on_event);
        }
        if self.open.is_some_and(|o| o.has_notes) {
            let (onset, end) = (self.outside(open.onset), self.outside(end));
            on_event(Event::Ended { onset, end });
        }
        self.open = None;
    }

    /// Instant of the decimated stream, told in samples of the input.
    fn outside(&self, instant: u64) -> SampleIndex {
        let at = instant * self.decimator.factor() as u64;
        SampleIndex(at.saturating_sub(self.decimator.delay_samples()))
    }

    /// The stretch of the stream from `from` to `to`, as far as it is kept.
    fn stretch(&self, from: u64, to: u64) -> std::ops::Range<usize> {
        let place = |instant: u64| {
            (instant.saturating_sub(self.stream_start) as usize).min(self.stream.len())
        };
        let (from, to) = (place(from), place(to));
        from..to.max(from)
    }

    /// Analyses the open strike as far as `end` and tells what sounds.
    fn tell(&mut self, end: u64, stage: Stage, on_event: &mut impl FnMut(Event<'_>)) {
        let Some(open) = &mut self.open else { return };
        open.told = Some(stage);
        let onset = open.onset;
        if !self.analyse(onset, end) {
            return;
        }
        self.strike.onset = self.outside(onset);
        self.strike.end = self.outside(end);
        self.strike.stage = stage;
        if stage == Stage::Whole {
            self.previous.clear();
            self.previous
                .extend(self.estimator.found().iter().map(|f| f.fitted.tone).take(MAX_TONES));
        }
        if let Some(open) = &mut self.open {
            open.has_notes = true;
        }
        on_event(Event::Strike(&self.strike));
    }

    /// Fills `strike.notes`; false if nothing was struck.
    fn analyse(&mut self, onset: u64, end: u64) -> bool {
        let least = self.samples(0.04);
        let mut from = onset + self.samples(SKIP_S);
        if end < from + least {
            from = end.saturating_sub(least).max(onset);
        }
        let to = end.min(from + self.samples(DECIDE_S));
        let range = self.stretch(from, to);
        if range.len() < 64 {
            return false;
        }
        self.transformer.transform(&self.stream[range], &mut self.spectrum);
        self.estimator.estimate(&self.spectrum);
        let mut tones = [Tone::at(440.0); MAX_TONES];
        let n = self.estimator.found().len();
        for (slot, found) in tones.iter_mut().zip(self.estimator.found()) {
            *slot = found.fitted.tone;
        }
        let tones = &tones[..n];
        let rises = self.rises_db(onset, end, tones);
        // Frequencies from a longer, later stretch where there is one.
        let from = onset + self.samples(SETTLED_FROM_S);
        let to = end.min(onset + self.samples(SETTLED_TO_S));
        let settled = self.stretch(from, to);
        if settled.len() > self.samples(0.25) as usize {
            self.transformer.transform(&self.stream[settled], &mut self.spectrum);
            self.fitter.fit(&self.spectrum, tones, 3);
        } else {
            self.fitter.fit(&self.spectrum, tones, 1);
        }
        self.strike.notes.clear();
        for ((fitted, found), rise) in
            self.fitter.tones().iter().zip(self.estimator.found()).zip(rises)
        {
            let Some(frequency) = Hertz::new(fitted.tone.f1) else { continue };
            self.strike.notes.push(HeardPitch {
                frequency,
                error_cents: fitted.error_cents.is_finite().then_some(fitted.error_cents),
                level: Decibels(10.0 * (found.fitted.power + 1e-15).log10()),
                struck: rise >= STRUCK_RISE_DB,
                rise: Decibels(rise),
                confidence: confidence(found.evidence.log_odds()),
            });
        }
        self.strike.notes.iter().any(|n| n.struck)
    }

    /// By how much each tone is louder after the onset than before it, in decibels.
    fn rises_db(&mut self, onset: u64, end: u64, tones: &[Tone]) -> [f64; MAX_TONES] {
        let mut rises = [90.0; MAX_TONES];
        let length = self.samples(COMPARE_S);
        let before = self.stretch(
            onset.saturating_sub(length + self.samples(0.006)),
            onset.saturating_sub(self.samples(0.006)),
        );
        if before.len() < self.samples(0.05) as usize {
            return rises;
        }
        let after_from = onset + self.samples(0.015);
        let after = self.stretch(after_from, (after_from + length).min(end));
        if after.len() < self.samples(0.03) as usize {
            return rises;
        }
        // What rang before takes its share of the partials in both stretches.
        let mut all = [Tone::at(440.0); MAX_TONES];
        all[..tones.len()].copy_from_slice(tones);
        let mut n = tones.len();
        for tone in &self.previous {
            let known = all[..n].iter().any(|t| tone.cents_from(t).abs() < 60.0);
            if !known && n < MAX_TONES {
                all[n] = *tone;
                n += 1;
            }
        }
        self.transformer.transform(&self.stream[before], &mut self.spectrum);
        self.fitter.fit(&self.spectrum, &all[..n], 0);
        let mut power = [0.0; MAX_TONES];
        for (slot, fitted) in power.iter_mut().zip(self.fitter.tones()) {
            *slot = fitted.power;
        }
        self.transformer.transform(&self.stream[after], &mut self.spectrum);
        self.fitter.fit(&self.spectrum, &all[..n], 0);
        for ((rise, before), fitted) in rises.iter_mut().zip(power).zip(self.fitter.tones()) {
            *rise = 10.0 * ((fitted.power + 1e-13) / (before + 1e-13)).log10();
        }
        rises
    }
}

/// Probability from log-odds.
fn confidence(log_odds: f64) -> f64 {
    1.0 / (1.0 + (-log_odds).exp())
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
        Event::Ended { onset, end } => {
            if let Some(strike) = take.strikes.last_mut().filter(|s| s.onset == *onset) {
                strike.end = *end;
            }
        }
        Event::Gap { at, lost } => take.holes.push((*at, *lost)),
    }
}
