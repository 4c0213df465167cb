//! What `explain` says of a lick, what `--fix` repairs, and what `new` writes.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use assert_cmd::Command;
use doublecheck::lick::Lick;
use doublecheck::lick::explanation::Explanation;
use doublecheck::lick::facts::Truth;
use doublecheck::lick::find;
use doublecheck::lick::hand::Hardship;
use doublecheck::lick::library;
use doublecheck::lick::repair::repair;
use doublecheck::lick::runs::Direction;
use doublecheck::lick::runs::Motion;
use doublecheck::report::explain;
use proptest::prelude::*;

fn lick_in(key: &str, tempo: u32, steps: &[&str]) -> Lick {
    let steps = steps.join(" },\n  { ");
    let text = format!(
        "title = \"t\"\nkey = \"{key}\"\ntempo = {tempo}\nmeter = \"4/4\"\nsteps = [\n  {{ {steps} }},\n]\n"
    );
    Lick::parse(&text, "t.toml")
        .unwrap_or_else(|e| panic!("{e}\n{}\n{}", e.excerpt(None), e.hint()))
}

fn page(lick: &Lick) -> String {
    let mut out = Vec::new();
    explain::text(&mut out, lick, &lick.explain(), None).unwrap();
    String::from_utf8(out).unwrap()
}

/// Worked out by hand from the open strings E2 A2 D3 G3 B3 E4.
#[test]
fn claims_are_held_against_what_is_written() {
    let table = [
        ("x x x 11 x 10", "m6", "m6", Truth::True),
        ("x x x 9 x 9", "m6", "M6", Truth::False),
        ("x x x 9 x 9", "M6", "M6", Truth::True),
        ("x x x 0 2 x", "A4", "A4", Truth::True),
        ("x x x 0 2 x", "d5", "A4", Truth::OtherSpelling),
        ("3 x x 4 x x", "M3", "M10", Truth::OctavesApart),
        ("x x x 7h9 7 x", "M3", "M3", Truth::True),
        ("x x x 7h9 7 x", "M2", "M3", Truth::TrueLater),
        ("x x x 7h9 7 x", "m3", "M3", Truth::False),
        ("x x 7 6 5 x", "P5", "P5", Truth::True),
        ("x x x 7 7 7", "m3", "M6", Truth::False),
        // D4 F#4 B4: the third is there, below the sixth that the outer notes make.
        ("x x x 7 7 7", "M3", "M6", Truth::OtherNotes),
        ("0 2 2 x x x", "P5", "P8", Truth::OtherNotes),
        // E4 and G#4, which D major does not have: Ab is as good a name for it.
        ("x x 14 x 9 x", "d4", "M3", Truth::True),
        ("x x 14 x 9 x", "M3", "M3", Truth::True),
        ("x x x 1 1 x", "M3", "M3", Truth::True),
        ("x x x 3 4 x", "P4", "P4", Truth::True),
        ("x x x <12> <12> x", "M3", "M3", Truth::True),
    ];
    for (frets, claimed, actual, truth) in table {
        let step = format!("beats = 1, frets = \"{frets}\", interval = \"{claimed}\"");
        let claim = lick_in("D major", 84, &[&step]).explain().steps[0].claim.unwrap();
        assert_eq!(claim.truth, truth, "{frets} claimed {claimed}");
        assert_eq!(claim.actual.unwrap().short(), actual, "{frets}");
    }
    for lonely in ["x x x x x x", "x x x x x 3"] {
        let step = format!("beats = 1, frets = \"{lonely}\", interval = \"P1\"");
        let claim = lick_in("D major", 84, &[&step]).explain().steps[0].claim.unwrap();
        assert_eq!((claim.truth, claim.actual), (Truth::False, None), "{lonely}");
    }
}

#[test]
fn every_claim_of_the_library_is_true() {
    for name in library::names() {
        for step in find(name).unwrap().explain().steps {
            if let Some(claim) = step.claim {
                assert_eq!(claim.truth, Truth::True, "{name}, step {}: {claim:?}", step.number);
            }
        }
    }
    let starter = Lick::parse(library::STARTER, "starter").unwrap();
    let truths: Vec<_> =
        starter.explain().steps.iter().filter_map(|s| Some(s.claim?.truth)).collect();
    assert!(!truths.is_empty() && truths.iter().all(|truth| *truth == Truth::True), "{truths:?}");
}

