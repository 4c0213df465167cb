//! Recordings with holes, cut off in the middle, of something else: what they do not decide is told as
//! unsure, and what they do decide is not. What was played is known, for it is synthesised.
#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

use std::ops::Range;

use doublecheck::engine::Listener;
use doublecheck::lick::Lick;
use doublecheck::lick::expected::Expected;
use doublecheck::lick::library::STARTER;
use doublecheck::practice::judge;
use doublecheck::practice::judge::judge_take;
use doublecheck::practice::pass::Told;
use doublecheck::practice::session::News;
use doublecheck::practice::session::Session;
use doublecheck::practice::session::Settings;
use doublecheck::practice::verdict::Finding;
use doublecheck::practice::verdict::TakeJudgement;
use doublecheck::practice::verdict::Verdict;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::units::SampleCount;
use doublecheck::units::SampleRate;

/// The first step begins here.
const START_S: f64 = 0.5;

fn rate() -> SampleRate {
    SampleRate::new(48_000).unwrap()
}

fn at(second: f64) -> usize {
    rate().samples_in(second).0 as usize
}

/// A beat a second.
fn lick(steps: &[&str]) -> Expected {
    let steps: String = steps.iter().map(|step| format!("  {{ {step} }},\n")).collect();
    let text = format!(
        "title = \"Sluice\"\nkey = \"C major\"\ntempo = 60\nmeter = \"4/4\"\nsteps = [\n{steps}]\n"
    );
    Lick::parse(&text, "test").unwrap().expected()
}

/// All of `lick` but the steps `left_out`.
fn performed(lick: &Expected, left_out: &[usize]) -> Vec<f32> {
    let mut performance = Performance::new(lick, &Manner::default());
    performance.notes.retain(|note| !left_out.contains(&note.step));
    let mut samples = vec![0.0; at(START_S)];
    samples.extend(performance.render(rate(), &Room::noisy(45.0), 5));
    samples
}

/// Judges `samples`, those within `holes` being lost.
fn judged(lick: &Expected, samples: &[f32], holes: &[Range<f64>]) -> TakeJudgement {
    let mut listener = Listener::of_recording(rate());
    let mut from = 0;
    for hole in holes {
        listener.push(&samples[from..at(hole.start)], |_| {});
        listener.gap(SampleCount((at(hole.end) - at(hole.start)) as u64), |_| {});
        from = at(hole.end);
    }
    listener.push(&samples[from..], |_| {});
    judge_take(lick, &listener.finish(|_| {}), &judge::Settings::default())
}

fn verdicts(judgement: &TakeJudgement) -> Vec<Verdict> {
    judgement.steps.iter().map(|step| step.verdict).collect()
}

/// Of two notes one is struck and damped so soon: of right double stops that short one in twelve lacks a note, too.
#[test]
fn what_is_damped_at_once_may_lack_a_note() {
    let (asked, played) =
        (lick(&["beats = 1, frets = 'x x x 9 8 x'"]), lick(&["beats = 1, frets = 'x x x x 8 x'"]));
    let after = |damped_s: f64| {
        let mut samples = performed(&played, &[]);
        let fade = at(0.01);
        samples.iter_mut().skip(at(START_S + damped_s)).enumerate().for_each(|(i, sample)| {
            *sample *= (fade as f32 - i as f32).max(0.0) / fade as f32;
        });
        let judgement = judged(&asked, &samples, &[]);
        (judgement.steps[0].verdict, judgement.steps[0].remarks.join(""))
    };
    let (verdict, reason) = after(0.09);
    assert_eq!(verdict, Verdict::Unsure);
    assert!(reason.ends_with("ms only, too shortly to tell"), "{reason}");
    assert_eq!(after(0.3).0, Verdict::Incomplete);
}

/// Notes of a bass lie below what the ear looks for (B1): whoever plays them is not told to be wrong, and
/// whoever plays other notes is.
#[test]
fn notes_too_low_to_be_heard_are_unsure() {
    let bass = |frets: [&str; 3]| {
        let [one, two, three] = frets;
        let text = format!(
            "title = \"Keel\"\nkey = \"C major\"\ntempo = 60\nmeter = \"4/4\"\ntuning = \"E1 A1 D2 G2\"\n\
             steps = [ {{ beats = 1, frets = \"{one}\" }}, {{ beats = 1, frets = \"{two}\" }},\n\
             {{ beats = 1, frets = \"{three}\" }} ]\n"
        );
        Lick::parse(&text, "test").unwrap().expected()
    };
    let asked = bass(["x x 5 5", "0 x x 9", "x 3 x 5"]);
    let found = judged(&asked, &performed(&asked, &[]), &[]);
    assert_eq!(verdicts(&found), [Verdict::Right, Verdict::Unsure, Verdict::Right]);
    assert_eq!(found.steps[1].remarks, ["too low to be heard: E1 (B1 is the lowest note)"]);
    // The upper string a fret off.
    let played = bass(["x x 5 5", "0 x x 10", "x 3 x 5"]);
    let found = judged(&asked, &performed(&played, &[]), &[]);
    assert_eq!(verdicts(&found)[1], Verdict::Wrong);
}

