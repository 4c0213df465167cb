//! Notes, keys, intervals and chords against tables from outside the program.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use doublecheck::theory::chord::Chord;
use doublecheck::theory::error::NameError;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::fretboard::fret_position;
use doublecheck::theory::interval::Interval;
use doublecheck::theory::key::Key;
use doublecheck::theory::key::Mode;
use doublecheck::theory::key::spell_open;
use doublecheck::theory::names::Names;
use doublecheck::theory::naming;
use doublecheck::theory::naming::ChordName;
use doublecheck::theory::note::MidiNote;
use doublecheck::theory::note::Reference;
use doublecheck::theory::spelling::NoteName;
use doublecheck::theory::spelling::Spelling;
use proptest::prelude::*;

fn key(text: &str) -> Key {
    text.parse().unwrap()
}

fn notes(text: &str) -> Vec<MidiNote> {
    text.split(' ').map(|note| note.parse::<Spelling>().unwrap().midi().unwrap()).collect()
}

fn name_chord(notes: &[MidiNote], key: Option<Key>) -> Option<ChordName> {
    naming::name_chord(notes, &Names::of(&[notes.to_vec()], key, None))
}

fn name_sounding(notes: &[MidiNote], key: Option<Key>) -> String {
    naming::name_sounding(notes, &Names::of(&[notes.to_vec()], key, None))
}

/// MIDI numbers and frequencies: ISO 16:1975 (A4 = 440 Hz), MIDI 1.0 (69 = A4, 60 = middle C);
/// the open strings as `hearing.md`, section 4, has them.
#[test]
fn notes_have_the_numbers_and_frequencies_of_the_standards() {
    let table = [
        ("A4", 69, 440.0),
        ("C4", 60, 261.6256),
        ("E2", 40, 82.4069),
        ("A2", 45, 110.0),
        ("D3", 50, 146.8324),
        ("G3", 55, 195.9977),
        ("B3", 59, 246.9417),
        ("E4", 64, 329.6276),
        ("C-1", 0, 8.1758),
        ("G9", 127, 12543.8540),
    ];
    for (name, midi, hz) in table {
        let spelling: Spelling = name.parse().unwrap();
        assert_eq!(spelling.midi(), Some(MidiNote(midi)), "{name}");
        let found = Reference::default().frequency(MidiNote(midi)).get();
        // The tables print four places.
        assert!((found - hz).abs() <= 0.5e-4 + hz * 1e-8, "{name}: {found} Hz, table {hz} Hz");
    }
}

/// The octave number belongs to the letter (scientific pitch notation; Young 1939).
#[test]
fn octave_numbers_belong_to_the_letter() {
    for (name, midi) in
        [("B#3", 60), ("Cb4", 59), ("Cb5", 71), ("B#4", 72), ("E#4", 65), ("Fb4", 64)]
    {
        let spelling: Spelling = name.parse().unwrap();
        assert_eq!(spelling.midi(), Some(MidiNote(midi)), "{name}");
        assert_eq!(Spelling::of(MidiNote(midi), spelling.name), Some(spelling), "{name}");
    }
    for nonsense in ["", "H4", "F", "F#", "4", "F#b4", "F###4", "F+4", "C-2", "G#9", "f4", "F4 "] {
        assert!(nonsense.parse::<Spelling>().is_err(), "`{nonsense}` was read as a note");
    }
}

