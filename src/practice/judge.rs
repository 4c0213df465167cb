//! A whole take against a lick: what was heard in, the judgement out.

use std::num::NonZeroUsize;

use super::alignment::Place;
use super::doubt::doubt_all;
use super::doubt::doubt_if_cut_off;
use super::doubt::doubt_if_graced;
use super::doubt::doubt_if_ringing;
use super::doubt::doubt_if_short;
use super::doubt::doubt_if_too_low;
use super::doubt::doubt_if_unfollowed;
use super::doubt::doubt_if_unheard;
use super::doubt::holes_s;
use super::doubt::may_hide;
use super::matching::Match;
use super::matching::match_strike;
use super::matching::place;
use super::moves::judge_moves;
use super::moves::reach_stage;
use super::offset::TOLD_OFFSET;
use super::placement::Placement;
use super::placement::is_rate_ratio;
use super::placement::place_strikes;
use super::strings::tell_strings;
use super::strum::Strum;
use super::timing::Struck;
use super::timing::beat_s;
use super::timing::lateness_ms;
use super::timing::swing_share;
use super::timing::swung;
use super::verdict::Finding;
use super::verdict::PassJudgement;
use super::verdict::StepJudgement;
use super::verdict::TakeJudgement;
use super::verdict::UnmatchedStrike;
use super::verdict::Verdict;
use crate::engine::Strike;
use crate::engine::Take;
use crate::lick::expected::Expected;
use crate::lick::expected::ExpectedNote;
use crate::lick::expected::ExpectedStep;
use crate::theory::note::Reference;
use crate::units::Cents;

/// What the judge goes by.
#[derive(Debug, Clone, Copy, Default)]
pub struct Settings {
    /// Frequency of A4.
    pub reference: Reference,
    /// Which pass through the lick is to be judged, 1 for the first; the best one if there is no such pass.
    pub pass: Option<NonZeroUsize>,
}

/// Judges a whole take: strikes are aligned with steps, then every step is judged.
pub fn judge_take(expected: &Expected, take: &Take, settings: &Settings) -> TakeJudgement {
    let steps: Vec<&ExpectedStep> =
        expected.steps.iter().filter(|s| !s.struck.is_empty()).collect();
    let written_s = 60.0 / expected.tempo_bpm;
    let strum = Strum::of(steps.iter().copied(), written_s, take.rate);
    let strikes = strum.join(&take.strikes);
    let (unclear, holes) = (take.unclear.clone(), take.holes.clone());
    let mut take = Take { strikes, unclear, holes, ..*take };
    let placement = place_strikes(&steps, &mut take, settings.reference, written_s);
    let judge = Judge { expected, steps: &steps, take: &take, placement: &placement, settings };
    let passes = placement.passes.len();
    let asked = settings.pass.map(|pass| pass.get() - 1).filter(|&pass| pass < passes);
    let judged = asked.unwrap_or(placement.best);
    let mut pass = judge.pass(judged);
    // From the first strike to the last, or the one step there is.
    let lick_beats = steps.last().map_or(0.0, |last| last.start_beats.max(last.length_beats));
    let is_struck = pass.steps.iter().any(|step| step.start_s.is_some());
    let duration_s = take.length.seconds(take.rate);
    let is_lost = !is_struck && may_hide(&holes_s(&take), lick_beats * written_s, duration_s);
    if is_lost {
        doubt_all(&mut pass.steps, "most of the recording is lost");
    }
    let mut findings = findings(&take, &placement, is_lost);
    let written = expected.swing_share;
    findings.extend(pass.swing_share.map(|played| Finding::Swung { played, written }));
    TakeJudgement {
        duration_s,
        pass: pass.number,
        steps: pass.steps,
        tempo_bpm: pass.tempo_bpm,
        other_passes: (0..passes).filter(|&i| i != judged).map(|i| judge.pass(i)).collect(),
        unmatched: judge.unmatched(judged),
        findings,
    }
}

/// A take whose strikes have their places, and what it is held against.
struct Judge<'a> {
    expected: &'a Expected,
    /// The steps that are no rests.
    steps: &'a [&'a ExpectedStep],
    take: &'a Take,
    placement: &'a Placement,
    settings: &'a Settings,
}

