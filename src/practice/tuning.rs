//! Open strings against what they ought to be: which is flat, which sharp, which did not sound.
//!
//! **Conventions.** Cents are told against the equal-tempered note; what a string ought to be may lie
//! elsewhere ([`pure_target`]). Strings may be struck in any order, one by one or together; every
//! string is the mean of its plucks since it was last tuned.
//! **Limits.** A string more than [`REACH`] off is taken for the nearest one as long as that was not
//! heard otherwise, as after new strings are put on, and as it is no octave of one that was not heard, as a
//! harmonic is; more than [`FAR`] off, or half-way between two, it is not recognised. Beats are those of ideally
//! limp strings; stiffness adds some tenths a second on low strings.
//! **Reference.** Beats of a mistuned interval: H. Helmholtz, *On the Sensations of Tone*, ch. 8.

use super::pluck::Fault;
use super::pluck::Mean;
use super::pluck::Pluck;
use super::pluck::REACH;
use crate::theory::chord::Chord;
use crate::theory::fretboard::StringNumber;
use crate::theory::fretboard::Tuning;
use crate::theory::interval::Interval;
use crate::theory::note::MidiNote;
use crate::theory::note::Reference;
use crate::units::Cents;
use crate::units::Hertz;

/// A strike that the next one cuts off so soon is part of a strum, in seconds.
const STRUM_S: f64 = 0.5;

/// A string that has moved farther than this between two plucks was tuned meanwhile: only what comes
/// after counts.
const RETUNED: Cents = Cents(3.0);

/// Three semitones, rounded: farther off no string is looked for.
pub const FAR: Cents = Cents(350.0);

/// A pluck that is nearer to one string than to any other by less than this may be either.
const UNDECIDED: Cents = Cents(50.0);

/// What the strings are compared with.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// The open strings.
    pub tuning: Tuning,
    /// Where A4 is.
    pub reference: Reference,
    /// The chord whose tones are to be pure; `None` for equal temperament.
    pub pure: Option<Chord>,
    /// How far off a string may be and still be good.
    pub tolerance: Cents,
}

impl Wanted {
    /// Where `note` ought to lie, in cents above its equal-tempered place.
    pub fn target(&self, note: MidiNote) -> Cents {
        self.pure.as_ref().and_then(|chord| pure_target(chord, note)).unwrap_or(Cents(0.0))
    }

    /// Frequency of what `note` ought to be.
    fn target_hz(&self, note: MidiNote) -> Hertz {
        self.reference.frequency(note).raised(self.target(note))
    }
}

/// How far above its equal-tempered place `note` lies if it is pure against the equal-tempered root
/// of `chord`; `None` if it is no tone of the chord, or has no usual just ratio.
pub fn pure_target(chord: &Chord, note: MidiNote) -> Option<Cents> {
    let above_root = (12 + note.0 % 12 - chord.root().pitch_class()) % 12;
    let tone = chord.tones().iter().find(|tone| tone.semitones() % 12 == above_root)?;
    Some(Cents(-tone.simple().tempered_minus_just()?.0))
}

/// What is to be said of a string.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Within the tolerance.
    Good,
    /// Too low.
    Flat,
    /// Too high.
    Sharp,
    /// The error is larger than the tolerance.
    Unsure,
    /// It did not sound, or in no pluck that could be measured.
    NotHeard,
}

/// One string.
#[derive(Debug, Clone, PartialEq)]
pub struct StringTuning {
    /// Its number.
    pub string: StringNumber,
    /// Its open note.
    pub note: MidiNote,
    /// Where that ought to lie, above its equal-tempered place.
    pub target: Cents,
    /// The first partial; `None` if it was not heard.
    pub frequency: Option<Hertz>,
    /// Cents above the equal-tempered place.
    pub measured: Option<Mean>,
    /// What is to be said of it.
    pub verdict: Verdict,
}

impl StringTuning {
    /// Whether it is so far off that only the order of the strings says which one it is.
    pub fn is_far_off(&self) -> bool {
        self.measured.is_some_and(|mean| mean.cents.abs() >= REACH.0)
    }
}

/// Farther than this from a note no string is tuned to it on purpose.
const ON_PURPOSE: Cents = Cents(25.0);

/// Two neighbouring strings.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// The lower one and the higher one.
    pub strings: (StringNumber, StringNumber),
    /// The interval that they ought to make.
    pub interval: Interval,
    /// Beats a second as they are, positive for a wide interval; `None` if one was not heard, or is too
    /// far off to beat.
    pub beats_hz: Option<f64>,
    /// Beats a second as they ought to be.
    pub target_beats_hz: f64,
}

