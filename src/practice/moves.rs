//! Where a step leads: slides, bends, hammer-ons and pull-offs, held against what its strikes led to.

use super::doubt::doubt_if_graced;
use super::doubt::doubt_if_ringing;
use super::judge::Settings;
use super::matching::led_at;
use super::matching::may_be_struck;
use super::matching::note;
use super::matching::place;
use super::verdict::HeardNote;
use super::verdict::Status;
use super::verdict::StepJudgement;
use super::verdict::Verdict;
use crate::engine::Strike;
use crate::lick::expected::ExpectedNote;
use crate::lick::expected::ExpectedStep;
use crate::lick::expected::Stage;
use crate::pitch::unison::LEAST_CENTS;
use crate::units::Cents;
use crate::units::SampleRate;

/// A slide or bend that ends this near to its target, but not on it, missed it.
const SHORT_SEMITONES: i32 = 2;

/// Adds to the judgement of a `step` that is over where its `strikes` led, and misses what they did
/// not reach.
pub(super) fn judge_moves(
    step: &ExpectedStep,
    strikes: &[&Strike],
    rate: SampleRate,
    settings: &Settings,
    offset: Cents,
    judgement: &mut StepJudgement,
) {
    for strike in strikes {
        glide(judgement, step, strike, rate, settings, offset);
    }
    miss_stages(step, judgement);
    if let Some(strike) = strikes.first() {
        doubt_if_ringing(step, judgement, strike, settings.reference, offset);
        doubt_if_graced(step, judgement, strike, settings.reference, offset);
    }
}

/// Adds what was reached at a later stage.
pub(super) fn reach_stage(
    judgement: &mut StepJudgement,
    step: &ExpectedStep,
    strike: &Strike,
    start_s: f64,
    settings: &Settings,
    offset: Cents,
) {
    for sound in strike.notes.iter().chain(&strike.doubtful).filter(|n| may_be_struck(n)) {
        let Some(pitch) = place(sound, settings.reference, offset) else { continue };
        let target = step.stages.iter().find(|s| s.to.note == pitch.note);
        let Some(target) = target else { continue };
        if judgement.heard.iter().any(|h| h.expected == Some(target.to)) {
            continue;
        }
        let heard = note(pitch, Status::Right, Some(target.to), sound);
        judgement.heard.push(HeardNote { start_s: Some(start_s), ..heard });
    }
}

/// Adds what a strike glided to: slides and bends, and hammer-ons too soft for a strike.
fn glide(
    judgement: &mut StepJudgement,
    step: &ExpectedStep,
    strike: &Strike,
    rate: SampleRate,
    settings: &Settings,
    offset: Cents,
) {
    for target in &step.stages {
        let is_it = |heard: &&mut HeardNote| heard.expected == Some(target.to);
        if let Some(heard) = judgement.heard.iter_mut().find(is_it) {
            let led_at = led_at(strike, target, settings.reference, offset);
            heard.start_s = heard.start_s.or(led_at.map(|at| at.seconds(rate)));
            continue;
        }
        let beside = judgement.heard.iter().find(|heard| {
            heard.expected.is_some_and(|e| sounds_the_same(&e, target) && step.struck.contains(&e))
        });
        let beside = beside.map(|heard| heard.pitch.cents);
        let reached = strike.later.iter().find_map(|later| {
            let pitch = place(&later.pitch, settings.reference, offset)?;
            let is_other = |held: Cents| (pitch.cents.0 - held.0).abs() >= LEAST_CENTS;
            (pitch.note == target.to.note && beside.is_none_or(is_other)).then_some((pitch, later))
        });
        if let Some((pitch, later)) = reached {
            let heard = note(pitch, Status::Right, Some(target.to), &later.pitch);
            let start_s = Some(later.start.seconds(rate));
            judgement.heard.push(HeardNote { start_s, ..heard });
            continue;
        }
        // Somewhere near it, but not there: the slide stopped short, the bend fell flat.
        let short = strike.later.iter().filter(|later| later.pitch.likely).find_map(|later| {
            let pitch = place(&later.pitch, settings.reference, offset)?;
            let away = i32::from(pitch.note.0) - i32::from(target.to.note.0);
            let known = judgement.heard.iter().any(|h| h.pitch.note == pitch.note)
                || judgement.expected.iter().any(|e| e.note == pitch.note);
            (away.abs() <= SHORT_SEMITONES && !known).then_some((pitch, later))
        });
        if let Some((pitch, later)) = short {
            let heard = note(pitch, Status::Wrong { instead_of: target.to }, None, &later.pitch);
            let start_s = Some(later.start.seconds(rate));
            judgement.heard.push(HeardNote { start_s, ..heard });
            judgement.verdict = Verdict::Wrong;
        }
    }
}

/// Whether `note` sounds on another string what `target` leads to: then nobody hears whether this one came to it,
/// unless it is a little off.
fn sounds_the_same(note: &ExpectedNote, target: &Stage) -> bool {
    note.string != target.to.string && note.note == target.to.note
}

/// Later stages that were not reached are missing.
fn miss_stages(step: &ExpectedStep, judgement: &mut StepJudgement) {
    if judgement.verdict == Verdict::NotPlayed {
        return;
    }
    for target in &step.stages {
        let covers = |e: ExpectedNote| {
            e == target.to || sounds_the_same(&e, target) && step.struck.contains(&e)
        };
        if !judgement.heard.iter().any(|h| h.expected.is_some_and(covers)) {
            judgement.missing.push(target.to);
            if judgement.verdict == Verdict::Right {
                judgement.verdict = Verdict::Incomplete;
            }
        }
    }
}
