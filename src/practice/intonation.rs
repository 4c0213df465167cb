//! A fretted note against the same string an octave below it, or against the harmonic: which way the
//! saddle goes, and by how much.
//!
//! **Conventions.** Offsets are positive where the fretted note is sharp; millimetres are positive
//! where the saddle moves away from the nut. Plucks are told apart by their pitch; a harmonic has
//! the pitch of the fretted note, so harmonics come first on every string.
//! **Limits.** A pitch that several strings have belongs to the string played just before, if that
//! is one of them, else to the one with the fewest plucks.
//! **Reference.** Compensation for a string of length `L` retuned after the saddle has moved by `dL`:
//! `d(cents) = −(1200 / ln 2) · dL / L` at the twelfth fret, from f ∝ 1/L.

use super::offset::middle;
use super::pluck::Fault;
use super::pluck::Mean;
use super::pluck::Pluck;
use super::pluck::REACH;
use super::tuning::Refused;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::fretboard::Tuning;
use crate::theory::note::MidiNote;
use crate::theory::note::Reference;
use crate::units::Cents;
use crate::units::Hertz;

/// Plucks of one fret lie closer together than this, or one of them was pressed otherwise.
const MOST_SPREAD: Cents = Cents(3.0);
/// What the finger adds to the error of one lone fretted pluck (from memory); several plucks show it
/// themselves.
const FINGER_CENTS: f64 = 0.5;

/// More than this no saddle mends, nine millimetres of a usual scale where saddles travel some
/// (common practice): another fret was played, or the string is spoilt.
const MOST_MENDED: Cents = Cents(25.0);

/// What the fretted note is compared with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Against {
    /// The harmonic over the fretted place.
    Harmonic,
    /// The string stopped an octave below; fret 0 is the open string.
    Stopped(Fret),
}

impl Against {
    /// The lower fret of the octave.
    pub fn base(self) -> Fret {
        match self {
            Self::Harmonic => Fret(0),
            Self::Stopped(fret) => fret,
        }
    }

    /// The fret an octave above.
    pub fn fret(self) -> Fret {
        Fret(self.base().0 + 12)
    }
}

/// Which of the two notes a pluck is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Role {
    /// The open string, the harmonic, or the lower fret.
    Reference,
    /// The note in question.
    Fretted,
}

/// How harmonics and fretted notes of equal pitch are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// On each string the first half are harmonics, refused plucks counted.
    Halves,
    /// On each string the first so many good ones are harmonics, as they are asked for.
    Asked,
}

/// What is measured, and how it is judged.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The open strings.
    pub tuning: Tuning,
    /// Strings to look at.
    pub strings: Vec<StringNumber>,
    /// Where A4 is.
    pub reference: Reference,
    /// What the fretted note is compared with.
    pub against: Against,
    /// How many plucks of each note are asked for.
    pub plucks: usize,
    /// How harmonics are told from fretted notes.
    pub order: Order,
    /// Length of the strings from nut to saddle, in millimetres.
    pub scale_mm: f64,
    /// How far off a fretted note may be and still be good.
    pub tolerance: Cents,
}

/// What to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Advice {
    /// Move the saddle away from the nut: the fretted note is sharp.
    Lengthen,
    /// Move the saddle towards the nut: the fretted note is flat.
    Shorten,
    /// Leave it.
    Good,
    /// The error is larger than the tolerance, something was not heard, or the offset is larger than
    /// any that a saddle mends.
    Unsure,
}

impl Advice {
    /// On an offset in cents, sharp being positive, and its error.
    pub fn on(offset: Option<(f64, f64)>, tolerance: Cents) -> Self {
        match offset {
            Some((cents, error)) if error > tolerance.0 || !is_mended(Cents(cents)) => Self::Unsure,
            Some((cents, _)) if cents > tolerance.0 => Self::Lengthen,
            Some((cents, _)) if cents < -tolerance.0 => Self::Shorten,
            Some(_) => Self::Good,
            None => Self::Unsure,
        }
    }
}

