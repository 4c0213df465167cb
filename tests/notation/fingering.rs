//! Where the hand lies for notes that come without strings and frets, as from MIDI. Shapes are common practice:
//! scales in thirds, fourths, sixths and tenths along two strings, and open chords as any chord book has them.

use doublecheck::lick::Lick;
use doublecheck::lick::mark::Mark;
use doublecheck::notation::midi;

use crate::embedded;

fn lick(columns: &[&str]) -> Lick {
    let steps = columns.iter().map(|frets| format!("  {{ beats = 1, frets = '{frets}' }},\n"));
    let text = format!(
        "title = \"t\"\nkey = \"C major\"\ntempo = 80\nmeter = \"4/4\"\nsteps = [\n{}]\n",
        steps.collect::<String>()
    );
    Lick::parse(&text, "t.toml").unwrap()
}

fn columns(lick: &Lick) -> Vec<String> {
    let marks = lick.steps.iter().map(|step| step.marks.iter().map(Mark::to_string));
    marks.map(|marks| marks.collect::<Vec<_>>().join(" ")).collect()
}

/// The lick as it comes back from a MIDI file.
fn through_midi(lick: &Lick) -> Lick {
    midi::read(&midi::write(lick, &midi::Options::default()), None).unwrap().lick
}

#[test]
fn a_run_of_double_stops_keeps_its_strings() {
    let runs: [&[&str]; 9] = [
        // Thirds: G, C, E and D major.
        &["x x x 4 3 x", "x x x 5 5 x", "x x x 7 7 x", "x x x 9 8 x", "x x x 12 12 x"],
        &["x x x 9 8 x", "x x x 7 6 x", "x x x 5 5 x", "x x x 4 3 x", "x x x 2 1 x", "x x x 0 0 x"],
        &["x x x 1 0 x", "x x x 2 2 x", "x x x 4 4 x", "x x x 6 5 x", "x x x 8 7 x", "x x x 9 9 x"],
        &["x 5 4 x x x", "x 7 5 x x x", "x 9 7 x x x", "x 10 9 x x x"],
        &[
            "x x x x 1 0",
            "x x x x 3 1",
            "x x x x 5 3",
            "x x x x 6 5",
            "x x x x 8 7",
            "x x x x 10 8",
        ],
        // Fourths.
        &["x x x x 10 10", "x x x x 8 8", "x x x x 7 7", "x x x x 5 5", "x x x x 3 3"],
        // Sixths, and with a rest between two runs.
        &[
            "x x 2 x 1 x",
            "x x 3 x 3 x",
            "x x 5 x 5 x",
            "x x 7 x 6 x",
            "x x 9 x 8 x",
            "x x 10 x 10 x",
            "x x x x x x",
            "x x x 9 x 8",
            "x x x 7 x 7",
            "x x x 5 x 5",
            "x x x 4 x 3",
        ],
        &[
            "x x x 2 x 2",
            "x x x 4 x 4",
            "x x x 6 x 5",
            "x x x 7 x 7",
            "x x x 9 x 9",
            "x x x 11 x 10",
        ],
        // Tenths.
        &["x 3 x x 5 x", "x 5 x x 6 x", "x 7 x x 8 x", "x 8 x x 10 x"],
    ];
    for run in runs {
        assert_eq!(columns(&through_midi(&lick(run))), run);
    }
}

#[test]
fn open_chords_have_their_open_strings() {
    let chords = [
        "x 3 2 0 1 0",
        "x 0 2 2 1 0",
        "1 3 3 2 1 1",
        "3 2 0 0 0 3",
        "0 2 2 0 0 0",
        "x x 0 2 3 2",
        "0 2 2 1 0 0",
        "x 0 2 2 2 0",
        "x x 0 2 3 1",
        "3 2 0 0 0 1",
        "x 0 2 0 1 0",
        "x 2 1 2 0 2",
        "x 0 2 0 2 0",
        "0 2 0 1 0 0",
        "x x 0 2 1 2",
        "x 3 2 3 1 0",
        "x 3 2 0 0 0",
        "x x 3 2 1 0",
        "x x 0 2 1 1",
        "0 2 2 0 3 0",
        "x 0 2 1 2 0",
    ];
    assert_eq!(columns(&through_midi(&lick(&chords))), chords);
    for chord in chords {
        assert_eq!(columns(&through_midi(&lick(&[chord]))), [chord]);
    }
}

/// The thumb's strings ring open below double stops wherever the hand is.
#[test]
fn an_open_bass_string_stays_open_under_a_hand_up_the_neck() {
    let basses: [&[&str]; 2] = [
        &["x x 0 x 10 10", "x 0 x x 10 9", "x 0 x x 12 12"],
        &[
            "x x 0 x x x",
            "x x x 11 10 x",
            "x x 0 x x x",
            "x x x 9 8 x",
            "x 0 x x x x",
            "x x x 9 10 x",
        ],
    ];
    for bass in basses {
        assert_eq!(columns(&through_midi(&lick(bass))), bass);
    }
}

/// Open strings beside a hand past the seventh fret sound otherwise than what is stopped, and it cannot damp them.
#[test]
fn no_double_stop_of_an_open_string_and_one_stopped_up_the_neck() {
    for lick in embedded() {
        for column in columns(&through_midi(&lick)) {
            let frets = column.split(' ').filter_map(|mark| mark.parse::<u8>().ok());
            let frets: Vec<u8> = frets.collect();
            let apart = frets.contains(&0) && frets.iter().any(|&fret| fret > 7);
            assert!(!apart, "{}: {column}", lick.title);
        }
    }
}

/// A string that is not stopped has no finger to slide or bend it with.
#[test]
fn no_slide_begins_on_an_open_string() {
    for lick in embedded() {
        for column in columns(&through_midi(&lick)) {
            let slides = |mark: &str| mark.starts_with("0s") || mark.starts_with("0b");
            assert!(!column.split(' ').any(slides), "{}: {column}", lick.title);
        }
    }
}

/// Low E sounds on one string only; what slides to A beside it ends on the open fifth.
#[test]
fn a_slide_to_an_open_string_is_kept_where_there_is_no_other() {
    let slide = ["0 3s0 x x x x"];
    assert_eq!(columns(&through_midi(&lick(&slide))), slide);
}

/// F#2 that comes later needs the sixth string, on which C3 could have slid without an open one.
#[test]
fn a_slide_to_an_open_string_leaves_room_for_what_comes_under_it() {
    let slide = ["x 3s0 x x x x", "2 = x x x x"];
    assert_eq!(columns(&through_midi(&lick(&slide))), slide);
}

#[test]
fn a_scale_in_the_open_position_has_its_open_strings() {
    let scale = [
        "x 3 x x x x",
        "x x 0 x x x",
        "x x 2 x x x",
        "x x 3 x x x",
        "x x x 0 x x",
        "x x x 2 x x",
        "x x x x 0 x",
        "x x x x 1 x",
    ];
    assert_eq!(columns(&through_midi(&lick(&scale))), scale);
}
