//! One note on two strings: both are told where they are apart, in cents, and neither makes notes of its own.
//! Sampled guitars (Debian's package `fluid-soundfont-gm`) and what is planted in renderings tell what is true.
#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

mod support;

use doublecheck::lick::Lick;
use doublecheck::lick::expected::Expected;
use doublecheck::lick::expected::Technique;
use doublecheck::practice::judge::Settings;
use doublecheck::practice::judge::judge_take;
use doublecheck::practice::verdict::HeardNote;
use doublecheck::practice::verdict::Status;
use doublecheck::practice::verdict::StepJudgement;
use doublecheck::practice::verdict::Verdict;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::units::Cents;
use support::cd_rate;
use support::listened;
use support::soundfont::Key;
use support::soundfont::play;

const LENGTH_S: f64 = 1.5;
/// Both cents are told to about half a cent, and what a string was bent to with a standard error of four.
const NEAR_CENTS: f64 = 2.0;
const BENT_NEAR_CENTS: f64 = 6.0;

/// A step of two beats, a beat a second.
fn lick(frets: &str) -> Expected {
    let text = format!(
        "title = \"Weir\"\nkey = \"C major\"\ntempo = 60\nmeter = \"4/4\"\n\
         steps = [{{ beats = 2, frets = \"{frets}\" }}]\n"
    );
    Lick::parse(&text, "test").unwrap().expected()
}

fn judged(frets: &str, samples: &[f32]) -> StepJudgement {
    let take = listened(samples, cd_rate());
    judge_take(&lick(frets), &take, &Settings::default()).steps.remove(0)
}

/// `key` of General MIDI's `program` on one string, and on another so many cents higher.
fn sounded(program: u8, key: u8, apart_cents: Option<f64>) -> Option<Vec<f32>> {
    let key = Key { start_s: 0.3, length_s: LENGTH_S, note: key, velocity: 90 };
    let one = play(program, &[key], 0.3 + LENGTH_S, cd_rate())?;
    // Read faster, all is higher: by 2^(cents / 1200).
    let other = |i: usize| {
        let at = i as f64 * (apart_cents? / 1200.0).exp2();
        let (k, part) = (at as usize, at.fract() as f32);
        Some(one.get(k)? * (1.0 - part) + one.get(k + 1)? * part)
    };
    Some((0..one.len()).map(|i| 0.4 * one[i] + 0.3 * other(i).unwrap_or(0.0)).collect())
}

fn right_notes(step: &StepJudgement) -> Vec<&HeardNote> {
    step.heard.iter().filter(|heard| heard.status == Status::Right).collect()
}

#[test]
fn two_strings_that_are_apart_are_told_in_cents() {
    for (program, key, frets) in [(25, 64, "x x x x 5 0"), (27, 59, "x x x 4 0 x")] {
        for apart_cents in [-20.0, 14.0, 30.0] {
            let Some(samples) = sounded(program, key, Some(apart_cents)) else { return };
            let step = judged(frets, &samples);
            let what = format!("program {program}, {apart_cents} cents: {:?}", step.heard);
            assert_eq!(step.verdict, Verdict::Right, "{what}");
            let [low, high] = right_notes(&step)[..] else { panic!("{what}") };
            let apart = high.pitch.cents.0 - low.pitch.cents.0;
            assert!((apart - apart_cents.abs()).abs() < NEAR_CENTS, "{apart:.1}, {what}");
            let strings = [low, high].map(|heard| heard.expected.unwrap().string);
            assert!(strings[0] != strings[1], "{what}");
        }
    }
}

#[test]
fn in_tune_or_alone_they_are_one() {
    for (program, key, frets) in [(25, 64, "x x x x 5 0"), (27, 59, "x x x 4 0 x")] {
        for apart_cents in [None, Some(1.0)] {
            let Some(samples) = sounded(program, key, apart_cents) else { return };
            let step = judged(frets, &samples);
            assert_eq!(step.verdict, Verdict::Right, "{apart_cents:?}: {:?}", step.heard);
            assert_eq!(right_notes(&step).len(), 1, "{apart_cents:?}: {:?}", step.heard);
        }
    }
}

/// Where one of them was asked for, what the other does is no matter.
#[test]
fn asked_for_once_a_note_is_told_once() {
    let Some(samples) = sounded(25, 64, Some(20.0)) else { return };
    let step = judged("x x x x x 0", &samples);
    assert_eq!(right_notes(&step).len(), 1, "{:?}", step.heard);
}

#[test]
fn a_bend_to_the_note_of_the_next_string_is_told_in_cents() {
    let bent = lick("x x x 7b9 5 x");
    for off_cents in [-25.0, -15.0, 20.0] {
        let mut performance = Performance::new(&bent, &Manner::default());
        for note in performance.notes.iter_mut().filter(|n| n.asked.string == StringNumber(3)) {
            note.sound = note.sound.clone().detuned(Cents(off_cents));
        }
        let samples = performance.render(cd_rate(), &Room::default(), 5);
        let step = judged("x x x 7b9 5 x", &samples);
        assert_eq!(step.verdict, Verdict::Right, "{:?}", step.heard);
        let is_bend = |h: &&HeardNote| h.expected.unwrap().technique == Technique::Bend;
        let right = right_notes(&step);
        let reached = right.into_iter().find(is_bend);
        let reached = reached.unwrap_or_else(|| panic!("{off_cents}: {:?}", step.heard));
        let off = reached.pitch.cents.0 - off_cents;
        assert!(off.abs() < BENT_NEAR_CENTS, "{off_cents}: {:?}", reached.pitch);
    }
}
