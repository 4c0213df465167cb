//! Strikes of single strings or of all of them, listened to long enough to measure them.
//!
//! **Conventions.** A [`Pluck`] is told once it has been heard for [`LONGEST_S`], or when the next
//! one cuts it off. Memory is bounded: no more of the stream is kept than one pluck needs.
//! **Reference.** Widening by the number of plucks: JCGM 100:2008 (*GUM*), table G.2.

use crate::engine::Event;
use crate::engine::Listener;
use crate::engine::Stage;
use crate::engine::Strike;
use crate::engine::Take;
use crate::pitch::settled::LONGEST_S;
use crate::pitch::settled::Meter;
use crate::pitch::settled::Reading;
use crate::pitch::settled::open_stiffness;
use crate::pitch::tone::Tone;
use crate::units::Cents;
use crate::units::Hertz;
use crate::units::SampleCount;
use crate::units::SampleRate;

/// How far a string may be out of tune and still be taken for the one it is.
pub const REACH: Cents = Cents(80.0);
/// A pitch that moves farther than this while the note sounds is not measured: the string was
/// struck hard, bent, or its peg slips.
const MOST_DRIFT: Cents = Cents(3.0);
/// More of the sound than this that no partial explains is a rattle, in decibels. Clean plucks lie
/// at −15 to −45 dB.
const RATTLE_DB: f64 = -12.0;
/// A string this much quieter than the loudest only stirs because that one sounds, in decibels
/// (from memory).
const STIRRED_DB: f64 = 25.0;
/// How much of the stream is kept, in seconds.
const KEEP_S: f64 = LONGEST_S + 2.0;
/// Samples looked at in one go.
const BLOCK: usize = 2048;

/// What is wrong with a pluck, so that it is asked for again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// It did not sound long enough.
    Short {
        /// How long it sounded.
        lasted_s: f64,
    },
    /// Its pitch moved.
    Drifting {
        /// How far from beginning to end.
        moved: Cents,
    },
    /// It rattled.
    Buzzing,
    /// It is none of the notes asked for.
    Wrong {
        /// What was heard.
        heard: Hertz,
    },
    /// It is sharper than the other plucks of the same fret: pressed too hard or pushed aside.
    Pressed {
        /// How much sharper.
        sharper: Cents,
    },
    /// It differs from the other plucks of the same string.
    Unlike {
        /// How much sharper than those.
        sharper: Cents,
    },
}

/// One string of a pluck.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sounding {
    /// Its first partial.
    pub frequency: Hertz,
    /// False if it was sounding before and only rings on.
    pub struck: bool,
    /// The measurement; `None` if it was too short.
    pub reading: Option<Reading>,
}

impl Sounding {
    /// One standard error of its frequency, in cents; without end if it was not measured.
    pub fn error_cents(&self) -> f64 {
        self.reading.map_or(f64::INFINITY, |reading| reading.error_cents)
    }
}

/// A strike and what sounds after it.
#[derive(Debug, Clone, PartialEq)]
pub struct Pluck {
    /// When, in seconds from the beginning of the recording.
    pub at_s: f64,
    /// How long it was listened to.
    pub lasted_s: f64,
    /// What sounds, loudest first.
    pub strings: Vec<Sounding>,
    /// It rattled.
    pub rattles: bool,
}

impl Pluck {
    /// The loudest that was struck and measured: what was played where none of it was asked for.
    pub fn stranger(&self) -> Option<Hertz> {
        let mut struck = self.strings.iter().filter(|sounding| sounding.struck);
        Some(struck.find(|sounding| sounding.reading.is_some())?.frequency)
    }

    /// What keeps `sounding`, one of its strings, from being taken for a measurement.
    pub fn fault(&self, sounding: &Sounding) -> Option<Fault> {
        let Some(reading) = sounding.reading else {
            return Some(Fault::Short { lasted_s: self.lasted_s });
        };
        if self.rattles {
            Some(Fault::Buzzing)
        } else if reading.drift_cents.abs() > MOST_DRIFT.0 || reading.wander_cents > MOST_DRIFT.0 {
            let moved = if reading.drift_cents.abs() > reading.wander_cents {
                reading.drift_cents
            } else {
                reading.wander_cents
            };
            Some(Fault::Drifting { moved: Cents(moved) })
        } else {
            None
        }
    }
}

