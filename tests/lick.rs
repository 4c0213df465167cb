//! The lick file: round trips, errors with their exact text, and what is played.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use doublecheck::lick::Lick;
use doublecheck::lick::Meter;
use doublecheck::lick::Step;
use doublecheck::lick::beats::Beats;
use doublecheck::lick::error::LickError;
use doublecheck::lick::expected::Technique;
use doublecheck::lick::find;
use doublecheck::lick::library;
use doublecheck::lick::mark::Mark;
use doublecheck::lick::mark::Move;
use doublecheck::lick::mark::MoveKind;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::interval::Interval;
use doublecheck::theory::key::Key;
use doublecheck::theory::key::Mode;
use doublecheck::theory::note::MidiNote;
use proptest::prelude::*;

/// The example of the format's description, with a step that needs single quotes.
const GOOD: &str = r#"title  = "Ferry landing sixths"
key    = "D major"
tempo  = 84                         # beats a minute, the beat being a quarter note
meter  = "4/4"
tuning = "E2 A2 D3 G3 B3 E4"        # optional, sixth string first; this is the default
capo   = 0                          # optional

steps = [
  { beats = 1, frets = "x x x 11 x 10", chord = "D", interval = "m6" },
  { beats = 0.5, frets = "x x x  9 x  9" },
  { beats = 0.5, frets = "x x x 7h9 7 x" },
  { beats = 1,   frets = "x x x x x x" },
  { beats = "1/3", frets = 'x x x x x 7\5' },
]
"#;

fn lick(steps: &str) -> Lick {
    let text = format!(
        "title = \"t\"\nkey = \"C major\"\ntempo = 60\nmeter = \"4/4\"\nsteps = [\n{steps}\n]\n"
    );
    Lick::parse(&text, "t.toml")
        .unwrap_or_else(|e| panic!("{e}\n{}\n{}", e.excerpt(None), e.hint()))
}

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