const SIX: [&str; 6] = [
    "beats = 1, frets = 'x x x 5 5 x'",
    "beats = 1, frets = 'x x x 7 6 x'",
    "beats = 1, frets = 'x x x 9 8 x'",
    "beats = 1, frets = 'x x x 4 3 x'",
    "beats = 1, frets = 'x x x 2 3 x'",
    "beats = 1, frets = 'x x x 5 5 x'",
];

#[test]
fn a_step_that_was_due_within_a_hole_is_unsure() {
    let lick = lick(&SIX);
    let samples = performed(&lick, &[]);
    let [right, unsure] = [Verdict::Right, Verdict::Unsure];
    let of = |hole: Range<f64>| judged(&lick, &samples, &[hole]);
    // Step 3 begins at 2.5 s.
    let third = of(2.4..3.3);
    assert_eq!(verdicts(&third), [right, right, unsure, right, right, right]);
    let reason = "the recording lacks the sound where it was due";
    assert_eq!(third.steps[2].remarks, [reason]);
    assert_eq!(third.steps[2].start_s, None);
    assert_eq!(verdicts(&of(2.4..4.3)), [right, right, unsure, unsure, right, right]);
    assert_eq!(verdicts(&of(0.2..1.3)), [unsure, right, right, right, right, right]);
    assert_eq!(verdicts(&of(5.3..6.4)), [right, right, right, right, right, unsure]);
}

#[test]
fn a_step_left_out_where_the_recording_holds_its_time_is_not_played() {
    let lick = lick(&SIX);
    let samples = performed(&lick, &[3]);
    let [right, not_played] = [Verdict::Right, Verdict::NotPlayed];
    let told = |holes: &[Range<f64>]| verdicts(&judged(&lick, &samples, holes));
    let left_out = [right, right, not_played, right, right, right];
    assert_eq!(told(&[]), left_out);
    assert_eq!(told(&[0.1..0.3, 3.0..3.2, 7.0..7.2]), left_out, "holes elsewhere");
    let hidden = [right, right, Verdict::Unsure, right, right, right];
    assert_eq!(told(&[2.4..2.7]), hidden, "nobody knows");
}

/// A lick of one step lasts, too.
#[test]
fn a_short_hole_in_silence_hides_no_step() {
    let lick = lick(&["beats = 2, frets = 'x x x 5 5 x'"]);
    let silence = vec![0.0; at(4.0)];
    assert_eq!(verdicts(&judged(&lick, &silence, &[1.0..1.01])), [Verdict::NotPlayed]);
    assert_eq!(verdicts(&judged(&lick, &silence, &[0.5..3.0])), [Verdict::Unsure]);
}

/// Fretted up to seven frets too high, as behind a forgotten capo: told by as many semitones as it is.
#[test]
fn a_lick_moved_as_a_whole_is_told_by_how_much() {
    let moved = |frets: i32| {
        let step =
            |frets: [i32; 2]| format!("beats = 1, frets = 'x x x {} {} x'", frets[0], frets[1]);
        let steps =
            [[5, 5], [7, 6], [9, 8], [4, 3], [2, 3], [5, 5]].map(|s| step(s.map(|f| f + frets)));
        lick(&steps.each_ref().map(String::as_str))
    };
    let asked = moved(0);
    for frets in [-2, 1, 2, 3, 4, 5, 7] {
        let judgement = judged(&asked, &performed(&moved(frets), &[]), &[]);
        let told = judgement.findings.iter().find_map(|finding| match finding {
            Finding::Transposed { semitones } => Some(*semitones),
            _ => None,
        });
        assert_eq!(told, Some(frets));
    }
}

#[test]
fn a_take_that_is_lost_from_end_to_end_is_no_take_that_was_not_played() {
    let lick = lick(&SIX);
    let samples = performed(&lick, &[]);
    let of = |samples: &[f32], holes: &[Range<f64>]| judged(&lick, samples, holes);
    let end_s = samples.len() as f64 / 48_000.0;
    let lost = of(&samples, &[0.3..end_s]);
    assert_eq!(verdicts(&lost), [Verdict::Unsure; 6]);
    assert_eq!(lost.steps[0].remarks, ["most of the recording is lost"]);
    assert!(lost.findings.contains(&Finding::Lost), "{:?}", lost.findings);
    assert!(!lost.findings.contains(&Finding::Silent), "{:?}", lost.findings);
    // From the first step to the last it is five seconds.
    let silence = vec![0.0; at(20.0)];
    assert_eq!(verdicts(&of(&silence, &[4.0..9.1])), [Verdict::Unsure; 6], "all may be there");
    let short = of(&silence, &[4.0..8.9]);
    assert_eq!(verdicts(&short), [Verdict::NotPlayed; 6], "some would have been heard");
    assert!(short.findings.contains(&Finding::Silent), "{:?}", short.findings);
}

