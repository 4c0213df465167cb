//! What a recording does not decide: it is told as unsure, with the reason, and not held against the player.
//!
//! **Conventions.** Times are seconds since the recording began. Nothing that was right is doubted.

use std::ops::Range;

use super::alignment::IN_TIME;
use super::matching::is_graced;
use super::matching::place;
use super::timing::Struck;
use super::verdict::HeardNote;
use super::verdict::Status;
use super::verdict::StepJudgement;
use super::verdict::Verdict;
use crate::engine::Strike;
use crate::engine::Take;
use crate::lick::expected::ExpectedNote;
use crate::lick::expected::ExpectedStep;
use crate::lick::expected::Stage;
use crate::lick::expected::Technique;
use crate::theory::note::MidiNote;
use crate::theory::note::Reference;
use crate::theory::spelling::Spelling;
use crate::units::Cents;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// What sounds for less than this cannot be judged, in seconds, …
const SHORTEST_S: f64 = 0.06;
/// … and of what sounds for less than this notes are missed: in one of twelve right double stops of 0.09 s.
const MISSED_S: f64 = 0.1;
/// The ear follows a pitch from note to note if each sounds for this long, in seconds.
const FOLLOWED_S: f64 = 0.16;

/// Below these log odds of having been struck what sounds rang on. Of right notes of licks 65 in 48 600 lie between
/// them and those from which a note counts, of notes left out 42 in 3200: where players leave out one in forty, that
/// decides nothing.
const RANG_ON: f64 = -6.0;

/// B1 of a seventh string: nothing below it is looked for.
const LOWEST: MidiNote = MidiNote(35);
/// Semitones from a note up to its partials, the nearest ones in equal temperament.
const PARTIALS: [u8; 7] = [12, 19, 24, 28, 31, 34, 36];

/// Notes missing that `step` strikes and that all sound after `strike`, too likely struck again to say that they only
/// rang on.
pub(super) fn doubt_if_ringing(
    step: &ExpectedStep,
    judgement: &mut StepJudgement,
    strike: &Strike,
    reference: Reference,
    offset: Cents,
) {
    let may_be_struck = |missing: &ExpectedNote| {
        let mut sounds = strike.notes.iter().chain(&strike.doubtful);
        let sounds = sounds.any(|sound| {
            let note = place(sound, reference, offset).map(|pitch| pitch.note);
            sound.struck_odds > RANG_ON && note == Some(missing.note)
        });
        sounds && step.struck.contains(missing)
    };
    if judgement.verdict == Verdict::Incomplete && judgement.missing.iter().all(may_be_struck) {
        let reason = format!("{} may only have rung on", names(&judgement.missing));
        doubt(judgement, reason);
    }
}

/// What sounded too shortly to be heard, or to say that a note of it was missing.
pub(super) fn doubt_if_short(judgement: &mut StepJudgement, strike: &Strike, rate: SampleRate) {
    let heard_s = strike.end.seconds(rate) - strike.onset.seconds(rate);
    let least_s = match judgement.verdict {
        Verdict::Right => return,
        Verdict::Incomplete => MISSED_S,
        Verdict::Wrong | Verdict::NotPlayed | Verdict::Unsure => SHORTEST_S,
    };
    if heard_s < least_s {
        doubt(
            judgement,
            format!("it sounded for {:.0} ms only, too shortly to tell", 1000.0 * heard_s.max(0.0)),
        );
    }
}

/// Notes missing on strings that slide or are bent and sounded too shortly to be followed: while a pitch moves,
/// its notes smear into those between them.
pub(super) fn doubt_if_unfollowed(
    step: &ExpectedStep,
    judgement: &mut StepJudgement,
    strikes: &[&Strike],
    rate: SampleRate,
) {
    let lengths_s = strikes.iter().map(|s| s.end.seconds(rate) - s.onset.seconds(rate));
    let n_notes = 1 + step.stages.iter().map(|stage| stage.order).max().unwrap_or(0);
    let shortest_s = lengths_s.fold(f64::INFINITY, f64::min) / f64::from(n_notes);
    let glides = |s: &&Stage| matches!(s.to.technique, Technique::Slide | Technique::Bend);
    let moves =
        |note: &ExpectedNote| step.stages.iter().filter(glides).any(|s| s.to.string == note.string);
    let is_fault = |heard: &HeardNote| match heard.status {
        Status::Wrong { instead_of } => !moves(&instead_of),
        Status::Extra => true,
        Status::Right | Status::Ringing => false,
    };
    if shortest_s < FOLLOWED_S
        && matches!(judgement.verdict, Verdict::Wrong | Verdict::Incomplete)
        && !judgement.missing.is_empty()
        && judgement.missing.iter().all(moves)
        && !judgement.heard.iter().any(is_fault)
    {
        doubt(
            judgement,
            format!(
                "it sounded for {:.0} ms only, too shortly to hear where it moves",
                1000.0 * shortest_s
            ),
        );
    }
}