/// The techniques that the library is there to show.
#[test]
fn the_library_uses_every_technique() {
    let all: String = library::names().map(|name| library::text(name).unwrap()).collect();
    for technique in
        ["h", "p", "s", "/", "\\", "b", "<12>", "8<20>", "=", "\"1/3\"", "capo", "tuning"]
    {
        let used = match technique {
            sign if sign.len() == 1 && sign != "=" => all.lines().any(|line| {
                line.contains("frets")
                    && line.split(['"', '\'']).any(|part| {
                        part.contains(&format!("7{sign}"))
                            || part.contains(&format!("5{sign}"))
                            || part.contains(&format!("4{sign}"))
                            || part.contains(&format!("2{sign}"))
                            || part.contains(&format!("9{sign}"))
                    })
            }),
            word => all.contains(word),
        };
        assert!(used, "{technique} is nowhere in the library");
    }
    for chord in ["G6", "D6/9", "A9"] {
        assert!(all.contains(&format!("\"{chord}\"")), "no {chord}");
    }
}

/// Chords as any book on harmony spells them: A7 is A C# E G, E7 E G# B D, Ebm Eb Gb Bb, Fm F Ab C, B7 B D# F# A.
/// C major has none of the five black keys.
#[test]
fn what_the_chord_contains_is_spelled_as_the_chord_is() {
    let table = [
        ("A7", "x x x x 2 3", "C#4 G4", "diminished fifth"),
        ("A7", "x x x 6 x 5", "C#4 A4", "minor sixth"),
        ("A7", "x x x x 2 x", "C#4", "C#4"),
        ("E7", "x x 2 1 x x", "E3 G#3", "major third"),
        ("E7", "x x x 1 3 x", "G#3 D4", "diminished fifth"),
        ("E7", "x x 0 1 0 0", "D3 G#3 B3 E4", "E7/D"),
        ("Ebm", "x x x 11 x 11", "Gb4 Eb5", "major sixth"),
        ("Fm", "x x x x 9 8", "Ab4 C5", "major third"),
        ("B7", "x x x 2 4 x", "A3 D#4", "augmented fourth"),
        ("Bb", "x x 4 3 x x", "Gb3 Bb3", "major third"),
        // Neither is in the chord: as before. Cb is in the chord, but C major has B.
        ("C", "x x 4 3 x x", "F#3 A#3", "major third"),
        ("Abm", "x x x x 0 4", "B3 Ab4", "diminished seventh"),
    ];
    for (chord, frets, notes, name) in table {
        let step = format!("beats = 1, frets = \"{frets}\", chord = \"{chord}\"");
        let lick = lick_in("C major", 84, &[&step]);
        let explanation = lick.explain();
        let moment = &explanation.steps[0].moments[0];
        let spelled: Vec<_> = moment.notes.iter().map(|n| n.spelling.to_string()).collect();
        assert_eq!((spelled.join(" ").as_str(), moment.name.as_str()), (notes, name), "{chord}");
    }
}

/// The names of the notes of every moment, lowest first, and what the moment is called.
fn told(lick: &Lick) -> Vec<(String, String)> {
    let steps = lick.explain().steps.into_iter();
    steps
        .flat_map(|step| step.moments)
        .map(|moment| {
            let notes: Vec<_> = moment.notes.iter().map(|n| n.spelling.to_string()).collect();
            (notes.join(" "), moment.name)
        })
        .collect()
}

/// Eb–Bb is a fifth and F–Bb a fourth; D#–A# would be a fifth too, but F–A# none of the two. A# would suit
/// D#, and Bb suits the D of the pull-off (common practice: the simplest interval).
#[test]
fn a_note_that_is_held_keeps_its_name_through_the_moves_of_its_step() {
    for (key, frets, notes, names) in [
        (
            "A minor",
            r"x x x 8/10\\8 x 6",
            "Eb4 Bb4, F4 Bb4, Eb4 Bb4",
            "perfect fifth, perfect fourth, perfect fifth",
        ),
        ("A minor", "x x 1p0 3 x x", "Eb3 Bb3, D3 Bb3", "perfect fifth, minor sixth"),
        ("C major", "x x 4h6 1 x x", "F#3 G#3, G#3 G#3", "major second, perfect unison"),
    ] {
        let lick = lick_in(key, 80, &[&format!("beats = 1, frets = \"{frets}\"")]);
        let (written, called): (Vec<_>, Vec<_>) = told(&lick).into_iter().unzip();
        assert_eq!((&*written.join(", "), &*called.join(", ")), (notes, names), "{key}, {frets}");
    }
}

