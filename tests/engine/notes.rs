//! Notes that move, and notes that are faint.

use std::f64::consts::TAU;

use doublecheck::engine::HeardPitch;
use doublecheck::engine::LaterNote;
use doublecheck::engine::Strike;
use doublecheck::units::SampleIndex;

use super::hear;
use super::played;
use super::rate;
use super::sampled;
use super::string;
use super::struck;
use super::support::nearest_midi;

#[test]
fn a_pitch_that_moves_is_told_less_surely() {
    let rate = rate(44_100);
    // Twelve partials of A3 that rise by so many cents in a second, after 0.3 s of silence.
    let told = |cents: f64| {
        let mut phase = 0.0;
        let tone = (0..57_330).map(|i| {
            let t = f64::from(i) / 44_100.0 - 0.3;
            phase += 220.0 * (cents * t / 1200.0).exp2() / 44_100.0;
            let partials = (1..=12).map(|n| (TAU * f64::from(n) * phase).sin() / f64::from(n));
            if t < 0.0 { 0.0 } else { (0.2 * (-t).exp() * partials.sum::<f64>()) as f32 }
        });
        let take = hear(&tone.collect::<Vec<f32>>(), rate);
        assert_eq!(struck(&take), [57]);
        take.strikes[0].notes[0].error_cents.expect("it was measured")
    };
    let (steady, rising) = (told(0.0), told(8.0));
    assert!(steady < 0.2, "{steady} cents");
    assert!((0.7..4.0).contains(&rising), "{rising} cents: both halves lie 4 cents apart");
}

#[test]
fn a_slide_is_told_to_partials_that_the_other_string_has_too() {
    // A fourth: every third partial of the upper string lies on every fourth of what is reached.
    let text = r#"
title = "Two planks"
key = "D major"
tempo = 73
meter = "4/4"
steps = [{ beats = 1, frets = "x x 3s4 4 x x" }]
"#;
    let beat_s = 60.0 / 73.0;
    let take = hear(&played(text, rate(44_100)), rate(44_100));
    let [strike] = take.strikes.as_slice() else { panic!("{} strikes", take.strikes.len()) };
    let reached = |later: &&LaterNote| (later.pitch.frequency.get() / 185.0).log2().abs() < 0.03;
    let reached = strike.later.iter().find(reached).expect("F#3, 185.0 Hz (ISO 16), is reached");
    let after_s = reached.start.seconds(take.rate) - strike.onset.seconds(take.rate);
    assert!((after_s - 0.5 * beat_s).abs() < 0.04, "{after_s:.3} s after the strike");
}

/// What a strike of one step, `frets`, led to, with when, in beats after it.
fn led_to(frets: &str, beats: f64, tempo: f64) -> Vec<(i32, f64)> {
    let text = format!(
        "title = \"Two planks\"\nkey = \"C major\"\ntempo = {tempo}\nmeter = \"4/4\"\nsteps = [{{ beats = {beats}, frets = '{frets}' }}]\n"
    );
    let take = hear(&played(&text, rate(44_100)), rate(44_100));
    let [strike] = take.strikes.as_slice() else { panic!("{} strikes", take.strikes.len()) };
    let beats_after =
        |at: SampleIndex| (at.seconds(take.rate) - strike.onset.seconds(take.rate)) * tempo / 60.0;
    let later = strike.later.iter().filter(|later| later.pitch.likely);
    let told = |l: &LaterNote| (nearest_midi(l.pitch.frequency.get()), beats_after(l.start));
    later.map(told).collect()
}

/// In eighths at 108 and 120 a minute.
#[test]
fn a_move_in_a_short_note_is_told() {
    for (frets, to) in [("x x x 5/7 x 5", 62), ("x 3/5 x x 5 x", 50)] {
        for tempo in [108.0, 120.0] {
            let text = format!(
                "title = \"Two planks\"\nkey = \"C major\"\ntempo = {tempo}\nmeter = \"4/4\"\nsteps = [
                {{ beats = 0.5, frets = '{frets}' }}, {{ beats = 0.5, frets = 'x x x x 8 7' }}]\n"
            );
            let take = hear(&played(&text, rate(44_100)), rate(44_100));
            let later = take.strikes[0].later.iter().map(|later| &later.pitch);
            let mut told = later.map(|pitch| nearest_midi(pitch.frequency.get()));
            assert!(told.any(|told| told == to), "{frets} at {tempo}");
        }
    }
}