impl Judge<'_> {
    /// The pass at index `pass`.
    fn pass(&self, pass: usize) -> PassJudgement {
        let Self { take, placement, settings, .. } = *self;
        let written_s = 60.0 / self.expected.tempo_bpm;
        let strikes = placement.passes[pass].clone();
        let mut judged: Vec<StepJudgement> = self.steps.iter().map(|s| not_played(s)).collect();
        for i in strikes.clone() {
            self.strike(i, &mut judged);
        }
        let struck: Vec<Struck> = self
            .steps
            .iter()
            .zip(&judged)
            .filter_map(|(step, s)| Some(Struck::new(step, s.start_s?)))
            .collect();
        // Of another lick neither tempo nor timing means anything.
        let tempo_s = beat_s(&struck, written_s).filter(|_| !placement.is_foreign);
        let written_share = self.expected.swing_share;
        let swing_share = tempo_s.and_then(|beat_s| swing_share(&struck, written_share, beat_s));
        if !placement.is_foreign {
            let played = judged.iter_mut().filter(|s| s.start_s.is_some());
            let share = swing_share.unwrap_or(written_share);
            let late_ms = lateness_ms(&swung(&struck, written_share, share), written_s);
            played.zip(late_ms).for_each(|(s, late_ms)| s.timing_ms = late_ms);
        }
        let beat_s = tempo_s.unwrap_or(written_s);
        let (duration_s, holes_s) = (take.length.seconds(take.rate), holes_s(take));
        for (j, (step, judgement)) in self.steps.iter().zip(&mut judged).enumerate() {
            let is_its = |i: &usize| match placement.places[*i] {
                Place::Step(step) | Place::StageOf(step) => step == j,
                Place::Nothing => false,
            };
            let strikes: Vec<&Strike> =
                strikes.clone().filter(is_its).map(|i| &take.strikes[i]).collect();
            judge_moves(step, &strikes, take.rate, settings, placement.offset, judgement);
            doubt_if_cut_off(step, judgement, beat_s, &holes_s, duration_s);
            doubt_if_unfollowed(step, judgement, &strikes, take.rate);
            doubt_if_unheard(step, judgement, &struck, beat_s, &holes_s);
            doubt_if_too_low(judgement);
        }
        tell_strings(&mut judged, &self.expected.open_strings);
        let tempo_bpm = tempo_s.map(|beat| 60.0 / beat);
        PassJudgement { number: pass + 1, steps: judged, tempo_bpm, swing_share }
    }

    /// What strike `i` is to the step that it was given to.
    fn strike(&self, i: usize, judged: &mut [StepJudgement]) {
        let Self { steps, settings, placement, .. } = *self;
        let (strike, rate, offset) = (&self.take.strikes[i], self.take.rate, placement.offset);
        let start_s = strike.onset.seconds(rate);
        match placement.places[i] {
            Place::Step(j) => {
                let found = match_strike(steps[j], strike, settings.reference, offset);
                fill(&mut judged[j], found);
                judged[j].start_s = Some(start_s);
                doubt_if_short(&mut judged[j], strike, rate);
            }
            Place::StageOf(j) => {
                reach_stage(&mut judged[j], steps[j], strike, start_s, settings, offset);
            }
            Place::Nothing => {}
        }
    }

    /// The strikes that belong to no step of the pass at index `judged`.
    fn unmatched(&self, judged: usize) -> Vec<UnmatchedStrike> {
        let Self { take, placement, settings, .. } = *self;
        let strike = |(i, strike): (usize, &Strike)| {
            let is_placed = placement.places[i] != Place::Nothing;
            let mut passes = placement.passes.iter();
            let pass = passes.position(|strikes| is_placed && strikes.contains(&i));
            let struck = strike.notes.iter().filter(|sound| sound.is_struck());
            let heard = struck.filter_map(|s| place(s, settings.reference, placement.offset));
            (pass != Some(judged)).then(|| UnmatchedStrike {
                start_s: strike.onset.seconds(take.rate),
                heard: heard.collect(),
                pass: pass.map(|pass| pass + 1),
            })
        };
        take.strikes.iter().enumerate().filter_map(strike).collect()
    }
}

/// Judges one strike as an attempt at `step`, as live practice does while the step sounds.
///
/// `start_s` is left empty: the caller knows the rate of its stream.
pub fn judge_strike(
    step: &ExpectedStep,
    strike: &Strike,
    settings: &Settings,
    offset: Cents,
) -> StepJudgement {
    let mut judgement = not_played(step);
    fill(&mut judgement, match_strike(step, strike, settings.reference, offset));
    // What moves on is doubted once it is over.
    if step.stages.is_empty() {
        doubt_if_ringing(step, &mut judgement, strike, settings.reference, offset);
    } else {
        doubt_if_graced(step, &mut judgement, strike, settings.reference, offset);
    }
    doubt_if_too_low(&mut judgement);
    judgement
}

