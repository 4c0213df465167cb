//! What a step asks for, as sounding notes: the only view of a lick that the judge has.
//!
//! **Conventions.** Pitches are equal-tempered MIDI numbers as they *sound* (capo counted, a
//! harmonic at its sounding pitch). Times are in beats since the first step,
//! swung as they sound.

use super::Lick;
use super::check::harmonic;
use super::check::harmonic_semitones;
use super::mark::Mark;
use super::mark::MoveKind;
use super::swing::Swing;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::note::MidiNote;
use crate::units::Cents;

/// One note that has to sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExpectedNote {
    /// The string it is played on.
    pub string: StringNumber,
    /// The fret as written (for a harmonic the node that is touched).
    pub fret: Fret,
    /// The sounding note.
    pub note: MidiNote,
    /// How the note is made.
    pub technique: Technique,
}

impl ExpectedNote {
    /// How far from the tempered pitch of `note` it sounds by nature: a harmonic is a whole
    /// multiple of its string's pitch, and the fifth partial lies 14 cents under the scale.
    pub fn tempered_offset(&self) -> Cents {
        let node = match self.technique {
            Technique::NaturalHarmonic => Some(self.fret.0),
            Technique::ArtificialHarmonic { stopped } => self.fret.0.checked_sub(stopped.0),
            _ => None,
        };
        node.and_then(harmonic).map_or(Cents(0.0), |(_, offset)| offset)
    }
}

/// How a note is made to sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Technique {
    /// Struck with finger or plectrum.
    Struck,
    /// Sounded by a finger hammered on to a higher fret.
    HammerOn,
    /// Sounded by pulling off to a lower fret.
    PullOff,
    /// Reached by sliding along the string.
    Slide,
    /// Reached by bending up to this pitch.
    Bend,
    /// A natural harmonic, touched at `fret`.
    NaturalHarmonic,
    /// An artificial harmonic: stopped at `stopped`, touched at `fret`.
    ArtificialHarmonic {
        /// The fret that is stopped.
        stopped: Fret,
    },
    /// Not struck: still sounding from the step before.
    Held,
}

/// A later stage of a step on one string: the target of a hammer-on, pull-off, slide or bend.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stage {
    /// The note reached, with the technique that reaches it.
    pub to: ExpectedNote,
    /// 1 for the first stage after the strike, 2 for the next of a chain, …
    pub order: u8,
}

/// Everything one step asks for.
#[derive(Debug, Clone, PartialEq)]
pub struct ExpectedStep {
    /// 1 for the first step of the lick, rests counted.
    pub number: usize,
    /// When the step begins, in quarter notes since the lick began.
    pub start_beats: f64,
    /// How long it lasts, in quarter notes.
    pub length_beats: f64,
    /// Whether it is written half-way through a beat, where eighths may be swung.
    pub is_off_beat: bool,
    /// Notes struck at the start, lowest string first (no entry is `Held` here).
    pub struck: Vec<ExpectedNote>,
    /// Notes still sounding from the step before (`=`), lowest string first.
    pub held: Vec<ExpectedNote>,
    /// Later stages, in order of `order`, then lowest string first.
    pub stages: Vec<Stage>,
    /// Strings that are not played, open: what most easily rings along.
    pub left_open: Vec<MidiNote>,
}

impl ExpectedStep {
    /// True when nothing is to be struck or held.
    pub fn is_rest(&self) -> bool {
        self.struck.is_empty() && self.held.is_empty()
    }

    /// Whether `other` asks for the same, at whatever time.
    pub fn asks_alike(&self, other: &Self) -> bool {
        (&self.struck, &self.held, &self.stages, &self.left_open)
            == (&other.struck, &other.held, &other.stages, &other.left_open)
    }

    /// The sets of notes that sound one after the other: at the strike, and after every stage; none in
    /// a rest.
    pub fn moments(&self) -> Vec<Vec<ExpectedNote>> {
        if self.is_rest() {
            return Vec::new();
        }
        let mut sounding: Vec<ExpectedNote> =
            self.struck.iter().chain(&self.held).copied().collect();
        let mut moments = vec![sounding.clone()];
        for stages in self.stages.chunk_by(|a, b| a.order == b.order) {
            for stage in stages {
                for note in sounding.iter_mut().filter(|note| note.string == stage.to.string) {
                    *note = stage.to;
                }
            }
            moments.push(sounding.clone());
        }
        moments
    }

    /// How many beats after the strike `stage` is due: moves on one string share the length of the step.
    pub fn due_beats(&self, stage: &Stage) -> f64 {
        let on_string = |other: &&Stage| other.to.string == stage.to.string;
        let n_parts = self.stages.iter().filter(on_string).count() + 1;
        self.length_beats * f64::from(stage.order) / n_parts as f64
    }
}

