//! A lick's time as whole ticks, and its strings as sounds between two ticks.

use crate::lick::Lick;
use crate::lick::Meter;
use crate::lick::Step;
use crate::lick::beats::Beats;
use crate::lick::check::harmonic_semitones;
use crate::lick::mark::Mark;
use crate::lick::mark::Move;
use crate::theory::note::MidiNote;

/// Ticks to a quarter note beyond which no common division is sought: lengths of up to 20 million
/// steps then still fit 64 bits.
const FINEST: u64 = 1 << 30;

/// A number of ticks to the quarter note in which every bar, step and move is whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Division(u64);

impl Division {
    /// A division for licks that have none: 32 767 is what MIDI can count at most, this is finer.
    pub const COARSE: Self = Self(1_000_000);

    /// The coarsest division for `lick`; `None` if it would be finer than [`FINEST`].
    pub fn of(lick: &Lick) -> Option<Self> {
        // A bar may be of 32nd notes, eight to the quarter.
        let mut ticks: u64 = 8;
        for step in &lick.steps {
            let (n, d) = (u64::from(step.beats.numerator()), u64::from(step.beats.denominator()));
            for parts in step.marks.iter().map(parts) {
                // n/d cut into k parts: what of k is not already in n.
                let needed = d.checked_mul(parts / gcd(n, parts))?;
                ticks = lcm(ticks, needed).filter(|&ticks| ticks <= FINEST)?;
            }
        }
        Some(Self(ticks))
    }

    /// Ticks to the quarter note.
    pub fn get(self) -> u64 {
        self.0
    }

    /// The length of `step`.
    pub fn step(self, step: &Step) -> u64 {
        u64::from(step.beats.numerator()) * self.0 / u64::from(step.beats.denominator())
    }

    /// The length of a bar.
    pub fn bar(self, lick: &Lick) -> u64 {
        bar(self.0, lick.meter)
    }
}

/// The length of a bar where a quarter note has `division` ticks.
pub(super) fn bar(division: u64, meter: Meter) -> u64 {
    division * 4 * u64::from(meter.count) / u64::from(meter.unit)
}

/// The lick with even lengths that sound as its swung ones do, for what knows of no swing; left even where no
/// [`Division`] fits.
pub(super) fn written_out(lick: &Lick) -> Lick {
    let mut even = Lick { swing: None, ..lick.clone() };
    let Some((swing, division)) = lick.swing.zip(Division::of(lick)) else { return even };
    // In parts of a tick, so that what is swung is whole; half a beat is: a division is even.
    let parts = u64::from(swing.first()) + u64::from(swing.second());
    let late = division.get() * u64::from(swing.first()) - division.get() / 2 * parts;
    let quarter = division.get() * parts;
    let mut end = 0;
    let start = |(step, is_off_beat): (&Step, bool)| {
        let start = end + if is_off_beat { late } else { 0 };
        end += division.step(step) * parts;
        start
    };
    let mut starts: Vec<u64> = lick.steps.iter().zip(lick.off_beats()).map(start).collect();
    starts.push(end);
    for (step, time) in even.steps.iter_mut().zip(starts.windows(2)) {
        let length = time[1] - time[0];
        let whole = |ticks: u64| u32::try_from(ticks / gcd(length, quarter)).ok();
        let beats = whole(length).zip(whole(quarter));
        step.beats = beats.and_then(|(n, d)| Beats::new(n, d)).unwrap_or(step.beats);
    }
    even
}

/// Equal parts that the moves of a mark cut its step into.
pub(super) fn parts(mark: &Mark) -> u64 {
    moves(mark).len() as u64 + 1
}

/// The moves of a mark.
pub(super) fn moves(mark: &Mark) -> &[Move] {
    match mark {
        Mark::Fretted { moves, .. } => moves,
        _ => &[],
    }
}

/// A string from its strike until it falls silent.
#[derive(Debug, Clone)]
pub(super) struct Sound {
    /// Index of the string, 0 for the highest.
    pub from_highest: usize,
    /// When it is struck.
    pub start: u64,
    /// When it ends.
    pub end: u64,
    /// The note at the strike.
    pub note: MidiNote,
    /// When each move begins, what it is and the note it leads to.
    pub moves: Vec<(u64, Move, MidiNote)>,
}

/// All sounds of `lick`, by start, then from the lowest string up.
pub(super) fn sounds(lick: &Lick, division: Division) -> Vec<Sound> {
    let mut done: Vec<Sound> = Vec::new();
    let mut sounding: Vec<Option<usize>> = vec![None; lick.tuning.n_strings()];
    let n_strings = sounding.len();
    let mut start = 0;
    for step in &lick.steps {
        let length = division.step(step);
        for (string, mark) in step.marks.iter().enumerate().take(sounding.len()) {
            match mark {
                Mark::NotPlayed => sounding[string] = None,
                Mark::Held => {
                    if let Some(sound) = sounding[string] {
                        done[sound].end = start + length;
                    }
                }
                _ => {
                    sounding[string] = struck_note(lick, string, mark).map(|note| {
                        let part = length / parts(mark);
                        let moves = (1..)
                            .zip(moves(mark))
                            .filter_map(|(order, next)| {
                                let to = note_at(lick, string, next.to.0)?;
                                Some((start + order * part, *next, to))
                            })
                            .collect();
                        let from_highest = n_strings - 1 - string;
                        done.push(Sound { from_highest, start, end: start + length, note, moves });
                        done.len() - 1
                    });
                }
            }
        }
        start += length;
    }
    done
}

/// The note `semitones` above the capo on the string of that index.
pub(super) fn note_at(lick: &Lick, string: usize, semitones: u8) -> Option<MidiNote> {
    let (string, _) = lick.tuning.strings().nth(string)?;
    lick.sounding(string, semitones)
}

/// The note that sounds when `mark` is struck.
pub(super) fn struck_note(lick: &Lick, string: usize, mark: &Mark) -> Option<MidiNote> {
    let semitones = match mark {
        Mark::NotPlayed | Mark::Held => return None,
        Mark::Fretted { fret, .. } => fret.0,
        Mark::NaturalHarmonic(touched) => harmonic_semitones(touched.0)?,
        Mark::ArtificialHarmonic { stopped, touched } => {
            stopped.0.checked_add(harmonic_semitones(touched.0.checked_sub(stopped.0)?)?)?
        }
    };
    note_at(lick, string, semitones)
}

/// The least common multiple; `None` beyond 64 bits.
pub(super) fn lcm(a: u64, b: u64) -> Option<u64> {
    (a / gcd(a, b)).checked_mul(b)
}

/// The greatest common divisor; the other number if one is 0.
pub(super) fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}