/// Key signatures: the circle of fifths as any primer has it, from memory; `fifths` as MusicXML
/// 4.0 counts it.
#[test]
fn major_scales_are_spelled_as_their_signature_has_them() {
    let table = [
        ("Cb major", -7, "Cb Db Eb Fb Gb Ab Bb"),
        ("Gb major", -6, "Gb Ab Bb Cb Db Eb F"),
        ("Db major", -5, "Db Eb F Gb Ab Bb C"),
        ("Ab major", -4, "Ab Bb C Db Eb F G"),
        ("Eb major", -3, "Eb F G Ab Bb C D"),
        ("Bb major", -2, "Bb C D Eb F G A"),
        ("F major", -1, "F G A Bb C D E"),
        ("C major", 0, "C D E F G A B"),
        ("G major", 1, "G A B C D E F#"),
        ("D major", 2, "D E F# G A B C#"),
        ("A major", 3, "A B C# D E F# G#"),
        ("E major", 4, "E F# G# A B C# D#"),
        ("B major", 5, "B C# D# E F# G# A#"),
        ("F# major", 6, "F# G# A# B C# D# E#"),
        ("C# major", 7, "C# D# E# F# G# A# B#"),
        ("F# minor", 3, "F# G# A B C# D E"),
        ("C minor", -3, "C D Eb F G Ab Bb"),
        ("A minor", 0, "A B C D E F G"),
        ("D dorian", 0, "D E F G A B C"),
        ("E phrygian", 0, "E F G A B C D"),
        ("F lydian", 0, "F G A B C D E"),
        ("G mixolydian", 0, "G A B C D E F"),
        ("B locrian", 0, "B C D E F G A"),
    ];
    for (name, fifths, scale) in table {
        let key = key(name);
        assert_eq!(key.fifths(), fifths, "{name}");
        assert_eq!(key.to_string(), name);
        assert_eq!(Key::from_fifths(fifths, key.mode()), Some(key), "{name}");
        for degree in scale.split(' ') {
            let written: NoteName = degree.parse().unwrap();
            assert_eq!(key.name(written.pitch_class()), written, "{degree} in {name}");
        }
    }
}

/// The harmonic chromatic scale on C, A and D (The New Grove Dictionary, «Chromatic scale»; from
/// memory); in Ab and B major with naturals in place of Cb, Fb, Bbb and E# (common practice).
#[test]
fn chromatic_notes_follow_the_harmonic_chromatic_scale() {
    let table = [
        ("C major", "C Db D Eb E F F# G Ab A Bb B"),
        ("A minor", "A Bb B C C# D D# E F F# G G#"),
        ("D major", "D Eb E F F# G G# A Bb B C C#"),
        ("Ab major", "Ab A Bb B C Db D Eb E F Gb G"),
        ("B major", "B C C# D D# E F F# G G# A A#"),
    ];
    for (name, scale) in table {
        for degree in scale.split(' ') {
            let written: NoteName = degree.parse().unwrap();
            assert_eq!(key(name).name(written.pitch_class()).to_string(), degree, "in {name}");
        }
    }
    assert_eq!(key("D major").spell(MidiNote(66)).to_string(), "F#4");
    assert_eq!(key("Db major").spell(MidiNote(66)).to_string(), "Gb4");
    // An open string keeps the name it is tuned by where that is a natural.
    assert_eq!(spell_open(MidiNote(59), Some(key("Gb major"))).to_string(), "B3");
    assert_eq!(spell_open(MidiNote(58), Some(key("Gb major"))).to_string(), "Bb3");
    assert_eq!(spell_open(MidiNote(70), None).to_string(), "A#4");
}

#[test]
fn keys_that_do_not_exist_are_refused_with_the_one_that_does() {
    for nonsense in ["", "D", "H major", "D dur", "major D", "d major"] {
        assert!(matches!(nonsense.parse::<Key>(), Err(NameError::Key { .. })), "`{nonsense}`");
    }
    for (remote, instead) in
        [("G# major", "Ab major"), ("Fb major", "E major"), ("Db minor", "C# minor")]
    {
        match remote.parse::<Key>() {
            Err(NameError::RemoteKey { instead: found, .. }) => {
                assert_eq!(found.to_string(), instead);
            }
            other => panic!("{remote}: {other:?}"),
        }
    }
    assert_eq!(Mode::from_name("aeolian"), Some(Mode::Minor));
}

