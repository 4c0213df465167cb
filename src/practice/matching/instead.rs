//! What stands for notes that were asked for where they do not show themselves: an octave for a hidden one, a tone
//! below for two strings through an overdriven amplifier.

use super::INSTEAD_SEMITONES;
use super::Matching;
use super::STRUCK_BESIDE;
use super::may_be_struck;
use super::semitones;
use crate::engine::HeardPitch;
use crate::pitch::estimate::LOWEST_F1_HZ;
use crate::pitch::tone::Tone;
use crate::practice::verdict::Pitch;
use crate::theory::note::MidiNote;
use crate::units::Cents;

/// The pitch of a note of which only an octave shows is known no better, in cents.
const HIDDEN_ERROR_CENTS: f64 = 10.0;

/// In a strike of 0.2 s, as in tempo, a partial hides another that lies nearer than this to it, in hertz, if it is
/// one of the first few of its string.
const HIDING_HZ: f64 = 12.0;
const HIDING_PARTIALS: usize = 6;

/// A partial told as a note lies this near to the multiple of the note it belongs to, in cents.
const PARTIAL_CENTS: f64 = 15.0;

/// The fifth partial above the first, in cents: 1200 log2(5).
const FIFTH_CENTS: f64 = 2786.3;
/// So flat of the scale hardly any fret is, in cents (common practice); bending makes notes sharp.
const FLAT_CENTS: f64 = -8.0;

/// An open string is none but a combination of two others if that is likelier than this.
const COMBINED_OPEN_CHANCE: f64 = 0.5;

impl Matching<'_> {
    /// What may be but a combination of two strings is that where both were asked for.
    pub(super) fn take_combined(&mut self) {
        let [combined] = self.strike.combined[..] else { return };
        let is_it = |sound: &HeardPitch| sound.frequency == combined.note;
        let Some(at) = self.others.iter().position(|(_, sound)| is_it(sound)) else { return };
        let [Some(lower), Some(upper)] = combined.strings.map(|string| self.place(&string)) else {
            return;
        };
        let asked = |pitch: &Pitch| self.step.struck.iter().any(|e| e.note == pitch.note);
        let may_be_open = self.step.left_open.contains(&self.others[at].0.note);
        let least = if may_be_open { COMBINED_OPEN_CHANCE } else { 0.0 };
        let is_likely = |s: &HeardPitch| s.confidence >= least && may_be_struck(s);
        if !asked(&lower) || !asked(&upper) || !combined.strings.iter().all(is_likely) {
            return;
        }
        self.others.remove(at);
        for (pitch, sound) in [lower, upper].into_iter().zip(&combined.strings) {
            if let Some(i) = self.missing.iter().position(|e| e.note == pitch.note) {
                self.hear(i, pitch, sound);
            }
        }
    }

    /// Where another's partial lies beside its first, all that shows of a note may be its octave or twelfth; and an octave
    /// and a twelfth of it together are no two strings, but its second and third partial.
    pub(super) fn take_hidden(&mut self) {
        for i in (0..self.missing.len()).rev() {
            let asked = self.asked(self.missing[i].note);
            let hides_it = |sound: &HeardPitch| hides_first(&sound.tone(), &asked);
            if !self.strike.notes.iter().any(hides_it) && !self.shows_without_first(&asked) {
                continue;
            }
            let replaces = |note: MidiNote| {
                self.missing.iter().any(|e| semitones(e.note, note).abs() <= INSTEAD_SEMITONES)
            };
            let is_its = |(pitch, sound): &(Pitch, &HeardPitch)| {
                sound.tone().is_overtone_of(&asked)
                    && sound.struck_odds >= STRUCK_BESIDE
                    && !replaces(pitch.note)
            };
            let (its, others): (Vec<_>, _) = self.others.drain(..).partition(is_its);
            self.others = others;
            let Some((_, sound)) = its.first() else { continue };
            let ratio = (sound.tone().f1 / asked.f1).round();
            let below = HeardPitch {
                frequency: sound.frequency.raised(Cents(-1200.0 * ratio.log2())),
                error_cents: Some(HIDDEN_ERROR_CENTS),
                stiffness: None,
                ..**sound
            };
            if let Some(pitch) = self.place(&below) {
                self.hear(i, pitch, &below);
            }
        }
    }

    /// Whether `sound` is the fifth partial of a note that sounds: 14 cents below the scale, where no fret lies.
    pub(super) fn is_fifth_partial(&self, pitch: &Pitch, sound: &HeardPitch) -> bool {
        let is_it =
            |other: Tone| (sound.tone().cents_from(&other) - FIFTH_CENTS).abs() < PARTIAL_CENTS;
        pitch.cents.0 < FLAT_CENTS && self.sounding().any(is_it)
    }

    /// Whether second and third partial of `asked` were told as notes that nobody asked for.
    fn shows_without_first(&self, asked: &Tone) -> bool {
        let doubtful = self.strike.doubtful.iter().filter(|sound| sound.likely);
        let others = || self.others.iter().map(|(_, sound)| *sound).chain(doubtful.clone());
        let is_partial = |n: f64| {
            let at = 1200.0 * n.log2();
            others().any(|sound| {
                sound.is_struck() && (sound.tone().cents_from(asked) - at).abs() < PARTIAL_CENTS
            })
        };
        // Of a string too low for the ear nothing tells which of its partials these are.
        asked.f1 > LOWEST_F1_HZ && is_partial(2.0) && is_partial(3.0)
    }
}

/// Whether a partial of `other` hides the first one of `tone`.
fn hides_first(other: &Tone, tone: &Tone) -> bool {
    (1..=HIDING_PARTIALS).any(|n| (other.partial(n) - tone.f1).abs() < HIDING_HZ)
}