/// A string struck at 0.3 s on `from` that has slid to `to` so many seconds later, within 12 ms, and sounds softer from
/// there on.
fn graced(from: i32, to: i32, after_s: f64, t: f64) -> f64 {
    const SLIDE_S: f64 = 0.012;
    let hz = |note: i32| 440.0 * (f64::from(note - 69) / 12.0).exp2();
    let (t, sliding) = (t - 0.3, (t - 0.3 - after_s + SLIDE_S).clamp(0.0, SLIDE_S));
    let moved = 0.5 * sliding * sliding / SLIDE_S + (t - after_s).max(0.0);
    let turns = hz(from) * t + (hz(to) - hz(from)) * moved;
    let softer = 1.0 - 0.4 * sliding / SLIDE_S;
    let partial = |n: u32| {
        let decay = (-t * (1.0 + 0.4 * f64::from(n))).exp();
        0.2 / f64::from(n) * decay * (TAU * f64::from(n) * turns).sin()
    };
    if t > 0.0 { softer * (1..12).map(partial).sum::<f64>() } else { 0.0 }
}

/// A grace note takes what a thirty-second does (common practice).
#[test]
fn a_grace_note_is_told_with_what_it_led_to() {
    // The other string, then what moves, or both in parallel.
    let cases = [
        ((67, 67), (63, 64)),
        ((67, 67), (62, 64)),
        ((67, 67), (66, 64)),
        ((48, 48), (55, 56)),
        ((59, 60), (68, 69)),
        ((62, 60), (71, 69)),
        ((67, 67), (64, 64)),
    ];
    for ((other_from, other), (from, to)) in cases {
        for after_s in [0.06, 0.09, 0.12] {
            let samples = sampled(1.3, |t| {
                graced(other_from, other, after_s, t) + graced(from, to, after_s, t)
            });
            let take = hear(&samples, rate(44_100));
            let [strike] = &take.strikes[..] else {
                // What rises as it moves on is a strike of its own, as hammered notes are.
                let [first, second] = &take.strikes[..] else { panic!("{from} to {to}") };
                let is_in = |strike: &Strike, note: i32| {
                    strike.notes.iter().any(|n| nearest_midi(n.frequency.get()) == note)
                };
                assert!(is_in(first, from) && is_in(second, to), "{from} to {to}, {after_s} s");
                continue;
            };
            for (began, note) in [(other_from, other), (from, to)] {
                let is_it = |n: &&HeardPitch| nearest_midi(n.frequency.get()) == note;
                let case = format!("{began} to {note} beside another, {after_s} s");
                let Some(heard) = strike.notes.iter().find(is_it) else {
                    panic!("{case}: no note")
                };
                let told = heard.grace.and_then(|grace| grace.frequency);
                let told = told.map(|hz| nearest_midi(hz.get()));
                assert_eq!(told, (began != note).then_some(began), "{case}");
                if let Some(grace) = heard.grace {
                    let until_s = grace.until.seconds(take.rate);
                    assert!((until_s - 0.3 - after_s).abs() < 0.03, "{case}: until {until_s:.3} s");
                }
            }
        }
    }
}

#[test]
fn a_move_late_in_a_long_note_is_told() {
    for (frets, to) in [("x x x 5/7 x 5", 62), ("x x x x 8b10 8", 69), ("x 3/5 x x 5 x", 50)] {
        for (beats, tempo) in [(3.0, 60.0), (4.0, 56.0)] {
            let told = led_to(frets, beats, tempo);
            let [(note, at), ..] = told[..] else { panic!("{frets}: nowhere") };
            assert_eq!(note, to, "{frets}");
            // A bend takes its time, about a fifth of a second (common practice).
            assert!((0.5 * beats - 0.1..0.5 * beats + 0.3).contains(&at), "{frets}: {at:.2} beats");
        }
    }
}

#[test]
fn there_and_back_is_told_both() {
    for (frets, to) in [(r"x x 5/7\5 x 5 x", [57, 55]), ("x x x 9s7s9 x 8", [62, 64])] {
        for (beats, tempo) in [(1.0, 60.0), (2.0, 60.0), (3.0, 80.0)] {
            let told = led_to(frets, beats, tempo);
            let [(there, first), (back, second)] = told[..] else { panic!("{frets}: {told:?}") };
            assert_eq!([there, back], to, "{frets}");
            let due = [first / beats - 1.0 / 3.0, second / beats - 2.0 / 3.0];
            assert!(due.iter().all(|off| off.abs() < 0.08), "{frets}: {due:.2?} of the step off");
        }
    }
}

