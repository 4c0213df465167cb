//! A lick as played: what sounds when, heard by a general-purpose pitch library.

mod support;

use doublecheck::lick::expected::Expected;
use doublecheck::lick::expected::ExpectedNote;
use doublecheck::lick::expected::ExpectedStep;
use doublecheck::lick::expected::Stage;
use doublecheck::lick::expected::Technique;
use doublecheck::synth::Room;
use doublecheck::synth::click::Beat;
use doublecheck::synth::performance::ClickWhen;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::note::MidiNote;
use doublecheck::theory::note::Reference;
use doublecheck::units::Hertz;
use support::cd_rate;
use support::cents;
use support::excerpt;
use support::mcleod_hz;
use support::midi_hz;

const SEED: u64 = 3;
/// The library's own bias on decaying, stiff strings (see synth.rs) and what a glide leaves.
const HEARD_CENTS: f64 = 5.0;

fn on(string: u8, fret: u8, technique: Technique) -> ExpectedNote {
    let note =
        Tuning::default().note_at(StringNumber(string), Fret(fret)).expect("a note on the neck");
    ExpectedNote { string: StringNumber(string), fret: Fret(fret), note, technique }
}

fn struck(string: u8, fret: u8) -> ExpectedNote {
    on(string, fret, Technique::Struck)
}

fn step(length_beats: f64, struck: Vec<ExpectedNote>) -> ExpectedStep {
    ExpectedStep {
        number: 0,
        start_beats: 0.0,
        is_off_beat: false,
        length_beats,
        struck,
        held: Vec::new(),
        stages: Vec::new(),
        left_open: Vec::new(),
    }
}

fn lick(tempo_bpm: f64, steps: Vec<ExpectedStep>) -> Expected {
    let mut start_beats = 0.0;
    let steps = (1..).zip(steps).map(|(number, step)| {
        let placed = ExpectedStep { number, start_beats, ..step };
        start_beats += placed.length_beats;
        placed
    });
    Expected {
        title: "Test".to_owned(),
        tempo_bpm,
        swing_share: 0.5,
        open_strings: Tuning::default().strings().collect(),
        steps: steps.collect(),
    }
}

fn heard_hz(samples: &[f32], at_s: f64, length_s: f64) -> f64 {
    mcleod_hz(excerpt(samples, cd_rate(), at_s, length_s), cd_rate()).expect("a note sounds")
}

#[test]
fn steps_fall_on_their_beats() {
    let lick = lick(
        120.0,
        vec![
            step(1.0, vec![struck(3, 9), struck(2, 10)]),
            step(0.5, vec![]),
            step(2.0, vec![struck(1, 5)]),
        ],
    );
    let manner = Manner { speed: 0.5, count_in_beats: 4, strum_s: 0.01, ..Manner::default() };
    // Half of 120 is a beat a second: four seconds of count-in.
    let performance = Performance::new(&lick, &manner);
    let starts: Vec<f64> = performance.notes.iter().map(|note| note.sound.start_s).collect();
    assert_eq!(starts, [4.0, 4.01, 5.5]);
    assert_eq!(performance.start_s, 4.0);
    let ends: Vec<f64> =
        performance.notes.iter().map(|note| note.sound.start_s + note.sound.length_s).collect();
    assert_eq!(ends, [5.0, 5.0, 7.5]);
    let samples = performance.render(cd_rate(), &Room::default(), SEED);
    assert!(excerpt(&samples, cd_rate(), 0.0, 3.9).iter().all(|&s| s == 0.0), "sound before 4 s");
    assert!(cents(heard_hz(&samples, 5.8, 0.4), midi_hz(69)).abs() < HEARD_CENTS);
}

#[test]
fn held_strings_ring_on_and_others_stop() {
    let mut second = step(1.0, vec![struck(1, 5)]);
    second.held = vec![ExpectedNote { technique: Technique::Held, ..struck(3, 2) }];
    let lick = lick(60.0, vec![step(1.0, vec![struck(3, 2), struck(2, 3)]), second]);
    let performance = Performance::new(&lick, &Manner::default());
    let lengths: Vec<f64> = performance.notes.iter().map(|note| note.sound.length_s).collect();
    assert_eq!(lengths, [2.0, 1.0, 1.0]);
}