/// Size and name of intervals by spelling (Kostka and Payne, *Tonal Harmony*, chapter 1: table of
/// intervals and enharmonic pairs; from memory). The general-purpose library music21 10.5 gave the
/// same name to all 4500 intervals from E2–D#3 up to two octaves in the fifteen major keys.
#[test]
fn intervals_are_named_as_the_textbook_names_them() {
    let table = [
        ("C4", "C4", "P1", "perfect unison", 0),
        ("C4", "C#4", "A1", "augmented unison", 1),
        ("C4", "Db4", "m2", "minor second", 1),
        ("C4", "D4", "M2", "major second", 2),
        ("C4", "D#4", "A2", "augmented second", 3),
        ("C4", "Eb4", "m3", "minor third", 3),
        ("C4", "E4", "M3", "major third", 4),
        ("C#4", "F4", "d4", "diminished fourth", 4),
        ("C4", "F4", "P4", "perfect fourth", 5),
        ("F4", "B4", "A4", "augmented fourth", 6),
        ("B3", "F4", "d5", "diminished fifth", 6),
        ("C4", "G4", "P5", "perfect fifth", 7),
        ("C4", "G#4", "A5", "augmented fifth", 8),
        ("F#4", "D5", "m6", "minor sixth", 8),
        ("C4", "A4", "M6", "major sixth", 9),
        ("C#4", "Bb4", "d7", "diminished seventh", 9),
        ("C4", "A#4", "A6", "augmented sixth", 10),
        ("D4", "C5", "m7", "minor seventh", 10),
        ("D4", "C#5", "M7", "major seventh", 11),
        ("C4", "C5", "P8", "perfect octave", 12),
        ("C4", "Db5", "m9", "minor ninth", 13),
        ("C4", "D5", "M9", "major ninth", 14),
        ("A2", "C4", "m10", "minor tenth", 15),
        ("G2", "B3", "M10", "major tenth", 16),
        ("C4", "F5", "P11", "perfect eleventh", 17),
        ("C4", "F#5", "A11", "augmented eleventh", 18),
        ("C4", "G5", "P12", "perfect twelfth", 19),
        ("C4", "Ab5", "m13", "minor thirteenth", 20),
        ("C4", "A5", "M13", "major thirteenth", 21),
        ("C4", "C6", "P15", "perfect fifteenth", 24),
        ("Cb4", "F#4", "AA4", "doubly augmented fourth", 7),
    ];
    for (low, high, short, long, semitones) in table {
        let (low, high): (Spelling, Spelling) = (low.parse().unwrap(), high.parse().unwrap());
        let interval = Interval::between(low, high).unwrap();
        assert_eq!(interval.short(), short, "{low} {high}");
        assert_eq!(interval.name(), long, "{low} {high}");
        assert_eq!(interval.semitones(), semitones, "{low} {high}");
        assert_eq!(Interval::between(high, low), Some(interval), "{high} {low}");
        assert_eq!(short.parse(), Ok(interval));
        assert_eq!(long.parse(), Ok(interval));
        assert_eq!(interval.above(low.name), Some(high.name), "{short} above {low}");
    }
    for nonsense in ["", "6", "m", "P3", "M5", "m0", "d1", "m06", "x6", "M30", "m6 ", "minor"] {
        assert!(nonsense.parse::<Interval>().is_err(), "`{nonsense}` was read as an interval");
    }
    let compound: Interval = "m10".parse().unwrap();
    assert_eq!(compound.simple().short(), "m3");
}

/// Equal-tempered minus just, in cents: `hearing.md`, section 4 (computed from the ratios there).
#[test]
fn tempered_intervals_miss_the_just_ones_by_the_known_cents() {
    let table = [
        ("m2", -11.73),
        ("M2", -3.91),
        ("m3", -15.64),
        ("M3", 13.69),
        ("P4", 1.955),
        ("P5", -1.955),
        ("m6", -13.69),
        ("M6", 15.64),
        ("m7", 3.91),
        ("M7", 11.73),
        ("m10", -15.64),
        ("P8", 0.0),
    ];
    for (short, cents) in table {
        let interval: Interval = short.parse().unwrap();
        let found = interval.tempered_minus_just().unwrap().0;
        assert!((found - cents).abs() < 0.006, "{short}: {found} cents, table {cents}");
    }
    let ratio = |short: &str| short.parse::<Interval>().unwrap().just_ratio();
    assert_eq!(ratio("M6"), Some((5, 3)));
    assert_eq!(ratio("m10"), Some((12, 5)));
    assert_eq!(ratio("d7"), None);
}

