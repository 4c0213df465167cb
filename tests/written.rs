//! What is played in a recording, written down: the licks that come with the program are synthesised, and what is
//! written down of it is held against them.
#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

use doublecheck::engine::Listener;
use doublecheck::engine::Take;
use doublecheck::lick;
use doublecheck::lick::Lick;
use doublecheck::lick::Step;
use doublecheck::lick::expected::ExpectedNote;
use doublecheck::lick::mark::Mark;
use doublecheck::lick::played::Note;
use doublecheck::lick::played::Strike;
use doublecheck::notation::Reading;
use doublecheck::notation::played;
use doublecheck::notation::played::Known;
use doublecheck::practice::played::Played;
use doublecheck::practice::played::Talk;
use doublecheck::report::listen;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::note::MidiNote;
use doublecheck::theory::note::Reference;
use doublecheck::units::Hertz;
use doublecheck::units::SampleRate;
use serde_json::Value;
use serde_json::json;

/// A lick as it sounds for a player, in a quiet room.
fn sound(lick: &Lick, manner: &Manner) -> Vec<f32> {
    let sound = Performance::new(&lick.expected(), manner);
    let sound = sound.render(SampleRate::new(48_000).unwrap(), &Room::noisy(45.0), 5);
    [sound, vec![0.0; 24_000]].concat()
}

fn known(lick: &Lick, tempo_bpm: Option<f64>) -> Known {
    let title = "Played".to_owned();
    Known { title, tempo_bpm, grid: None, tuning: None, capo: lick.capo }
}

fn heard(samples: &[f32]) -> Take {
    let mut listener = Listener::of_recording(SampleRate::new(48_000).unwrap());
    listener.push(samples, |_| {});
    listener.finish(|_| {})
}

fn written(samples: &[f32], known: Known) -> Reading {
    let take = heard(samples);
    let open: Vec<_> = Tuning::default().strings().collect();
    let heard = Played::of(&take, &open, Reference::default(), Talk::LeftOut);
    played::write(&heard.strikes, &known).unwrap()
}

/// This of all notes of every step that is no rest, in order of size.
fn of_steps<T: Ord>(lick: &Lick, what: impl Fn(&ExpectedNote) -> T) -> Vec<Vec<T>> {
    let mut steps: Vec<Vec<T>> =
        lick.expected().steps.iter().map(|step| step.struck.iter().map(&what).collect()).collect();
    steps.retain(|notes| !notes.is_empty());
    steps.iter_mut().for_each(|notes| notes.sort_unstable());
    steps
}

fn notes(lick: &Lick) -> Vec<Vec<u8>> {
    of_steps(lick, |note| note.note.0)
}

fn places(lick: &Lick) -> Vec<Vec<(u8, u8)>> {
    of_steps(lick, |note| (note.string.0, note.fret.0))
}

/// From each of these steps to the next, in beats.
fn lengths(lick: &Lick) -> Vec<f64> {
    let steps = lick.expected().steps;
    let starts: Vec<f64> =
        steps.iter().filter(|s| !s.struck.is_empty()).map(|s| s.start_beats).collect();
    starts.windows(2).map(|pair| pair[1] - pair[0]).collect()
}

#[test]
fn a_lick_of_double_stops_comes_back_as_it_was() {
    for name in ["slate-staircase", "long-ladder-tenths", "orchard-gate-thirds"] {
        let mut lick = lick::find(name).unwrap();
        // An octave may hide in a chord.
        let is_double_stop = |step: &Step| step.marks.iter().filter(|m| m.is_struck()).count() < 3;
        lick.steps.retain(is_double_stop);
        let (samples, known) = (sound(&lick, &Manner::default()), known(&lick, None));
        let Reading { lick: heard, remarks } = written(&samples, known);
        assert_eq!(notes(&heard), notes(&lick), "{name}");
        assert_eq!(lengths(&heard), lengths(&lick), "{name}");
        let tempo = heard.tempo_bpm;
        assert!((tempo / lick.tempo_bpm - 1.0).abs() < 0.011, "{name}: {tempo}");
        assert!(remarks.iter().any(|remark| remark.contains("is a guess")), "{remarks:?}");
    }
}

/// Eighths that sound long and short by turns are written even (common practice), whether the tempo is known or not.
#[test]
fn swung_eighths_are_written_as_such() {
    let lick = lick::find("loose-gate-shuffle").unwrap();
    let samples = sound(&lick, &Manner::default());
    for tempo_bpm in [None, Some(lick.tempo_bpm)] {
        let Reading { lick: heard, remarks } = written(&samples, known(&lick, tempo_bpm));
        assert_eq!(heard.swing, lick.swing);
        assert_eq!(notes(&heard), notes(&lick));
        assert_eq!(lengths(&heard), lengths(&lick));
        assert!((heard.tempo_bpm / lick.tempo_bpm - 1.0).abs() < 0.011, "{}", heard.tempo_bpm);
        assert!(remarks.iter().any(|remark| remark.contains("swing")), "{remarks:?}");
    }
}

/// By its sound alone: what is hammered on while another string rings is one step.
#[test]
fn hammer_ons_and_pull_offs_belong_to_the_step_before() {
    let lick = lick::find("mill-wheel-hammers").unwrap();
    let known = known(&lick, Some(lick.tempo_bpm));
    let heard = written(&sound(&lick, &Manner::default()), known).lick;
    let third_string = |lick: &Lick, step: usize| -> Mark { lick.steps[step].marks[3].clone() };
    assert_eq!(third_string(&heard, 0), "5h6".parse().unwrap());
    let pulled_off = heard.steps.iter().any(|step| step.marks[3] == "9p7".parse().unwrap());
    assert!(pulled_off, "{}", heard.to_toml());
}

