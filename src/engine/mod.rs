//! The whole instrument, without ears or mouth: samples in, events out.
//!
//! **Conventions.** Mono samples, full scale ±1, one rate for life; events come in stream order.
//! Equal samples give equal events however they are chunked, live or from a file.
//! **Limits.** No I/O, no clock, no randomness, no threads.

mod event;
mod flow;
mod later;
mod listener;
mod rise;

pub use event::Event;
pub use event::HeardPitch;
pub use event::LaterNote;
pub use event::Stage;
pub use event::Strike;
pub use listener::Listener;
pub use listener::Take;

use std::f64::consts::TAU;

use crate::dsp::decimate::Decimator;
use crate::dsp::onset::Detector;
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

/// What an [`Engine`] is built for.
#[derive(Debug, Clone, Copy)]
pub struct Settings {
    /// Rate of the samples to come.
    pub rate: SampleRate,
}

/// A tone is told unasked from these log odds on: few of the notes a player might strike besides those
/// asked for are struck. One that was asked for counts from even odds on.
const TOLD: f64 = 2.0;
/// A tone in another's shadow that was asked for counts from these log odds on. Of guitars the
/// weights were not fitted on, 6 % are missed at 0 and 3 % heard where there are none: this evens it.
const LEAST_SHADOW: f64 = -0.5;
/// A tone in another's shadow is told unasked from these log odds on, and only where at most two
/// other tones sound: of more, some ring on, and their beating looks like one. A right double stop
/// called wrong does more harm than an octave too many that goes unnoticed.
const TOLD_SHADOW: f64 = 6.0;
/// … a double octave, whose partials are few, from these.
const TOLD_DOUBLE_OCTAVE: f64 = 7.5;
const MOST_BESIDE_TOLD: usize = 2;
/// Where nobody asked for anything, octaves and twelfths struck in chords are more likely than not from
/// these log odds on (comping of eight guitars); double octaves and what lies above several from …
const LIKELY_OCTAVE: f64 = 7.5;
const LIKELY_TWELFTH: f64 = 5.0;
const LIKELY_DOUBLE_OCTAVE: f64 = 10.0;

/// Listening starts this long after the onset, when the pick's noise is over, in seconds.
const SKIP_S: f64 = 0.045;
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
/// Less than this does not tell whether a pitch moves.
const LEAST_HALF_S: f64 = 0.12;
/// Less than this does not tell how stiff a string is.
const GAUGED_S: f64 = 0.1;
/// The stretch that tells most of tones in the shadow of others.
const ATTACK_S: f64 = 0.17;
/// The pitch of such a tone is known no better than this (median 3 cents at 0.8 s): two lines this near
/// to each other pull at one another, however well both are fitted.
const SHADOW_ERROR_CENTS: f64 = 4.0;
/// When the first guess is made, in seconds after the onset.
const EARLY_S: f64 = 0.065;
/// When the verdict for the screen is made: sooner where the first guess found no low note, whose
/// partials lie closer together.
const SETTLED_HIGH_S: f64 = 0.1;
const SETTLED_LOW_S: f64 = 0.185;
/// Everything from G3 on is high, in hertz, a quarter tone allowed for.
const HIGH_HZ: f64 = 190.0;
/// When listening to a strike ends at the latest.
const WHOLE_S: f64 = 1.5;
/// A chord is strummed in less than this, in seconds.
const STRUM_S: f64 = 0.25;
/// A struck note is louder than it was by this much at least, in decibels.
const STRUCK_RISE_DB: f64 = 2.0;
/// How much of the stream is kept, in seconds.
const KEEP_S: f64 = 4.0;
/// What follows the end of a stream.
const SILENCE: [f32; 256] = [0.0; 256];