/// Grace notes missing where what they lead to was reached at once, nobody hears from where.
pub(super) fn doubt_if_graced(
    step: &ExpectedStep,
    judgement: &mut StepJudgement,
    strike: &Strike,
    reference: Reference,
    offset: Cents,
) {
    let came = |missing: &ExpectedNote| {
        step.struck.contains(missing) && is_graced(step, missing, strike, reference, offset)
    };
    if judgement.verdict == Verdict::Incomplete && judgement.missing.iter().all(came) {
        let missing = names(&judgement.missing);
        doubt(judgement, format!("it moved on too soon to hear whether it began as {missing}"));
    }
}

/// Notes missing that lie too low, as those of a bass do; partials of theirs may be heard in their place.
pub(super) fn doubt_if_too_low(judgement: &mut StepJudgement) {
    let low = &judgement.missing;
    let is_partial = |heard: &HeardNote| match heard.status {
        Status::Wrong { .. } | Status::Extra => low.iter().any(|note| {
            heard.pitch.note.0.checked_sub(note.note.0).is_some_and(|up| PARTIALS.contains(&up))
        }),
        Status::Right | Status::Ringing => true,
    };
    if judgement.verdict != Verdict::Right
        && !low.is_empty()
        && low.iter().all(|note| note.note < LOWEST)
        && judgement.heard.iter().all(is_partial)
    {
        let reason = format!("too low to be heard: {} (B1 is the lowest note)", names(low));
        doubt(judgement, reason);
    }
}

/// Where samples are missing from `take`.
pub(super) fn holes_s(take: &Take) -> Vec<Range<f64>> {
    let hole = |&(at, lost): &(SampleIndex, SampleCount)| {
        let start_s = at.seconds(take.rate);
        start_s..start_s + lost.seconds(take.rate)
    };
    take.holes.iter().map(hole).collect()
}

/// A step without a strike that was due, by the steps struck before and after it, where samples are missing.
pub(super) fn doubt_if_unheard(
    step: &ExpectedStep,
    judgement: &mut StepJudgement,
    struck: &[Struck],
    beat_s: f64,
    holes_s: &[Range<f64>],
) {
    let before = struck.iter().rev().find(|other| other.beats < step.start_beats);
    let after = struck.iter().find(|other| other.beats > step.start_beats);
    let beats_from = |other: &Struck| step.start_beats - other.beats;
    let Some((near, beat_s)) = (match (before, after) {
        (Some(before), Some(after)) => {
            let beat_s = (after.at_s - before.at_s) / (after.beats - before.beats);
            let is_nearer = beats_from(before) <= -beats_from(after);
            Some((if is_nearer { before } else { after }, beat_s))
        }
        (one, other) => one.or(other).map(|near| (near, beat_s)),
    }) else {
        return;
    };
    let way_s = beats_from(near) * beat_s;
    let (due_s, in_time_s) = (near.at_s + way_s, IN_TIME * way_s.abs());
    // What is cut off at once is not heard either.
    let hides = |hole: &Range<f64>| {
        hole.start - SHORTEST_S < due_s + in_time_s && due_s - in_time_s < hole.end
    };
    if judgement.verdict == Verdict::NotPlayed && holes_s.iter().any(hides) {
        doubt(judgement, "the recording lacks the sound where it was due".to_owned());
    }
}

/// Whether so much of a recording is lost that a lick of `lick_s` may have been played there unheard.
pub(super) fn may_hide(holes_s: &[Range<f64>], lick_s: f64, duration_s: f64) -> bool {
    let lost_s: f64 = holes_s.iter().map(|hole| hole.end - hole.start).sum();
    lost_s > 0.0 && lost_s >= lick_s.min(duration_s - lost_s)
}

/// All of a recording in which no step was heard, for it leaves nothing to judge by.
pub fn doubt_all(steps: &mut [StepJudgement], reason: &str) {
    steps.iter_mut().for_each(|step| doubt(step, reason.to_owned()));
}

/// What moves on only where samples are missing, or after the end of the recording.
pub(super) fn doubt_if_cut_off(
    step: &ExpectedStep,
    judgement: &mut StepJudgement,
    beat_s: f64,
    holes_s: &[Range<f64>],
    duration_s: f64,
) {
    let Some(start_s) = judgement.start_s else { return };
    if judgement.verdict != Verdict::Incomplete {
        return;
    }
    let due_s = |stage: &Stage| start_s + step.due_beats(stage) * beat_s;
    let lacks = |hole: &Range<f64>, note: &ExpectedNote| {
        let is_due = |s: &Stage| (hole.start - SHORTEST_S..hole.end).contains(&due_s(s));
        step.stages.iter().any(|s| s.to == *note && is_due(s))
    };
    let after_end = duration_s..f64::INFINITY;
    if judgement.missing.iter().all(|note| lacks(&after_end, note)) {
        doubt(judgement, "the recording ends before it moves on".to_owned());
    } else if judgement.missing.iter().all(|note| holes_s.iter().any(|hole| lacks(hole, note))) {
        doubt(judgement, "the recording lacks the sound where it moves on".to_owned());
    }
}

fn names(notes: &[ExpectedNote]) -> String {
    let name = |note: &ExpectedNote| Spelling::sharp(note.note).to_string();
    notes.iter().map(name).collect::<Vec<_>>().join(", ")
}

fn doubt(judgement: &mut StepJudgement, reason: String) {
    judgement.verdict = Verdict::Unsure;
    judgement.remarks.push(reason);
}