/// Whether a saddle mends an offset at the twelfth fret.
pub(super) fn is_mended(offset: Cents) -> bool {
    offset.0.abs() <= MOST_MENDED.0
}

/// One string.
#[derive(Debug, Clone, PartialEq)]
pub struct StringIntonation {
    /// Its number.
    pub string: StringNumber,
    /// Its open note.
    pub note: MidiNote,
    /// First partial of the lower note or of the harmonic.
    pub reference: Option<Hertz>,
    /// First partial of the fretted note.
    pub fretted: Option<Hertz>,
    /// How sharp the fretted note is, with its error; `plucks` counts the fretted ones.
    pub offset: Option<Mean>,
    /// How many plucks of the lower note or the harmonic there were.
    pub reference_plucks: usize,
    /// How far the saddle moves away from the nut, the open string being retuned afterwards; `None`
    /// if that is not known, or no saddle goes so far.
    pub saddle_mm: Option<f64>,
    /// What to do.
    pub advice: Advice,
}

/// A pluck of one string.
#[derive(Debug, Clone, PartialEq)]
struct Entry {
    at_s: f64,
    string: StringNumber,
    role: Role,
    frequency: Hertz,
    error: f64,
    fault: Option<Fault>,
}

/// What became of a pluck.
#[derive(Debug, Clone, PartialEq)]
pub enum Heard {
    /// It was measured.
    Taken {
        /// The string.
        string: StringNumber,
        /// Which note of it.
        role: Role,
        /// How many of these there are now.
        count: usize,
    },
    /// It has to be played again.
    Refused(Refused),
    /// Nothing was struck, or only for a moment.
    Nothing,
}

/// Takes plucks and compares octaves.
#[derive(Debug)]
pub struct IntonationCheck {
    plan: Plan,
    entries: Vec<Entry>,
    /// Plucks that belong to no string, neither to one that is looked at nor to another.
    strays: Vec<Refused>,
}

impl IntonationCheck {
    /// Nothing heard yet.
    pub fn new(plan: Plan) -> Self {
        Self { plan, entries: Vec::new(), strays: Vec::new() }
    }