/// Listens to a stream for plucks.
#[derive(Debug)]
pub struct PluckListener {
    listener: Listener,
    bench: Bench,
}

/// Where strikes wait until enough of them was heard.
#[derive(Debug)]
struct Bench {
    meter: Meter,
    rate: SampleRate,
    /// The open strings, where these are all that may sound.
    open: Vec<Hertz>,
    kept: Vec<f32>,
    kept_from: u64,
    pending: Option<Strike>,
}

impl PluckListener {
    /// One for single notes.
    pub fn new(listener: Listener) -> Self {
        Self::for_open_strings(listener, Vec::new())
    }

    /// One for open strings, one by one or all at once, near `open`.
    pub fn for_open_strings(listener: Listener, open: Vec<Hertz>) -> Self {
        let rate = listener.take().rate;
        let bench = Bench {
            meter: Meter::new(f64::from(rate.get())),
            rate,
            open,
            kept: Vec::new(),
            kept_from: 0,
            pending: None,
        };
        Self { listener, bench }
    }

    /// Listens to more samples.
    pub fn push(&mut self, samples: &[f32], mut on_pluck: impl FnMut(&Pluck)) {
        let bench = &mut self.bench;
        for block in samples.chunks(BLOCK) {
            bench.keep(block);
            self.listener.push(block, |event| bench.hear(event, &mut on_pluck));
            let longest = bench.rate.samples_in(LONGEST_S).0;
            let heard = bench.heard();
            if bench.pending.as_ref().is_some_and(|strike| heard >= strike.onset.0 + longest) {
                bench.tell(heard, &mut on_pluck);
            }
        }
    }

    /// Tells that `lost` samples never arrived.
    pub fn gap(&mut self, lost: SampleCount, mut on_pluck: impl FnMut(&Pluck)) {
        let bench = &mut self.bench;
        self.listener.gap(lost, |event| bench.hear(event, &mut on_pluck));
        bench.kept_from = bench.heard() + lost.0;
        bench.kept.clear();
    }

    /// Ends listening.
    pub fn finish(self, mut on_pluck: impl FnMut(&Pluck)) -> Take {
        let Self { listener, mut bench } = self;
        let take = listener.finish(|event| bench.hear(event, &mut on_pluck));
        bench.tell(bench.heard(), &mut on_pluck);
        take
    }
}

impl Bench {
    /// How many samples were heard.
    fn heard(&self) -> u64 {
        self.kept_from + self.kept.len() as u64
    }

    fn keep(&mut self, block: &[f32]) {
        let most = self.rate.samples_in(KEEP_S).0 as usize;
        if self.kept.len() + block.len() > 2 * most {
            let gone = self.kept.len() - most;
            self.kept.drain(..gone);
            self.kept_from += gone as u64;
        }
        // What is no number was told as a gap; here it only must not spread.
        self.kept.extend(block.iter().map(|&s| if s.is_finite() { s } else { 0.0 }));
    }

    fn hear(&mut self, event: &Event<'_>, on_pluck: &mut impl FnMut(&Pluck)) {
        match event {
            Event::Strike(strike) if strike.stage == Stage::Whole => {
                if self.pending.as_ref().is_some_and(|before| before.onset != strike.onset) {
                    self.tell(strike.onset.0, on_pluck);
                }
                self.pending = Some((*strike).clone());
            }
            Event::Ended { onset, end }
                if self.pending.as_ref().is_some_and(|strike| strike.onset == *onset) =>
            {
                self.tell(end.0, on_pluck);
            }
            _ => {}
        }
    }

