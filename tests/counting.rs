//! The counting of the accuracy bench, against worked cases.

#[allow(dead_code, missing_docs, reason = "the bench uses what is not tested here")]
#[path = "../benches/support/counting.rs"]
mod counting;

use counting::Frames;
use counting::Notes;
use counting::Sounding;
use counting::pairs;

fn note(onset_s: f64, hz: f64) -> Sounding {
    Sounding { onset_s, hz }
}

/// The worked case of mir_eval 0.8, `multipitch`: reference {220, 330}, estimate {220, 300, 500}.
#[test]
fn one_frame_is_counted_as_the_worked_case_has_it() {
    let frame = Frames::of(&[220.0, 330.0], &[220.0, 300.0, 500.0]);
    assert_eq!(frame.precision(), 1.0 / 3.0);
    assert_eq!(frame.recall(), 0.5);
    assert_eq!(frame.accuracy(), 0.25);
    assert_eq!(frame.errors(), [0.5, 0.0, 0.5], "substituted, missed, false");
    assert_eq!(frame.errors().iter().sum::<f64>(), 1.0, "total");
}

/// Limits as mir_eval 0.8 has them: 50 ms and 50 cents, `<=` unless `strict`.
#[test]
fn the_limits_themselves_still_match() {
    let reference = [note(1.0, 440.0)];
    let at = |onset_s: f64, cents: f64| {
        Notes::of(&reference, &[note(onset_s, 440.0 * (cents / 1200.0_f64).exp2())]).matched
    };
    assert_eq!(at(1.05, 49.9), 1);
    assert_eq!(at(0.95, -49.9), 1);
    assert_eq!(at(1.0502, 0.0), 0);
    assert_eq!(at(1.0, 50.1), 0);
}

/// By hand: the first estimate lies near both notes, the second only near the first note. Greedy
/// matching would give the first away and miss one.
#[test]
fn a_matching_is_as_large_as_can_be() {
    let reference = [note(1.00, 440.0), note(1.08, 440.0)];
    let estimate = [note(1.04, 440.0), note(0.97, 440.0)];
    assert_eq!(pairs(&reference, &estimate), [(0, 1), (1, 0)]);
    let notes = Notes::of(&reference, &[estimate[0]]);
    assert_eq!((notes.precision(), notes.recall(), notes.f1()), (1.0, 0.5, 2.0 / 3.0));
}

#[test]
fn nothing_told_of_nothing_is_no_division_by_zero() {
    assert_eq!(Notes::of(&[], &[]).f1(), 0.0);
    assert_eq!(Frames::of(&[], &[]).accuracy(), 0.0);
}