/// Distances of frets from the nut at a scale of 650 mm: `hearing.md`, section 4.
#[test]
fn frets_lie_where_the_table_has_them() {
    let table = [
        (1, 36.482),
        (2, 70.916),
        (3, 103.417),
        (5, 163.050),
        (7, 216.177),
        (12, 325.0),
        (19, 433.089),
    ];
    for (fret, millimetres) in table {
        let found = 650.0 * fret_position(Fret(fret));
        assert!((found - millimetres).abs() < 0.001, "fret {fret}: {found} mm");
    }
    let tuning = Tuning::default();
    assert_eq!(tuning.note_at(StringNumber(3), Fret(11)), Some(MidiNote(66)));
    assert_eq!(tuning.note_at(StringNumber(6), Fret(0)), Some(MidiNote(40)));
}

/// Names of the tones of `chord`, in rising order of number.
fn tone_names(chord: &Chord) -> Vec<String> {
    let name = |tone: &Interval| tone.above(chord.root()).expect("a name").to_string();
    chord.tones().iter().map(name).collect()
}

/// Chord tones on C. Kinds and their tones: MusicXML 4.0, `kind-value` («dominant: major triad,
/// minor seventh», …), spelled out on C; alterations by the rule that a figure names the degree.
/// The thirteenth chord leaves the eleventh out, against the standard's full stack (common
/// practice). On seven roots, music21 10.5 gave the same tones for all kinds it knows but that one.
#[test]
fn chord_symbols_have_the_tones_of_the_table() {
    let table = [
        ("C", "C E G"),
        ("Cm", "C Eb G"),
        ("Cmin", "C Eb G"),
        ("C-", "C Eb G"),
        ("Caug", "C E G#"),
        ("C+", "C E G#"),
        ("Cdim", "C Eb Gb"),
        ("C7", "C E G Bb"),
        ("Cmaj7", "C E G B"),
        ("CM7", "C E G B"),
        ("Cm7", "C Eb G Bb"),
        ("Cdim7", "C Eb Gb Bbb"),
        ("Caug7", "C E G# Bb"),
        ("C7#5", "C E G# Bb"),
        ("Cm7b5", "C Eb Gb Bb"),
        ("Cø7", "C Eb Gb Bb"),
        ("Cø", "C Eb Gb Bb"),
        ("Cm(maj7)", "C Eb G B"),
        ("CmM7", "C Eb G B"),
        ("C6", "C E G A"),
        ("Cm6", "C Eb G A"),
        ("C9", "C E G Bb D"),
        ("Cmaj9", "C E G B D"),
        ("Cm9", "C Eb G Bb D"),
        ("C11", "C E G Bb D F"),
        ("Cm11", "C Eb G Bb D F"),
        ("C13", "C E G Bb D A"),
        ("Csus2", "C D G"),
        ("Csus4", "C F G"),
        ("Csus", "C F G"),
        ("C7sus4", "C F G Bb"),
        ("C9sus4", "C F G Bb D"),
        ("C5", "C G"),
        ("C6/9", "C E G A D"),
        ("C69", "C E G A D"),
        ("Cadd9", "C E G D"),
        ("Cm(add9)", "C Eb G D"),
        ("C7b9", "C E G Bb Db"),
        ("C7#9", "C E G Bb D#"),
        ("C7b9#9", "C E G Bb Db D#"),
        ("C7b5", "C E Gb Bb"),
        ("C13#11", "C E G Bb D F# A"),
        ("C7b13", "C E G Bb Ab"),
        ("C7no5", "C E Bb"),
        // The altered chord has both other fifths and both other ninths (common practice).
        ("C7alt", "C E Gb G# Bb Db D#"),
        ("Calt", "C E Gb G# Bb Db D#"),
    ];
    for (symbol, tones) in table {
        let chord: Chord = symbol.parse().unwrap_or_else(|e| panic!("{symbol}: {e}"));
        let mut found = tone_names(&chord);
        let mut expected: Vec<_> = tones.split(' ').map(str::to_owned).collect();
        found.sort();
        expected.sort();
        assert_eq!(found, expected, "{symbol}");
        assert_eq!(chord.to_string(), symbol);
    }
    let over: Chord = "D/F#".parse().unwrap();
    assert_eq!(over.bass().map(|bass| bass.to_string()), Some("F#".to_owned()));
    let six_nine: Chord = "Bb6/9/D".parse().unwrap();
    assert_eq!(six_nine.to_string(), "Bb6/9/D");
    let half: Chord = "F#m7b5".parse().unwrap();
    assert_eq!(tone_names(&half), ["F#", "A", "C", "E"]);
    for nonsense in ["", "H", "c", "C8", "Cfoo", "C/", "C/X", "D//F#", "Cmaj7maj7", "C 7x", "CmajM"]
    {
        assert!(nonsense.parse::<Chord>().is_err(), "`{nonsense}` was read as a chord");
    }
}

