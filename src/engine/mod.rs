//! The whole instrument, without ears or mouth: samples in, events out.
//!
//! **Conventions.** Mono samples, full scale ±1, one rate for life; events come in stream order.
//! Equal samples give equal events however they are chunked, live or from a file.
//! **Limits.** No I/O, no clock, no randomness, no threads.

mod beside;
mod body;
mod combined;
mod cut;
mod doubt;
mod event;
mod flow;
mod grace;
mod hindsight;
mod later;
mod listener;
mod several;
mod steady;
mod struck;
mod unasked;
mod unison;

pub use event::Combined;
pub use event::Event;
pub use event::Grace;
pub use event::HeardPitch;
pub use event::LaterNote;
pub use event::Stage;
pub use event::Strike;
pub use event::Unison;
pub use listener::Listener;
pub use listener::Take;
pub use unasked::Candidate;
pub use unasked::SIGNS;
pub use unasked::SURE;
pub use unasked::Standing;
pub use unasked::candidates;

use std::f64::consts::TAU;

use self::doubt::Doubts;
use self::several::Several;

use crate::dsp::decimate::Decimator;
use crate::dsp::onset::Detector;
use crate::dsp::peaks::Peak;
use crate::dsp::spectrum::Spectrum;
use crate::dsp::spectrum::Transformer;
use crate::pitch::estimate::Estimator;
use crate::pitch::fit::Fitter;
use crate::pitch::fit::MAX_TONES;
use crate::pitch::line;
use crate::pitch::shadow;
use crate::pitch::stiffness::Gauge;
use crate::pitch::tone::Tone;
use crate::units::Decibels;
use crate::units::Hertz;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// Of more tones than this some ring on, and their beating looks like notes in their shadow.
const MOST_BESIDE_TOLD: usize = 2;
/// A tone is told unasked from these log odds on: few of the notes a player might strike besides those
/// asked for are struck. One that was asked for counts from even odds on.
const TOLD: f64 = 2.0;
/// Listening starts this long after the onset, when the pick's noise is over, in seconds …
const SKIP_S: f64 = 0.045;
/// … but up to here sooner where less than this would be heard: long stretches part notes that lie close together.
const SOONEST_S: f64 = 0.015;
const ENOUGH_S: f64 = 0.125;
/// … and lasts this long at most for deciding what sounds.
const DECIDE_S: f64 = 0.6;
/// A strike is damped where it is this much quieter than it was (15 dB in power) …
const DAMPED: f32 = 0.03;
/// … above this, in hertz.
const RUMBLE_HZ: f64 = 60.0;
/// A strike damped at once is listened to for this long all the same, in seconds.
const LEAST_SOUNDING_S: f64 = 0.2;
/// Frequencies are measured from here …
const SETTLED_FROM_S: f64 = 0.1;
/// … to here at most.
const SETTLED_TO_S: f64 = 1.4;
/// So much softer, by power, one of the notes is gone: what sounds from there on is another matter. Partials that beat
/// seldom fall by so much.
const GONE: f64 = 0.01;
/// Less than this does not tell whether a pitch moves.
const LEAST_HALF_S: f64 = 0.12;
/// Less than this does not tell how stiff a string is.
const GAUGED_S: f64 = 0.1;
/// When the first guess is made, in seconds after the onset.
const EARLY_S: f64 = 0.06;
/// When the verdict for the screen is made: sooner where the first guess found no low note, whose
/// partials lie closer together.
const SETTLED_HIGH_S: f64 = 0.1;
const SETTLED_LOW_S: f64 = 0.185;
/// Everything from G3 on is high, in hertz, a quarter tone allowed for.
const HIGH_HZ: f64 = 190.0;
/// When listening to a strike ends at the latest.
const WHOLE_S: f64 = 1.5;
/// What a recording begins with is a strike only with a note that is sure, so many seconds from its beginning.
const BEGINNING_S: f64 = 0.05;
/// A chord is strummed in less than this, in seconds.
const STRUM_S: f64 = 0.25;
/// What is cut off sooner, before a note was sure, is told with the strike that cut it off, in seconds:
/// low strings that beat rise once more.
const CUT_S: f64 = 0.13;
/// Of so short a strike a low note is sure from these log odds on: strings close together look like one in between.
const SURE_LOW: f64 = 3.0;
/// Fewer samples than this tell nothing.
const LEAST_SAMPLES: usize = 64;
/// How much of the stream is kept, in seconds.
const KEEP_S: f64 = 8.0;
/// What follows the end of a stream.
const SILENCE: [f32; 256] = [0.0; 256];