/// Each case: what is replaced in the good file, by what, the error line and the hint.
const FAULTS: &[(&str, &str, &str, &str)] = &[
    (
        "\"D major\"",
        "\"H major\"",
        "good.toml:2:10: `H major` is not a key",
        "write a key as \"D major\" or \"F# minor\" (or dorian, phrygian, lydian, mixolydian, locrian)",
    ),
    (
        "\"D major\"",
        "\"G# major\"",
        "good.toml:2:10: `G# major` needs more than seven sharps or flats",
        "write \"Ab major\", which sounds the same",
    ),
    (
        "title ",
        "titel ",
        "good.toml:1:1: unknown key `titel`",
        "did you mean `title`? the keys here are title, key, tempo, meter, tuning, capo and steps",
    ),
    (
        "frets = \"x x x  9",
        "fretts = \"x x x  9",
        "good.toml:10:18: unknown key `fretts`",
        "did you mean `frets`? the keys here are beats, frets, chord and interval",
    ),
    (
        "tempo  = 84",
        "tempo  = 0",
        "good.toml:3:10: a tempo of 0 beats a minute",
        "a tempo is between 10 and 400 quarter notes a minute",
    ),
    (
        "tempo  = 84",
        "tempo  = \"fast\"",
        "good.toml:3:10: `tempo` is a string, expected a number",
        "write tempo = 84, in quarter notes a minute",
    ),
    ("meter  = \"4/4\"\n", "", "good.toml:1:1: `meter` is missing", "add meter = \"4/4\""),
    (
        "\"4/4\"",
        "\"4/5\"",
        "good.toml:4:10: `4/5` is not a meter",
        "write a meter as \"4/4\" or \"6/8\": 1 to 64 notes of length 1, 2, 4, 8, 16 or 32",
    ),
    (
        "D3 G3",
        "D3 H3",
        "good.toml:5:20: `H3` is not a note",
        "write a note as letter, # or b, and octave: E2, Bb3, F#4 (C4 is middle C)",
    ),
    (
        "\"E2 A2 D3 G3 B3 E4\"",
        "\"DADGAD\"",
        "good.toml:5:11: `DADGAD` names no octave",
        "name each string with its octave, separated by blanks, lowest first: \
         tuning = \"D2 A2 D3 G3 A3 D4\"",
    ),
    (
        "E2 A2 D3 G3 B3 E4",
        "E4 B3 G3 D3 A2 E2",
        "good.toml:5:10: the tuning names the highest string first",
        "the lowest string comes first, here and in frets: tuning = \"E2 A2 D3 G3 B3 E4\"",
    ),
    (
        "\"D major\"",
        "D major",
        "good.toml:2:10: `D major` without straight quotes",
        "put straight quotes round it: \"D major\"",
    ),
    (
        "\"D major\"",
        "“D major”",
        "good.toml:2:10: `D major` without straight quotes",
        "put straight quotes round it: \"D major\"",
    ),
    (
        "beats = 1,",
        "beats = 1/3,",
        "good.toml:9:13: `1/3` without straight quotes",
        "put straight quotes round it: \"1/3\"",
    ),
    (
        "x x x 11 x 10",
        "X X X 11 X 10",
        "good.toml:9:25: `X` is not a mark",
        "a string that is not played is a small x: frets = \"x x x 9 x 9\"",
    ),
    (
        "x x x 11 x 10",
        "- - - 11 - 10",
        "good.toml:9:25: `-` is not a mark",
        "a string that is not played is a small x: frets = \"x x x 9 x 9\"",
    ),
    (
        "x x x 11 x 10",
        "x,x,x,11,x,10",
        "good.toml:9:25: `x,x,x,11,x,10` is not a mark",
        "separate the marks by blanks, a small x for a string that is not played: \
         frets = \"x x x 9 x 9\"",
    ),
    (
        "beats = 0.5,",
        "beats = 0,5,",
        "good.toml:10:16: extra comma in inline table, expected `=`",
        "write a name, = and a value: beats = 0.5, with a point in the number",
    ),
    (
        "\"D major\"",
        "",
        "good.toml:2:10: string values must be quoted, expected literal string",
        "write a name, = and a value: beats = 0.5, with a point in the number",
    ),
    (
        "\"D major\"",
        "true",
        "good.toml:2:10: `key` is true or false, expected a string",
        "write key = \"D major\"",
    ),
    (
        "\"D major\"",
        "t",
        "good.toml:2:10: invalid boolean, expected `true`",
        "straight quotes stand on both sides of a text: title = \"Ferry landing sixths\"",
    ),
    (
        "7h9 7 x\" },",
        "7h9 7 x },",
        "good.toml:11:43: invalid basic string, expected `\"`",
        "straight quotes stand on both sides of a text: title = \"Ferry landing sixths\"",
    ),
    (
        "7h9 7 x\" },",
        "7h9 7 x\" }",
        "good.toml:12:3: missing comma between array elements, expected `,`",
        "a comma stands between two steps, and within a step between its parts; or is a quote missing \
         before this place?",
    ),
    (
        "x x x  9 x  9",
        "xxx9x9",
        "good.toml:10:27: `xxx9x9` is not a mark",
        "separate the marks by blanks, a small x for a string that is not played: \
         frets = \"x x x 9 x 9\"",
    ),
    (
        "capo   = 0",
        "capo   = 13",
        "good.toml:6:10: a capo at fret 13",
        "a capo sits at one of the frets 1 to 12; 0 is none",
    ),
    (
        "x 11 x 10",
        "x 11 x 25",
        "good.toml:9:36: fret 25 cannot be reached",
        "the highest fret is 24",
    ),
    (
        "x 11 x 10",
        "x 11 x 999",
        "good.toml:9:36: `999` is not a mark",
        "a mark is x, a fret (0 is open), 5h7, 7p5, 5s7, 5/7, 7\\5, 7b9, <12>, 8<20> or =; \
         blanks stand between strings, none within a mark",
    ),
    (
        "x 11 x 10",
        "x 11 10",
        "good.toml:9:24: 5 marks for 6 strings",
        "write 6 marks separated by blanks, lowest string first; x is a string that is not played",
    ),
    (
        "x x x 7h9 7 x",
        "x x x 7 h9 7 x",
        "good.toml:11:35: `h9` is not a mark",
        "a mark is x, a fret (0 is open), 5h7, 7p5, 5s7, 5/7, 7\\5, 7b9, <12>, 8<20> or =; \
         blanks stand between strings, none within a mark",
    ),
    (
        "7h9",
        "7h5",
        "good.toml:11:33: a hammer-on cannot lead from fret 7 to fret 5",
        "it leads upwards; downwards is written 7p5",
    ),
    (
        "7h9",
        "7p9",
        "good.toml:11:33: a pull-off cannot lead from fret 7 to fret 9",
        "it leads downwards; upwards is written 7h9",
    ),
    (
        "7h9",
        "7s7",
        "good.toml:11:33: a slide cannot lead from fret 7 to fret 7",
        "name another fret to move to",
    ),
    (
        "7h9",
        "7b9p7",
        "good.toml:11:33: nothing can follow a bend in a chain",
        "strike again in a step of its own",
    ),
    (
        "7h9",
        "<11>",
        "good.toml:11:33: no harmonic sounds 11 frets above the open string",
        "harmonics lie over frets 3, 4, 5, 7, 9, 12, 16, 19, 24",
    ),
    (
        "7h9",
        "8<21>",
        "good.toml:11:33: no harmonic sounds 13 frets above fret 8",
        "harmonics lie over frets 11, 12, 13, 15, 17, 20, 24, 27, 32",
    ),
    (
        "x x x  9 x  9",
        "x x = 9 x 9",
        "good.toml:10:31: nothing sounds on string 4 that could be held",
        "= holds what the step before left sounding on that string; write a fret to strike it, or x",
    ),
    (
        "beats = 1,",
        "beats = 0,",
        "good.toml:9:13: `0` is not a length",
        "beats is a number of quarter notes above 0 and up to 1000, or a fraction in quotes: 0.5, 1, \"1/3\"",
    ),
    (
        "beats = 1,",
        "beats = \"1/0\",",
        "good.toml:9:13: `1/0` is not a length",
        "beats is a number of quarter notes above 0 and up to 1000, or a fraction in quotes: 0.5, 1, \"1/3\"",
    ),
    (
        "beats = 1,",
        "beats = inf,",
        "good.toml:9:13: `inf` is not a length",
        "beats is a number of quarter notes above 0 and up to 1000, or a fraction in quotes: 0.5, 1, \"1/3\"",
    ),
    (
        "beats = 1, ",
        "",
        "good.toml:9:3: `beats` is missing",
        "add beats = 0.5 or beats = \"1/3\", in quarter notes",
    ),
    (
        "\"D\"",
        "\"Dlarge\"",
        "good.toml:9:49: `Dlarge` is not a chord symbol",
        "write a chord as G, Em7, A9, C6/9, F#m7b5 or D/F#",
    ),
    (
        "\"m6\"",
        "\"P6\"",
        "good.toml:9:65: `P6` is not an interval",
        "write an interval as m3, M6, P4, A4, d5 or m10 (m minor, M major, P perfect, A augmented, d diminished)",
    ),
    (
        "7h9 7 x",
        "7\\5 7 x",
        "good.toml:11:35: a lone `\\` between double quotes",
        "write the marks between single quotes, where it stands for itself: frets = 'x x x x 7\\5 5'",
    ),
    (
        "\"D major\"",
        "\"D major",
        "good.toml:2:18: invalid basic string, expected `\"`",
        "straight quotes stand on both sides of a text: title = \"Ferry landing sixths\"",
    ),
    (
        "\"Ferry landing sixths\"",
        "\" \"",
        "good.toml:1:10: the title is empty",
        "name the lick: title = \"Ferry landing sixths\"",
    ),
    (
        "steps = [",
        "steps = []\nmore = [",
        "good.toml:9:1: unknown key `more`",
        "the keys here are title, key, tempo, meter, tuning, capo and steps",
    ),
];