#[test]
fn a_move_that_was_due_within_a_hole_is_unsure() {
    let lick = lick(&["beats = 2, frets = 'x x x 5 5h7 x'", "beats = 1, frets = 'x x x 4 3 x'"]);
    let samples = performed(&lick, &[]);
    // It is due at 1.5 s.
    let told = |hole: Range<f64>| judged(&lick, &samples, &[hole]);
    let lost = told(1.4..2.45);
    assert_eq!(verdicts(&lost), [Verdict::Unsure, Verdict::Right]);
    assert_eq!(lost.steps[0].remarks, ["the recording lacks the sound where it moves on"]);
}

/// Right steps up to here and none after them.
fn up_to(n_right: usize, n_steps: usize) -> Vec<Verdict> {
    let verdict = |step| if step < n_right { Verdict::Right } else { Verdict::NotPlayed };
    (0..n_steps).map(verdict).collect()
}

/// Its third step ends with a hammer-on to the note of the fourth, which is half of the fifth.
#[test]
fn what_was_played_before_the_recording_ends_is_judged_as_in_the_whole() {
    let lick = Lick::parse(STARTER, "test").unwrap().expected();
    let samples = performed(&lick, &[]);
    let beat_s = 60.0 / lick.tempo_bpm;
    let cut = |beats: f64| &samples[..at(START_S + beats * beat_s)];
    let told = |samples: &[f32]| verdicts(&judged(&lick, samples, &[]));
    assert_eq!(told(&samples), up_to(9, 9));
    // The steps begin on beats 0, 1, 1.5, 2, 3, 3 1/3, 3 2/3; the hammer falls on 1.75.
    for (beats, n_right) in [(1.9, 3), (2.05, 3), (2.3, 4), (2.9, 4), (3.2, 5), (3.5, 6), (3.9, 7)]
    {
        assert_eq!(told(cut(beats)), up_to(n_right, 9), "cut at beat {beats}");
    }
}

#[test]
fn what_was_played_before_the_player_stops_is_judged_as_in_the_whole() {
    let lick = Lick::parse(STARTER, "test").unwrap().expected();
    for n_played in 1..9 {
        let left_out: Vec<usize> = (n_played + 1..=9).collect();
        let mut samples = performed(&lick, &left_out);
        assert_eq!(verdicts(&judged(&lick, &samples, &[])), up_to(n_played, 9));
        samples.extend(vec![0.0; at(8.0)]);
        assert_eq!(verdicts(&judged(&lick, &samples, &[])), up_to(n_played, 9), "long after");
    }
}

/// The hammered note of its third step is that of the fourth.
#[test]
fn a_step_struck_when_it_is_due_is_no_move_of_the_step_before() {
    let steps = |third: &str| {
        let others = ["x x x 4 3 x", "x x x 5 5 x", third, "x x x 7 6 x"];
        let steps = others.map(|frets| format!("beats = 1, frets = '{frets}'"));
        lick(&steps.each_ref().map(String::as_str))
    };
    let (asked, unmoved) = (steps("x x x 5h7 5 x"), steps("x x x 5 5 x"));
    let told = |played: &Expected, late_s: f64| {
        let mut performance = Performance::new(played, &Manner::default());
        for note in performance.notes.iter_mut().filter(|note| note.step == 4) {
            note.sound.start_s += late_s;
        }
        let mut samples = vec![0.0; at(START_S)];
        samples.extend(performance.render(rate(), &Room::noisy(45.0), 5));
        verdicts(&judged(&asked, &samples, &[]))
    };
    let [right, incomplete] = [Verdict::Right, Verdict::Incomplete];
    for late_s in [-0.3, 0.0, 0.3] {
        assert_eq!(told(&asked, late_s), [right; 4], "{late_s} s late");
        assert_eq!(told(&unmoved, late_s), [right, right, incomplete, right], "{late_s} s late");
    }
}