    /// Measures the pending strike, of which everything up to `end` is heard.
    fn tell(&mut self, end: u64, on_pluck: &mut impl FnMut(&Pluck)) {
        let Some(strike) = self.pending.take() else { return };
        let place = |at: u64| (at.saturating_sub(self.kept_from) as usize).min(self.kept.len());
        let samples = &self.kept[place(strike.onset.0)..place(end)];
        let rate = self.rate;
        let lasted_s = SampleCount(samples.len() as u64).seconds(rate);
        let (tones, origins) = candidates(&strike, &self.open, samples, &mut self.meter);
        let readings = self.meter.measure(samples, &tones);
        let fitted: Vec<Tone> = match &readings {
            Some(readings) => readings.iter().map(|r| r.tone).collect(),
            None => tones.clone(),
        };
        let rattles = readings.is_some() && self.meter.unexplained_db(samples, &fitted) > RATTLE_DB;
        let loudest = readings.iter().flatten().map(|r| r.whole_power).fold(0.0, f64::max);
        let mut strings: Vec<Sounding> = fitted
            .iter()
            .zip(origins)
            .enumerate()
            .filter_map(|(i, (tone, origin))| {
                let reading = readings.as_ref().map(|readings| readings[i]);
                let struck = origin.or_clear(reading.as_ref(), loudest)?;
                Some(Sounding { frequency: Hertz::new(tone.f1)?, struck, reading })
            })
            .collect();
        let power = |s: &Sounding| s.reading.map_or(0.0, |reading| reading.power);
        strings.sort_by(|a, b| power(b).total_cmp(&power(a)));
        on_pluck(&Pluck { at_s: strike.onset.seconds(rate), lasted_s, strings, rattles });
    }
}

/// How a tone came to be fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Origin {
    Struck,
    Ringing,
    /// Not heard blindly: looked for because a string of that pitch is there.
    Sought,
}

impl Origin {
    /// Whether it was struck; `None` if it was not and stirs only because others sound.
    fn or_clear(self, reading: Option<&Reading>, loudest: f64) -> Option<bool> {
        let audible = loudest * 10_f64.powf(-STIRRED_DB / 10.0);
        let is_clear = |reading: &Reading| reading.clear_power > audible;
        match self {
            Self::Struck => Some(true),
            Self::Ringing => reading.is_none_or(is_clear).then_some(false),
            Self::Sought => is_clear(reading?).then_some(true),
        }
    }
}

/// The tones to fit to a strike: what was heard blindly, less what are but partials of another, and
/// the strings that may hide under the partials of lower ones.
fn candidates(
    strike: &Strike,
    open: &[Hertz],
    samples: &[f32],
    meter: &mut Meter,
) -> (Vec<Tone>, Vec<Origin>) {
    let mut notes = strike.notes.clone();
    notes.sort_by(|a, b| b.level.0.total_cmp(&a.level.0));
    let is_open = |hz: Hertz| open.iter().any(|open| hz.cents_above(*open).0.abs() < REACH.0);
    let mut tones: Vec<Tone> = Vec::new();
    let mut origins = Vec::new();
    for note in &notes {
        let hz = note.frequency;
        if !is_open(hz) && tones.iter().any(|tone| is_partial(hz.get(), tone.f1)) {
            continue;
        }
        tones.push(if is_open(hz) { open_tone(hz) } else { Tone::at(hz.get()) });
        origins.push(if note.is_struck() { Origin::Struck } else { Origin::Ringing });
    }
    // A string of a strum hides if it is tuned to a partial of another one; beside a string that sounds
    // alone it would be made of that one's partials. Nobody looks for what cannot be measured.
    let open = if tones.len() > 1 && meter.can_measure(samples) { open } else { &[] };
    let is_strum = origins.iter().filter(|origin| **origin == Origin::Struck).count() > 1;
    for string in open {
        let near = |tone: &Tone| {
            Hertz::new(tone.f1).is_some_and(|hz| hz.cents_above(*string).0.abs() < REACH.0)
        };
        let above = |tone: &Tone| string.get() > tone.f1 && is_partial(string.get(), tone.f1);
        if tones.iter().any(above) && !tones.iter().any(near) {
            tones.push(meter.search(samples, open_tone(*string), REACH.0, &tones));
            origins.push(if is_strum { Origin::Sought } else { Origin::Ringing });
        }
    }
    (tones, origins)
}