#[test]
fn moves_along_a_string_arrive_at_their_pitches() {
    let mut chain = step(4.0, vec![struck(3, 5)]);
    chain.stages = vec![
        Stage { to: on(3, 7, Technique::HammerOn), order: 1 },
        Stage { to: on(3, 9, Technique::Slide), order: 2 },
        Stage { to: on(3, 4, Technique::PullOff), order: 3 },
    ];
    let mut bend = step(2.0, vec![struck(2, 8)]);
    bend.stages = vec![Stage { to: on(2, 10, Technique::Bend), order: 1 }];
    let lick = lick(60.0, vec![chain, bend]);
    let samples =
        Performance::new(&lick, &Manner::default()).render(cd_rate(), &Room::default(), SEED);
    // G3 is MIDI 55, B3 is 59; the stages of four beats fall a second apart.
    for (at_s, note) in [(0.4, 60), (1.3, 62), (2.3, 64), (3.3, 59), (4.4, 67), (5.4, 69)] {
        let off = cents(heard_hz(&samples, at_s, 0.4), midi_hz(note));
        assert!(off.abs() < HEARD_CENTS, "at {at_s} s: {off:.1} cents from MIDI {note}");
    }
}

#[test]
fn harmonics_sound_above_their_string() {
    let natural = ExpectedNote { note: MidiNote(67), ..on(3, 12, Technique::NaturalHarmonic) };
    let stopped = Fret(2);
    let artificial =
        ExpectedNote { note: MidiNote(64), ..on(4, 14, Technique::ArtificialHarmonic { stopped }) };
    let lick = lick(60.0, vec![step(1.0, vec![natural]), step(1.0, vec![artificial])]);
    let samples =
        Performance::new(&lick, &Manner::default()).render(cd_rate(), &Room::default(), SEED);
    for (at_s, note) in [(0.2, 67), (1.2, 64)] {
        let off = cents(heard_hz(&samples, at_s, 0.4), midi_hz(note));
        assert!(off.abs() < HEARD_CENTS, "at {at_s} s: {off:.1} cents from MIDI {note}");
    }
}

#[test]
fn clicks_count_in_and_mark_the_bars() {
    let lick = lick(60.0, vec![step(5.0, vec![struck(1, 0)])]);
    let manner = |click| Manner { count_in_beats: 3, bar_beats: 3.0, click, ..Manner::default() };
    let at = |click| -> Vec<(f64, bool)> {
        let performance = Performance::new(&lick, &manner(click));
        performance.clicks.iter().map(|c| (c.at_s, c.beat == Beat::First)).collect()
    };
    let count_in = [(0.0, true), (1.0, false), (2.0, false)];
    assert_eq!(at(ClickWhen::Never), []);
    assert_eq!(at(ClickWhen::CountIn), count_in);
    let lick_itself = [(3.0, true), (4.0, false), (5.0, false), (6.0, true), (7.0, false)];
    assert_eq!(at(ClickWhen::Throughout), [&count_in[..], &lick_itself[..]].concat());
}

#[test]
fn levels_and_reference_are_followed() {
    let lick = lick(60.0, vec![step(1.0, vec![struck(3, 2), struck(1, 5)])]);
    let manner = Manner {
        string_levels_db: vec![(StringNumber(3), -6.0)],
        reference: Reference::new(Hertz::new(432.0).expect("positive")).expect("in use"),
        ..Manner::default()
    };
    let notes = Performance::new(&lick, &manner).notes;
    let ratio = notes[0].sound.level / notes[1].sound.level;
    // −6 dB is a factor 0.501.
    assert!((ratio - 0.501).abs() < 0.001, "level ratio {ratio}");
    // A4 on the fifth fret of the first string.
    assert!((notes[1].sound.frequency.get() - 432.0).abs() < 1e-9);
}
