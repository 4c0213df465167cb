//! One strike against one step: which notes are right, wrong, missing, extra or ringing on.
//!
//! The ear was blind to the step. Here its notes are only compared with what the step asks for;
//! nothing is heard again, so a wrong double stop cannot turn into a right one.
//!
//! **Conventions.** Cents are told against the expected note, or the nearest one, with the offset
//! of the guitar as a whole taken off.

mod graced;
mod instead;
mod unison;

pub(super) use graced::is_graced;
pub(super) use graced::led_at;

use super::verdict::HeardNote;
use super::verdict::Pitch;
use super::verdict::Status;
use super::verdict::Verdict;
use crate::engine::HeardPitch;
use crate::engine::Strike;
use crate::lick::expected::ExpectedNote;
use crate::lick::expected::ExpectedStep;
use crate::lick::expected::Technique;
use crate::pitch::tone::Tone;
use crate::theory::note::MidiNote;
use crate::theory::note::Reference;
use crate::units::Cents;

/// A note struck in place of an expected one lies this near to it at most, in semitones; further
/// off it is an extra note beside a missing one.
const INSTEAD_SEMITONES: i32 = 4;
/// Log odds of having been struck, not of ringing on, from which a note counts that the step asks for:
/// most of these are struck.
const SOFTLY_STRUCK: f64 = -3.5;
/// … one that took the place of a missing note, which has to be explained by something, …
const STRUCK_INSTEAD: f64 = 0.5;
/// … and one beside all that was asked for: far more often such a note rings on.
const STRUCK_BESIDE: f64 = 2.5;
/// … the same of one that was gone by the next strike.
const STRUCK_FLEETING: f64 = 5.0;
/// … which is not told at all if it was this much softer than the loudest.
const SOFT_DB: f64 = 15.0;

/// An extra note less sure than this is not held against the player, …
const SURE_EXTRA: f64 = 0.9;
/// … unless it came out of nothing (log odds of having been struck): what rings on together looks like
/// a note now and then, and gains less.
const OUT_OF_NOTHING: f64 = 4.0;

/// Fret 24 of a first string (common practice), E6.
const HIGHEST_FRETTED: MidiNote = MidiNote(88);

/// Notes asked for are struck so many times as often as not: a faint one just believed (log odds of
/// −2 by its sound) is then a guess.
const ASKED_ODDS: f64 = 7.4;

/// What is faint and may be but another's partials counts in chords of so many notes: nearly all of them
/// is played.
const CHORD_NOTES: usize = 4;

/// A note that may be but another's partials counts in place of a missing one a semitone off if it is
/// likelier than this.
const EVEN_CHANCE: f64 = 0.7;

/// … and an open string that the step does not play, beside notes asked for, if it is likelier than
/// this: unasked, few notes are as likely.
const OPEN_CHANCE: f64 = 0.75;
/// No finger bends an open string: further off its note it is none, in cents.
const OPEN_CENTS: f64 = 25.0;

/// What a strike is to a step.
#[derive(Debug, Clone, PartialEq)]
pub struct Match {
    /// How it went.
    pub verdict: Verdict,
    /// What sounded, rising in pitch.
    pub heard: Vec<HeardNote>,
    /// Expected notes that did not sound.
    pub missing: Vec<ExpectedNote>,
    /// Of so many of these where they lead was heard as struck.
    pub n_reached: usize,
}

impl Match {
    /// How far the strike is from the step: 0 right, 1 nothing in common.
    pub fn distance(&self, n_expected: usize) -> f64 {
        let count = |wanted: fn(&Status) -> bool| {
            self.heard.iter().filter(|h| wanted(&h.status)).count() as f64
        };
        let wrong = count(|s| matches!(s, Status::Wrong { .. }));
        let extra = count(|s| matches!(s, Status::Extra));
        // What came where it should have led is half of it.
        let missing = self.missing.len() as f64 - wrong - 0.5 * self.n_reached as f64;
        // Extra notes never make a strike foreign to the step whose notes it holds.
        (0.9 * wrong + missing) / n_expected.max(1) as f64 + (0.15 * extra).min(0.3)
    }
}