    /// What is measured.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// The notes that belong to the check.
    fn places(&self) -> impl Iterator<Item = (StringNumber, Role, Hertz)> + '_ {
        let Plan { tuning, strings, reference, against, .. } = &self.plan;
        let note = |string, fret| Some(reference.frequency(tuning.note_at(string, fret)?));
        strings.iter().flat_map(move |&string| {
            let lower = match against {
                Against::Harmonic => None,
                Against::Stopped(fret) => note(string, *fret),
            };
            let lower = lower.map(|hz| (string, Role::Reference, hz));
            let upper = note(string, against.fret()).map(|hz| (string, Role::Fretted, hz));
            [lower, upper].into_iter().flatten()
        })
    }

    /// Takes a pluck: its loudest struck note that belongs here.
    pub fn push(&mut self, pluck: &Pluck) -> Heard {
        let last = self.entries.last().map(|entry| entry.string);
        let mut struck = pluck.strings.iter().filter(|sounding| sounding.struck);
        let found = struck.find_map(|sounding| {
            let near = |hz: Hertz| sounding.frequency.cents_above(hz).0.abs() < REACH.0;
            let place =
                self.places().filter(|(.., hz)| near(*hz)).min_by_key(|(string, role, _)| {
                    (Some(*string) != last, self.count(*string, *role))
                });
            place.map(|(string, role, _)| (sounding, string, role))
        });
        let at_s = pluck.at_s;
        let Some((sounding, string, role)) = found else {
            let Some(heard) = pluck.stranger() else { return Heard::Nothing };
            let refused = Refused { at_s, string: None, fault: Fault::Wrong { heard } };
            // A recording of all strings may be asked about one: what is played on the others is no fault.
            if !self.is_of_another_string(heard) {
                self.strays.push(refused.clone());
            }
            return Heard::Refused(refused);
        };
        let fault = pluck.fault(sounding);
        let error = sounding.error_cents();
        let entry = Entry { at_s, string, role, frequency: sounding.frequency, error, fault };
        self.entries.push(entry);
        // The others of its kind may show that it was pressed otherwise.
        let entries = self.judged(string);
        match entries.last() {
            Some(Entry { fault: Some(fault), .. }) => {
                Heard::Refused(Refused { at_s, string: Some(string), fault: *fault })
            }
            Some(&Entry { role, .. }) => {
                let alike = entries.iter().filter(|e| e.role == role && e.fault.is_none());
                Heard::Taken { string, role, count: alike.count() }
            }
            None => Heard::Nothing,
        }
    }

    /// Whether this is the open or a compared note of a string that is not looked at.
    fn is_of_another_string(&self, frequency: Hertz) -> bool {
        let Plan { tuning, strings, reference, against, .. } = &self.plan;
        let frets = [Fret(0), against.base(), Fret(12), against.fret()];
        tuning.strings().filter(|(string, _)| !strings.contains(string)).any(|(string, _)| {
            let places = frets.iter().filter_map(|&fret| tuning.note_at(string, fret));
            places
                .map(|note| frequency.cents_above(reference.frequency(note)).0.abs())
                .any(|off| off < REACH.0)
        })
    }

    fn count(&self, string: StringNumber, role: Role) -> usize {
        self.entries.iter().filter(|entry| entry.string == string && entry.role == role).count()
    }

    /// The plucks of a string, harmonics told from fretted notes, odd ones out marked.
    fn judged(&self, string: StringNumber) -> Vec<Entry> {
        let mut entries: Vec<Entry> =
            self.entries.iter().filter(|entry| entry.string == string).cloned().collect();
        if self.plan.against == Against::Harmonic {
            let half = entries.len() / 2;
            let mut good = 0;
            for (i, entry) in entries.iter_mut().enumerate() {
                let first = match self.plan.order {
                    Order::Halves => i < half,
                    Order::Asked => good < self.plan.plucks,
                };
                entry.role = if first { Role::Reference } else { Role::Fretted };
                good += usize::from(entry.fault.is_none());
            }
        }
        for role in [Role::Reference, Role::Fretted] {
            mark_odd_ones(&mut entries, role);
        }
        entries
    }

    /// The next note to ask for: strings in the order of the plan, the reference first.
    pub fn next(&self) -> Option<(StringNumber, Role, usize)> {
        self.plan.strings.iter().find_map(|&string| {
            let entries = self.judged(string);
            [Role::Reference, Role::Fretted].into_iter().find_map(|role| {
                let good = entries.iter().filter(|e| e.role == role && e.fault.is_none()).count();
                (good < self.plan.plucks).then(|| (string, role, self.plan.plucks - good))
            })
        })
    }

    /// Every string of the plan, in its order.
    pub fn strings(&self) -> Vec<StringIntonation> {
        let of = |&string: &StringNumber| {
            let note = self.plan.tuning.open(string)?;
            Some(self.string(string, note))
        };
        self.plan.strings.iter().filter_map(of).collect()
    }

    fn string(&self, string: StringNumber, note: MidiNote) -> StringIntonation {
        let entries = self.judged(string);
        let place = |fret: Fret| {
            let note = self.plan.tuning.note_at(string, fret).unwrap_or(note);
            self.plan.reference.frequency(note)
        };
        let fret = self.plan.against.fret();
        let base = match self.plan.against {
            Against::Harmonic => place(fret),
            Against::Stopped(base) => place(base),
        };
        let mean = |role: Role, from: Hertz| {
            let plucks: Vec<(f64, f64)> = entries
                .iter()
                .filter(|entry| entry.role == role && entry.fault.is_none())
                .map(|entry| (entry.frequency.cents_above(from).0, entry.error))
                .collect();
            Mean::of(&plucks)
        };
        let (lower, upper) = (mean(Role::Reference, base), mean(Role::Fretted, place(fret)));
        let offset = lower.zip(upper).map(|(lower, upper)| {
            let finger = if upper.plucks == 1 { FINGER_CENTS } else { 0.0 };
            let error = lower.error.hypot(upper.error).hypot(finger);
            Mean { cents: upper.cents - lower.cents, error, plucks: upper.plucks }
        });
        let offset = offset.filter(|offset| offset.error.is_finite());
        let frets = (self.plan.against.base(), fret);
        let mended = offset.filter(|offset| is_mended(Cents(offset.cents)));
        let saddle = mended.map(|offset| saddle_mm(Cents(offset.cents), self.plan.scale_mm, frets));
        let known = offset.map(|offset| (offset.cents, offset.error));
        StringIntonation {
            string,
            note,
            reference: lower.map(|mean| base.raised(Cents(mean.cents))),
            fretted: upper.map(|mean| place(fret).raised(Cents(mean.cents))),
            offset,
            reference_plucks: lower.map_or(0, |mean| mean.plucks),
            saddle_mm: saddle,
            advice: Advice::on(known, self.plan.tolerance),
        }
    }

    /// Plucks that were not taken, in order of time.
    pub fn refused(&self) -> Vec<Refused> {
        let judged = self.plan.strings.iter().flat_map(|&string| self.judged(string));
        let refused = judged.filter_map(|entry| {
            Some(Refused { at_s: entry.at_s, string: Some(entry.string), fault: entry.fault? })
        });
        let mut all: Vec<Refused> = refused.chain(self.strays.iter().cloned()).collect();
        all.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        all
    }
}