/// A lick as the judge sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// Title of the lick.
    pub title: String,
    /// Quarter notes a minute.
    pub tempo_bpm: f64,
    /// The first eighth of a beat as a share of it: 0.5 for even ones.
    pub swing_share: f64,
    /// Open strings as they sound, capo counted, lowest string first.
    pub open_strings: Vec<(StringNumber, MidiNote)>,
    /// All steps, rests included.
    pub steps: Vec<ExpectedStep>,
}

impl Lick {
    /// The note `semitones` above the open `string`, capo counted; `None` for no such string and
    /// beyond MIDI 127.
    pub fn sounding(&self, string: StringNumber, semitones: u8) -> Option<MidiNote> {
        self.tuning.note_at(string, Fret(semitones.checked_add(self.capo)?))
    }

    /// What every step asks for.
    ///
    /// Of a lick that does not pass [`Lick::check`], marks that cannot sound are left out.
    pub fn expected(&self) -> Expected {
        let mut left_sounding = vec![None; self.tuning.n_strings()];
        let swing_share = self.swing.map_or(0.5, Swing::share);
        let mut end_beats = 0.0;
        let mut steps: Vec<ExpectedStep> = Vec::with_capacity(self.steps.len());
        for (index, (step, is_off_beat)) in self.steps.iter().zip(self.off_beats()).enumerate() {
            let start_beats = end_beats + if is_off_beat { swing_share - 0.5 } else { 0.0 };
            end_beats += step.beats.get();
            if let Some(before) = steps.last_mut() {
                before.length_beats = start_beats - before.start_beats;
            }
            let mut asked = ExpectedStep {
                number: index + 1,
                start_beats,
                length_beats: end_beats - start_beats,
                is_off_beat,
                struck: Vec::new(),
                held: Vec::new(),
                stages: Vec::new(),
                left_open: Vec::new(),
            };
            for (((string, _), mark), sounding) in
                self.tuning.strings().zip(&step.marks).zip(&mut left_sounding)
            {
                *sounding = self.play(string, mark, *sounding, &mut asked);
            }
            asked.stages.sort_by_key(|stage| stage.order);
            steps.push(asked);
        }
        Expected {
            title: self.title.clone(),
            tempo_bpm: self.tempo_bpm,
            swing_share,
            open_strings: self
                .tuning
                .strings()
                .filter_map(|(string, _)| Some((string, self.sounding(string, 0)?)))
                .collect(),
            steps,
        }
    }

    /// Adds what `mark` asks of `string`, on which `before` sounds, and returns what sounds after.
    fn play(
        &self,
        string: StringNumber,
        mark: &Mark,
        before: Option<ExpectedNote>,
        asked: &mut ExpectedStep,
    ) -> Option<ExpectedNote> {
        let note = |fret: Fret, semitones: u8, technique| {
            let note = self.sounding(string, semitones)?;
            Some(ExpectedNote { string, fret, note, technique })
        };
        let struck = match mark {
            Mark::NotPlayed => {
                asked.left_open.extend(self.sounding(string, 0));
                return None;
            }
            Mark::Held => {
                let held = ExpectedNote { technique: Technique::Held, ..before? };
                asked.held.push(held);
                return Some(held);
            }
            Mark::Fretted { fret, .. } => note(*fret, fret.0, Technique::Struck)?,
            Mark::NaturalHarmonic(touched) => {
                note(*touched, harmonic_semitones(touched.0)?, Technique::NaturalHarmonic)?
            }
            Mark::ArtificialHarmonic { stopped, touched } => {
                let node = touched.0.checked_sub(stopped.0)?;
                let semitones = stopped.0.checked_add(harmonic_semitones(node)?)?;
                note(*touched, semitones, Technique::ArtificialHarmonic { stopped: *stopped })?
            }
        };
        asked.struck.push(struck);
        let mut sounding = struck;
        if let Mark::Fretted { moves, .. } = mark {
            for (order, next) in (1..).zip(moves) {
                let technique = match next.kind {
                    MoveKind::HammerOn => Technique::HammerOn,
                    MoveKind::PullOff => Technique::PullOff,
                    MoveKind::Slide | MoveKind::SlideUp | MoveKind::SlideDown => Technique::Slide,
                    MoveKind::Bend => Technique::Bend,
                };
                sounding = note(next.to, next.to.0, technique)?;
                asked.stages.push(Stage { to: sounding, order });
            }
        }
        Some(sounding)
    }
}