/// Where a pitch lies on a scale that is `offset` sharp.
pub fn place(pitch: &HeardPitch, reference: Reference, offset: Cents) -> Option<Pitch> {
    let (note, cents) = reference.nearest(pitch.frequency.raised(Cents(-offset.0)))?;
    let cents_error = pitch.error_cents.map(Cents);
    Some(Pitch { note, frequency: pitch.frequency, cents, cents_error })
}

/// Compares what sounds after `strike` with what `step` asks for.
pub fn match_strike(
    step: &ExpectedStep,
    strike: &Strike,
    reference: Reference,
    offset: Cents,
) -> Match {
    let missing = unison::distinct(&step.struck);
    let (heard, others) = (Vec::new(), Vec::new());
    let mut matching =
        Matching { step, strike, reference, offset, missing, heard, others, n_reached: 0 };
    matching.take_sure();
    matching.take_doubtful();
    matching.take_combined();
    matching.take_graces();
    matching.find_substitutes();
    matching.take_hidden();
    for (pitch, sound) in std::mem::take(&mut matching.others) {
        if let Some(status) = matching.status(&pitch, sound) {
            matching.heard.push(note(pitch, status, None, sound));
        }
    }
    matching.finish()
}

/// A match in the making.
struct Matching<'a> {
    step: &'a ExpectedStep,
    strike: &'a Strike,
    reference: Reference,
    offset: Cents,
    /// What was asked for and not found yet.
    missing: Vec<ExpectedNote>,
    heard: Vec<HeardNote>,
    /// What was heard and not asked for.
    others: Vec<(Pitch, &'a HeardPitch)>,
    /// Of how many that are missing the string was struck where they should have led.
    n_reached: usize,
}

impl<'a> Matching<'a> {
    fn place(&self, sound: &HeardPitch) -> Option<Pitch> {
        place(sound, self.reference, self.offset)
    }

    /// A string stopped at `note`.
    fn asked(&self, note: MidiNote) -> Tone {
        Tone::at(self.reference.frequency(note).raised(self.offset).get())
    }

    /// Whether all partials of `sound` are those of another that was struck.
    fn is_hidden(&self, sound: &HeardPitch) -> bool {
        let mut struck = self.strike.notes.iter().filter(|other| other.is_struck());
        struck.any(|other| sound.tone().is_overtone_of(&other.tone()))
    }