#[test]
fn another_lick_is_told_once() {
    let asked = lick(&SIX);
    let is_told = |played: &[&str]| {
        let samples = performed(&lick(played), &[]);
        let judgement = judged(&asked, &samples, &[]);
        let is_told = judgement.findings.contains(&Finding::AnotherLick);
        // Neither tempo nor timing means anything there.
        if is_told {
            assert_eq!(judgement.tempo_bpm, None);
            assert!(judgement.steps.iter().all(|step| step.timing_ms.is_none()));
        }
        is_told
    };
    let another = [
        "beats = 1, frets = 'x x 7 8 x x'",
        "beats = 0.5, frets = 'x x 5 5 x x'",
        "beats = 0.5, frets = 'x x 3 4 x x'",
        "beats = 1, frets = 'x 5 4 x x x'",
        "beats = 1, frets = 'x x 5 7 x x'",
    ];
    assert!(is_told(&another));
    let octave_up = SIX.map(|step| {
        let frets = step.rsplit_once("frets").unwrap().1;
        let up = |mark: &str| mark.parse().map_or("x".to_owned(), |f: u8| (f + 12).to_string());
        let marks = frets.trim_matches(|c| " ='".contains(c)).split(' ').map(up);
        format!("beats = 1, frets = '{}'", marks.collect::<Vec<_>>().join(" "))
    });
    assert!(is_told(&octave_up.each_ref().map(String::as_str)), "an octave higher");
    assert!(!is_told(&SIX));
    assert!(!is_told(&SIX[..4]), "stopped");
    assert!(!is_told(&another[..3]), "too little to tell");
    let one_string_off = [
        "beats = 1, frets = 'x x x 5 6 x'",
        "beats = 1, frets = 'x x x 7 7 x'",
        "beats = 1, frets = 'x x x 9 9 x'",
        "beats = 1, frets = 'x x x 4 4 x'",
        "beats = 1, frets = 'x x x 2 4 x'",
        "beats = 1, frets = 'x x x 5 6 x'",
    ];
    assert!(!is_told(&one_string_off), "half of it is right");
}

/// Three steps, the second of them with a move and so many beats long.
fn moving(mark: &str, beats: f64) -> [String; 3] {
    [
        "beats = 1, frets = 'x x x 9 8 x'".to_owned(),
        format!("beats = {beats}, frets = 'x x x {mark} 5 x'"),
        "beats = 1, frets = 'x x x 4 3 x'".to_owned(),
    ]
}

#[test]
fn a_slide_or_bend_too_short_to_be_followed_is_unsure() {
    let told = |asked: &str, played: &str, beats: f64| {
        let [asked, played] = [asked, played].map(|mark| {
            let steps = moving(mark, beats);
            lick(&steps.each_ref().map(String::as_str))
        });
        let judgement = judged(&asked, &performed(&played, &[]), &[]);
        let [_, step, _] = &judgement.steps[..] else { panic!("three steps") };
        (step.verdict, step.remarks.join(""))
    };
    for mark in ["5s7", "5s8", "7b8"] {
        assert_eq!(told(mark, mark, 0.5).0, Verdict::Right, "{mark} in half a second");
        let (verdict, reason) = told(mark, mark, 0.14);
        assert_eq!(verdict, Verdict::Unsure, "{mark}");
        assert!(reason.ends_with("ms only, too shortly to hear where it moves"), "{reason}");
        let stays = mark.split(['s', 'b']).next().unwrap();
        assert_eq!(told(mark, stays, 0.5).0, Verdict::Incomplete, "{stays} for half a second");
    }
    for mark in ["5h7", "7p5"] {
        assert_eq!(told(mark, mark, 0.25).0, Verdict::Right, "{mark}");
        let stays = mark.split(['h', 'p']).next().unwrap();
        assert_eq!(told(mark, stays, 0.25).0, Verdict::Incomplete, "{stays}");
    }
    // What the other string does has nothing to do with it.
    let other = lick(&moving("5s7", 0.25).each_ref().map(String::as_str));
    let mut asked = other.clone();
    asked.steps[1].struck.iter_mut().filter(|n| n.string.0 == 2).for_each(|n| n.note.0 += 1);
    let judgement = judged(&asked, &performed(&other, &[]), &[]);
    assert_eq!(judgement.steps[1].verdict, Verdict::Wrong);
}

#[test]
fn a_slide_too_short_to_be_followed_is_unsure_as_it_is_played() {
    let told = |beats: f64| {
        let lick = lick(&moving("5s8", beats).each_ref().map(String::as_str));
        let mut session = Session::new(lick.clone(), Settings::at_leisure(rate()));
        let mut news = Vec::new();
        session.begin(&mut news);
        for block in performed(&lick, &[]).chunks(480) {
            session.push(block, &mut news);
        }
        news.iter().rev().find_map(|news| match news {
            News::Pass(Told::Step(found)) if found.judgement.step == 2 => {
                Some(found.judgement.verdict)
            }
            _ => None,
        })
    };
    assert_eq!(told(0.14), Some(Verdict::Unsure));
    assert_eq!(told(0.25), Some(Verdict::Right));
}