#[test]
fn notes_have_their_role_in_the_chord() {
    let table = [
        ("A9", "A4", "root", true),
        ("A9", "C#4", "major third", true),
        ("A9", "E4", "fifth", true),
        ("A9", "G4", "minor seventh", true),
        ("A9", "B4", "ninth", true),
        ("A9", "D4", "eleventh", false),
        ("A9", "F#4", "thirteenth", false),
        ("Am", "C4", "minor third", true),
        ("C6/9", "A3", "sixth", true),
        ("C6/9", "D5", "ninth", true),
        ("C7#9", "D#5", "sharp ninth", true),
        ("C7", "Eb5", "sharp ninth", false),
        ("F#m7b5", "C5", "diminished fifth", true),
        ("Dsus4", "G4", "fourth", true),
        ("D/F#", "F#2", "major third", true),
        ("C/D", "D3", "ninth", true),
        ("D", "C5", "minor seventh", false),
    ];
    for (symbol, note, role, in_chord) in table {
        let chord: Chord = symbol.parse().unwrap();
        let found = chord.role(note.parse::<Spelling>().unwrap().midi().unwrap());
        assert_eq!(
            (found.to_string().as_str(), found.in_chord),
            (role, in_chord),
            "{note} in {symbol}"
        );
    }
}

/// Shapes from any chord book (common practice), named from their notes alone.
#[test]
fn sets_of_notes_are_named_as_chords() {
    let table = [
        ("C major", "C3 E3 G3", "C"),
        ("C major", "E3 G3 C4", "C/E"),
        ("C major", "G2 E3 C4", "C/G"),
        ("D major", "F#2 A3 D4", "D/F#"),
        ("E minor", "E2 B2 E3 G3 B3 E4", "Em"),
        ("A major", "E2 B2 E3", "E5"),
        ("D major", "D3 F#3 B3 E4 A4", "D6/9"),
        ("D major", "E3 G#3 D4 F#4", "E9 without fifth"),
        ("D major", "A3 C#4 G4 B4 E5", "A9"),
        ("D major", "C#4 G4 B4", "A9 without root and fifth"),
        ("D major", "C#4 E4 G4 B4", "C#m7b5"),
        ("D major", "G2 E3 B3 D4", "G6"),
        ("D major", "E3 G3 B3 D4", "Em7"),
        ("C major", "A2 C3 E3 G3", "Am7"),
        ("C major", "C3 E3 G3 A3", "C6"),
        ("C major", "B2 D3 F3", "Bdim"),
        ("C major", "B2 D3 F3 Ab3", "Bdim7"),
        ("C major", "G2 F3 B3 E4", "G7(add13) without fifth"),
        ("E minor", "E2 G#3 D4 G4", "E7#9 without fifth"),
        ("F major", "Bb2 D3 F3 A3", "Bbmaj7"),
        ("C major", "D3 G3 A3", "Dsus4"),
        ("C major", "C3 D3 G3", "Csus2"),
        ("C major", "C3 E3 G#3", "Caug"),
    ];
    for (in_key, sounding, name) in table {
        let found = name_chord(&notes(sounding), Some(key(in_key))).map(|name| name.to_string());
        assert_eq!(found.as_deref(), Some(name), "{sounding}");
    }
    for (sounding, inversion) in
        [("C3 E3 G3", None), ("E3 G3 C4", Some(1)), ("G2 E3 C4", Some(2)), ("F2 G2 B2 D3", Some(3))]
    {
        let name = name_chord(&notes(sounding), Some(key("C major"))).unwrap();
        assert_eq!(name.inversion(), inversion, "{sounding}");
    }
    assert_eq!(name_chord(&notes("C3 C#3 D3"), None), None);
    // Third, seventh and ninth alone tell a chord by their tritone, which these have not.
    for shell in ["D4 G4 F#5", "F3 C4 E4", "Eb2 F#4 Ab4"] {
        assert_eq!(name_chord(&notes(shell), None), None, "{shell}");
    }
    assert_eq!(name_chord(&notes("C3 E3"), None), None);
}