    /// What sounds as a note: for sure, or because it was asked for.
    fn sounding(&self) -> impl Iterator<Item = Tone> + '_ {
        let asked = self.heard.iter().map(|heard| Tone::at(heard.pitch.frequency.get()));
        self.strike.notes.iter().map(HeardPitch::tone).chain(asked)
    }

    fn hear(&mut self, i_missing: usize, pitch: Pitch, sound: &HeardPitch) {
        let expected = self.missing.remove(i_missing);
        match self.both_strings(expected, sound) {
            Some(both) => self.heard.extend(both),
            None => self.heard.push(note(pitch, Status::Right, Some(expected), sound)),
        }
    }

    fn take_sure(&mut self) {
        for sound in &self.strike.notes {
            let Some(pitch) = self.place(sound) else { continue };
            let wanted = self.missing.iter().position(|e| e.note == pitch.note);
            match wanted.filter(|_| may_be_struck(sound)) {
                Some(i) => self.hear(i, pitch, sound),
                None => self.others.push((pitch, sound)),
            }
        }
    }

    /// What is faint or may sound in another's shadow counts where it was asked for, most notes asked
    /// for being played; but a faint one not beside another that was struck in its place.
    fn take_doubtful(&mut self) {
        let faint = self.strike.faint.iter().map(|sound| (sound, true));
        for (sound, is_faint) in
            self.strike.doubtful.iter().map(|sound| (sound, false)).chain(faint)
        {
            let Some(pitch) = self.place(sound) else { continue };
            let Some(i) = self.missing.iter().position(|e| e.note == pitch.note) else { continue };
            let may_be_partials = || {
                self.step.struck.len() < CHORD_NOTES && !sound.is_struck() && self.is_hidden(sound)
            };
            if !may_be_struck(sound)
                || is_faint && (self.is_replaced(pitch.note) || may_be_partials())
            {
                continue;
            }
            self.hear(i, pitch, sound);
            // It is no surer for want of the partials that made notes of their own.
            self.others.retain(|(_, other)| !other.tone().is_overtone_of(&sound.tone()));
        }
    }

    /// Whether another note was struck that is nearer to `note` than to all else that is missing.
    fn is_replaced(&self, note: MidiNote) -> bool {
        self.others.iter().filter(|(_, other)| other.is_struck()).any(|(pitch, _)| {
            let distance = |note: MidiNote| semitones(pitch.note, note).abs();
            let nearest = self.missing.iter().map(|e| distance(e.note)).min();
            distance(note) <= INSTEAD_SEMITONES && nearest == Some(distance(note))
        })
    }

    /// One that took the place of a missing note has as good a chance as that note had, and a faint one if it
    /// surely came with the strike.
    fn find_substitutes(&mut self) {
        let faint = self.strike.faint.iter().filter(|sound| sound.struck_odds > STRUCK_BESIDE);
        let doubtful = self.strike.doubtful.iter();
        let doubtful = doubtful.filter(|s| s.is_struck() && s.confidence > EVEN_CHANCE);
        for sound in doubtful.chain(faint) {
            let Some(pitch) = self.place(sound) else { continue };
            let known = self.heard.iter().any(|h| h.pitch.note == pitch.note)
                || self.others.iter().any(|(p, _)| p.note == pitch.note);
            let beside = |e: &ExpectedNote| semitones(e.note, pitch.note).abs() == 1;
            if !known && (self.rings_open(&pitch, sound) || self.missing.iter().any(beside)) {
                self.others.push((pitch, sound));
            }
        }
    }

    /// Whether an open string rings along that the step does not play.
    fn rings_open(&self, pitch: &Pitch, sound: &HeardPitch) -> bool {
        // A glide's smeared partials look like many a note.
        self.step.stages.is_empty()
            && self.step.left_open.contains(&pitch.note)
            && pitch.cents.0.abs() < OPEN_CENTS
            && sound.likely
            && sound.confidence > OPEN_CHANCE
            && !self.sounding().any(|other| sound.tone().is_overtone_of(&other))
    }

    /// What a note is that was not asked for; `None` if it is none.
    fn status(&self, pitch: &Pitch, sound: &HeardPitch) -> Option<Status> {
        let belongs = |notes: &[ExpectedNote]| notes.iter().any(|e| e.note == pitch.note);
        let again = self.heard.iter().any(|h| h.pitch.note == pitch.note);
        let later = is_on_the_way(self.step, pitch.note);
        let is_replaced = |e: &ExpectedNote| {
            let status = Status::Wrong { instead_of: *e };
            self.heard.iter().any(|h| h.status == status)
        };
        let distance = |e: &ExpectedNote| semitones(e.note, pitch.note).abs();
        let free = self.missing.iter().filter(|e| !is_replaced(e));
        let near = free.filter(|e| distance(e) <= INSTEAD_SEMITONES);
        let nearest = near.min_by_key(|e| distance(e)).copied();
        let least = match (nearest, sound.lasting) {
            (Some(_), _) | (_, Some(true)) => STRUCK_INSTEAD,
            (None, Some(false)) => STRUCK_FLEETING,
            (None, None) => STRUCK_BESIDE,
        };
        if sound.struck_odds < least || again || later || belongs(&self.step.held) {
            return Some(Status::Ringing);
        }
        if let Some(instead_of) = nearest {
            return Some(Status::Wrong { instead_of });
        }
        let loudest_db = self.strike.notes.iter().map(|s| s.level.0).fold(f64::MIN, f64::max);
        let is_soft = sound.lasting == Some(false) && sound.level.0 < loudest_db - SOFT_DB;
        let is_doubted = sound.confidence < SURE_EXTRA && sound.struck_odds < OUT_OF_NOTHING;
        // While a note moves its low partials look like a string of their own.
        let mut targets = self.step.stages.iter().map(|stage| self.asked(stage.to.note));
        let is_over_a_glide = targets.any(|target| sound.tone().is_overtone_of(&target));
        // In chords hidden strings beat with each other, which looks like one more.
        let is_beating = self.step.struck.len() >= CHORD_NOTES && self.is_hidden(sound)
            || self.is_beating_unison(&sound.tone());
        // No fret reaches it: an overtone of what sounds.
        let is_too_high = pitch.note > HIGHEST_FRETTED;
        let is_overtone = is_too_high || self.is_fifth_partial(pitch, sound);
        let is_none = is_soft || is_doubted || is_over_a_glide || is_beating || is_overtone;
        (!is_none).then_some(Status::Extra)
    }

    fn finish(self) -> Match {
        let Self { missing, mut heard, n_reached, .. } = self;
        heard.sort_by(|a, b| a.pitch.frequency.get().total_cmp(&b.pitch.frequency.get()));
        let fault = heard.iter().any(|h| matches!(h.status, Status::Wrong { .. } | Status::Extra));
        let verdict = if fault {
            Verdict::Wrong
        } else if missing.is_empty() {
            Verdict::Right
        } else {
            Verdict::Incomplete
        };
        Match { verdict, heard, missing, n_reached }
    }
}

