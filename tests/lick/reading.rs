//! Files in, files out.

use doublecheck::lick::Lick;
use doublecheck::lick::Meter;
use doublecheck::lick::expected::Technique;
use doublecheck::lick::find;
use doublecheck::lick::library;
use doublecheck::theory::fretboard::Tuning;

use super::GOOD;

#[test]
fn the_example_of_the_format_reads_as_it_is_meant() {
    let lick = Lick::parse(GOOD, "good.toml").unwrap();
    assert_eq!(lick.title, "Ferry landing sixths");
    assert_eq!(lick.key.to_string(), "D major");
    assert_eq!(lick.tempo_bpm, 84.0);
    assert_eq!(lick.meter, Meter { count: 4, unit: 4 });
    assert_eq!(lick.tuning, Tuning::default());
    let expected = lick.expected();
    let midi = |step: usize| -> Vec<(u8, u8, u8)> {
        let struck = &expected.steps[step].struck;
        struck.iter().map(|n| (n.string.0, n.fret.0, n.note.0)).collect()
    };
    // F#4 is MIDI 66, D5 is 74: the numbers of the JSON example in the same description.
    assert_eq!(midi(0), [(3, 11, 66), (1, 10, 74)]);
    assert_eq!(midi(2), [(3, 7, 62), (2, 7, 66)]);
    let stage = expected.steps[2].stages[0];
    assert_eq!((stage.to.note.0, stage.to.technique, stage.order), (64, Technique::HammerOn, 1));
    assert!(expected.steps[3].is_rest());
    assert_eq!(expected.steps[4].start_beats, 3.0);
    assert_eq!(expected.steps[4].stages[0].to.technique, Technique::Slide);
    assert_eq!(
        expected.open_strings.iter().map(|(s, n)| (s.0, n.0)).collect::<Vec<_>>(),
        [(6, 40), (5, 45), (4, 50), (3, 55), (2, 59), (1, 64)]
    );
}

#[test]
fn every_embedded_lick_reads_and_prints_back() {
    for name in library::names() {
        let lick = find(name).unwrap_or_else(|e| panic!("{e}\n{}\n{}", e.excerpt(None), e.hint()));
        let printed = lick.to_toml();
        assert_eq!(Lick::parse(&printed, name).unwrap(), lick, "{name}:\n{printed}");
        assert_eq!(lick.title.to_lowercase().replace(' ', "-"), name);
    }
}

#[test]
fn a_lick_prints_as_authors_write_it() {
    let printed = Lick::parse(GOOD, "good.toml").unwrap().to_toml();
    let expected = r#"title  = "Ferry landing sixths"
key    = "D major"
tempo  = 84
meter  = "4/4"

steps = [
  { beats = 1,     frets = "x x x  11 x  10", chord = "D", interval = "m6" },
  { beats = 0.5,   frets = "x x x   9 x   9" },
  { beats = 0.5,   frets = "x x x 7h9 7   x" },
  { beats = 1,     frets = "x x x   x x   x" },
  { beats = "1/3", frets = 'x x x   x x 7\5' },
]
"#;
    assert_eq!(printed, expected);
}

/// Ukulele and banjo have their highest string first or last but one (common practice); two strings
/// may be any.
#[test]
fn tunings_that_turn_are_taken_as_they_are() {
    for (open, frets) in
        [("G4 C4 E4 A4", "x x 0 0"), ("G4 D3 G3 B3 D4", "x x x 0 0"), ("B3 G3", "0 0")]
    {
        let text = format!(
            "title = \"t\"\nkey = \"C major\"\ntempo = 60\nmeter = \"4/4\"\ntuning = \"{open}\"\n\
             steps = [ {{ beats = 1, frets = \"{frets}\" }} ]\n"
        );
        let lick = Lick::parse(&text, "t.toml").unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(lick.tuning.n_strings(), open.split(' ').count());
    }
}
