//! Strikes that the ear did not notice as such: soft ones over loud strings. What the strike before them
//! led to gives them away.

use super::alignment::Place;
use super::judge::Settings;
use super::judge::fill;
use super::matching::match_strike;
use super::matching::place;
use super::verdict::StepJudgement;
use super::verdict::Verdict;
use crate::engine::HeardPitch;
use crate::engine::LaterNote;
use crate::engine::Strike;
use crate::engine::Take;
use crate::lick::expected::ExpectedNote;
use crate::lick::expected::ExpectedStep;
use crate::units::Cents;
use crate::units::SampleRate;

/// Notes of a strike that nobody noticed begin within this of each other, as far as that is known, in
/// seconds; …
const TOGETHER_S: f64 = 0.06;
/// … they were struck at these log odds: they had not sounded before …
const LED_TO_ODDS: f64 = 3.0;
/// … and the strike without them is no further from its step.
const PARTED_DISTANCE: f64 = 0.5;

/// Judges steps whose strike was not noticed by what the strike before it led to: just the notes of the
/// step, which began together in the midst of it.
pub(super) fn judge_unnoticed(
    judged: &mut [StepJudgement],
    steps: &[&ExpectedStep],
    take: &Take,
    places: &[Place],
    settings: &Settings,
    offset: Cents,
) {
    for (strike, place) in take.strikes.iter().zip(places) {
        let Place::Step(j) = *place else { continue };
        // The strike was taken for the step it began with, or for the one it ended with.
        let ways = [Some((j, j + 1)), j.checked_sub(1).map(|before| (before, j))];
        for (begun, ended) in ways.into_iter().flatten() {
            let other = if begun == j { ended } else { begun };
            let is_free = judged.get(other).is_some_and(|s| s.verdict == Verdict::NotPlayed);
            if !is_free || steps[begun].stages.len() + steps[ended].stages.len() > 0 {
                continue;
            }
            let asked = [steps[begun], steps[ended]];
            let Some(parts) = part(strike, asked, take.rate, settings, offset) else { continue };
            let [first, second] = &parts;
            let begin = match_strike(steps[begun], first, settings.reference, offset);
            let end = match_strike(steps[ended], second, settings.reference, offset);
            if begin.distance(steps[begun].struck.len()) < PARTED_DISTANCE {
                fill(&mut judged[begun], begin, first.onset.seconds(take.rate));
                fill(&mut judged[ended], end, second.onset.seconds(take.rate));
                break;
            }
        }
    }
}

/// `strike` as two, where notes began together in the midst of it that are all that the second step asks
/// for.
fn part(
    strike: &Strike,
    [begun, ended]: [&ExpectedStep; 2],
    rate: SampleRate,
    settings: &Settings,
    offset: Cents,
) -> Option<[Strike; 2]> {
    let is = |sound: &HeardPitch, notes: &[ExpectedNote]| {
        let pitch = place(sound, settings.reference, offset);
        pitch.is_some_and(|pitch| notes.iter().any(|note| note.note == pitch.note))
    };
    let led_to: Option<Vec<&LaterNote>> = ended
        .struck
        .iter()
        .map(|note| strike.later.iter().find(|later| is(&later.pitch, &[*note])))
        .collect();
    let led_to = led_to?;
    let onset = led_to.iter().map(|later| later.start).min()?;
    let last = led_to.iter().map(|later| later.start).max()?;
    if onset <= strike.onset || last.seconds(rate) - onset.seconds(rate) > TOGETHER_S {
        return None;
    }
    let mut first = Strike { end: onset, later: Vec::new(), ..strike.clone() };
    let begun_here = |sound: &HeardPitch| is(sound, &begun.struck) || !is(sound, &ended.struck);
    first.notes.retain(begun_here);
    first.doubtful.retain(begun_here);
    let notes = led_to.iter().map(|later| HeardPitch { struck_odds: LED_TO_ODDS, ..later.pitch });
    let second = Strike {
        onset,
        notes: notes.collect(),
        doubtful: Vec::new(),
        faint: Vec::new(),
        later: Vec::new(),
        ..*strike
    };
    Some([first, second])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Stage;
    use crate::lick::Lick;
    use crate::practice::judge::judge_take;
    use crate::units::SampleCount;
    use crate::units::SampleIndex;

    const RATE: u32 = 48_000;

    fn at(seconds: f64) -> SampleIndex {
        SampleIndex((seconds * f64::from(RATE)) as u64)
    }

    fn strike(seconds: [f64; 2], notes: &[f64], later: &[(f64, f64)]) -> Strike {
        Strike {
            onset: at(seconds[0]),
            end: at(seconds[1]),
            stage: Stage::Whole,
            notes: notes.iter().map(|&midi| HeardPitch::sure(midi)).collect(),
            doubtful: Vec::new(),
            faint: Vec::new(),
            later: later
                .iter()
                .map(|&(midi, s)| LaterNote { pitch: HeardPitch::sure(midi), start: at(s) })
                .collect(),
        }
    }

    /// Verdicts and beginnings of two steps, C4 with E4 and D4 with F4, half a second apart.
    fn judged(strikes: Vec<Strike>) -> Vec<(Verdict, Option<f64>)> {
        let lick = r#"
title = "Weir"
key = "C major"
tempo = 60
meter = "4/4"
steps = [
  { beats = 0.5, frets = "x x x 5 5 x" },
  { beats = 0.5, frets = "x x x 7 6 x" },
]
"#;
        let expected = Lick::parse(lick, "test").expect("a good lick").expected();
        let take = Take {
            rate: SampleRate::new(RATE).expect("positive"),
            length: SampleCount(2 * u64::from(RATE)),
            strikes,
            holes: Vec::new(),
            clipped: SampleCount(0),
        };
        let steps = judge_take(&expected, &take, &Settings::default()).steps;
        steps.iter().map(|step| (step.verdict, step.start_s)).collect()
    }

    #[test]
    fn a_step_that_a_strike_led_to_is_judged() {
        let notes = [60.0, 64.0, 65.0];
        let merged = strike([0.5, 1.5], &notes, &[(62.0, 1.0), (65.0, 1.02)]);
        let told = judged(vec![merged]);
        assert_eq!(told, [(Verdict::Right, Some(0.5)), (Verdict::Right, Some(1.0))]);
    }

    #[test]
    fn notes_that_did_not_begin_together_are_no_strike() {
        let merged = strike([0.5, 1.5], &[60.0, 64.0], &[(62.0, 0.8), (65.0, 1.0)]);
        assert_eq!(judged(vec![merged])[1], (Verdict::NotPlayed, None));
        let half = strike([0.5, 1.5], &[60.0, 64.0], &[(62.0, 1.0)]);
        assert_eq!(judged(vec![half])[1], (Verdict::NotPlayed, None));
    }
}