/// Triads as any book on harmony spells them: E is E G# B, C#dim C# E G, Bbm Bb Db F.
#[test]
fn a_chord_that_is_not_written_is_spelled_as_its_name_is() {
    for (frets, notes, name) in [
        ("0 2 2 1 x x", "E2 B2 E3 G#3", "E"),
        ("4 2 2 x x x", "G#2 B2 E3", "E/G#"),
        ("x 4 2 0 x x", "C#3 E3 G3", "C#dim"),
        ("x 1 3 3 2 x", "Bb2 F3 Bb3 Db4", "Bbm"),
    ] {
        let lick = lick_in("C major", 80, &[&format!("beats = 1, frets = \"{frets}\"")]);
        assert_eq!(told(&lick), [(notes.to_owned(), name.to_owned())], "{frets}");
    }
}

/// Dbm is Db Fb Ab: below it E is no third. Ab major has neither name of that note.
#[test]
fn claims_that_are_true_of_the_chord_are_true() {
    for (frets, chord, claimed, actual, truth) in [
        ("x x x 6 5 x", "Dbm", "m3", "m3", Truth::True),
        ("x x x 9 9 x", "Dbm", "M3", "M3", Truth::True),
        ("x x x 6 5 x", "Dbm", "A2", "m3", Truth::True),
        ("x x x 6 5 x", "C7", "m3", "A2", Truth::OtherSpelling),
        ("x x 6 6 5 x", "Dbm", "m3", "m6", Truth::OtherNotes),
    ] {
        let step = format!(
            "beats = 1, frets = \"{frets}\", chord = \"{chord}\", interval = \"{claimed}\""
        );
        let lick = lick_in("Ab major", 84, &[&step]);
        let claim = lick.explain().steps[0].claim.unwrap();
        let told = (claim.actual.unwrap().to_string(), claim.truth);
        assert_eq!(told, (actual.to_owned(), truth), "{frets} {chord} {claimed}:\n{}", page(&lick));
    }
}

fn runs(explanation: &Explanation) -> Vec<(usize, usize, bool, Motion, Direction)> {
    explanation
        .runs
        .iter()
        .map(|run| (run.first, run.last, run.is_strict(), run.motion, run.direction))
        .collect()
}

#[test]
fn parallel_runs_are_told_and_nothing_else_is() {
    let chromatic = find("slate-staircase").unwrap().explain();
    assert_eq!(
        runs(&chromatic),
        [
            (1, 4, true, Motion::Chromatic, Direction::Rising),
            (7, 11, false, Motion::Free, Direction::Falling),
            (7, 9, true, Motion::Chromatic, Direction::Falling),
        ]
    );
    let in_key = find("ferry-landing-sixths").unwrap().explain();
    assert_eq!(
        runs(&in_key),
        [
            (1, 4, false, Motion::InKey, Direction::Falling),
            (6, 8, false, Motion::InKey, Direction::Rising),
        ]
    );
    let whole_tones = lick_in(
        "C major",
        80,
        &[
            "beats = 1, frets = \"x x x 5 5 x\"",
            "beats = 1, frets = \"x x x 7 7 x\"",
            "beats = 1, frets = \"x x x 9 9 x\"",
            "beats = 1, frets = \"x x x 7 7 x\"",
        ],
    );
    assert_eq!(
        runs(&whole_tones.explain()),
        [(1, 4, true, Motion::WholeTones, Direction::Turning)]
    );
    // Oblique, contrary, interrupted, and a run of two.
    let none = lick_in(
        "C major",
        80,
        &[
            "beats = 1, frets = \"x x x 5 5 x\"",
            "beats = 1, frets = \"x x x 4 5 x\"",
            "beats = 1, frets = \"x x x 5 3 x\"",
            "beats = 1, frets = \"x x x 5 5 x\"",
            "beats = 1, frets = \"x x x x x x\"",
            "beats = 1, frets = \"x x x 7 7 x\"",
            "beats = 1, frets = \"x x x 9 9 x\"",
        ],
    );
    assert_eq!(runs(&none.explain()), []);
}