/// A strike that is being listened to; instants in samples of the decimated stream.
#[derive(Debug, Clone, Copy)]
struct Open {
    onset: u64,
    told: Option<Stage>,
    /// Loudest mean power of 50 ms so far, and whether the strike holds any note.
    loudest: f64,
    /// Until when it was within 20 dB of that.
    loud_until: u64,
    /// When it is told at [`Stage::Settled`], in seconds after the onset.
    settled_s: f64,
    /// Whether anything was told of it, and whether that was so of the whole strike.
    has_notes: bool,
    whole_has_notes: bool,
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
    /// Tones of the strike before, for telling what rings on.
    previous: Vec<Tone>,
    strike: Strike,
    heard: u64,
    /// Where the stream ended, once it has.
    end: Option<u64>,
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
            gauge: Gauge::new(),
            flat: transformer.make_spectrum(),
            attack: transformer.make_spectrum(),
            shadows: shadow::Workspace::new(),
            transformer,
            spectrum,
            guesses: true,
            open: None,
            unheard: None,
            previous: Vec::with_capacity(MAX_TONES),
            strike: Strike {
                onset: SampleIndex(0),
                end: SampleIndex(0),
                stage: Stage::Early,
                notes: Vec::with_capacity(4 * MAX_TONES),
                doubtful: Vec::with_capacity(4 * MAX_TONES),
                faint: Vec::with_capacity(MAX_TONES),
                later: Vec::with_capacity(MAX_TONES),
            },
            heard: 0,
            end: None,
            scratch: Vec::with_capacity(4096),
        }
    }

    /// An engine for a recording: it tells strikes at [`Stage::Whole`] only, for nobody waits for
    /// guesses, and takes what sounds in the first moment for struck there.
    pub fn of_recording(settings: Settings) -> Self {
        let mut engine = Self::new(settings);
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
        let end = self.now();
        self.end = Some(end);
        let mut silence = self.detector.delay_samples();
        while silence > 0 {
            let now = silence.min(SILENCE.len());
            self.listen_decimated(&SILENCE[..now], &mut on_event);
            silence -= now;
        }
        self.close(end, &mut on_event);
    }

    /// Instant of the next decimated sample.
    fn now(&self) -> u64 {
        self.stream_start + self.stream.len() as u64
    }

    fn samples(&self, seconds: f64) -> u64 {
        (seconds * self.rate) as u64
    }

    /// Ends the open strike at `end`.
    fn close(&mut self, end: u64, on_event: &mut impl FnMut(Event<'_>)) {
        let Some(open) = self.open else { return };
        if open.told != Some(Stage::Whole) {
            self.tell(end, Stage::Whole, on_event);
        }
        let since = self.unheard.filter(|&u| open.onset - u < self.samples(STRUM_S));
        self.unheard = Some(since.unwrap_or(open.onset));
        if self.open.is_some_and(|o| o.whole_has_notes) {
            self.unheard = None;
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
        let (onset, loud_until) = (open.onset, open.loud_until);
        // What was damped leaves only noise behind.
        let sounding = self.sounds_until(onset, end);
        if !self.analyse(onset, sounding) {
            return;
        }
        self.strike.later.clear();
        if stage == Stage::Whole {
            self.listen_to_the_end(onset, end.min(loud_until));
        }
        self.strike.onset = self.outside(onset);
        self.strike.end = self.outside(end);
        self.strike.stage = stage;
        if let Some(open) = &mut self.open {
            open.has_notes = true;
            let is_high = |note: &HeardPitch| note.frequency.get() > HIGH_HZ;
            if stage == Stage::Early && self.strike.notes.iter().all(is_high) {
                open.settled_s = SETTLED_HIGH_S;
            }
            open.whole_has_notes = stage == Stage::Whole;
        }
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
        self.transformer.transform(&self.stream[range.clone()], &mut self.spectrum);
        self.estimator.estimate(&self.spectrum);
        let mut tones = [Tone::at(440.0); 2 * MAX_TONES];
        let n = self.estimator.found().len();
        for (slot, found) in tones.iter_mut().zip(self.estimator.found()) {
            *slot = found.fitted.tone;
        }
        let mut odds = [0.0; MAX_TONES];
        let n_shadows = self.look_for_shadows(from, to, &mut tones, n, &mut odds);
        let n_beside = self.add_faint(&mut tones, n, n_shadows, &mut odds);
        let mut rises = self.rises_db(onset, end, &tones[..(n + n_shadows).min(MAX_TONES)]);
        if n_beside > n_shadows {
            // What is hardly there shall not take a share of what is.
            let all = self.rises_db(onset, end, &tones[..(n + n_beside).min(MAX_TONES)]);
            let faint = (n + n_shadows).min(MAX_TONES)..;
            rises[faint.clone()].copy_from_slice(&all[faint]);
        }
        let (tones, shadows) = tones.split_at(n);
        let (shadows, faint) = shadows[..n_beside].split_at(n_shadows);
        // Frequencies from a longer, later stretch where there is one.
        let from = onset + self.samples(SETTLED_FROM_S);
        let to = end.min(onset + self.samples(SETTLED_TO_S));
        let settled = self.stretch(from, to);
        let is_long = settled.len() > self.samples(0.25) as usize;
        let sounding = range.start.min(settled.start)..settled.end;
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
        let (lines, stiffness) = line::draw(spectra, early, &mut self.fitter, gauge, tones);
        self.strike.notes.clear();
        self.strike.doubtful.clear();
        let measured = rises.into_iter().zip(stiffness);
        for ((line, found), (rise, stiffness)) in
            lines.iter().zip(self.estimator.found()).zip(measured)
        {
            let Some(frequency) = Hertz::new(line.tone.f1) else { continue };
            let error_cents = line.error_cents();
            let pitch = HeardPitch {
                frequency,
                error_cents: error_cents.is_finite().then_some(error_cents),
                stiffness,
                level: Decibels(10.0 * (found.fitted.power + 1e-15).log10()),
                struck: rise >= STRUCK_RISE_DB,
                rise: Decibels(rise),
                confidence: confidence(found.evidence.log_odds),
                likely: true,
            };
            let hidden = n > MOST_BESIDE_TOLD && in_shadow(&found.fitted.tone, tones)
                || found.evidence.log_odds < TOLD;
            if hidden { &mut self.strike.doubtful } else { &mut self.strike.notes }.push(pitch);
        }
        for (i, tone) in shadows.iter().enumerate() {
            let tone = self.part(tones, *tone);
            let double = tones.iter().any(|t| (tone.cents_from(t) - 2400.0).abs() < 60.0);
            let least = if double { TOLD_DOUBLE_OCTAVE } else { TOLD_SHADOW };
            // Two strings an octave apart beat at the next octave as a third string would.
            let stacked = shadows
                .iter()
                .zip(&odds)
                .any(|(other, &odds)| odds > 0.0 && in_shadow(&tone, std::slice::from_ref(other)));
            let told = n <= MOST_BESIDE_TOLD && !stacked && odds[i] >= least;
            let likely = told || odds[i] >= likely_from(&tone, tones);
            let Some(pitch) = self.beside(&tone, rises.get(n + i), odds[i]) else { continue };
            let pitch = HeardPitch { likely, ..pitch };
            if told { &mut self.strike.notes } else { &mut self.strike.doubtful }.push(pitch);
        }
        self.strike.faint.clear();
        for (i, tone) in faint.iter().enumerate() {
            let tone = self.part(tones, *tone);
            let i = n_shadows + i;
            let pitch = self.beside(&tone, rises.get(n + i), odds[i]);
            self.strike.faint.extend(pitch);
        }
        self.strike.notes.sort_unstable_by(|a, b| a.frequency.get().total_cmp(&b.frequency.get()));
        self.strike.notes.iter().chain(&self.strike.doubtful).any(|n| n.struck)
    }

    /// What is told of a `tone` that is heard beside others, if at all.
    fn beside(&self, tone: &Tone, rise: Option<&f64>, log_odds: f64) -> Option<HeardPitch> {
        let rise = rise.copied().unwrap_or(90.0);
        Some(HeardPitch {
            frequency: Hertz::new(tone.f1)?,
            error_cents: Some(SHADOW_ERROR_CENTS),
            stiffness: None,
            level: Decibels(20.0 * self.amplitude_at(tone.f1).log10()),
            struck: rise >= STRUCK_RISE_DB,
            rise: Decibels(rise),
            confidence: confidence(log_odds),
            likely: false,
        })
    }

    /// The pitch of a tone in the shadow of `tones`: parted from them in the spectrum made last where its
    /// partials lie far enough from theirs.
    fn part(&mut self, tones: &[Tone], shadow: Tone) -> Tone {
        let mut all = [shadow; MAX_TONES];
        let n = tones.len().min(MAX_TONES - 1);
        all[..n].copy_from_slice(&tones[..n]);
        self.fitter.fit(&self.spectrum, &all[..=n], 3);
        let fitted = &self.fitter.tones()[n];
        let moved = fitted.tone.cents_from(&shadow).abs();
        let parted = fitted.error_cents < SHADOW_ERROR_CENTS && moved < 3.0 * SHADOW_ERROR_CENTS;
        if parted { fitted.tone } else { shadow }
    }

    /// The largest amplitude of the spectrum near `hz`, never quite 0.
    fn amplitude_at(&self, hz: f64) -> f64 {
        let near = self.spectrum.range_around(hz, self.spectrum.width_hz);
        let power = self.spectrum.bins[near].iter().map(|b| b.norm_sqr()).fold(1e-12, f32::max);
        f64::from(power).sqrt()
    }

    /// Puts tones that may sound in the shadow of the first `n` of `tones` behind these, with their
    /// log odds in `odds`, and returns how many there are.
    fn look_for_shadows(
        &mut self,
        from: u64,
        to: u64,
        tones: &mut [Tone; 2 * MAX_TONES],
        n: usize,
        odds: &mut [f64; MAX_TONES],
    ) -> usize {
        let attack = self.stretch(from, to.min(from + self.samples(ATTACK_S)));
        if attack.len() < self.samples(0.09) as usize {
            return 0;
        }
        self.transformer.transform(&self.stream[attack], &mut self.attack);
        let (context, places) = tones.split_at_mut(n);
        let mut n_shadows = 0;
        self.shadows.survey(
            [&self.attack, &self.spectrum],
            &mut self.fitter,
            context,
            -2.0,
            |_, _, shadow| {
                let tone = Tone::at(shadow.f1);
                let near = |t: &Tone| tone.is_note_of(t);
                if shadow.log_odds < LEAST_SHADOW || context.iter().any(near) {
                    return;
                }
                let same = places[..n_shadows].iter().position(near);
                let at = match same {
                    Some(i) if odds[i] >= shadow.log_odds => return,
                    Some(i) => i,
                    None if n_shadows == odds.len() => return,
                    None => {
                        n_shadows += 1;
                        n_shadows - 1
                    }
                };
                places[at] = tone;
                odds[at] = shadow.log_odds;
            },
        );
        n_shadows
    }

    /// Puts what is too faint to be found behind `n` tones and `n_shadows` shadows, with its log odds
    /// in `odds`, and returns how many shadows and faint tones there are.
    fn add_faint(
        &self,
        tones: &mut [Tone; 2 * MAX_TONES],
        n: usize,
        mut n_shadows: usize,
        odds: &mut [f64; MAX_TONES],
    ) -> usize {
        for faint in self.estimator.faint() {
            let known = tones[..n + n_shadows].iter().any(|t| faint.tone.is_note_of(t));
            if known || n_shadows == odds.len() {
                continue;
            }
            tones[n + n_shadows] = faint.tone;
            odds[n_shadows] = faint.log_odds;
            n_shadows += 1;
        }
        n_shadows
    }
}

/// Whether all partials of `tone` lie beside some of another of `tones`.
fn in_shadow(tone: &Tone, tones: &[Tone]) -> bool {
    let above = |other: &Tone, n: f64| tone.cents_from(other) - 1200.0 * n.log2();
    tones.iter().any(|t| [2.0, 3.0, 4.0].into_iter().any(|n| above(t, n).abs() < 35.0))
}

/// The log odds from which a tone in the shadow of `tones` is more likely there than not.
fn likely_from(tone: &Tone, tones: &[Tone]) -> f64 {
    let mut above = tones.iter().filter(|t| in_shadow(tone, std::slice::from_ref(*t)));
    match (above.next().map(|t| tone.f1 / t.f1), above.next()) {
        (Some(ratio), None) if ratio < 2.5 => LIKELY_OCTAVE,
        (Some(ratio), None) if ratio < 3.5 => LIKELY_TWELFTH,
        _ => LIKELY_DOUBLE_OCTAVE,
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