/// A pluck that was not taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Refused {
    /// When it was struck.
    pub at_s: f64,
    /// Which string it was, as far as can be told; of a wrong note that it lies an octave above.
    pub string: Option<StringNumber>,
    /// Why.
    pub fault: Fault,
}

/// What became of one string of a pluck.
#[derive(Debug, Clone, PartialEq)]
pub enum Heard {
    /// It was measured.
    Taken {
        /// The string.
        string: StringNumber,
        /// Cents above its equal-tempered place.
        cents: Cents,
    },
    /// It was not.
    Refused(Refused),
}

/// Takes plucks of open strings and tells how they are tuned.
#[derive(Debug)]
pub struct TuningCheck {
    wanted: Wanted,
    plucks: Vec<(StringNumber, f64, f64)>,
    refused: Vec<Refused>,
}

impl TuningCheck {
    /// Nothing heard yet.
    pub fn new(wanted: Wanted) -> Self {
        Self { wanted, plucks: Vec::new(), refused: Vec::new() }
    }

    /// Takes a pluck, or all the strings of a strum.
    ///
    /// The first strings of a slow strum are ringing by the time the strum is heard as a strike: what
    /// rings and was never measured is measured now.
    pub fn push(&mut self, pluck: &Pluck) -> Vec<Heard> {
        let mut heard = Vec::new();
        for sounding in &pluck.strings {
            let near = self.string_of(sounding.frequency);
            let looks_far = near.is_none() && sounding.struck;
            let far = looks_far.then(|| self.far_string_of(sounding.frequency)).flatten();
            let octave = looks_far.then(|| self.octave_of(sounding.frequency)).flatten();
            // Tuned by harmonics, strings are heard an octave up before they are heard themselves, if ever.
            let was_heard = |of| {
                let mut all = pluck.strings.iter();
                self.plucks.iter().any(|&(played, ..)| played == of)
                    || all.any(|beside| self.string_of(beside.frequency) == Some(of))
            };
            let far = far.filter(|_| octave.is_none_or(was_heard));
            let string = near.or(far);
            let measured = string.is_none_or(|of| self.plucks.iter().any(|&(s, ..)| s == of));
            // So far off only the way to turn the peg counts, and new strings stretch as they sound.
            let (fault, moved) = match pluck.fault(sounding) {
                Some(Fault::Drifting { moved }) if far.is_some() && moved.0.abs() < UNDECIDED.0 => {
                    (None, moved.0)
                }
                fault => (fault, 0.0),
            };
            if !sounding.struck && (measured || fault.is_some()) {
                continue;
            }
            let mut refuse = |string, fault| {
                let refused = Heard::Refused(Refused { at_s: pluck.at_s, string, fault });
                // Several sounds of one strike, of no string and too short, are one.
                if !heard.contains(&refused) {
                    heard.push(refused);
                }
            };
            match (string, fault) {
                // The beginning of a strum, which goes on in the next strike.
                (Some(_), Some(Fault::Short { .. })) if pluck.lasted_s < STRUM_S => {}
                (string, Some(fault)) => refuse(string, fault),
                (None, None) => refuse(octave, Fault::Wrong { heard: sounding.frequency }),
                (Some(string), None) => {
                    let Some(open) = self.wanted.tuning.open(string) else { continue };
                    let place = self.wanted.reference.frequency(open);
                    let cents = sounding.frequency.cents_above(place);
                    self.plucks.push((string, cents.0, sounding.error_cents().hypot(moved)));
                    heard.push(Heard::Taken { string, cents });
                }
            }
        }
        self.refused.extend(heard.iter().filter_map(|heard| match heard {
            Heard::Refused(refused) => Some(refused.clone()),
            Heard::Taken { .. } => None,
        }));
        heard
    }

    /// The string whose open note is nearest to `frequency`, within [`REACH`].
    fn string_of(&self, frequency: Hertz) -> Option<StringNumber> {
        let (off, string) = self.by_distance(frequency).into_iter().next()?;
        (off < REACH.0).then_some(string)
    }

    /// The string that a pluck of no open note is: the nearest by far, unless it was heard nearer to its
    /// place before.
    fn far_string_of(&self, frequency: Hertz) -> Option<StringNumber> {
        let nearest = self.by_distance(frequency);
        let (off, string) = *nearest.first()?;
        let decided = nearest.get(1).is_none_or(|(next, _)| next - off >= UNDECIDED.0);
        let heard = |(played, cents, _): &(StringNumber, f64, f64)| {
            *played == string && cents.abs() < REACH.0
        };
        (off < FAR.0 && decided && !self.plucks.iter().any(heard)).then_some(string)
    }