/// Slow twin: every pair of strings and frets, kept if it sounds the same.
#[test]
fn other_places_are_all_that_sound_the_same_within_a_hand() {
    let lick = find("long-ladder-tenths").unwrap();
    let explanation = lick.explain();
    let open = [64u8, 59, 55, 50, 45, 40].map(|note| note + lick.capo);
    let from_nut = |fret: u8| 1.0 - 0.5f64.powf(f64::from(fret + lick.capo) / 12.0);
    for (step, places) in explanation.steps.iter().zip(&explanation.places) {
        let Some([low, high]) = step.moments[0].double_stop() else { continue };
        let written = (low.played.string.0, high.played.string.0);
        let mut expected = Vec::new();
        for (low_string, high_string) in (1..=6u8).flat_map(|l| (1..=6u8).map(move |h| (l, h))) {
            for (low_fret, high_fret) in (0..=22u8).flat_map(|l| (0..=22u8).map(move |h| (l, h))) {
                let sounds = open[usize::from(low_string - 1)] + low_fret == low.played.note.0
                    && open[usize::from(high_string - 1)] + high_fret == high.played.note.0;
                let span = (from_nut(low_fret) - from_nut(high_fret)).abs() * 648.0;
                let held = low_fret == 0 || high_fret == 0 || span <= 110.0;
                if sounds
                    && held
                    && low_string != high_string
                    && (low_string, high_string) != written
                {
                    expected.push((low_string, low_fret, high_string, high_fret));
                }
            }
        }
        let mut found: Vec<_> =
            places.iter().map(|p| (p.low.0.0, p.low.1.0, p.high.0.0, p.high.1.0)).collect();
        found.sort_unstable();
        expected.sort_unstable();
        assert_eq!(found, expected, "step {}", step.number);
    }
    assert!(explanation.places.iter().any(|places| !places.is_empty()));
}

/// F#4 and D5 after E4 and C#5 at frets 9 and 9: the hand covers frets 6 to 12 around there.
#[test]
fn places_tell_how_far_the_hand_moves() {
    let lick = lick_in(
        "D major",
        84,
        &["beats = 1, frets = \"x x x 9 x 9\"", "beats = 1, frets = \"x x x 11 x 10\""],
    );
    let explanation = lick.explain();
    assert!(explanation.places[0].iter().all(|place| place.shift_frets.is_none()));
    let shift = |low: (u8, u8), high: (u8, u8)| {
        let place = explanation.places[1]
            .iter()
            .find(|p| (p.low.0.0, p.low.1.0) == low && (p.high.0.0, p.high.1.0) == high);
        place.unwrap_or_else(|| panic!("{low:?} {high:?} is not told")).shift_frets
    };
    assert_eq!(shift((2, 7), (1, 10)), Some(0));
    assert_eq!(shift((4, 16), (2, 15)), Some(4));
    let moves: Vec<_> =
        explanation.places[1].iter().filter_map(|p| Some(p.shift_frets?.abs())).collect();
    assert!(moves.is_sorted(), "the nearest comes first: {moves:?}");
}

/// Distances by the fret table for 650 mm in `hearing.md`, section 4, scaled to 648 mm:
/// frets 1 and 5 lie 163.050 − 36.482 mm apart there.
#[test]
fn stretches_and_jumps_are_pointed_out() {
    let hard = |tempo: u32, steps: &[&str]| lick_in("C major", tempo, steps).explain().hard_spots;
    let spots = hard(60, &["beats = 1, frets = \"x x x 5 1 x\""]);
    let [spot] = &spots[..] else { panic!("{spots:?}") };
    let Hardship::Stretch { from, to, span_mm } = &spot.what else { panic!("{spot:?}") };
    assert_eq!((spot.step, from.0, to.0), (1, 1, 5));
    let expected = (163.050 - 36.482) * 648.0 / 650.0;
    assert!((span_mm - expected).abs() < 0.01, "{span_mm} mm, table {expected} mm");

    assert_eq!(hard(60, &["beats = 1, frets = \"x x x 9 5 x\""]), []);
    // A barre is one finger: the shape of F major at the first fret (common practice).
    assert_eq!(hard(60, &["beats = 1, frets = \"1 3 3 2 1 1\""]), []);
    let many = hard(60, &["beats = 1, frets = \"15 12 13 12 14 13\""]);
    let [spot] = &many[..] else { panic!("{many:?}") };
    assert_eq!(spot.what, Hardship::Fingers { needed: 5 });

    let leap = ["beats = 0.25, frets = \"x x x 2 3 x\"", "beats = 1, frets = \"x x x 14 15 x\""];
    let spots = hard(120, &leap);
    let [spot] = &spots[..] else { panic!("{spots:?}") };
    let Hardship::Jump { from_step, frets, available_s, needed_s, .. } = spot.what else {
        panic!("{spot:?}")
    };
    assert_eq!((spot.step, from_step), (2, 1));
    // The first finger at fret 2 reaches 5, at fret 12 it reaches 15.
    assert_eq!(frets, 10);
    assert_eq!(available_s, 0.125);
    assert!(needed_s > available_s);
    assert_eq!(hard(20, &leap), [], "there is time at a slow tempo");
}

