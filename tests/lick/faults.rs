//! What is wrong in a lick file, told with its place and the way out.

use doublecheck::lick::Lick;
use doublecheck::lick::error::LickError;
use doublecheck::lick::find;

use super::GOOD;

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
        "did you mean `title`? the keys here are title, key, tempo, meter, swing, tuning, capo and steps",
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
        "tempo  = 84 bpm",
        "good.toml:3:10: `84 bpm` without straight quotes",
        "put straight quotes round it: \"84 bpm\"; a number stands alone, without its unit: 84",
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
        "\"4/4\"\n",
        "\"4/4\"\nswing = \"1:1\"\n",
        "good.toml:5:9: `1:1` is not a swing",
        "write how long the first eighth of a beat is to the second, more than 1:1 and less than 3:1: \
         swing = \"2:1\"; leave it out for even eighths",
    ),
    (
        "\"4/4\"\n",
        "\"6/8\"\nswing = \"2:1\"\n",
        "good.toml:5:9: swung eighths in 6/8",
        "eighths are swung where the beat is a quarter note; write the lengths as they sound and leave swing out",
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
        "E A D G B E",
        "good.toml:5:11: `E` names no octave",
        "name each string with its octave, separated by blanks, lowest first: \
         tuning = \"E2 A2 D3 G3 B3 E4\"",
    ),
    (
        "E2 A2 D3 G3 B3 E4",
        "drop D",
        "good.toml:5:11: `drop` names no octave",
        "name each string with its octave, separated by blanks, lowest first: \
         tuning = \"D2 A2 D3 G3 B3 E4\"",
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
        "write \"m6\" (minor sixth) or \"M6\" (major sixth)",
    ),
    (
        "\"m6\"",
        "\"wide\"",
        "good.toml:9:65: `wide` is not an interval",
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
        "the keys here are title, key, tempo, meter, swing, tuning, capo and steps",
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
        (r#"{ beats = 1, frets = "x x x 9 x 9", chord = "Cma7" }"#, "is not", "write \"Cmaj7\""),
        (r#"{ beats = 1, frets = "x x x 9 x 9", chord = "bm7-5" }"#, "is not", "write \"Bm7b5\""),
        (r#"{ beats = 1, frets = "x x x 9 x 9", chord = "Dmi9" }"#, "is not", "write \"Dm9\""),
        (r#"{ beats = 1, frets = "x x x 9 x 9", chord = "G/9" }"#, "is not", "write a chord as"),
        (
            r#"{ beats = 1, frets = "x x x 9 x 9", interval = "M5" }"#,
            "is not an interval",
            r#""P5" (perfect fifth), "A5" (augmented fifth) or "d5" (diminished fifth)"#,
        ),
        (
            r#"{ beats = 1, frets = "x x x 9 x 9", interval = "tritone" }"#,
            "is not an interval",
            r#"write "A4" (augmented fourth) or "d5" (diminished fifth)"#,
        ),
        (r#"{ beats = 1, frets = "x x x 9 x 9", interval = "octave" }"#, "is not", "\"P8\""),
        (
            r#"{ beats = 1, frets = "x x x 9 x 9", interval = "maj6" }"#,
            "is not an interval",
            "write \"M6\" (major sixth)",
        ),
        (r#"{ beats = 1, frets = "x x x 9 x 9", interval = "b3" }"#, "is not", "\"m3\" (minor"),
        (r#"{ beats = 1, frets = "x x x 9 x 9", interval = "0" }"#, "is not", "write an interval"),
        (r#"{ beats = 1, frets = "x x x 9 x 9", interval = "99" }"#, "is not", "write an interval"),
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
fn files_that_are_no_text_or_not_there_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("noise.toml");
    std::fs::write(&path, b"title = \"t\"\n\xff\xfe").unwrap();
    let error = Lick::load(&path).unwrap_err();
    assert_eq!(error.to_string(), format!("{}:2: not UTF-8 text", path.display()));
    assert!(error.hint().contains("save it as UTF-8"), "{}", error.hint());
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
    let mine = folder.path().join("mine");
    std::fs::write(mine.with_extension("toml"), GOOD).unwrap();
    let hint = find(&mine).unwrap_err().hint();
    assert!(hint.starts_with(&format!("did you mean `{}.toml`?", mine.display())), "{hint}");
    for far in ["no-such-lick", "x"] {
        let hint = find(far).unwrap_err().hint();
        assert!(!hint.contains("did you mean"), "{far}: {hint}");
    }
    // Other files that come to hand in place of a lick.
    for (name, bytes, word) in [
        ("a.mid", &b"MThd\xff"[..], "doublecheck convert"),
        ("a song.mid", &b"MThd\xff"[..], "/a song.mid\" -o \""),
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