#[test]
fn every_fault_is_told_with_its_place_and_the_way_out() {
    for (from, to, error, hint) in FAULTS {
        assert!(GOOD.contains(from), "`{from}` is not in the file");
        let bad = GOOD.replacen(from, to, 1);
        let found = Lick::parse(&bad, "good.toml").expect_err(to);
        assert_eq!(found.to_string(), *error, "{to}");
        assert_eq!(found.hint(), *hint, "{to}");
        let LickError::Malformed { place, .. } = &found else { panic!("{to}: {found:?}") };
        let line = bad.lines().nth(place.line - 1).unwrap();
        assert!(found.excerpt(None).contains(line), "{to}:\n{}", found.excerpt(None));
    }
}

#[test]
fn the_excerpt_shows_the_line_and_underlines_the_mark() {
    let bad = GOOD.replacen("x 11 x 10", "x 11 x 25", 1);
    let found = Lick::parse(&bad, "good.toml").unwrap_err();
    let excerpt = r#"    ╭─[good.toml:9:36]
  8 │ steps = [
  9 │   { beats = 1, frets = "x x x 11 x 25", chord = "D", interval = "m6" },
    ·                                    ──
 10 │   { beats = 0.5, frets = "x x x  9 x  9" },
    ╰────"#;
    assert_eq!(found.excerpt(None), excerpt);
}

/// A place far out in a long line once made the drawing of the excerpt panic.
#[test]
fn a_fault_in_a_very_long_line_is_shown_with_what_is_around_it() {
    let text = format!("title = \"t\" # {}\nkey = \"{}?\n", "ü".repeat(70_000), "é".repeat(70_000));
    let error = Lick::parse(&text, "long.toml").unwrap_err();
    assert!(error.to_string().starts_with("long.toml:2:70009: "), "{error}");
    assert!(error.to_string().chars().count() < 300, "{error}");
    let excerpt = error.excerpt(None);
    let [shown, caret] = excerpt.lines().collect::<Vec<_>>()[..] else { panic!("{excerpt}") };
    assert!(shown.starts_with(" 2 │ éééé") && shown.ends_with("é?"), "{excerpt}");
    assert_eq!(caret.chars().count(), shown.chars().count() + 1, "the caret is after the `?`");
}

/// Slips of hands that know other kinds of files, each with a word of what is told of it.
#[test]
fn slips_in_the_writing_are_answered_with_what_to_write() {
    let step = r#"{ beats = 1, frets = "x x x 11 x 10", chord = "D", interval = "m6" }"#;
    assert!(GOOD.contains(step), "the step that is spoilt below");
    for (spoilt, error, hint) in [
        (r#"{ beats: 1, frets: "x x x 9 x 9" }"#, "a colon", "write a name, = and a value"),
        (r#"{ beats = 1 frets = "x x x 9 x 9" }"#, "`frets` right after a value", "a comma stands"),
        (r#"{ beats = .5, frets = "x x x 9 x 9" }"#, "mantissa", "digits on both sides"),
        (r#"{ beats = 1., frets = "x x x 9 x 9" }"#, "fraction", "digits on both sides"),
        (r#"{ beats = 01, frets = "x x x 9 x 9" }"#, "leading zero", "no 0 too many"),
        (r#"{ beats = "0.50", frets = "x x x 9 x 9" }"#, "`0.50` is not", "beats = 0.5"),
        (
            r#"{ beats = "2", frets = "x x x 9 x 9" }"#,
            "`2` is not a length",
            "in quotes: beats = 2",
        ),
        (r#"{ beats = "2000", frets = "x x x 9 x 9" }"#, "`2000` is not", "up to 1000"),
        (r#"{ beats = 1, beats = 2 }"#, "duplicate key", "keep one of the two"),
        (r#"[ beats = 1, frets = "x x x 9 x 9" ]"#, "`beats` outside a step", "between { and }"),
        (r#"( beats = 1, frets = "x x x 9 x 9" )"#, "`( beats` outside a step", "between { and }"),
        (
            r#"{ beats = 1, frets = ´x x x 9 x 9´ }"#,
            "without straight",
            "round it: \"x x x 9 x 9\"",
        ),
        (r#"{ beats = 1, frets = 'x x x 9 x 9" }"#, "literal string", "the kind of quote"),
        (r#"{ beats = 1, frets = "x x x 9 x 9", chord = "em7" }"#, "`em7` is not", "write \"Em7\""),
        (r#"{ beats = 1, frets = "x x x 9 x 9", chord = "D minor" }"#, "is not", "write \"Dm\""),
        (r#"{ beats = 1, frets = "x x x 9 x 9", chord = "H7" }"#, "is not", "write a chord as"),
    ] {
        let found = Lick::parse(&GOOD.replacen(step, spoilt, 1), "good.toml").expect_err(spoilt);
        assert!(found.to_string().contains(error), "{spoilt}: {found}");
        assert!(found.hint().contains(hint), "{spoilt}: {}", found.hint());
    }
    let (head, _) = GOOD.split_once(step).expect("the step");
    let unclosed = Lick::parse(head, "good.toml").expect_err("no end");
    assert!(unclosed.hint().contains("between [ and ]"), "{}", unclosed.hint());
    for remark in ["// mine", "; mine"] {
        let found = Lick::parse(&format!("{remark}\n{GOOD}"), "good.toml").expect_err(remark);
        assert!(found.hint().contains("a remark begins with #"), "{}", found.hint());
    }
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

/// Ways of writing a key that are common elsewhere (chord symbols; German; common practice).
#[test]
fn a_key_in_another_writing_is_told_as_it_is_to_be_written() {
    for (written, meant) in [
        ("Am", "A minor"),
        ("G", "G major"),
        ("am", "A minor"),
        ("bbm", "Bb minor"),
        ("B♭", "Bb major"),
        ("F#min", "F# minor"),
        ("Eb maj", "Eb major"),
        ("DM", "D major"),
        ("C-", "C minor"),
        ("g major", "G major"),
        ("D Mixolydian", "D mixolydian"),
        ("c-moll", "C minor"),
        ("g", "write a key as"),
        ("As-Dur", "write a key as"),
        ("Hm", "write a key as"),
        ("D#", "write a key as"),
        ("E7", "write a key as"),
        ("", "write a key as"),
    ] {
        let text = GOOD.replacen("D major", written, 1);
        let error = Lick::parse(&text, "good.toml").expect_err(written);
        assert_eq!(error.to_string(), format!("good.toml:2:10: `{written}` is not a key"));
        let hint = error.hint();
        let told = hint == format!("write \"{meant}\"") || hint.starts_with(meant);
        assert!(told, "{written}: {hint}");
    }
}

#[test]
fn faults_stay_on_one_line_and_pass_no_control_characters_on() {
    let text = GOOD.replacen("\"D major\"", "\"\"\"D\nmajor\"\"\"", 1);
    let error = Lick::parse(&text, "good.toml").unwrap_err();
    assert_eq!(error.to_string(), "good.toml:2:10: `D major` is not a key");
    let text = GOOD.replacen("beats a minute", "\u{1b}[31m", 1);
    let error = Lick::parse(&text, "good.toml").unwrap_err();
    assert!(!error.excerpt(None).contains('\u{1b}'), "{}", error.excerpt(None));
    assert!(!error.excerpt(None).is_empty());
}

#[test]
fn a_capo_takes_frets_from_the_neck() {
    let capo = |fret: u8| {
        let text = GOOD.replacen("capo   = 0", "capo   = 3", 1);
        Lick::parse(&text.replacen("x 11 x 10", &format!("x 11 x {fret}"), 1), "good.toml")
    };
    let raised = capo(21).unwrap().expected();
    assert_eq!(raised.steps[0].struck[0].note, MidiNote(69));
    assert_eq!(raised.open_strings[5].1, MidiNote(67));
    let left_open = [43, 48, 53, 62].map(MidiNote);
    assert_eq!(raised.steps[0].left_open, left_open, "open strings E2 A2 D3 B3 under the capo");
    let error = capo(22).unwrap_err();
    assert_eq!(error.to_string(), "good.toml:9:36: fret 22 cannot be reached with a capo at 3");
    assert_eq!(error.hint(), "the highest fret is 21, counted from the capo");
}

#[test]
fn seven_strings_sound_at_most_six_notes() {
    let seven = |frets: &str| {
        let text = format!(
            "title = \"t\"\nkey = \"C major\"\ntempo = 60\nmeter = \"4/4\"\n\
             tuning = \"B1 E2 A2 D3 G3 B3 E4\"\nsteps = [{{ beats = 1, frets = \"{frets}\" }}]\n"
        );
        Lick::parse(&text, "t.toml")
    };
    assert_eq!(seven("0 0 0 0 0 0 x").unwrap().expected().steps[0].struck.len(), 6);
    let error = seven("0 0 0 0 0 0 0").unwrap_err();
    assert_eq!(error.to_string(), "t.toml:6:31: 7 notes in one step");
    assert_eq!(error.hint(), "a step has up to 6 notes");
}

#[test]
fn files_that_are_no_text_or_not_there_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("noise.toml");
    std::fs::write(&path, b"title = \"t\"\n\xff\xfe").unwrap();
    let error = Lick::load(&path).unwrap_err();
    assert_eq!(error.to_string(), format!("{}:2: not UTF-8 text", path.display()));
    std::fs::write(&path, vec![b' '; (4 << 20) + 1]).unwrap();
    let error = Lick::load(&path).unwrap_err();
    assert_eq!(error.to_string(), format!("{}: longer than 4 megabytes", path.display()));
    let error = find("no-such-lick").unwrap_err();
    assert!(error.to_string().starts_with("no-such-lick: "), "{error}");
    assert!(error.hint().contains("ferry-landing-sixths"), "{}", error.hint());
    assert!(matches!(find(folder.path()), Err(LickError::Read { .. })));
    for slip in ["ferry-landing-sixth", "Glass Marbles", "orchard-gate", "three-lantern.toml"] {
        let hint = find(slip).unwrap_err().hint();
        assert!(hint.starts_with("did you mean `"), "{slip}: {hint}");
    }
    for far in ["no-such-lick", "x"] {
        let hint = find(far).unwrap_err().hint();
        assert!(!hint.contains("did you mean"), "{far}: {hint}");
    }
    // Other files that come to hand in place of a lick.
    for (name, bytes, word) in [
        ("a.mid", &b"MThd\xff"[..], "doublecheck convert"),
        ("a.musicxml", b"<?xml version=\"1.0\"?>", "doublecheck convert"),
        ("a.txt", b"e|--3--|", "doublecheck convert"),
        ("a.wav", b"RIFF\xff\xff", "swapped"),
        ("a.toml", b"RIFF\xff\xff", "doublecheck new"),
    ] {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let error = Lick::load(&path).unwrap_err();
        assert!(error.hint().contains(word), "{name}: {}", error.hint());
        let is_other = error.to_string().ends_with(", not a lick");
        assert_eq!(is_other, name != "a.toml", "{error}");
    }
    // A lick may be called so too: its slips are told in their place.
    let path = folder.path().join("lick.txt");
    std::fs::write(&path, GOOD.replacen("beats = 0.5,", "beats: 0.5,", 1)).unwrap();
    let error = Lick::load(&path).unwrap_err();
    assert!(error.to_string().contains("lick.txt:10:10: a colon"), "{error}");
}

/// Partial n of a string sounds `12 · log2(n)` semitones above it: 12.00, 19.02, 24.00, 27.86,
/// 31.02 for n = 2 to 6 (the just fifth and major third: `hearing.md`, section 4); its nodes lie where the string is cut in n parts, which is over frets
/// 12; 7 and 19; 5 and 24; 4, 9 and 16; 3 (`fret = −12 · log2(1 − k/n)`).
#[test]
fn harmonics_sound_where_the_partials_lie() {
    for n in 2u8..=6 {
        for k in (1..n).filter(|k| gcd(*k, n) == 1) {
            let node = -12.0 * (1.0 - f64::from(k) / f64::from(n)).log2();
            let sounding = 12.0 * f64::from(n).log2();
            let fret = node.round() as u8;
            if fret > 24 {
                continue;
            }
            let natural = lick(&format!("{{ beats = 1, frets = \"<{fret}> x x x x x\" }}"));
            let note = natural.expected().steps[0].struck[0];
            assert_eq!(note.technique, Technique::NaturalHarmonic);
            assert_eq!(f64::from(note.note.0), 40.0 + sounding.round(), "over fret {fret}");
            let offset = note.tempered_offset().0;
            let expected = [0.0, 1.955, 0.0, -13.686, 1.955][usize::from(n - 2)];
            assert!((offset - expected).abs() < 0.001, "over fret {fret}: {offset} cents");
        }
    }
    let artificial = lick("{ beats = 1, frets = \"x x x x 8<20> x\" }");
    let note = artificial.expected().steps[0].struck[0];
    assert_eq!(note.note, MidiNote(59 + 8 + 12));
    assert_eq!(note.technique, Technique::ArtificialHarmonic { stopped: Fret(8) });
}

fn gcd(a: u8, b: u8) -> u8 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[test]
fn held_strings_sound_on_what_the_step_before_ended_with() {
    let lick = lick(
        "{ beats = 1, frets = 'x x x 5h7p4 5 x' },\n{ beats = 1, frets = 'x x x = 6 x' },\n\
         { beats = 1, frets = 'x x x = x x' }",
    );
    let steps = lick.expected().steps;
    let orders: Vec<_> = steps[0].stages.iter().map(|s| (s.order, s.to.note.0)).collect();
    assert_eq!(orders, [(1, 62), (2, 59)]);
    for step in &steps[1..] {
        assert_eq!(step.held.len(), 1);
        assert_eq!(step.held[0].note, MidiNote(59));
        assert_eq!(step.held[0].technique, Technique::Held);
    }
    assert!(!steps[2].is_rest());
}

#[test]
fn three_triplet_eighths_are_a_beat() {
    let third = Beats::from_fraction("1/3").unwrap();
    assert_eq!((third.numerator(), third.denominator()), (1, 3));
    assert_eq!(third.to_toml(), "\"1/3\"");
    assert_eq!(Beats::from_fraction("2/4"), Beats::from_number(0.5));
    assert_eq!(Beats::from_number(0.5).unwrap().to_toml(), "0.5");
    for nothing in ["", "1", "0/3", "1/0", "-1/3", "1/3/2", "+1/3", "1.5/2", "5000/1"] {
        assert_eq!(Beats::from_fraction(nothing), None, "`{nothing}`");
    }
    for nothing in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e-9, 1000.5] {
        assert_eq!(Beats::from_number(nothing), None, "{nothing}");
    }
}

#[test]
fn a_built_lick_is_checked_like_a_written_one() {
    let mut lick = Lick::parse(GOOD, "good.toml").unwrap();
    lick.steps[1].marks[3] = Mark::fret(30);
    let flaw = lick.check().unwrap_err();
    assert_eq!(flaw.to_string(), "step 2, string 3: fret 30 cannot be reached");
    lick.steps[1].marks.truncate(2);
    assert_eq!(lick.check().unwrap_err().to_string(), "step 2: 2 marks for 6 strings");
    // What cannot sound is left out, nothing panics.
    assert_eq!(lick.expected().steps[1].struck.len(), 0);
}

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