const BAD: &str = r##"titel  = "Wrong turns"   # the title
key    = "G# major"
tempo  = 90
meter  = "4/4"
steps = [
  { beats = 1, frets = "x x x 1 x 1", chord = "G#", interval = "m6" }, # first
  { beats = 1, frets = "3 x x 4 x x", interval = "M3" },
  { beats = 1, frets = "x x x 8\7 8 x", interval = "m3" },
  { beats = 1, frets = "x x x 7h9 7 x", interval = "M2" },
]
"##;

#[test]
fn keys_and_chords_in_another_writing_are_repaired_where_they_mean_one_thing() {
    let text = |key: &str, chord: &str| {
        format!(
            "title = \"t\"\nkey = \"{key}\" # mine\ntempo = 90\nmeter = \"4/4\"\n\
             steps = [ {{ beats = 1, frets = \"x x x 0 1 x\", chord = \"{chord}\" }} ]\n"
        )
    };
    let repaired = repair(&text("Am", "d minor"), "t.toml").unwrap();
    assert_eq!(repaired.text, text("A minor", "Dm"));
    assert_eq!(repaired.repairs.len(), 2);
    for (key, chord) in [("g", "Em"), ("A minor", "H7")] {
        let doubtful = repair(&text(key, chord), "t.toml").unwrap_err();
        assert!(doubtful.to_string().starts_with("t.toml:"), "{doubtful}");
    }
}

#[test]
fn what_is_certain_is_repaired_and_nothing_else_changes() {
    let repaired = repair(BAD, "bad.toml").unwrap();
    let expected = r##"title  = "Wrong turns"   # the title
key    = "Ab major"
tempo  = 90
meter  = "4/4"
steps = [
  { beats = 1, frets = "x x x 1 x 1", chord = "Ab", interval = "M6" }, # first
  { beats = 1, frets = "3 x x 4 x x", interval = "M10" },
  { beats = 1, frets = 'x x x 8\7 8 x', interval = "M3" },
  { beats = 1, frets = "x x x 7h9 7 x", interval = "M2" },
]
"##;
    assert_eq!(repaired.text, expected);
    let lines: Vec<_> = repaired.repairs.iter().map(|repair| repair.line).collect();
    assert_eq!(lines, [1, 2, 6, 6, 7, 8, 8]);
    let again = repair(&repaired.text, "bad.toml").unwrap();
    assert_eq!(again.text, repaired.text);
    assert!(again.repairs.is_empty());
}

#[test]
fn what_is_in_doubt_is_told_and_not_repaired() {
    let doubtful = BAD.replace("7h9", "7h6");
    let error = repair(&doubtful, "bad.toml").unwrap_err();
    assert_eq!(error.to_string(), "bad.toml:9:31: a hammer-on cannot lead from fret 7 to fret 6");
    // Renaming `titel` would give two titles: the slip is told as it was found.
    let twice = BAD.replace("tempo", "title = \"t\"\ntempo");
    assert!(repair(&twice, "bad.toml").unwrap_err().to_string().starts_with("bad.toml:"));
}

fn doublecheck() -> Command {
    Command::new(env!("CARGO_BIN_EXE_doublecheck"))
}

fn stdout(command: &mut Command) -> String {
    let output = command.assert().success().get_output().stdout.clone();
    String::from_utf8(output).unwrap()
}

