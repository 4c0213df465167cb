//! Notes struck only for a moment: grace notes, from which the string moved on at once.

use super::Matching;
use super::may_be_struck;
use super::note;
use super::place;
use crate::engine;
use crate::engine::Grace;
use crate::engine::HeardPitch;
use crate::engine::Strike;
use crate::lick::expected::ExpectedNote;
use crate::lick::expected::ExpectedStep;
use crate::lick::expected::Stage;
use crate::lick::expected::Technique;
use crate::practice::verdict::Pitch;
use crate::practice::verdict::Status;
use crate::theory::note::Reference;
use crate::units::Cents;
use crate::units::Hertz;
use crate::units::SampleIndex;

/// A grace note is known to a quarter of a semitone, one standard error, in cents, and is the one that was asked for if
/// it lies within this of it.
const ERROR_CENTS: f64 = 25.0;
const SAME_CENTS: f64 = 65.0;
/// A slide or bend passes what lies on the way, but for this much before it arrives, in cents.
const ARRIVED_CENTS: f64 = 65.0;

impl Matching<'_> {
    /// Notes missing that were struck only for a moment, or not at all: what they lead to sounds instead.
    pub(super) fn take_graces(&mut self) {
        let step = self.step;
        for stage in first_moves(step) {
            let is_on_string = |e: &ExpectedNote| e.string == stage.to.string;
            let Some(&asked) = step.struck.iter().find(|e| is_on_string(e)) else { continue };
            let missing = self.missing.iter().position(|e| *e == asked);
            // Another string that sounds the same says nothing of this one.
            let is_other = |e: &ExpectedNote| !is_on_string(e) && e.note == asked.note;
            if missing.is_none() && !step.struck.iter().any(is_other) {
                continue;
            }
            let reached = self
                .others
                .iter()
                .position(|(pitch, sound)| pitch.note == stage.to.note && may_be_struck(sound));
            let Some(reached) = reached else { continue };
            let (pitch, sound) = self.others.remove(reached);
            self.heard.push(note(pitch, Status::Right, Some(stage.to), sound));
            let Some(i) = missing else { continue };
            let grace = sound.grace.and_then(|grace| self.asked_grace(asked, stage, &grace));
            match grace {
                Some(grace) => self.hear(i, grace, &HeardPitch { stiffness: None, ..*sound }),
                None => self.n_reached += 1,
            }
        }
    }

    /// The pitch at which `grace` is what was `asked`, before `stage`: of a slide, of which the middle may be all that is
    /// heard, anything on the way is.
    fn asked_grace(&self, asked: ExpectedNote, stage: &Stage, grace: &Grace) -> Option<Pitch> {
        let asked_hz = self.asked(asked.note).f1;
        let frequency = grace.frequency?;
        let off = Cents(1200.0 * (frequency.get() / asked_hz).log2());
        if off.0.abs() < SAME_CENTS {
            let (note, cents_error) = (asked.note, Some(Cents(ERROR_CENTS)));
            return Some(Pitch { note, frequency, cents: off, cents_error });
        }
        let way = 100.0 * (f64::from(stage.to.note.0) - f64::from(asked.note.0));
        let glides = matches!(stage.to.technique, Technique::Slide | Technique::Bend);
        let is_on_the_way = (0.0..way.abs() - ARRIVED_CENTS).contains(&(off.0 * way.signum()));
        // It began there, but how far off nobody heard.
        let (frequency, cents_error) = (Hertz::new(asked_hz)?, Some(Cents(off.0.abs())));
        let pitch = Pitch { note: asked.note, frequency, cents: Cents(0.0), cents_error };
        (glides && is_on_the_way).then_some(pitch)
    }
}

/// When `strike` led on to `stage` from a grace note, or when it began there; `None` if it did not come there at once.
pub(in crate::practice) fn led_at(
    strike: &Strike,
    stage: &Stage,
    reference: Reference,
    offset: Cents,
) -> Option<SampleIndex> {
    let sound = reached(strike, stage, reference, offset)?;
    Some(sound.grace.map_or(strike.onset, |grace| grace.until))
}

/// Whether `strike` came at once to where the string of `struck` moves on to, be it not known from which note or not
/// known yet.
pub(in crate::practice) fn is_graced(
    step: &ExpectedStep,
    struck: &ExpectedNote,
    strike: &Strike,
    reference: Reference,
    offset: Cents,
) -> bool {
    let is_whole = strike.stage == engine::Stage::Whole;
    let stage = first_moves(step).find(|stage| stage.to.string == struck.string);
    let reached = stage.and_then(|stage| reached(strike, stage, reference, offset));
    reached.is_some_and(|sound| !is_whole || sound.grace.is_some())
}

/// What `strike` holds of the note that `stage` leads to, if it was struck.
fn reached<'a>(
    strike: &'a Strike,
    stage: &Stage,
    reference: Reference,
    offset: Cents,
) -> Option<&'a HeardPitch> {
    let mut struck = strike.notes.iter().filter(|sound| may_be_struck(sound));
    struck.find(|sound| {
        place(sound, reference, offset).is_some_and(|pitch| pitch.note == stage.to.note)
    })
}

/// The first move of every string.
fn first_moves(step: &ExpectedStep) -> impl Iterator<Item = &Stage> {
    step.stages.iter().filter(|stage| stage.order == 1)
}
