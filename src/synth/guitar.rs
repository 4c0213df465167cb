//! What the strings of a guitar are like, so that string and fret are enough to make a note.
//!
//! **Conventions.** Open strings are given as they sound, capo counted; frets count from there.
//! **Limits.** Stiffness and decay go by the number of the string, not by its gauge or make.
//! **Reference.** Stiffness of open strings and its growth with the fret as 2^(fret/6): the sounding
//! length falls as 2^(−fret/12) and `B` goes with its inverse square (Fletcher 1964). Decay times
//! and glides are from memory, as of a steel-string guitar struck with moderate force.

use super::string::PluckedNote;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::fretboard::Tuning;
use crate::theory::note::MidiNote;
use crate::theory::note::Reference;
use crate::units::Cents;

/// `(stiffness, decay_s, glide_cents)` of the open strings, the first string first.
const MAKES: [(f64, f64, f64); 6] = [
    (1.5e-5, 4.0, 1.5),
    (4.5e-5, 4.5, 2.0),
    (1.0e-4, 5.0, 3.0),
    (5.0e-5, 6.0, 3.5),
    (8.0e-5, 7.0, 4.0),
    (1.3e-4, 8.0, 5.0),
];
/// Where along the open string it is struck: over the sound hole.
const PLUCK_POSITION: f64 = 0.22;

/// An instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Guitar {
    open_strings: Vec<(StringNumber, MidiNote)>,
    reference: Reference,
}

impl Default for Guitar {
    /// E2 A2 D3 G3 B3 E4 at ISO 16.
    fn default() -> Self {
        Self::new(Tuning::default().strings().collect(), Reference::default())
    }
}

impl Guitar {
    /// An instrument with the given open strings, tuned to `reference`.
    pub fn new(open_strings: Vec<(StringNumber, MidiNote)>, reference: Reference) -> Self {
        Self { open_strings, reference }
    }

    /// A note struck at time 0 and left to ring for `length_s`; `None` if there is no such string.
    ///
    /// Its first partial is exactly equal-tempered.
    pub fn note(
        &self,
        string: StringNumber,
        fret: Fret,
        length_s: f64,
        level: f64,
    ) -> Option<PluckedNote> {
        let open = self.open(string)?;
        let frets = f64::from(fret.0);
        let (stiffness, decay_s, glide_cents) = make(string);
        // The hand stays where it is while the sounding length shrinks.
        let from_bridge = (PLUCK_POSITION * (frets / 12.0).exp2()).min(1.0);
        Some(PluckedNote {
            start_s: 0.0,
            length_s,
            frequency: self.reference.frequency(open).raised(Cents(100.0 * frets)),
            stiffness: stiffness * (frets / 6.0).exp2(),
            level,
            pluck_position: folded(from_bridge),
            glide_cents,
            decay_s: decay_s * (-frets / 24.0).exp2(),
            brightness: 0.5,
            path: Vec::new(),
        })
    }

    /// The harmonic that sounds `sounding` on a string stopped at `stopped` (fret 0: natural).
    ///
    /// It sounds where partial `k` of the string lies, `k` being the whole number nearest to
    /// the ratio: over the fifth fret 2 octaves and some cents, over the seventh fret 2 cents
    /// sharp of equal temperament. `None` if there is no such string.
    pub fn harmonic(
        &self,
        string: StringNumber,
        stopped: Fret,
        sounding: MidiNote,
        length_s: f64,
        level: f64,
    ) -> Option<PluckedNote> {
        let whole = self.note(string, stopped, length_s, level)?;
        let target = self.reference.frequency(sounding);
        let k = (target.get() / whole.frequency.get()).round().max(1.0);
        let stretch = k * ((1.0 + whole.stiffness * k * k) / (1.0 + whole.stiffness)).sqrt();
        Some(PluckedNote {
            frequency: whole.frequency.raised(Cents(1200.0 * stretch.log2())),
            // Partial m of the harmonic is partial m·k of the string.
            stiffness: whole.stiffness * k * k,
            pluck_position: folded(k * whole.pluck_position),
            glide_cents: 0.0,
            decay_s: 0.7 * whole.decay_s,
            brightness: 0.2,
            ..whole
        })
    }

    fn open(&self, string: StringNumber) -> Option<MidiNote> {
        self.open_strings.iter().find(|(number, _)| *number == string).map(|&(_, open)| open)
    }
}

fn make(string: StringNumber) -> (f64, f64, f64) {
    let index = usize::from(string.0).saturating_sub(1).min(MAKES.len() - 1);
    MAKES[index]
}

/// A place along the string as a share of its length from the nearer end.
fn folded(share: f64) -> f64 {
    (share - share.round()).abs()
}