#[test]
fn fix_shows_the_difference_and_writes_only_when_told_to() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bad.toml");
    std::fs::write(&path, BAD).unwrap();

    let shown = stdout(doublecheck().args(["explain", "--fix"]).arg(&path));
    assert!(
        shown.contains(
            "line 7: step 2 is a major tenth\n\
             -   { beats = 1, frets = \"3 x x 4 x x\", interval = \"M3\" },\n\
             +   { beats = 1, frets = \"3 x x 4 x x\", interval = \"M10\" },\n"
        ),
        "{shown}"
    );
    assert_eq!(std::fs::read_to_string(&path).unwrap(), BAD, "written without being asked to");

    let document = stdout(doublecheck().args(["explain", "--fix", "--yes", "--json"]).arg(&path));
    let document: serde_json::Value = serde_json::from_str(&document).unwrap();
    assert_eq!(document["schema"], 1);
    assert_eq!(document["written"], true);
    assert_eq!(document["repairs"].as_array().unwrap().len(), 7);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), repair(BAD, "").unwrap().text);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "a stray file is left");

    let nothing = stdout(doublecheck().args(["explain", "--fix", "--yes"]).arg(&path));
    assert_eq!(nothing, "There is nothing to repair.\n");
}

#[test]
fn new_writes_a_lick_that_reads_and_never_over_another() {
    let printed = stdout(doublecheck().arg("new"));
    assert_eq!(printed, library::STARTER);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("my-lick.toml");
    let quiet = stdout(doublecheck().arg("new").arg(&path).args(["--like", "two-brooks"]));
    assert_eq!(quiet, "");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), library::text("two-brooks").unwrap());

    let failed = doublecheck().arg("new").arg(&path).assert().code(2);
    let told = String::from_utf8_lossy(&failed.get_output().stderr).into_owned();
    assert!(told.contains("error: ") && told.contains("hint: "), "{told}");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), library::text("two-brooks").unwrap());
}

#[test]
fn explain_takes_a_name_or_a_path_and_tells_faults_with_exit_2() {
    let by_name = stdout(doublecheck().args(["explain", "orchard-gate-thirds"]));
    assert!(by_name.starts_with("Orchard gate thirds\nG major, "), "{by_name}");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.toml");
    std::fs::write(&path, BAD.replace("titel", "title").replace("8\\7", "8p7")).unwrap();
    let failed = doublecheck().arg("explain").arg(&path).assert().code(2);
    let output = failed.get_output();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.stdout.is_empty());
    assert!(told.starts_with(&format!("error: {}:2:10: `G# major`", path.display())), "{told}");
    assert!(told.contains("2 │ key    = \"G# major\""), "{told}");
    assert!(told.ends_with("hint: write \"Ab major\", which sounds the same\n"), "{told}");
}

#[test]
fn check_takes_an_embedded_lick_by_name() {
    let take = concat!(env!("CARGO_MANIFEST_DIR"), "/test-audio/all-right.wav");
    let lick = "ferry-landing-sixths";
    let document = stdout(doublecheck().args(["check", lick, take, "--json"]));
    let document: serde_json::Value = serde_json::from_str(&document).unwrap();
    assert_eq!(document["lick"], "Ferry landing sixths");
}

#[test]
fn the_document_says_what_the_page_says() {
    let document = stdout(doublecheck().args(["explain", "mill-wheel-hammers", "--json"]));
    let document: serde_json::Value = serde_json::from_str(&document).unwrap();
    assert_eq!(document["schema"], 1);
    assert_eq!(document["key"], "A mixolydian");
    let step = &document["steps"][0];
    assert_eq!(step["frets"][3], "5h6");
    assert_eq!(step["moments"][0]["name"], "major third");
    assert_eq!(step["moments"][1]["intervals"][0]["short"], "m3");
    assert_eq!(step["moments"][1]["notes"][0]["technique"], "hammer-on");
    assert_eq!(step["moments"][1]["notes"][0]["note"], "C#4");
    assert_eq!(step["moments"][1]["notes"][0]["midi"], 61);
    assert_eq!(step["moments"][1]["notes"][0]["role"], "major third");
    assert_eq!(step["claim"]["truth"], "true");
    assert_eq!(document["steps"][8]["moments"][0]["name"], "A");
}

