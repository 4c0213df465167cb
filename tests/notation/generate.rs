//! Random licks that can be played.

use doublecheck::lick::Lick;
use doublecheck::lick::Meter;
use doublecheck::lick::Step;
use doublecheck::lick::beats::Beats;
use doublecheck::lick::mark::Mark;
use doublecheck::lick::mark::Move;
use doublecheck::lick::mark::MoveKind;
use doublecheck::lick::swing::Swing;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::key::Key;
use doublecheck::theory::key::Mode;
use doublecheck::theory::note::MidiNote;
use proptest::prelude::*;

fn any_beats() -> impl Strategy<Value = Beats> {
    prop_oneof![
        4 => prop::sample::select(vec![(1, 1), (1, 2), (1, 4), (1, 3), (2, 3), (3, 2), (2, 1), (1, 6)]),
        1 => (1u32..40, 1u32..12),
    ]
    .prop_map(|(n, d)| Beats::new(n, d).unwrap())
}

/// What a generated lick may hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Range {
    /// Everything.
    All,
    /// Six strings in the usual tuning, no capo, no harmonics.
    Plain,
}

fn any_mark(range: Range) -> impl Strategy<Value = Mark> {
    let moved =
        (3u8..16, prop::collection::vec((0usize..5, 1u8..4), 0..3), prop::option::of(1u8..4));
    let fretted = moved.prop_map(|(fret, walks, bend)| {
        let mut moves: Vec<Move> = Vec::new();
        let mut at = fret;
        for (kind, distance) in walks {
            let (kind, to) = match kind {
                0 => (MoveKind::HammerOn, at + distance),
                1 => (MoveKind::SlideUp, at + distance),
                2 => (MoveKind::Slide, at + distance),
                3 => (MoveKind::PullOff, at.saturating_sub(distance)),
                _ => (MoveKind::SlideDown, at.saturating_sub(distance)),
            };
            if to != at {
                moves.push(Move { kind, to: Fret(to) });
                at = to;
            }
        }
        moves.extend(bend.map(|up| Move { kind: MoveKind::Bend, to: Fret(at + up) }));
        Mark::Fretted { fret: Fret(fret), moves }
    });
    let harmonics = if range == Range::All { 1 } else { 0 };
    prop_oneof![
        6 => Just(Mark::NotPlayed),
        3 => (0u8..20).prop_map(Mark::fret),
        1 => fretted,
        harmonics => prop::sample::select(vec![5u8, 7, 12, 19])
            .prop_map(|f| Mark::NaturalHarmonic(Fret(f))),
        harmonics => (1u8..8, prop::sample::select(vec![5u8, 7, 12]))
            .prop_map(|(s, t)| Mark::ArtificialHarmonic { stopped: Fret(s), touched: Fret(s + t) }),
    ]
}

fn any_steps(n_strings: usize, range: Range) -> impl Strategy<Value = Vec<Step>> {
    let chord = prop::option::weighted(
        0.3,
        prop::sample::select(vec!["D", "Em7", "A9", "C6/9", "F#m7b5", "Bb/D", "G7(b9)", "Dsus2"]),
    );
    let interval = prop::option::weighted(0.3, prop::sample::select(vec!["m3", "M6", "P4", "M10"]));
    let marks = prop::collection::vec((any_mark(range), any::<bool>()), n_strings);
    let step = (any_beats(), marks, chord, interval);
    prop::collection::vec(step, 1..12).prop_map(move |steps| {
        let mut sounding = vec![false; n_strings];
        steps
            .into_iter()
            .map(|(beats, marks, chord, interval)| {
                let mut notes = 0;
                let marks = marks
                    .into_iter()
                    .zip(&mut sounding)
                    .map(|((mark, hold), sounds)| {
                        let holds = *sounds && hold && mark == Mark::NotPlayed;
                        let mark = if holds { Mark::Held } else { mark };
                        let mark = if notes == 6 { Mark::NotPlayed } else { mark };
                        notes += usize::from(mark != Mark::NotPlayed);
                        *sounds = mark != Mark::NotPlayed;
                        mark
                    })
                    .collect();
                Step {
                    beats,
                    marks,
                    chord: chord.map(|name| name.parse().unwrap()),
                    interval: interval.map(|name| name.parse().unwrap()),
                }
            })
            .collect()
    })
}

/// A lick that passes its own check.
pub fn any_lick(range: Range) -> impl Strategy<Value = Lick> {
    let others = if range == Range::All { 1 } else { 0 };
    let tuning = prop_oneof![
        3 => Just(Tuning::default()),
        others => prop::collection::vec(30u8..70, 1..9)
            .prop_map(|open| Tuning::new(open.into_iter().map(MidiNote).collect()).unwrap()),
    ];
    let modes = vec![
        Mode::Major,
        Mode::Minor,
        Mode::Dorian,
        Mode::Phrygian,
        Mode::Lydian,
        Mode::Mixolydian,
        Mode::Locrian,
    ];
    let key = (-7i8..=7, prop::sample::select(modes))
        .prop_filter_map("no such key", |(fifths, mode)| Key::from_fifths(fifths, mode));
    let meter = (1u8..13, prop::sample::select(vec![2u8, 4, 8, 16]));
    let meter = meter.prop_map(|(count, unit)| Meter::new(count, unit).unwrap());
    let capo = 0..4 * others as u8 + 1;
    let title = "[ -~\t\r\né♯]{1,20}".prop_filter("no title", |title| !title.trim().is_empty());
    let swing = prop::option::of((1u8..=100, 1u8..=100));
    (title, key, 10.0f64..400.0, meter, swing, tuning, capo)
        .prop_flat_map(move |(title, key, tempo_bpm, meter, swing, tuning, capo)| {
            let swing = swing.filter(|_| meter.unit <= 4);
            let swing = swing.and_then(|(first, second)| Swing::new(first, second));
            any_steps(tuning.n_strings(), range).prop_map(move |steps| Lick {
                title: title.clone(),
                key,
                tempo_bpm,
                meter,
                swing,
                tuning: tuning.clone(),
                capo,
                steps,
            })
        })
        .prop_filter("unplayable", |lick| lick.check().is_ok())
}