/// Whether `sound` counts where it was asked for.
pub(super) fn may_be_struck(sound: &HeardPitch) -> bool {
    sound.struck_odds > SOFTLY_STRUCK
}

/// Whether a note that a step asks for came with an unclear `strike`, `found` being what that is to the step.
pub(super) fn brings(strike: &Strike, found: &Match) -> bool {
    let mut right = found.heard.iter().filter(|heard| heard.expected.is_some());
    right.any(|right| {
        let mut came = strike.every_note().filter(|note| note.is_struck());
        came.any(|note| note.frequency == right.pitch.frequency)
    })
}

/// Whether `note` is a later stage of `step`, or lies between two stages of one string: a slide
/// passes frets and a bend whatever lies below its target.
fn is_on_the_way(step: &ExpectedStep, note: MidiNote) -> bool {
    step.stages.iter().any(|stage| {
        let before = step
            .stages
            .iter()
            .rev()
            .find(|s| s.to.string == stage.to.string && s.order < stage.order)
            .map(|s| s.to.note)
            .or(step.struck.iter().find(|n| n.string == stage.to.string).map(|n| n.note));
        let from = before.unwrap_or(stage.to.note);
        let glides = matches!(stage.to.technique, Technique::Slide | Technique::Bend);
        let between = from.0.min(stage.to.note.0)..=from.0.max(stage.to.note.0);
        stage.to.note == note || glides && between.contains(&note.0)
    })
}

/// A note heard as `sound`, surer where it was asked for.
pub(super) fn note(
    pitch: Pitch,
    status: Status,
    expected: Option<ExpectedNote>,
    sound: &HeardPitch,
) -> HeardNote {
    HeardNote {
        pitch,
        status,
        expected,
        start_s: None,
        confidence: if expected.is_some() {
            confidence_once_asked(sound.confidence)
        } else {
            sound.confidence
        },
        stiffness: sound.stiffness,
        played_at: None,
    }
}

/// How likely a note sounds that was asked for, `alone` being its likelihood at even odds beforehand.
fn confidence_once_asked(alone: f64) -> f64 {
    ASKED_ODDS * alone / (ASKED_ODDS * alone + 1.0 - alone)
}