#[test]
fn inversions_missing_roots_and_harmonics_off_the_scale_are_told() {
    let lick = lick_in(
        "D major",
        84,
        &[
            "beats = 1, frets = \"2 x 0 2 3 x\", chord = \"D\"",
            "beats = 1, frets = \"x 0 x 2 3 2\"",
            "beats = 1, frets = \"x 4 x 0 x 0\", chord = \"A7\"",
            "beats = 1, frets = \"x <9> <12> x x x\"",
        ],
    );
    let page = page(&lick);
    assert!(page.contains("D/F#, first inversion (m6 m10 m13)"), "{page}");
    assert!(page.contains("D/A, second inversion"), "{page}");
    assert!(page.contains("A7: major third, minor seventh, fifth; no root"), "{page}");
    // The fifth partial of A2 is C#5, 13.7 cents under the tempered one.
    assert!(
        page.contains("Harmonics\n  step 4: sounds by nature string 5 14 cents under C#5\n"),
        "{page}"
    );
}

/// The page as a player sees it; every line was checked by hand.
#[test]
fn the_page_reads_like_a_lesson_book() {
    let lick = lick_in(
        "D major",
        120,
        &[
            "beats = 1, frets = \"x x x 9 x 9\", chord = \"A7\", interval = \"m6\"",
            "beats = 0.5, frets = \"x x x 7h9 7 x\", chord = \"D\"",
            "beats = 0.5, frets = \"x x x x x x\"",
            "beats = 2, frets = \"x 5 4 4 5 5\", interval = \"P12\"",
            "beats = 1, frets = \"x x x x x 10\"",
        ],
    );
    let expected = r#"t
D major, 120 quarter notes a minute, 4/4, tuned E2 A2 D3 G3 B3 E4

   1  2    3  4   5
E|-9----------5-|-10-|
B|----7-------5-|----|
G|-9--7h9-----4-|----|
D|------------4-|----|
A|------------5-|----|
E|--------------|----|

step  bar  beat  notes            together             in the chord
────────────────────────────────────────────────────────────────────────────────────────────────────
   1    1  1     E4 C#5           major sixth M6       A7: fifth, major third
   2    1  2     D4 F#4           major third M3       D: root, major third
           then  E4 F#4           major second M2      D: (ninth), major third
   3    1  2.5   rest
   4    1  3     D3 F#3 B3 E4 A4  D6/9 (M3 M6 M9 P12)  D: root, major third, (sixth), (ninth), fifth
   5    2  1     D5                                    D: root

Claims
  Of the author's 2 claims, 1 is not true.
  step 1: "m6" is not true: E4 to C#5 is a major sixth (M6). From E4 up to C#5 there are 6 letters, both ends counted, and 9 semitones; a minor sixth has 8.
"#;
    let page = page(&lick);
    let (told, elsewhere) = page.split_once("\nElsewhere").unwrap();
    assert_eq!(told, expected, "\n{told}");
    assert!(elsewhere.contains("  step 1: "), "{elsewhere}");
}

proptest! {
    /// Whatever can be written can be explained, and the tab has a column for every step.
    #[test]
    fn every_lick_can_be_explained(
        columns in prop::collection::vec(prop::collection::vec(prop::option::of(0u8..=22), 6), 1..30),
        tempo in 10u32..=400,
        capo in 0u8..=2,
    ) {
        let steps: Vec<String> = columns
            .iter()
            .map(|column| {
                let marks: Vec<_> =
                    column.iter().map(|m| m.map_or("x".to_owned(), |fret| fret.to_string())).collect();
                format!("{{ beats = 0.5, chord = \"G7\", frets = \"{}\" }}", marks.join(" "))
            })
            .collect();
        let text = format!(
            "title = \"t\"\nkey = \"F minor\"\ntempo = {tempo}\nmeter = \"3/4\"\ncapo = {capo}\nsteps = [{}]\n",
            steps.join(", ")
        );
        let lick = Lick::parse(&text, "t").map_err(|e| TestCaseError::fail(e.to_string()))?;
        let page = page(&lick);
        for number in 1..=columns.len() {
            let row = format!("\n{number:>4}  ");
            prop_assert!(page.contains(&row), "step {} is not in the table", number);
        }
        let mut document = Vec::new();
        explain::json(&mut document, &lick, &lick.explain()).unwrap();
        let document: serde_json::Value = serde_json::from_slice(&document).unwrap();
        prop_assert_eq!(document["steps"].as_array().map(Vec::len), Some(columns.len()));
    }
}