fn open_tone(hz: Hertz) -> Tone {
    Tone { f1: hz.get(), stiffness: open_stiffness(hz.get()) }
}

/// Whether `hz` lies on a partial of a tone at `f1`, or half of it does.
fn is_partial(hz: f64, f1: f64) -> bool {
    let near = |ratio: f64| {
        let whole = ratio.round().max(1.0);
        whole <= 12.0 && whole > 1.0 && (1200.0 * (ratio / whole).log2()).abs() < 40.0
    };
    near(hz / f1) || near(f1 / hz)
}

/// A value from several plucks, in cents from somewhere, with one standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// The mean.
    pub cents: f64,
    /// One standard error of the mean.
    pub error: f64,
    /// How many plucks.
    pub plucks: usize,
}

/// Factors by which the error of a mean of 2, 3, … values is widened, so that it covers as much as
/// one standard error of a known spread would, 68.27 % (GUM, table G.2).
const STUDENT: [f64; 10] = [1.84, 1.32, 1.20, 1.14, 1.11, 1.09, 1.08, 1.07, 1.06, 1.05];

impl Mean {
    /// The mean of `(cents, error)` of single plucks; `None` of none.
    ///
    /// Its error comes from the scatter of the plucks, but is never smaller than what the plucks say
    /// of themselves.
    pub fn of(plucks: &[(f64, f64)]) -> Option<Self> {
        let n = plucks.len() as f64;
        if plucks.is_empty() {
            return None;
        }
        let cents = plucks.iter().map(|(cents, _)| cents).sum::<f64>() / n;
        let own = plucks.iter().map(|(_, error)| error * error).sum::<f64>().sqrt() / n;
        let scatter = match plucks.len() {
            1 => 0.0,
            count => {
                let squares: f64 = plucks.iter().map(|(value, _)| (value - cents).powi(2)).sum();
                let student = STUDENT.get(count - 2).copied().unwrap_or(1.0);
                student * (squares / (n - 1.0) / n).sqrt()
            }
        };
        Some(Self { cents, error: own.max(scatter), plucks: plucks.len() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::HeardPitch;
    use crate::units::SampleIndex;

    /// How the tones came about that are fitted to `n` samples of a strike of `notes`; the open strings are
    /// E2, A2 and, on the fourth partial of the one and the third of the other, E4 (ISO 16).
    fn fitted(notes: &[HeardPitch], n: usize) -> Vec<Origin> {
        let strike = Strike {
            onset: SampleIndex(0),
            end: SampleIndex(0),
            stage: Stage::Whole,
            notes: notes.to_vec(),
            doubtful: Vec::new(),
            faint: Vec::new(),
            later: Vec::new(),
            combined: Vec::new(),
        };
        let open = [82.407, 110.0, 329.628].map(|hz| Hertz::new(hz).expect("positive"));
        candidates(&strike, &open, &vec![0.1; n], &mut Meter::new(44_100.0)).1
    }

    #[test]
    fn nobody_looks_for_hidden_strings_in_what_is_too_short_to_measure() {
        let strum = [40.0, 45.0].map(HeardPitch::sure);
        for (n, expected) in [(0, 2), (10, 2), (3_108, 2), (4_420, 2), (44_100, 3)] {
            assert_eq!(fitted(&strum, n).len(), expected, "{n} samples");
        }
    }

    #[test]
    fn a_string_plucked_alone_strikes_no_other() {
        let (second, alone) = (44_100, HeardPitch::sure(45.0));
        assert_eq!(fitted(&[alone], second), [Origin::Struck]);
        let strum = [HeardPitch::sure(40.0), alone];
        assert_eq!(fitted(&strum, second), [Origin::Struck, Origin::Struck, Origin::Sought]);
        let before = HeardPitch { struck_odds: -9.0, ..HeardPitch::sure(40.0) };
        let rings = [Origin::Ringing, Origin::Struck, Origin::Ringing];
        assert_eq!(fitted(&[before, alone], second), rings, "E4 may ring on, as E2 does");
    }
}
