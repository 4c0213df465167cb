//! Licks and slips of the pen by chance.

use doublecheck::lick::Lick;
use doublecheck::lick::Meter;
use doublecheck::lick::Step;
use doublecheck::lick::beats::Beats;
use doublecheck::lick::mark::Mark;
use doublecheck::lick::mark::Move;
use doublecheck::lick::mark::MoveKind;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::interval::Interval;
use doublecheck::theory::key::Key;
use doublecheck::theory::key::Mode;
use proptest::prelude::*;

use super::GOOD;

fn any_move(from: u8) -> impl Strategy<Value = Move> {
    let kinds = prop::sample::select(vec![
        MoveKind::HammerOn,
        MoveKind::PullOff,
        MoveKind::Slide,
        MoveKind::SlideUp,
        MoveKind::SlideDown,
        MoveKind::Bend,
    ]);
    (kinds, 0u8..=20)
        .prop_filter("leads somewhere", move |(kind, to)| kind.leads(Fret(from), Fret(*to)))
        .prop_map(|(kind, to)| Move { kind, to: Fret(to) })
}

fn any_mark() -> impl Strategy<Value = Mark> {
    let node = prop::sample::select(vec![3u8, 4, 5, 7, 9, 12, 16, 19, 24]);
    prop_oneof![
        4 => Just(Mark::NotPlayed),
        4 => (0u8..=20).prop_map(Mark::fret),
        2 => (1u8..=19).prop_flat_map(|fret| {
            any_move(fret).prop_map(move |m| Mark::Fretted { fret: Fret(fret), moves: vec![m] })
        }),
        1 => node.clone().prop_map(|fret| Mark::NaturalHarmonic(Fret(fret))),
        1 => (1u8..=12, node).prop_map(|(stopped, node)| Mark::ArtificialHarmonic {
            stopped: Fret(stopped),
            touched: Fret(stopped + node),
        }),
    ]
}

fn any_step() -> impl Strategy<Value = Step> {
    let beats = (1u32..=48, 1u32..=48).prop_map(|(n, d)| Beats::new(n, d).unwrap());
    let symbols = vec!["G", "Em7", "A9", "C6/9", "F#m7b5", "D/F#", "Bbmaj7", "Cm(maj7)", "Eø"];
    let chord = prop::option::of(prop::sample::select(symbols));
    (beats, prop::collection::vec(any_mark(), 6), chord, prop::option::of(0u8..=30)).prop_map(
        |(beats, marks, chord, interval)| Step {
            beats,
            marks,
            chord: chord.map(|symbol| symbol.parse().unwrap()),
            interval: interval.and_then(Interval::from_semitones),
        },
    )
}

fn any_lick() -> impl Strategy<Value = Lick> {
    (
        "\\PC{1,20}".prop_filter("no title", |title| !title.trim().is_empty()),
        -7i8..=7,
        40u32..=1600,
        0u8..=3,
        prop::collection::vec(any_step(), 1..12),
        any::<[bool; 6]>(),
    )
        .prop_map(|(title, fifths, tempo, capo, mut steps, held)| {
            // Hold what sounds, where the draw says so.
            for i in 1..steps.len() {
                for (string, hold) in held.iter().enumerate() {
                    if *hold && steps[i - 1].marks[string] != Mark::NotPlayed && i % 3 == 1 {
                        steps[i].marks[string] = Mark::Held;
                    }
                }
            }
            Lick {
                title,
                key: Key::from_fifths(fifths, Mode::Major).unwrap(),
                tempo_bpm: f64::from(tempo) / 4.0,
                meter: Meter::new(3, 8).unwrap(),
                swing: None,
                tuning: Tuning::default(),
                capo,
                steps,
            }
        })
}

proptest! {
    #[test]
    fn a_printed_lick_reads_back_equal(lick in any_lick()) {
        prop_assert_eq!(lick.check(), Ok(()));
        let printed = lick.to_toml();
        let again = Lick::parse(&printed, "printed").map_err(|e| e.to_string());
        prop_assert_eq!(again, Ok(lick), "{}", printed);
    }

    #[test]
    fn a_printed_mark_reads_back_equal(mark in any_mark()) {
        prop_assert_eq!(mark.to_string().parse::<Mark>(), Ok(mark));
    }

    #[test]
    fn every_struck_mark_is_played_once(lick in any_lick()) {
        let expected = lick.expected();
        prop_assert_eq!(expected.steps.len(), lick.steps.len());
        for (step, asked) in lick.steps.iter().zip(&expected.steps) {
            let struck = step.marks.iter().filter(|mark| mark.is_struck()).count();
            prop_assert_eq!(asked.struck.len(), struck);
            let held = step.marks.iter().filter(|mark| **mark == Mark::Held).count();
            prop_assert_eq!(asked.held.len(), held);
        }
    }

    /// A slip of the finger anywhere: an error with its place, or another lick; never a panic.
    #[test]
    fn no_slip_makes_the_reader_panic(at in 0usize..600, with in "\\PC?|[\n\"'\\\\]") {
        let at = (0..=at.min(GOOD.len())).rev().find(|&i| GOOD.is_char_boundary(i)).unwrap();
        let mut text = GOOD.to_owned();
        let end = text[at..].chars().next().map_or(at, |c| at + c.len_utf8());
        text.replace_range(at..end, &with);
        if let Err(error) = Lick::parse(&text, "slip.toml") {
            prop_assert!(error.to_string().starts_with("slip.toml:"), "{}", error);
            prop_assert!(!error.to_string().contains('\n'), "{}", error);
            prop_assert!(!error.hint().is_empty());
            error.excerpt(None);
        }
    }
}