/// Without a key: intervals by their letters, chords in thirds (any book on harmony), sharps where either would
/// do (common practice).
#[test]
fn what_sounds_without_a_key_is_written_as_it_is_called() {
    let table = [
        ("C#4 G4", "diminished fifth"),
        ("C4 F#4", "augmented fourth"),
        ("Bb3 D4", "major third"),
        ("Eb4 G4", "major third"),
        ("F4 Ab4", "minor third"),
        ("F#4 A#4", "major third"),
        ("Bb3 F4", "perfect fifth"),
        ("C4 Ab4", "minor sixth"),
        ("A#4", "A#4"),
        ("Bb2 F3 Bb3 D4", "Bb"),
        ("C3 Eb3 G3", "Cm"),
        ("E3 G#3 B3", "E"),
        ("C#3 E3 G3", "C#dim"),
        ("C3 E3 G3 Bb3", "C7"),
        ("G#2 B2 E3", "E/G#"),
        ("Bb2 Bb3 D4", "major tenth with Bb doubled"),
    ];
    for (written, name) in table {
        let sounding = notes(written);
        let names = Names::of(std::slice::from_ref(&sounding), None, None);
        let found: Vec<_> = sounding.iter().map(|&note| names.spell(note).to_string()).collect();
        let called = naming::name_sounding(&sounding, &names);
        assert_eq!((&*found.join(" "), &*called), (written, name));
    }
    for low in 28..=88 {
        for width in 0..=24 {
            let pair = [MidiNote(low), MidiNote(low + width)];
            let names = Names::of(&[pair.to_vec()], None, None);
            let written = Interval::between(names.spell(pair[0]), names.spell(pair[1])).unwrap();
            assert_eq!(naming::name_sounding(&pair, &names), written.name());
            let is_tritone = [6, 18].contains(&width);
            assert!(is_tritone || Some(written) == Interval::from_semitones(width), "{pair:?}");
        }
    }
}

#[test]
fn what_sounds_is_named_by_how_much_of_it_there_is() {
    let d = Some(key("D major"));
    assert_eq!(name_sounding(&[], d), "nothing");
    assert_eq!(name_sounding(&notes("F#4"), d), "F#4");
    assert_eq!(name_sounding(&notes("D5 F#4"), d), "minor sixth");
    assert_eq!(name_sounding(&notes("G3 C#4"), d), "augmented fourth");
    assert_eq!(name_sounding(&notes("C#4 G4"), d), "diminished fifth");
    assert_eq!(name_sounding(&notes("F#3 A3 D4"), d), "D/F#");
    // Without a key the usual interval of the size; with one, the reading in common use.
    assert_eq!(name_sounding(&notes("F4 G#4"), None), "minor third");
    assert_eq!(name_sounding(&notes("E4 G#4"), Some(key("C major"))), "major third");
    assert_eq!(name_sounding(&notes("A4 C#5"), Some(key("F major"))), "major third");
    assert_eq!(name_sounding(&notes("C3 C#3 D3"), d), "C3 C#3 D3");
    assert_eq!(name_sounding(&notes("D3 B3 D4"), d), "major sixth with D doubled");
    assert_eq!(name_sounding(&notes("D3 F#4 D4 F#3"), d), "major third with D and F# doubled");
    assert_eq!(name_sounding(&notes("D2 D3 D4"), d), "D in octaves");
}