    /// The string an octave above whose open note `frequency` lies, as harmonics and twelfth frets do.
    fn octave_of(&self, frequency: Hertz) -> Option<StringNumber> {
        let (off, string) = *self.by_distance(frequency.raised(Cents(-1200.0))).first()?;
        (off < UNDECIDED.0).then_some(string)
    }

    /// How many cents `frequency` is off every string, the nearest first.
    fn by_distance(&self, frequency: Hertz) -> Vec<(f64, StringNumber)> {
        let Wanted { tuning, reference, .. } = &self.wanted;
        let off = |note| frequency.cents_above(reference.frequency(note)).0.abs();
        let mut all: Vec<_> = tuning.strings().map(|(string, note)| (off(note), string)).collect();
        all.sort_by(|(a, _), (b, _)| a.total_cmp(b));
        all
    }

    /// Every string, lowest first.
    pub fn strings(&self) -> Vec<StringTuning> {
        let wanted = &self.wanted;
        let of = |(string, note): (StringNumber, MidiNote)| {
            let plucks: Vec<(f64, f64)> = self
                .plucks
                .iter()
                .filter(|(played, ..)| *played == string)
                .map(|&(_, cents, error)| (cents, error))
                .collect();
            let newest = plucks.last().map_or(0.0, |(cents, _)| *cents);
            let retuned = |(cents, _): &(f64, f64)| (cents - newest).abs() > RETUNED.0;
            let since = plucks.iter().rposition(retuned).map_or(0, |before| before + 1);
            let measured = Mean::of(&plucks[since..]).filter(|mean| mean.error.is_finite());
            let target = wanted.target(note);
            let verdict = match measured {
                None => Verdict::NotHeard,
                Some(mean) if mean.error > wanted.tolerance.0 && mean.cents.abs() < REACH.0 => {
                    Verdict::Unsure
                }
                Some(mean) if mean.cents - target.0 > wanted.tolerance.0 => Verdict::Sharp,
                Some(mean) if mean.cents - target.0 < -wanted.tolerance.0 => Verdict::Flat,
                Some(_) => Verdict::Good,
            };
            let place = wanted.reference.frequency(note);
            let frequency = measured.map(|mean| place.raised(Cents(mean.cents)));
            StringTuning { string, note, target, frequency, measured, verdict }
        };
        wanted.tuning.strings().map(of).collect()
    }

    /// The notes that the strings sound, lowest string first, where some are so far off that another tuning
    /// may be meant; a string that was not heard keeps its own.
    pub fn other_tuning(&self) -> Option<Vec<MidiNote>> {
        let strings = self.strings();
        let sounds = |string: &StringTuning| {
            if !string.is_far_off() {
                return Some(string.note);
            }
            let (note, cents) = self.wanted.reference.nearest(string.frequency?)?;
            (cents.0.abs() < ON_PURPOSE.0).then_some(note)
        };
        let is_other = strings.iter().any(StringTuning::is_far_off);
        is_other.then(|| strings.iter().map(sounds).collect()).flatten()
    }

    /// Neighbouring strings, the lowest pair first; those that make no interval with a usual just
    /// ratio have no beats and are left out.
    pub fn pairs(&self) -> Vec<Pair> {
        let strings = self.strings();
        let pair = |pair: &[StringTuning]| {
            let [one, other] = pair else { return None };
            let (low, high) = if one.note <= other.note { (one, other) } else { (other, one) };
            let interval = Interval::from_semitones(high.note.0 - low.note.0)?;
            let target = beats_hz(
                self.wanted.target_hz(low.note),
                self.wanted.target_hz(high.note),
                interval,
            );
            let far = low.is_far_off() || high.is_far_off();
            let beats_hz = match (low.frequency, high.frequency) {
                (Some(low), Some(high)) if !far => beats_hz(low, high, interval),
                _ => None,
            };
            let strings = (low.string, high.string);
            Some(Pair { strings, interval, beats_hz, target_beats_hz: target? })
        };
        strings.windows(2).filter_map(pair).collect()
    }

    /// Plucks that were not taken, in order of time.
    pub fn refused(&self) -> &[Refused] {
        &self.refused
    }

    /// What the strings are compared with.
    pub fn wanted(&self) -> &Wanted {
        &self.wanted
    }
}

/// Beats a second between the lowest partials that would coincide if the interval were pure,
/// positive if it is wide:
///
/// ```text
/// beats = lower_term · high − upper_term · low      just ratio = upper_term : lower_term
/// ```
///
/// `None` for intervals without a usual just ratio.
pub fn beats_hz(low: Hertz, high: Hertz, interval: Interval) -> Option<f64> {
    let (upper_term, lower_term) = interval.just_ratio()?;
    Some(f64::from(lower_term) * high.get() - f64::from(upper_term) * low.get())
}