/// Half-way through a quarter of a beat at 75 a minute is 0.1 s after the strike: C4 slides to D4 (fret 5 and 7 of the
/// third string), and that is what sounds from then on.
#[test]
fn a_grace_note_is_told_where_nothing_is_known_of_the_lick() {
    let lick = "title = \"Weir\"\nkey = \"C major\"\ntempo = 75\nmeter = \"4/4\"\nsteps = [\n\
                { beats = 0.25, frets = \"x x x 5/7 5 x\" },\n\
                { beats = 1.75, frets = \"x x x = = x\" },\n\
                { beats = 2, frets = \"x x x 5 5 x\" }]\n";
    let lick = Lick::parse(lick, "weir.toml").unwrap();
    let take = heard(&sound(&lick, &Manner::default()));
    let mut document = Vec::new();
    listen::json(&mut document, &take, Reference::default()).unwrap();
    let document: Value = serde_json::from_slice(&document).unwrap();
    let [graced, plain] = [0, 1].map(|strike| &document["strikes"][strike]["notes"]);
    assert_eq!(graced[0]["from"], json!({ "note": "C4", "midi": 60 }), "{document}");
    assert_eq!((&graced[0]["midi"], &graced[1]["midi"]), (&json!(62), &json!(64)), "{document}");
    let start_s = |value: &Value| value["start_s"].as_f64().unwrap();
    let after_s = start_s(&graced[0]) - start_s(&document["strikes"][0]);
    assert!((after_s - 0.1).abs() < 0.025, "{after_s}");
    let is_plain = |note: &Value| note.get("from").is_none() && note.get("later").is_none();
    assert!(is_plain(&graced[1]) && is_plain(&plain[0]) && is_plain(&plain[1]), "{document}");
}

/// ISO 16 has A4 at 440 Hz; a guitar tuned with others may have it elsewhere.
#[test]
fn a_guitar_tuned_off_is_written_at_the_notes_that_were_meant() {
    let lick = lick::find("slate-staircase").unwrap();
    for a4 in [432.0, 446.0] {
        let reference = Reference::new(Hertz::new(a4).unwrap()).unwrap();
        let manner = Manner { reference, ..Manner::default() };
        let heard = written(&sound(&lick, &manner), known(&lick, None)).lick;
        assert_eq!(places(&heard), places(&lick), "{a4}");
    }
}

fn strike(start_s: f64, notes: &[u8]) -> Strike {
    let note =
        |&note| Note { note: MidiNote(note), is_sure: true, strings: Vec::new(), then: Vec::new() };
    Strike { start_s, end_s: start_s + 0.6, notes: notes.iter().map(note).collect() }
}

/// Five sixteenths have no half in twelfths of a beat, but the move is in the middle all the same.
#[test]
fn moves_in_the_middle_of_an_odd_length_are_not_told_as_moved_there() {
    let mut strikes = [strike(0.0, &[60, 64]), strike(0.625, &[60, 64])];
    strikes[0].notes[0].then = vec![MidiNote(62)];
    let title = "Weir".to_owned();
    let known = Known { title, tempo_bpm: Some(120.0), grid: None, tuning: None, capo: 0 };
    let Reading { lick, remarks } = played::write(&strikes, &known).unwrap();
    assert_eq!(lengths(&lick), [1.25]);
    assert!(!remarks.iter().any(|told| told.contains("spread evenly")), "{remarks:?}");
}

/// D2 with the capo at the third fret sounds as F2, 41, and E2 would as G2.
#[test]
fn a_sixth_string_in_d_is_told_under_a_capo_too() {
    let known =
        |tuning| Known { title: "Weir".to_owned(), tempo_bpm: None, grid: None, tuning, capo: 3 };
    let strikes = [strike(0.0, &[41, 48]), strike(0.6, &[46, 53])];
    let Reading { lick, remarks } = played::write(&strikes, &known(None)).unwrap();
    assert_eq!(lick.tuning.strings().next(), Some((StringNumber(6), MidiNote(38))));
    assert_eq!(places(&lick), [[(5, 0), (6, 0)], [(5, 5), (6, 5)]]);
    assert!(remarks.iter().any(|told| told.contains("tuned down to D2")), "{remarks:?}");

    // Named strings stay as they are.
    let named = played::write(&strikes, &known(Some(Tuning::default()))).unwrap();
    assert!(named.remarks.iter().any(|told| told.contains("that --tuning names")), "{remarks:?}");
    let high = Tuning::new(vec![MidiNote(93)]).unwrap();
    let error = played::write(&strikes, &known(Some(high))).unwrap_err().to_string();
    assert!(error.contains("none of the notes finds a place"), "{error}");

    // B2 lies on the lowest two strings only, B5 on the highest, and B4 in reach of a hand.
    let wide = |upper| played::write(&[strike(0.0, &[47, upper])], &known(None)).unwrap().remarks;
    let is_told = |remarks: &[String]| remarks.iter().any(|told| told.contains("no hand spans"));
    assert!(is_told(&wide(83)) && !is_told(&wide(71)), "{:?} {:?}", wide(83), wide(71));
}