proptest! {
    /// Equal sound, whatever the spelling; and the way back is the same note.
    #[test]
    fn every_key_spells_every_note_so_that_it_sounds_alike(midi in 0u8..=127, fifths in -7i8..=7) {
        let key = Key::from_fifths(fifths, Mode::Major).unwrap();
        let spelling = key.spell(MidiNote(midi));
        prop_assert_eq!(spelling.midi(), Some(MidiNote(midi)));
        prop_assert_eq!(spelling.to_string().parse::<Spelling>(), Ok(spelling));
    }

    #[test]
    fn an_interval_spans_what_its_notes_span(low in 0u8..=79, width in 0u8..=48, fifths in -7i8..=7) {
        let key = Key::from_fifths(fifths, Mode::Minor).unwrap();
        let interval =
            Interval::between(key.spell(MidiNote(low)), key.spell(MidiNote(low + width))).unwrap();
        prop_assert_eq!(interval.semitones(), width);
        prop_assert_eq!(interval.short().parse::<Interval>(), Ok(interval));
    }

    /// A chord named from notes contains them all, and its transposition is named alike.
    #[test]
    fn a_chord_name_fits_its_notes(low in 30u8..=60, steps in prop::collection::vec(1u8..=9, 2..=5)) {
        let mut sounding = vec![MidiNote(low)];
        for step in steps {
            sounding.push(MidiNote(sounding.last().unwrap().0 + step));
        }
        let name = name_chord(&sounding, None);
        if let Some(name) = &name {
            for &note in &sounding {
                prop_assert!(name.chord.role(note).in_chord, "{} in {}", note.0, name);
            }
            prop_assert_eq!(&name.chord.to_string().parse::<Chord>().unwrap(), &name.chord);
        }
        let higher: Vec<_> = sounding.iter().map(|note| MidiNote(note.0 + 5)).collect();
        let other = name_chord(&higher, None);
        prop_assert_eq!(
            name.map(|name| name.chord.suffix().to_owned()),
            other.map(|name| name.chord.suffix().to_owned())
        );
    }

    #[test]
    fn no_text_makes_a_reader_panic(text in "[A-Ga-h#b♯♭mdMPAsu0-9/() +°øΔ]{0,12}") {
        let _ = text.parse::<Chord>();
        let _ = text.parse::<Interval>();
        let _ = text.parse::<Key>();
        let _ = text.parse::<Spelling>();
    }
}

/// Tunings as MIDI numbers of open strings (common practice): whoever copies what a hint says must not get
/// another tuning than was meant.
#[test]
fn a_tuning_without_octaves_is_written_out_as_it_is_strung() {
    let usual = [40, 45, 50, 55, 59, 64];
    for (text, open) in [
        ("E A D G B E", usual),
        ("EADGBe", usual),
        ("e, a, d, g, b, e", usual),
        ("E B G D A E", usual),
        ("E2 A D G B E4", usual),
        ("drop D", [38, 45, 50, 55, 59, 64]),
        ("DADGAD", [38, 45, 50, 55, 57, 62]),
        ("Eb Ab Db Gb Bb Eb", [39, 44, 49, 54, 58, 63]),
        ("Open G", [38, 43, 50, 55, 59, 62]),
        ("C G C G C E", [36, 43, 48, 55, 60, 64]),
        ("C G D A E G", [36, 43, 50, 57, 64, 67]),
        ("B E A D F# B", [35, 40, 45, 50, 54, 59]),
        // Not clear: the usual tuning is shown.
        ("E A D G", usual),
        ("A A A A A A", usual),
        ("E9 A D G B E", usual),
        ("nonsense", usual),
        ("ß♯", usual),
        ("", usual),
    ] {
        let written = Tuning::written_out(text);
        assert_eq!(notes(&written), open.map(MidiNote), "{text}: {written}");
    }
    assert_eq!(Tuning::written_out("Eb Ab Db Gb Bb Eb"), "Eb2 Ab2 Db3 Gb3 Bb3 Eb4");
}
