//! What is played: notes, harmonics, held strings, lengths.

use doublecheck::lick::Lick;
use doublecheck::lick::beats::Beats;
use doublecheck::lick::expected::Technique;
use doublecheck::lick::mark::Mark;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::note::MidiNote;

use super::GOOD;

fn lick(steps: &str) -> Lick {
    let text = format!(
        "title = \"t\"\nkey = \"C major\"\ntempo = 60\nmeter = \"4/4\"\nsteps = [\n{steps}\n]\n"
    );
    Lick::parse(&text, "t.toml")
        .unwrap_or_else(|e| panic!("{e}\n{}\n{}", e.excerpt(None), e.hint()))
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
