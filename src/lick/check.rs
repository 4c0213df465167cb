//! What a lick must satisfy to be played, whoever made it: a file, a converter, a program.

use super::Lick;
use super::fault::Fault;
use super::mark::Mark;
use super::mark::MoveKind;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::LAST_FRET;
use crate::theory::fretboard::StringNumber;
use crate::units::Cents;

/// Most notes in one step.
pub const MOST_NOTES: usize = 6;
/// Most moves in one chain.
pub const MOST_MOVES: usize = 24;
/// The highest fret a capo may sit at.
pub const LAST_CAPO: u8 = 12;

/// Where a harmonic is touched, as frets above the nut, the capo or the stopped fret, and which
/// partial it sounds: the nodes of partials 2 to 6 nearest to a fret.
pub(super) const NODES: [(u8, u8); 9] =
    [(3, 6), (4, 5), (5, 4), (7, 3), (9, 5), (12, 2), (16, 5), (19, 3), (24, 4)];

/// How far above the open (or stopped) string the harmonic over a node sounds: the nearest
/// semitones to `12 · log2(partial)`, and what that leaves over; `None` where no strong node lies
/// within a quarter of a fret.
pub fn harmonic(node: u8) -> Option<(u8, Cents)> {
    let (_, partial) = NODES.iter().find(|(fret, _)| *fret == node)?;
    let exact = 12.0 * f64::from(*partial).log2();
    Some((exact.round() as u8, Cents(100.0 * (exact - exact.round()))))
}

/// The semitones of [`harmonic`] alone.
pub fn harmonic_semitones(node: u8) -> Option<u8> {
    harmonic(node).map(|(semitones, _)| semitones)
}

/// A fault and the step and string it lies in.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("step {step}{}: {fault}", on_string(*.string))]
pub struct Flaw {
    /// Number of the step, 1 for the first.
    pub step: usize,
    /// The string, where it lies in one mark.
    pub string: Option<StringNumber>,
    /// What is wrong.
    pub fault: Fault,
}

fn on_string(string: Option<StringNumber>) -> String {
    string.map(|string| format!(", string {}", string.0)).unwrap_or_default()
}

impl Lick {
    /// Checks that the lick can be played.
    ///
    /// # Errors
    /// The first step that cannot: a wrong number of marks, more than [`MOST_NOTES`] notes, a fret
    /// beyond the neck, a move that leads nowhere, a chain of more than
    /// [`MOST_MOVES`], a harmonic without a node, a held string that
    /// does not sound.
    pub fn check(&self) -> Result<(), Flaw> {
        let mut sounding = vec![false; self.tuning.n_strings()];
        for (index, step) in self.steps.iter().enumerate() {
            let flaw = |string, fault| Flaw { step: index + 1, string, fault };
            let (expected, found) = (self.tuning.n_strings(), step.marks.len());
            if expected != found {
                return Err(flaw(None, Fault::MarkCount { expected, found }));
            }
            for (((string, _), mark), sounds) in
                self.tuning.strings().zip(&step.marks).zip(&mut sounding)
            {
                self.check_mark(string, mark, *sounds).map_err(|f| flaw(Some(string), f))?;
                *sounds = *mark != Mark::NotPlayed;
            }
            let notes = step.marks.iter().filter(|mark| **mark != Mark::NotPlayed).count();
            if notes > MOST_NOTES {
                return Err(flaw(None, Fault::TooManyNotes { found: notes }));
            }
        }
        Ok(())
    }

    fn check_mark(&self, string: StringNumber, mark: &Mark, sounds: bool) -> Result<(), Fault> {
        match mark {
            Mark::NotPlayed => Ok(()),
            Mark::Held if sounds => Ok(()),
            Mark::Held => Err(Fault::NothingHeld { string: string.0 }),
            Mark::Fretted { fret, moves } => {
                self.check_fret(string, *fret)?;
                if moves.len() > MOST_MOVES {
                    return Err(Fault::LongChain { found: moves.len() });
                }
                let mut from = *fret;
                for (index, next) in moves.iter().enumerate() {
                    if index > 0 && moves[index - 1].kind == MoveKind::Bend {
                        return Err(Fault::AfterBend);
                    }
                    self.check_fret(string, next.to)?;
                    if !next.kind.leads(from, next.to) {
                        let (kind, to) = (next.kind, next.to.0);
                        return Err(Fault::Move { kind, from: from.0, to });
                    }
                    from = next.to;
                }
                Ok(())
            }
            Mark::NaturalHarmonic(touched) => self.check_node(string, Fret(0), *touched),
            Mark::ArtificialHarmonic { stopped, touched } => {
                self.check_fret(string, *stopped)?;
                self.check_node(string, *stopped, *touched)
            }
        }
    }

    fn check_fret(&self, string: StringNumber, fret: Fret) -> Result<(), Fault> {
        if u16::from(fret.0) + u16::from(self.capo) > u16::from(LAST_FRET.0) {
            return Err(Fault::Fret { fret: fret.0, capo: self.capo });
        }
        match self.sounding(string, fret.0) {
            Some(_) => Ok(()),
            None => Err(Fault::TooHigh),
        }
    }

    fn check_node(&self, string: StringNumber, open: Fret, touched: Fret) -> Result<(), Fault> {
        let node = touched.0.checked_sub(open.0).and_then(harmonic_semitones);
        let Some(semitones) = node else {
            return Err(Fault::Node { stopped: open.0, touched: touched.0 });
        };
        match self.sounding(string, open.0.saturating_add(semitones)) {
            Some(_) => Ok(()),
            None => Err(Fault::TooHigh),
        }
    }
}