/// Marks the plucks of `role` that are no like the others. A finger only ever makes a fretted note
/// sharper, so of fretted ones the sharper are the odd ones, even of two.
fn mark_odd_ones(entries: &mut [Entry], role: Role) {
    let alike = |entry: &&mut Entry| entry.role == role && entry.fault.is_none();
    let mut plucks: Vec<&mut Entry> = entries.iter_mut().filter(alike).collect();
    let Some(first) = plucks.first().map(|entry| entry.frequency) else { return };
    let cents: Vec<f64> = plucks.iter().map(|e| e.frequency.cents_above(first).0).collect();
    let usual = match cents[..] {
        [one, other] if role == Role::Fretted => one.min(other),
        _ => middle(&mut cents.clone()),
    };
    for (entry, cents) in plucks.iter_mut().zip(cents) {
        let sharper = Cents(cents - usual);
        if role == Role::Fretted && sharper.0 > MOST_SPREAD.0 {
            entry.fault = Some(Fault::Pressed { sharper });
        } else if sharper.0.abs() > MOST_SPREAD.0 {
            entry.fault = Some(Fault::Unlike { sharper });
        }
    }
}

/// How far the saddle has to move away from the nut, in millimetres, so that a string of `scale_mm`
/// that is `offset` sharp at the higher of two `frets` against the lower one is in tune with itself,
/// the open string being retuned:
///
/// ```text
///            scale · ln 2 · offset
/// mm = ─────────────────────────────────
///       1200 · (2^(upper/12) − 2^(lower/12))
/// ```
///
/// A move dL lengthens what sounds at fret n by dL, a part dL/L · 2^(n/12) of it. To first order in
/// dL: the second order is 0.3 % at 2 mm.
pub fn saddle_mm(offset: Cents, scale_mm: f64, (lower, upper): (Fret, Fret)) -> f64 {
    let ratio = |fret: Fret| (f64::from(fret.0) / 12.0).exp2();
    scale_mm * std::f64::consts::LN_2 * offset.0 / (1200.0 * (ratio(upper) - ratio(lower)))
}