/// A strike that is being listened to; instants in samples of the decimated stream.
#[derive(Debug, Clone, Copy)]
struct Open {
    onset: u64,
    /// When it is told to have begun.
    began: u64,
    /// When what it cut off began, until it is told.
    cut: Option<u64>,
    told: Option<Stage>,
    /// Loudest mean power of 50 ms so far.
    loudest: f64,
    /// Until when it was within 20 dB of that.
    loud_until: u64,
    /// When it is told at [`Stage::Settled`], in seconds after the onset.
    settled_s: f64,
    /// Whether anything was told of it, and whether that was so of the whole strike.
    has_notes: bool,
    whole_has_notes: bool,
    /// As far as here it was listened to for where it led; whether it led anywhere since it was told as a whole.
    listened: u64,
    led: bool,
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
    gauge: Gauge,
    peaks: Vec<Peak>,
    spectrum: Spectrum,
    /// What the spectrum shows, measured once more, with every sample counting.
    flat: Spectrum,
    /// The first 0.17 s after the strike, for what hides in the shadow of other tones; then the first
    /// half of what is measured.
    attack: Spectrum,
    shadows: shadow::Workspace,
    /// Whether strikes are told before they have sounded out.
    guesses: bool,
    open: Option<Open>,
    /// Onset of a strike just before that was too short to be heard: what it struck belongs to the
    /// strike that cut it off, as when a chord is strummed slowly.
    unheard: Option<u64>,
    /// Rises of the open strike that may have been others.
    doubts: Doubts,
    /// Tones of the strike before, for telling what rings on.
    previous: Several,
    /// … and of the open one, as far as it was listened to for where it led.
    sounded: Several,
    strike: Strike,
    /// Heard while another strike goes on.
    unclear: Strike,
    heard: u64,
    /// Where the stream ended, once it has.
    end: Option<u64>,
    scratch: Vec<f32>,
}