fn not_played(step: &ExpectedStep) -> StepJudgement {
    let expected: Vec<ExpectedNote> =
        step.struck.iter().copied().chain(step.stages.iter().map(|s| s.to)).collect();
    StepJudgement {
        step: step.number,
        verdict: Verdict::NotPlayed,
        start_s: None,
        timing_ms: None,
        missing: expected.clone(),
        expected,
        heard: Vec::new(),
        remarks: Vec::new(),
    }
}

fn fill(judgement: &mut StepJudgement, found: Match) {
    judgement.verdict = found.verdict;
    judgement.heard = found.heard;
    judgement.missing = found.missing;
}

fn findings(take: &Take, placement: &Placement, is_lost: bool) -> Vec<Finding> {
    let Placement { offset, transposed, is_foreign, .. } = *placement;
    let mut findings = Vec::new();
    findings.extend(transposed.map(|semitones| Finding::Transposed { semitones }));
    findings.extend(is_foreign.then_some(Finding::AnotherLick));
    if is_lost {
        findings.push(Finding::Lost);
    } else if take.strikes.is_empty() {
        findings.push(Finding::Silent);
    }
    if is_rate_ratio(offset.0) {
        findings.push(Finding::PlayedAtWrongRate { offset });
    } else if offset.0.abs() >= TOLD_OFFSET {
        findings.push(Finding::TunedOff { offset });
    }
    let share = take.clipped.0 as f64 / take.length.0.max(1) as f64;
    if share > 1e-4 {
        findings.push(Finding::Clipped { share });
    }
    findings.extend(take.holes.iter().map(|&(at, lost)| Finding::Hole {
        start_s: at.seconds(take.rate),
        length_s: lost.seconds(take.rate),
    }));
    findings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine;
    use crate::engine::Grace;
    use crate::engine::HeardPitch;
    use crate::lick::Lick;
    use crate::units::SampleCount;
    use crate::units::SampleIndex;
    use crate::units::SampleRate;

    const RATE: u32 = 48_000;

    /// At this second, what sounds and what may.
    fn strike(second: u32, notes: &[HeardPitch], doubtful: &[f64]) -> Strike {
        Strike {
            onset: SampleIndex(u64::from(second * RATE)),
            end: SampleIndex(u64::from((second + 1) * RATE)),
            stage: engine::Stage::Whole,
            notes: notes.to_vec(),
            doubtful: doubtful.iter().map(|&midi| HeardPitch::sure(midi)).collect(),
            faint: Vec::new(),
            later: Vec::new(),
            combined: Vec::new(),
        }
    }

    /// A take of these strikes against steps a beat long, a beat a second, that goes on for another second.
    fn judged(frets: &[&str], strikes: Vec<Strike>) -> TakeJudgement {
        let length_s = strikes.len() as f64 + 2.0;
        judged_of(length_s, frets, strikes)
    }

    fn judged_of(length_s: f64, frets: &[&str], strikes: Vec<Strike>) -> TakeJudgement {
        judged_with(length_s, frets, strikes, Vec::new())
    }

    fn judged_with(
        length_s: f64,
        frets: &[&str],
        strikes: Vec<Strike>,
        unclear: Vec<Strike>,
    ) -> TakeJudgement {
        let step = |frets: &&str| format!("  {{ beats = 1, frets = \"{frets}\" }},\n");
        let steps: String = frets.iter().map(step).collect();
        let lick = format!(
            "title = \"Weir\"\nkey = \"C major\"\ntempo = 60\nmeter = \"4/4\"\nsteps = [\n{steps}]\n"
        );
        let expected = Lick::parse(&lick, "test").expect("a good lick").expected();
        let take = Take {
            rate: SampleRate::new(RATE).expect("positive"),
            length: SampleCount((length_s * f64::from(RATE)) as u64),
            strikes,
            unclear,
            holes: Vec::new(),
            clipped: SampleCount(0),
        };
        judge_take(&expected, &take, &Settings::default())
    }

    #[test]
    fn a_strike_of_faint_notes_counts_where_its_step_was_due() {
        let frets = ["x x x 5 5 x", "x x x 7 6 x", "x x x 9 8 x", "x x x 7 6 x"];
        let sure = |second, midi: [f64; 2]| strike(second, &midi.map(HeardPitch::sure), &[]);
        let faint = |second, midi: [f64; 2], struck_odds: f64| {
            let notes = midi.map(|midi| HeardPitch::faint(midi, struck_odds));
            Strike { faint: notes.to_vec(), ..strike(second, &[], &[]) }
        };
        let verdicts = |seconds: [u32; 3], unclear: Vec<Strike>| {
            let [first, second, third] = seconds;
            let strikes = vec![
                sure(first, [60.0, 64.0]),
                sure(second, [64.0, 67.0]),
                sure(third, [62.0, 65.0]),
            ];
            let judged = judged_with(12.0, &frets, strikes, unclear);
            judged.steps[1].verdict
        };
        let [right, not_played] = [Verdict::Right, Verdict::NotPlayed];
        let played = [1, 3, 4];
        assert_eq!(verdicts(played, vec![]), not_played);
        assert_eq!(verdicts(played, vec![faint(2, [62.0, 65.0], 4.0)]), right);
        assert_eq!(verdicts(played, vec![faint(2, [62.0, 65.0], -2.0)]), not_played, "they ring");
        assert_eq!(verdicts(played, vec![faint(2, [59.0, 68.0], 4.0)]), not_played, "others");
        let late = [1, 9, 13];
        assert_eq!(verdicts(late, vec![faint(2, [62.0, 65.0], 4.0)]), not_played, "too soon");
        let half = [faint(2, [62.0, 68.0], 4.0)];
        assert_eq!(verdicts(played, half.to_vec()), Verdict::Incomplete);
    }

    #[test]
    fn a_rise_where_a_repeated_step_was_due_is_that() {
        let notes = |midi: [f64; 2], struck_odds: f64| {
            midi.map(|midi| HeardPitch { struck_odds, ..HeardPitch::sure(midi) })
        };
        let second = |frets: &str, struck_odds: f64| {
            let frets = ["x x x 5 5 x", frets, "x x x 9 8 x", "x x x 7 6 x"];
            let strikes = [(1, [60.0, 64.0]), (3, [64.0, 67.0]), (4, [62.0, 65.0])];
            let strikes = strikes.map(|(at, midi)| strike(at, &notes(midi, 9.0), &[]));
            let unclear = vec![strike(2, &notes([60.0, 64.0], struck_odds), &[])];
            judged_with(12.0, &frets, strikes.to_vec(), unclear).steps[1].verdict
        };
        assert_eq!(second("x x x 5 5 x", -2.0), Verdict::Right);
        assert_eq!(second("x x x x 5 x", -2.0), Verdict::Right, "one of them");
        assert_eq!(second("x x x 5 5 x", -8.0), Verdict::NotPlayed, "they surely ring on");
        assert_eq!(second("x x x 5 7 x", -2.0), Verdict::NotPlayed, "another step");
    }

    #[test]
    fn what_may_only_have_rung_on_leaves_a_step_unsure() {
        let sure = HeardPitch::sure;
        let rings = |struck_odds: f64| HeardPitch { struck_odds, ..sure(64.0) };
        let second = |notes: &[HeardPitch]| {
            let first = strike(1, &[60.0, 64.0].map(sure), &[]);
            let judged =
                judged(&["x x x 5 5 x", "x x x 7 5 x"], vec![first, strike(2, notes, &[])]);
            (judged.steps[1].verdict, judged.steps[1].remarks.clone())
        };
        let (verdict, remarks) = second(&[sure(62.0), rings(-5.0)]);
        assert_eq!(verdict, Verdict::Unsure);
        assert_eq!(remarks, ["E4 may only have rung on"]);
        assert_eq!(second(&[sure(62.0), rings(-9.0)]).0, Verdict::Incomplete);
        let (verdict, _) = second(&[sure(63.0), rings(-5.0)]);
        assert_eq!(verdict, Verdict::Wrong, "the other note was");
        assert_eq!(second(&[sure(62.0), rings(-3.0)]).0, Verdict::Right);
        let first = strike(1, &[60.0, 64.0].map(sure), &[]);
        let moving = ["x x x 5 5 x", "x x x 7h10 5 x"];
        let judged = judged(&moving, vec![first, strike(2, &[sure(62.0), rings(-5.0)], &[])]);
        assert_eq!(judged.steps[1].verdict, Verdict::Incomplete, "the hammered note is missing");
    }

    #[test]
    fn what_may_be_partials_of_a_hammered_note_does_not_make_it_another_strike() {
        let sure = HeardPitch::sure;
        let hammered = [sure(50.0), HeardPitch { struck_odds: -6.0, ..sure(55.0) }];
        let verdict = |notes: &[HeardPitch], doubtful: &[f64]| {
            let first = strike(1, &[sure(49.0), sure(55.0)], &[]);
            let judged = judged(&["x 4h5 5 x x x"], vec![first, strike(2, notes, doubtful)]);
            judged.steps[0].verdict
        };
        assert_eq!(verdict(&hammered, &[62.0, 69.0, 74.0]), Verdict::Right);
        let other = [sure(52.0), sure(59.0), sure(64.0)];
        assert_eq!(verdict(&other, &[50.0]), Verdict::Incomplete, "three other notes");
    }

    #[test]
    fn a_grace_note_counts_as_struck_where_it_is_asked_for() {
        let sure = HeardPitch::sure;
        // Fret 9 of the second string, G#4, and beside it E4, which stays.
        let verdict = |frets: &str, from: Option<Option<f64>>| {
            let until = SampleIndex(u64::from(RATE) + 4000);
            let grace =
                from.map(|from| Grace { frequency: from.map(|m| sure(m).frequency), until });
            let struck = strike(1, &[sure(64.0), HeardPitch { grace, ..sure(68.0) }], &[]);
            let judged = judged(&[frets, "x x x 5 5 x"], vec![struck, other()]);
            judged.steps[0].clone()
        };
        let hammered = verdict("x x x 9 8h9 x", Some(Some(67.2)));
        assert_eq!(hammered.verdict, Verdict::Right);
        let led = hammered.heard.iter().find(|h| h.start_s.is_some()).expect("where it led");
        assert_eq!((led.pitch.note.0, led.expected.map(|e| e.fret.0)), (68, Some(9)));
        assert!(
            (led.start_s.unwrap_or(0.0) - 1.083).abs() < 0.001,
            "4000 samples after the strike"
        );
        assert_eq!(verdict("x x x 9 9 x", Some(Some(67.2))).verdict, Verdict::Right, "no fault");

        assert_eq!(verdict("x x x 9 8h9 x", Some(Some(66.0))).verdict, Verdict::Unsure, "not that");
        let unheard = verdict("x x x 9 8h9 x", Some(None));
        assert_eq!(unheard.verdict, Verdict::Unsure);
        assert_eq!(
            unheard.remarks,
            ["it moved on too soon to hear whether it began as G4"],
            "from somewhere"
        );
        let straight = verdict("x x x 9 8h9 x", None);
        assert_eq!(straight.verdict, Verdict::Incomplete);
        assert_eq!(straight.missing.iter().map(|e| e.fret.0).collect::<Vec<_>>(), [8]);

        // Of a slide the middle may be all that is heard, but not the end, nor what lies before it.
        let slid = |from: f64| verdict("x x x 9 6s9 x", Some(Some(from))).verdict;
        assert_eq!([65.0, 66.0, 67.0].map(slid), [Verdict::Right; 3]);
        assert_eq!([64.0, 69.0].map(slid), [Verdict::Unsure; 2]);
    }

    fn other() -> Strike {
        strike(2, &[60.0, 64.0].map(HeardPitch::sure), &[])
    }

    #[test]
    fn the_one_strike_of_a_take_is_the_one_step() {
        let verdict = |struck: Vec<Strike>| judged(&["x x x 5 5 x"], struck).steps[0].verdict;
        let wrong = |second| strike(second, &[HeardPitch::sure(45.0), HeardPitch::sure(71.0)], &[]);
        assert_eq!(verdict(vec![wrong(1)]), Verdict::Wrong);
        assert_eq!(verdict(vec![strike(1, &[], &[])]), Verdict::NotPlayed, "a bump");
        assert_eq!(verdict(vec![wrong(1), wrong(2)]), Verdict::NotPlayed, "either may be it");
    }

    #[test]
    fn what_sounds_long_after_the_lick_is_no_part_of_it() {
        let frets = ["x x x 5 5 x", "x x x 7 6 x", "x x x 9 8 x"];
        let [first, second, third, off] = [[60.0, 64.0], [62.0, 65.0], [64.0, 67.0], [64.0, 68.0]]
            .map(|n| n.map(HeardPitch::sure));
        let last = |strikes: &[(u32, &[HeardPitch])]| {
            let strikes = strikes.iter().map(|&(second, notes)| strike(second, notes, &[]));
            let judged = judged_of(20.0, &frets, strikes.collect());
            (judged.steps[2].verdict, judged.steps[2].start_s)
        };
        let lick = [(1, &first[..]), (2, &second[..]), (3, &off[..])];
        assert_eq!(last(&[lick[0], lick[1], lick[2], (15, &third)]), (Verdict::Wrong, Some(3.0)));
        assert_eq!(
            last(&[lick[0], lick[1], (9, &third)]),
            (Verdict::Right, Some(9.0)),
            "hesitated"
        );
        assert_eq!(last(&[lick[0], lick[1], (9, &off)]), (Verdict::Wrong, Some(9.0)));
    }

    #[test]
    fn one_run_is_judged_not_the_best_of_two() {
        let frets = ["x x x 5 5 x", "x x x 7 6 x", "x x x 9 8 x", "x x x 7 6 x"];
        let run = |from: u32, tops: [f64; 4]| {
            let lows = [60.0, 62.0, 64.0, 62.0];
            let notes =
                lows.into_iter().zip(tops).map(|(low, top)| [low, top].map(HeardPitch::sure));
            let strikes = (from..).zip(notes).map(|(second, notes)| strike(second, &notes, &[]));
            strikes.collect::<Vec<Strike>>()
        };
        let verdicts = |strikes: Vec<Strike>| {
            let judged = judged_of(20.0, &frets, strikes);
            judged.steps.iter().map(|step| step.verdict).collect::<Vec<Verdict>>()
        };
        let halves = [run(1, [64.0, 65.0, 66.0, 66.0]), run(8, [63.0, 64.0, 67.0, 65.0])];
        let [right, wrong] = [Verdict::Right, Verdict::Wrong];
        assert_eq!(verdicts(halves.concat()), [wrong, wrong, right, right], "the second");
        let better = [run(1, [64.0, 65.0, 67.0, 66.0]), run(8, [63.0, 64.0, 67.0, 65.0])];
        assert_eq!(verdicts(better.concat()), [right, right, right, wrong], "the better one");
    }

    #[test]
    fn everything_some_frets_off_is_wrong_and_told_once() {
        let judged = |off: f64| {
            let at = |midi: f64| HeardPitch::sure(midi + off);
            let notes = [[60.0, 64.0], [62.0, 65.0], [64.0, 67.0]];
            let strikes = (1..).zip(notes).map(|(i, notes)| strike(i, &notes.map(at), &[]));
            let judged = judged(&["x x x 5 5 x", "x x x 7 6 x", "x x x 9 8 x"], strikes.collect());
            let verdicts: Vec<Verdict> = judged.steps.iter().map(|step| step.verdict).collect();
            (verdicts, judged.findings)
        };
        let up = vec![Finding::Transposed { semitones: 1 }];
        assert_eq!(judged(1.0), (vec![Verdict::Wrong; 3], up));
        let down = vec![Finding::Transposed { semitones: -1 }];
        assert_eq!(judged(-1.0), (vec![Verdict::Wrong; 3], down));
        let (verdicts, findings) = judged(0.6);
        assert_eq!(verdicts, [Verdict::Right; 3], "a guitar tuned 60 cents sharp");
        assert!(matches!(findings[..], [Finding::TunedOff { .. }]), "{findings:?}");
    }

    #[test]
    fn what_moves_on_after_the_end_of_the_recording_is_not_missed() {
        let verdict = |frets: &str, length_s: f64| {
            let struck = strike(1, &[57.0, 64.0].map(HeardPitch::sure), &[]);
            judged_of(length_s, &[frets], vec![struck]).steps[0].verdict
        };
        // A lone move is due on the half of its second, the first of two on the third.
        assert_eq!(verdict("x x 7h9 x 5 x", 1.45), Verdict::Unsure);
        assert_eq!(verdict("x x 7h9 x 5 x", 1.6), Verdict::Incomplete);
        assert_eq!(verdict("x x 7h9h11 x 5 x", 1.45), Verdict::Incomplete);
        assert_eq!(verdict("x x 7h9 6 5 x", 1.45), Verdict::Incomplete, "C#4 was to be struck");
    }

    #[test]
    fn a_bend_to_what_another_string_sounds_is_not_missed() {
        let verdict = |notes: &[f64]| {
            let notes: Vec<HeardPitch> = notes.iter().map(|&midi| HeardPitch::sure(midi)).collect();
            judged(&["x x x 7b9 5 x"], vec![strike(1, &notes, &[])]).steps[0].verdict
        };
        assert_eq!(verdict(&[62.0, 64.0]), Verdict::Right);
        assert_eq!(verdict(&[62.0]), Verdict::Incomplete);
    }
}