fn semitones(a: MidiNote, b: MidiNote) -> i32 {
    i32::from(b.0) - i32::from(a.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Combined;
    use crate::engine::Stage;
    use crate::lick::Lick;
    use crate::pitch::estimate::LEAST_FAINT;
    use crate::units::Decibels;
    use crate::units::SampleIndex;

    fn sound(midi: f64, confidence: f64) -> HeardPitch {
        HeardPitch { confidence, ..HeardPitch::sure(midi) }
    }

    /// C4 and B4 are asked for; C4 and `notes` are heard, `doubtful` and `faint` perhaps.
    fn told(notes: &[HeardPitch], doubtful: &[HeardPitch], faint: &[HeardPitch]) -> Verdict {
        told_of("x x x 5 x 7", notes, doubtful, faint)
    }

    /// The same of a step with C4 and others.
    fn told_of(
        frets: &str,
        notes: &[HeardPitch],
        doubtful: &[HeardPitch],
        faint: &[HeardPitch],
    ) -> Verdict {
        matched(frets, notes, doubtful, faint).verdict
    }

    fn matched(
        frets: &str,
        notes: &[HeardPitch],
        doubtful: &[HeardPitch],
        faint: &[HeardPitch],
    ) -> Match {
        let notes = [&[sound(60.0, 1.0)], notes].concat();
        let (doubtful, faint) = (doubtful.to_vec(), faint.to_vec());
        matched_strike(frets, &Strike { doubtful, faint, ..strike(notes) })
    }

    fn strike(notes: Vec<HeardPitch>) -> Strike {
        Strike {
            onset: SampleIndex(0),
            end: SampleIndex(44_100),
            stage: Stage::Whole,
            notes,
            doubtful: Vec::new(),
            faint: Vec::new(),
            later: Vec::new(),
            combined: Vec::new(),
        }
    }

    fn matched_strike(frets: &str, strike: &Strike) -> Match {
        let lick = format!(
            "title = \"Weir\"\nkey = \"C major\"\ntempo = 90\nmeter = \"4/4\"\n\
             steps = [{{ beats = 1, frets = \"{frets}\" }}]\n"
        );
        let expected = Lick::parse(&lick, "test").expect("a good lick").expected();
        match_strike(&expected.steps[0], strike, Reference::default(), Cents(0.0))
    }

    /// C4 is heard and perhaps `doubtful`, which C4's partials would hide.
    fn verdict(doubtful: HeardPitch) -> Verdict {
        told(&[], &[doubtful], &[])
    }

    #[test]
    fn an_octave_in_place_of_a_seventh_is_wrong_where_it_is_likely() {
        assert_eq!(verdict(sound(72.0, 0.8)), Verdict::Wrong);
        assert_eq!(verdict(sound(72.0, 0.6)), Verdict::Incomplete);
        assert_eq!(verdict(sound(79.0, 0.8)), Verdict::Incomplete, "nowhere near B4");
        assert_eq!(verdict(sound(71.0, 0.6)), Verdict::Right, "asked for, it counts");
    }

    #[test]
    fn a_faint_note_counts_where_it_is_asked_for_and_not_replaced() {
        assert_eq!(told(&[], &[], &[sound(71.0, 0.2)]), Verdict::Right);
        let came = |midi: f64, odds: f64| HeardPitch { struck_odds: odds, ..sound(midi, 0.4) };
        assert_eq!(told(&[], &[], &[came(70.0, 0.0)]), Verdict::Incomplete, "not asked for");
        assert_eq!(told(&[], &[], &[came(70.0, 5.0)]), Verdict::Wrong, "it came with the strike");
        assert_eq!(told(&[], &[], &[came(69.0, 5.0)]), Verdict::Incomplete, "and too far off");
        assert_eq!(told(&[sound(70.0, 1.0)], &[], &[sound(71.0, 0.2)]), Verdict::Wrong);
    }

    #[test]
    fn one_note_stands_in_the_place_of_one() {
        let missing = |faint: f64| {
            let found = matched("x x 7 5 5 x", &[sound(61.0, 1.0)], &[], &[sound(faint, 0.2)]);
            assert_eq!(found.verdict, Verdict::Wrong);
            found.missing.iter().map(|e| e.note.0).collect::<Vec<_>>()
        };
        assert_eq!(missing(57.0), [64], "C#4 is nearer to E4 than to A3, which is faint");
        assert_eq!(missing(64.0), [57, 64], "it stands for E4");
    }

    #[test]
    fn a_faint_note_in_the_shadow_of_another_counts_in_chords() {
        let hidden = [HeardPitch { struck_odds: 0.0, ..sound(72.0, 0.2) }];
        assert_eq!(told_of("x x x 5 x 8", &[], &[], &hidden), Verdict::Incomplete);
        let came = [sound(72.0, 0.2)];
        assert_eq!(told_of("x x x 5 x 8", &[], &[], &came), Verdict::Right, "with the strike");
        let others = [sound(64.0, 1.0), sound(67.0, 1.0)];
        assert_eq!(told_of("x x 10 9 8 8", &others, &[], &hidden), Verdict::Right);
        let octaves = [sound(64.0, 1.0), sound(67.0, 1.0), sound(72.0, 1.0), sound(76.0, 1.0)];
        assert_eq!(told_of("x x 10 9 8 8", &octaves, &[], &[]), Verdict::Right, "unasked, none");
    }

    #[test]
    fn overtones_of_an_unsure_note_are_its_own() {
        let two = [sound(83.0, 1.0), sound(90.0, 1.0)];
        assert_eq!(told(&two, &[], &[sound(71.0, 0.2)]), Verdict::Right);
        assert_eq!(told(&two, &[sound(71.0, 0.8)], &[]), Verdict::Right, "of a doubtful one too");
        assert_eq!(told(&[sound(83.0, 1.0)], &[], &[]), Verdict::Wrong, "B4 is not there at all");
        assert_eq!(told(&[sound(82.0, 1.0)], &[], &[sound(71.0, 0.2)]), Verdict::Wrong);
    }

    #[test]
    fn all_that_shows_of_a_hidden_note_may_be_its_octave() {
        // The third partial of E2 lies on the first of B3.
        let low = HeardPitch { struck_odds: -10.0, ..sound(40.0, 1.0) };
        let of = |notes: &[HeardPitch]| told_of("x x x 5 0 x", notes, &[], &[]);
        assert_eq!(of(&[low, sound(71.0, 1.0)]), Verdict::Right);
        assert_eq!(
            of(&[low, sound(71.0, 1.0), sound(78.0, 1.0)]),
            Verdict::Right,
            "and its twelfth"
        );
        assert_eq!(of(&[sound(71.0, 1.0)]), Verdict::Wrong, "B3 is not hidden");
        assert_eq!(of(&[low, sound(70.0, 1.0)]), Verdict::Wrong, "no octave of it");
        assert_eq!(of(&[low]), Verdict::Incomplete);
    }

    /// B4 and F#5 are second and third partial of B3 (any book on acoustics).
    #[test]
    fn an_octave_and_a_twelfth_together_are_the_note_below() {
        let (octave, twelfth) = (sound(71.0, 1.0), sound(78.02, 0.8));
        let of = |notes: &[HeardPitch], doubtful: &[HeardPitch]| {
            told_of("x x x 5 0 x", notes, doubtful, &[])
        };
        assert_eq!(of(&[octave, twelfth], &[]), Verdict::Right);
        assert_eq!(of(&[octave], &[twelfth]), Verdict::Right, "and perhaps a twelfth");
        assert_eq!(of(&[octave], &[sound(78.4, 0.8)]), Verdict::Wrong, "no twelfth of it");
        assert_eq!(of(&[twelfth], &[]), Verdict::Wrong, "no octave");
        let rings = HeardPitch { struck_odds: -10.0, ..twelfth };
        assert_eq!(of(&[octave, rings], &[]), Verdict::Wrong, "one that rang before");
    }

    #[test]
    fn a_combination_is_one_where_both_its_strings_were_asked_for() {
        let told_at = |struck_odds: f64, frets: &str, midi: f64, strings: [f64; 2], chance: f64| {
            let note = HeardPitch { struck_odds, ..sound(midi, 1.0) };
            let strings = strings.map(|s| HeardPitch { struck_odds, ..sound(s, chance) });
            let combined = vec![Combined { note: note.frequency, strings }];
            matched_strike(frets, &Strike { combined, ..strike(vec![note]) }).verdict
        };
        let told = |frets: &str, midi: f64, strings: [f64; 2], chance: f64| {
            told_at(10.0, frets, midi, strings, chance)
        };
        assert_eq!(told("x x x 5 6 x", 41.0, [60.0, 65.0], 0.1), Verdict::Right, "a fourth");
        let rings = told_at(-10.0, "x x x 5 6 x", 41.0, [60.0, 65.0], 0.1);
        assert_eq!(rings, Verdict::Incomplete, "it rings on");
        assert_eq!(told("x x x 5 8 x", 41.0, [60.0, 65.0], 0.1), Verdict::Wrong, "not that one");
        let three = told("x x 3 5 6 x", 41.0, [60.0, 65.0], 0.1);
        assert_eq!(three, Verdict::Incomplete, "F3 is missing, F2 is none");
        let fifth = |chance: f64| told("x x 2 4 x x", 40.0, [52.0, 59.0], chance);
        assert_eq!(fifth(0.4), Verdict::Wrong, "E2 is an open string");
        assert_eq!(fifth(0.6), Verdict::Right);
    }

    #[test]
    fn what_was_gone_by_the_next_strike_has_to_be_surer() {
        let beside = |struck_odds: f64, lasting: Option<bool>, level: f64| {
            let level = Decibels(level);
            let extra = HeardPitch { struck_odds, lasting, level, ..HeardPitch::sure(64.0) };
            told(&[sound(71.0, 1.0), extra], &[], &[])
        };
        assert_eq!(beside(4.0, None, -20.0), Verdict::Wrong, "nobody knows");
        assert_eq!(beside(4.0, Some(false), -20.0), Verdict::Right);
        assert_eq!(beside(6.0, Some(false), -20.0), Verdict::Wrong);
        assert_eq!(beside(6.0, Some(false), -36.0), Verdict::Right, "and soft");
        assert_eq!(beside(1.0, None, -20.0), Verdict::Right, "it rang before");
        assert_eq!(beside(1.0, Some(true), -20.0), Verdict::Wrong);
    }

    #[test]
    fn what_no_fret_reaches_is_an_overtone() {
        let beside = |midi: f64| told(&[sound(71.0, 1.0), sound(midi, 1.0)], &[], &[]);
        assert_eq!(beside(88.0), Verdict::Wrong, "fret 24 of the first string");
        assert_eq!(beside(89.0), Verdict::Right);
    }

    /// The fifth partial of C4 is an E6 14 cents flat (1200 log2(5) = 2786.3).
    #[test]
    fn a_fifth_partial_is_no_string() {
        let beside = |midi: f64| told(&[sound(71.0, 1.0), sound(midi, 1.0)], &[], &[]);
        assert_eq!(beside(87.87), Verdict::Right);
        assert_eq!(beside(88.0), Verdict::Wrong, "in tune it is a note");
        assert_eq!(beside(86.87), Verdict::Wrong, "a partial of nothing");
    }

    #[test]
    fn the_least_that_is_believed_is_a_guess() {
        let least = confidence_once_asked(1.0 / (1.0 + (-LEAST_FAINT).exp()));
        assert!((least - 0.5).abs() < 0.005, "{least}");
    }

    #[test]
    fn an_open_string_is_told_sooner_than_another_note() {
        let beside =
            |midi: f64, chance: f64| told(&[sound(71.0, 1.0)], &[sound(midi, chance)], &[]);
        assert_eq!(beside(59.0, 0.8), Verdict::Wrong, "the open second string rings along");
        assert_eq!(beside(59.0, 0.7), Verdict::Right, "too unlikely");
        assert_eq!(beside(59.4, 0.8), Verdict::Right, "too far off for an open string");
        assert_eq!(beside(61.0, 0.8), Verdict::Right, "no open string");
        assert_eq!(beside(55.0, 0.8), Verdict::Right, "the third string is stopped");
        let low_e =
            |open: f64| told_of("0 x x 5 x x", &[], &[sound(open, 0.8)], &[sound(40.0, 0.2)]);
        assert_eq!(low_e(50.0), Verdict::Wrong, "the open fourth string beside a faint E2");
        assert_eq!(low_e(59.02), Verdict::Right, "the third partial of E2");
        let body = HeardPitch { likely: false, ..sound(59.0, 0.8) };
        assert_eq!(
            told(&[sound(71.0, 1.0)], &[body], &[]),
            Verdict::Right,
            "it dies away too soon"
        );
    }
}