impl Engine {
    /// An engine for samples at `rate`: allocates everything that will ever be needed.
    pub fn new(rate: SampleRate) -> Self {
        let rate_in = rate.get();
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
            gauge: Gauge::new(),
            peaks: Vec::with_capacity(unison::MAX_PEAKS),
            flat: transformer.make_spectrum(),
            attack: transformer.make_spectrum(),
            shadows: shadow::Workspace::new(),
            transformer,
            spectrum,
            guesses: true,
            open: None,
            unheard: None,
            doubts: Doubts::default(),
            previous: Several::of([]),
            sounded: Several::of([]),
            strike: room_for_a_strike(),
            unclear: room_for_a_strike(),
            heard: 0,
            end: None,
            scratch: Vec::with_capacity(4096),
        }
    }

    /// An engine for a recording: it tells strikes at [`Stage::Whole`] only, for nobody waits for
    /// guesses, and takes what sounds in the first moment for struck there.
    pub fn of_recording(rate: SampleRate) -> Self {
        let mut engine = Self::new(rate);
        engine.guesses = false;
        engine.detector.begin_in_silence();
        engine
    }

    /// Listens to mono samples in `-1.0..=1.0`. Does not allocate.
    ///
    /// Samples that are not numbers are a fault of the input: a gap of their length.
    pub fn push(&mut self, samples: &[f32], mut on_event: impl FnMut(Event<'_>)) {
        if all_finite(samples) {
            return self.listen(samples, &mut on_event);
        }
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

    /// Tells that `lost` samples never arrived; listening restarts after the hole.
    pub fn gap(&mut self, lost: SampleCount, mut on_event: impl FnMut(Event<'_>)) {
        let now = self.now();
        self.settle_doubts(now, &mut on_event);
        self.close(now, &mut on_event);
        on_event(Event::Gap { at: SampleIndex(self.heard), lost });
        self.heard += lost.0;
        self.decimator.skip_to(self.heard);
        self.stream.clear();
        self.stream_start = self.heard.div_ceil(self.decimator.factor() as u64);
        self.detector.skip(self.stream_start - now);
        self.previous = Several::of([]);
    }

    /// Reports what is still undecided. Nothing can be pushed after it.
    pub fn finish(mut self, mut on_event: impl FnMut(Event<'_>)) {
        // Onsets in the last frame are known only after some silence.
        let end = self.now();
        self.end = Some(end);
        let mut silence = self.detector.delay_samples();
        while silence > 0 {
            let now = silence.min(SILENCE.len());
            self.listen_decimated(&SILENCE[..now], &mut on_event);
            silence -= now;
        }
        self.settle_doubts(end, &mut on_event);
        self.close(end, &mut on_event);
    }

    /// Instant of the next decimated sample.
    fn now(&self) -> u64 {
        self.stream_start + self.stream.len() as u64
    }

    fn samples(&self, seconds: f64) -> u64 {
        (seconds * self.rate) as u64
    }

    /// Whether `onset` follows `before` within `seconds`. Of two strikes that swell into each other the later
    /// one found may have begun first.
    fn is_within(&self, before: u64, onset: u64, seconds: f64) -> bool {
        (before..before + self.samples(seconds)).contains(&onset)
    }

    /// Ends the open strike at `end`.
    fn close(&mut self, end: u64, on_event: &mut impl FnMut(Event<'_>)) {
        let Some(open) = self.open else { return };
        if open.told != Some(Stage::Whole) {
            self.tell(end, Stage::Whole, on_event);
        } else if open.whole_has_notes {
            self.listen_further(end, false);
            if self.open.is_some_and(|open| open.led) {
                on_event(Event::Led(&self.strike));
            }
        }
        let Some(open) = self.open.take() else { return };
        let since = self.unheard.filter(|&u| self.is_within(u, open.onset, STRUM_S));
        self.unheard = (!open.whole_has_notes).then_some(since.unwrap_or(open.onset));
        if open.has_notes {
            let (onset, end) = (self.outside(open.began), self.outside(end));
            on_event(Event::Ended { onset, end });
        }
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

    /// Finds the tones of a stretch of the stream; its spectrum is kept.
    fn estimate(&mut self, stretch: std::ops::Range<usize>) {
        self.transformer.transform(&self.stream[stretch], &mut self.spectrum);
        self.estimator.estimate(&self.spectrum);
    }

    /// Whether `tone` sounded at the end of the strike before.
    fn rang(&self, tone: &Tone) -> bool {
        self.previous.iter().any(|before| tone.is_note_of(before))
    }

    /// The tones found last.
    fn found(&self) -> Several {
        Several::of(self.estimator.found().iter().map(|found| found.fitted.tone))
    }

    /// Analyses the open strike as far as `end` and tells what sounds.
    fn tell(&mut self, end: u64, stage: Stage, on_event: &mut impl FnMut(Event<'_>)) {
        let Some(open) = &mut self.open else { return };
        open.told = Some(stage);
        let (onset, loud_until, cut) = (open.onset, open.loud_until, open.cut);
        // What was damped leaves only noise behind.
        let sounding = self.sounds_until(onset, end);
        let mut has_notes = self.analyse(onset, sounding);
        // What a codec makes of the noise that a recording begins with is not silent before, but no note either.
        if !self.guesses && onset < self.samples(BEGINNING_S) {
            has_notes = self.strike.notes.iter().any(HeardPitch::is_struck);
        }
        self.strike.later.clear();
        self.strike.end = self.outside(end);
        self.strike.stage = stage;
        let is_cut_off =
            end < self.end.unwrap_or(self.now()) && end.saturating_sub(onset) < self.samples(CUT_S);
        let is_high = |note: &HeardPitch| note.frequency.get() > HIGH_HZ;
        let is_clear = |note: &HeardPitch| is_high(note) || note.confidence > confidence(SURE_LOW);
        let is_sure = self.strike.notes.iter().any(|note| note.is_struck() && is_clear(note));
        if !has_notes || stage == Stage::Whole && is_cut_off && !is_sure {
            if stage == Stage::Whole && self.strike.every_note().next().is_some() {
                self.strike.onset = self.outside(self.open.map_or(onset, |open| open.began));
                on_event(Event::Unclear(&self.strike));
            }
            return;
        }
        let began = cut.filter(|&cut| self.began_at(cut, onset));
        if stage > Stage::Early {
            self.tell_graces(onset, end);
        }
        if stage == Stage::Whole {
            let goes_on = end == self.now() && self.end.is_none();
            self.listen_to_the_end(onset, end.min(loud_until), goes_on);
        }
        if let Some(open) = &mut self.open {
            open.cut = None;
            open.began = began.unwrap_or(open.began);
            open.has_notes = true;
            if stage == Stage::Early && self.strike.notes.iter().all(is_high) {
                open.settled_s = SETTLED_HIGH_S;
            }
            open.whole_has_notes = stage == Stage::Whole;
        }
        self.strike.onset = self.outside(self.open.map_or(onset, |open| open.began));
        on_event(Event::Strike(&self.strike));
    }

    /// Until when what was struck at `onset` sounds, `end` at the latest: power above the rumble,
    /// block by block.
    fn sounds_until(&self, onset: u64, end: u64) -> u64 {
        let least = onset + self.samples(LEAST_SOUNDING_S);
        if end <= least {
            return end;
        }
        let block = self.samples(0.025).max(1) as usize;
        let keep = 1.0 - (TAU * RUMBLE_HZ / self.rate) as f32;
        let mut loudest = 0.0_f32;
        let mut until = end;
        let from = onset + self.samples(SKIP_S);
        let stretch = &self.stream[self.stretch(from, end)];
        // It begins where the stream stands: a constant offset is no sound that dies away.
        let mut was = stretch.first().copied().unwrap_or(0.0);
        let [mut high, mut higher] = [0.0; 2];
        for (i, samples) in stretch.chunks(block).enumerate() {
            let mut power = 0.0;
            for &sample in samples {
                let before = high;
                high = keep * (high + sample - was);
                higher = keep * (higher + high - before);
                was = sample;
                power += higher * higher;
            }
            power /= samples.len() as f32;
            loudest = loudest.max(power);
            if power > DAMPED * loudest {
                until = from + ((i + 1) * block) as u64;
            }
        }
        until.clamp(least, end)
    }

    /// From when on it is listened to what was struck at `onset` and sounds up to `end`.
    fn heard_from(&self, onset: u64, end: u64) -> u64 {
        let enough = end.saturating_sub(self.samples(ENOUGH_S));
        enough.clamp(onset + self.samples(SOONEST_S), onset + self.samples(SKIP_S))
    }

    /// Fills `strike.notes`; false if nothing was struck.
    fn analyse(&mut self, onset: u64, end: u64) -> bool {
        let Strike { notes, doubtful, faint, combined, .. } = &mut self.strike;
        [notes, doubtful, faint].into_iter().for_each(Vec::clear);
        combined.clear();
        let least = self.samples(0.04);
        let mut from = self.heard_from(onset, end);
        if end < from + least {
            from = end.saturating_sub(least).max(onset);
        }
        let mut to = end.min(from + self.samples(DECIDE_S));
        let mut range = self.stretch(from, to);
        if range.len() < LEAST_SAMPLES {
            return false;
        }
        self.estimate(range.clone());
        let last = end.min(onset + self.samples(SETTLED_TO_S));
        let steady = self.steady_until(from, to);
        let gone = self.gone_at(&self.found(), from, last, GONE).unwrap_or(last);
        let holds = steady.min(gone.max(from + least));
        if holds < to {
            to = holds;
            range = self.stretch(from, to);
            self.estimate(range.clone());
        }
        let mut tones = self.look_beside(from, to);
        let struck = self.struck_beside(onset, end, &mut tones);
        let answers = self.answers_of_body(&range);
        let found = tones.found();
        // Frequencies from a longer, later stretch where there is one.
        let from = onset + self.samples(SETTLED_FROM_S);
        let settled = self.stretch(from, gone.max(from));
        let is_long = settled.len() > self.samples(0.25) as usize;
        let sounding =
            range.start.min(settled.start)..settled.end.min(self.stretch(onset, end).end);
        let measured = if is_long { settled } else { range };
        let half = measured.start..measured.start + measured.len() / 2;
        let halved = half.len() > self.samples(LEAST_HALF_S) as usize;
        if halved {
            self.transformer.transform(&self.stream[half], &mut self.attack);
        }
        self.transformer.transform(&self.stream[measured], &mut self.spectrum);
        self.transformer.transform_flat(&self.stream[sounding], &mut self.flat);
        let gauge = (1.0 / self.spectrum.width_hz > GAUGED_S).then_some(&mut self.gauge);
        let spectra = [&self.spectrum, &self.flat];
        let early = halved.then_some(&self.attack);
        let (lines, stiffness) = line::draw(spectra, early, &mut self.fitter, gauge, found);
        let unisons = self.part_unisons(&lines[..found.len()]);
        let measured = struck.odds.into_iter().zip(stiffness);
        let lines = lines.iter().zip(unisons);
        for ((((line, unison), estimate), (struck_odds, stiffness)), is_answer) in
            lines.zip(self.estimator.found()).zip(measured).zip(answers)
        {
            let Some(frequency) = Hertz::new(line.tone.f1) else { continue };
            let error_cents = line.error_cents();
            let pitch = HeardPitch {
                frequency,
                error_cents: error_cents.is_finite().then_some(error_cents),
                stiffness,
                level: Decibels(10.0 * (estimate.fitted.power + 1e-15).log10()),
                struck_odds,
                confidence: confidence(estimate.evidence.log_odds),
                likely: !is_answer,
                rang: self.rang(&estimate.fitted.tone),
                lasting: None,
                grace: None,
                unison,
            };
            let tone = estimate.fitted.tone;
            let is_doubtful = found.len() > MOST_BESIDE_TOLD
                && found.iter().any(|other| tone.is_overtone_of(other))
                || estimate.evidence.log_odds < TOLD
                || is_answer;
            if is_doubtful { &mut self.strike.doubtful } else { &mut self.strike.notes }
                .push(pitch);
        }
        self.tell_beside(&tones, &struck);
        let combined = self.combined(found);
        self.strike.combined.extend(combined);
        self.strike.notes.sort_unstable_by(|a, b| a.frequency.get().total_cmp(&b.frequency.get()));
        self.strike.notes.iter().chain(&self.strike.doubtful).any(HeardPitch::is_struck)
    }
}

/// A strike that will hold all that is heard of one without allocating.
fn room_for_a_strike() -> Strike {
    Strike {
        onset: SampleIndex(0),
        end: SampleIndex(0),
        stage: Stage::Early,
        notes: Vec::with_capacity(4 * MAX_TONES),
        doubtful: Vec::with_capacity(4 * MAX_TONES),
        faint: Vec::with_capacity(5 * MAX_TONES),
        later: Vec::with_capacity(later::MOST),
        combined: Vec::with_capacity(1),
    }
}

/// Whether all are numbers, looked at side by side: infinity and what is no number have the largest
/// bits but for the sign's.
fn all_finite(samples: &[f32]) -> bool {
    let largest = samples.iter().fold(0, |largest, s| s.abs().to_bits().max(largest));
    largest < f32::INFINITY.to_bits()
}

/// Probability from log-odds.
fn confidence(log_odds: f64) -> f64 {
    1.0 / (1.0 + (-log_odds).exp())
}