/// 30 to 34 dB below others a note is hardly heard among them, but it came with the strike.
#[test]
fn a_faint_note_that_came_with_the_strike_is_told() {
    for (level, is_told) in [(0.03, true), (0.02, true), (0.0, false)] {
        let samples = sampled(1.0, |t| {
            let ringing: f64 = [45, 52].map(|note| string(note, 0.0, t - 0.3)).iter().sum();
            ringing + string(55, 0.0, t - 0.6) + level * string(63, 0.0, t - 0.6)
        });
        let take = hear(&samples, rate(44_100));
        let [_, strike] = &take.strikes[..] else { panic!("{} strikes", take.strikes.len()) };
        let hz = 440.0 * (-6.0_f64 / 12.0).exp2();
        let is_it = |note: &&HeardPitch| (note.frequency.get() / hz).ln().abs() < 0.005;
        assert!(!strike.notes.iter().any(|note| is_it(&note)), "{level}: loud enough for anybody");
        let faint = strike.faint.iter().find(is_it);
        assert_eq!(faint.is_some_and(HeardPitch::is_struck), is_told, "{level}");
    }
}

/// Heard by the pick more than by its notes: no note of it is as likely as not, but both came with it.
#[test]
fn a_strike_of_faint_notes_alone_is_unclear() {
    let pick = |t: f64| {
        let clicks = [900.0, 1700.0, 2900.0, 4300.0].map(|hz| (TAU * hz * t).sin());
        if t > 0.0 { 0.03 * (-t / 0.006).exp() * clicks.iter().sum::<f64>() } else { 0.0 }
    };
    let samples = sampled(1.0, |t| {
        let ringing: f64 = [45, 52].map(|note| string(note, 0.0, t - 0.3)).iter().sum();
        let soft: f64 = [55, 63].map(|note| string(note, 0.0, t - 0.6)).iter().sum();
        ringing + 0.015 * soft + pick(t - 0.6)
    });
    let take = hear(&samples, rate(44_100));
    let ([_], [unclear]) = (&take.strikes[..], &take.unclear[..]) else {
        panic!("{} strikes and {} unclear", take.strikes.len(), take.unclear.len())
    };
    assert!((unclear.onset.seconds(take.rate) - 0.6).abs() < 0.01);
    for semitones in [-14.0_f64, -6.0] {
        let hz = 440.0 * (semitones / 12.0).exp2();
        let came =
            |note: &HeardPitch| note.is_struck() && (note.frequency.get() / hz).ln().abs() < 0.005;
        assert!(
            unclear.faint.iter().any(came),
            "{semitones} semitones from A4: {:?}",
            unclear.faint
        );
    }
}

/// 34 dB below another string, where one moved to half-way: hardly heard, but nothing of it sounded before.
#[test]
fn a_faint_note_that_a_strike_led_to_is_told() {
    let led_to = |level: f64| {
        let samples = sampled(1.5, |t| {
            let stays = string(64, 0.0, t - 0.3);
            let gone = ((t - 0.8) / 0.03).clamp(0.0, 1.0);
            let moves = (1.0 - gone) * string(57, 0.0, t - 0.3);
            stays + moves + level * gone * string(59, 0.0, t - 0.8)
        });
        let take = hear(&samples, rate(44_100));
        let [strike] = &take.strikes[..] else { panic!("{} strikes", take.strikes.len()) };
        let later = strike.later.iter();
        let told = |later: &LaterNote| (later.pitch.likely, later.start.seconds(take.rate));
        later.map(told).collect::<Vec<_>>()
    };
    for (level, is_likely) in [(0.05, true), (0.02, false)] {
        let [(likely, start_s)] = led_to(level)[..] else { panic!("{level}: {:?}", led_to(level)) };
        assert_eq!(likely, is_likely, "{level}");
        assert!((start_s - 0.8).abs() < 0.06, "{level}: {start_s:.3} s");
    }
    assert!(led_to(0.0).is_empty());
}
