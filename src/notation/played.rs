//! What was played, written down as a lick.
//!
//! **Conventions.** The first strike is on the first beat of a bar. A step lasts until the next strike, or up to the beat
//! after the strings are silent. What a string became without a strike is written as a hammer-on or pull-off where
//! one string moved by a whole tone at most, else as a slide.
//! **Limits.** The metre is 4/4; key, tempo and, where the sound does not tell, strings are guesses, which is told.

mod rhythm;

use super::Reading;
use super::checked;
use super::error::NotationError;
use super::error::Place;
use super::hand;
use super::hand::Wanted;
use super::remarks::Remarks;
use super::steps::Cutter;
use super::steps::Happening;
use super::ticks;
use crate::lick::Lick;
use crate::lick::Meter;
use crate::lick::hand::holds;
use crate::lick::hand::is_beyond_any_hand;
use crate::lick::mark::Mark;
use crate::lick::mark::Move;
use crate::lick::mark::MoveKind;
use crate::lick::played::Note;
use crate::lick::played::Strike;
use crate::lick::swing::Swing;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::Tuning;
use crate::theory::key::Key;
use crate::theory::key::Mode;
use crate::theory::key_finding;
use crate::theory::note::MidiNote;

/// Parts of a quarter note that sixteenths and triplets are written in.
const GRID: u64 = 12;
/// … and parts of these in which up to five moves share a length evenly.
const FINER: u64 = 60;
/// A hammer-on or pull-off reaches so far, in semitones; further is a slide (common practice).
const HAMMERED: u8 = 2;
/// A hand moves by its width, in frets, sooner than a string is believed whose odds are e times worse; and the least
/// probability that any string has.
const FRETS_A_NAT: f64 = 4.0;
const LEAST: f64 = 1e-4;
/// Strings that are silent for so much of a gap leave a rest.
const SILENT: f64 = 0.4;

/// What is known beforehand.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// The title.
    pub title: String,
    /// Quarter notes a minute.
    pub tempo_bpm: Option<f64>,
    /// Lengths are written in so many parts of a quarter note.
    pub grid: Option<u64>,
    /// The open strings; a guitar's otherwise, the sixth tuned down if notes need it.
    pub tuning: Option<Tuning>,
    /// Fret the capo is clamped at, 0 for none.
    pub capo: u8,
}

/// Writes `strikes` down.
///
/// # Errors
/// No strikes, or nothing that these strings can play.
pub fn write(strikes: &[Strike], known: &Known) -> Result<Reading, NotationError> {
    let mut remarks = Remarks::default();
    let grid = known.grid.unwrap_or(GRID);
    let gaps_s: Vec<f64> =
        strikes.windows(2).map(|pair| pair[1].start_s - pair[0].start_s).collect();
    let known_s = known.tempo_bpm.map(|tempo_bpm| 60.0 / tempo_bpm);
    let told_s = known_s.or_else(|| rhythm::beat_s(&gaps_s, grid));
    let even =
        told_s.and_then(|beat_s| rhythm::straightened(&gaps_s, beat_s, known_s.is_some(), grid));
    let swing = even.is_some().then(|| Swing::new(2, 1)).flatten();
    let (gaps_s, told_s) = match even {
        Some((even_s, beat_s)) => (even_s, Some(beat_s)),
        None => (gaps_s, told_s),
    };
    let tempo_bpm = known.tempo_bpm.unwrap_or_else(|| guessed_tempo(told_s, &mut remarks));
    let beat_s = 60.0 / tempo_bpm;
    if swing.is_some() {
        remarks
            .add("", "the eighths, long and short by turns, are written even with swing = \"2:1\"");
    }
    if let Some(other_s) = rhythm::better_beat_s(&gaps_s, beat_s, grid) {
        let other = (60.0 / other_s).round();
        remarks.add("", format!("the strikes fit a tempo of {other} better than {tempo_bpm}"));
    }
    let key = key_finding::likeliest(strikes.iter().flat_map(lengths));
    let key = key.unwrap_or_else(|| Key::from_fifths(0, Mode::Major).expect("no sharps"));
    let guessed =
        format!("the key, {key}, is a guess from the notes, and 4/4 is taken for the metre");
    remarks.add("", format!("{guessed}: change them in the lick file"));
    let mut lick = Lick {
        title: known.title.clone(),
        key,
        tempo_bpm,
        meter: Meter::new(4, 4).expect("a metre"),
        swing,
        tuning: Tuning::default(),
        capo: known.capo,
        steps: Vec::new(),
    };
    let bar = ticks::bar(grid, lick.meter);
    let spans = spans(strikes, &gaps_s, beat_s, grid, bar, &mut remarks);
    let (mut wanted, mut moves) = (Vec::new(), Vec::new());
    for (strike, &(start, end)) in strikes.iter().zip(&spans) {
        let place = format!("bar {}", start / bar + 1);
        let n_moving = strike.notes.iter().filter(|note| !note.then.is_empty()).count();
        for note in &strike.notes {
            if !note.is_sure {
                let what = "a note that may be there and may not was written: listen for it";
                remarks.add(format!("{place}, {}", key.spell(note.note)), what);
            }
            wanted.push(laid(note, start, end));
            moves.push(steps(note, n_moving));
        }
        if n_moving > 0 {
            remarks.add(place, "whether a string was hammered on, pulled off or slid is a guess");
        }
    }
    lick.tuning = hand::tuning(known.tuning.clone(), &wanted, lick.capo, &mut remarks);
    let laid = hand::placed_sounds(&wanted, &lick, bar, &mut remarks);
    if laid.is_empty() {
        let problem = "none of the notes finds a place on these strings".to_owned();
        return Err(NotationError::Unsupported { place: Place::File, problem });
    }
    let mut happenings = Vec::new();
    for placed in laid {
        let hand::Laid { note, string, fret, end } = placed;
        let (start, end) = (FINER * wanted[note].start, FINER * end);
        let mark = Mark::Fretted { fret, moves: Vec::new() };
        happenings.push((start, Happening::Strike(string, mark)));
        happenings.push((end, Happening::Silence(string)));
        let n_moves = moves[note].len() as u64;
        for (i, &(kind, semitones)) in (1..).zip(&moves[note]) {
            let to = Fret((i16::from(fret.0) + semitones) as u8);
            let time = start + (end - start) * i / (n_moves + 1);
            happenings.push((time, Happening::Move(string, Move { kind, to })));
        }
    }
    let end = FINER * spans.last().map_or(0, |span| span.1);
    let (division, bar) = (FINER * grid, FINER * bar);
    let cutter = Cutter { division, bar, n_strings: lick.tuning.n_strings() };
    lick.steps = cutter.cut(happenings, end, &mut remarks);
    for (step, hold) in (1..).zip(holds(&lick)) {
        if is_beyond_any_hand(&hold.grip) {
            let what = "frets that no hand spans: a note is another, or on another string";
            remarks.add(format!("step {step}"), what);
        }
    }
    checked(lick, remarks)
}

/// To a whole beat a minute, if there are gaps that tell one.
fn guessed_tempo(beat_s: Option<f64>, remarks: &mut Remarks) -> f64 {
    let Some(beat_s) = beat_s else {
        remarks.add("", "one strike has no tempo; 90 is taken");
        return 90.0;
    };
    let tempo = (60.0 / beat_s).round();
    remarks.add(
        "",
        format!("the tempo, {tempo}, is a guess from the strikes: --tempo says a better one"),
    );
    tempo
}

/// The notes of a strike, each with how long it sounds.
fn lengths(strike: &Strike) -> impl Iterator<Item = (MidiNote, f64)> + '_ {
    let length_s = (strike.end_s - strike.start_s).max(0.0);
    strike.notes.iter().flat_map(move |note| {
        let all = note.then.iter().chain([&note.note]);
        all.map(move |&pitch| (pitch, length_s / (note.then.len() + 1) as f64))
    })
}

/// When each strike begins and ends, in 1/`grid` beats.
fn spans(
    strikes: &[Strike],
    gaps_s: &[f64],
    beat_s: f64,
    grid: u64,
    bar: u64,
    remarks: &mut Remarks,
) -> Vec<(u64, u64)> {
    let lengths = rhythm::lengths(gaps_s, beat_s, grid).0;
    let mut start = 0;
    let mut spans = Vec::with_capacity(strikes.len());
    for (i, strike) in strikes.iter().enumerate() {
        let sounds_s = (strike.end_s - strike.start_s).max(0.0);
        let whole_beats = grid * ((sounds_s / beat_s).round() as u64).max(1);
        let Some(&gap_s) = gaps_s.get(i) else {
            // The last is held for as long as it sounds, a bar at most.
            spans.push((start, start + whole_beats.min(bar)));
            break;
        };
        let mut length = lengths[i];
        if length > rhythm::PAUSE_BEATS * grid {
            let most = rhythm::PAUSE_BEATS;
            let what = format!("a pause of more than {most} beats was shortened to {most}");
            remarks.add(format!("bar {}", start / bar + 1), what);
            length = rhythm::PAUSE_BEATS * grid;
        }
        let is_silent = gap_s - sounds_s > SILENT * gap_s && whole_beats < length;
        spans.push((start, start + if is_silent { whole_beats } else { length }));
        start += length;
    }
    spans
}

fn laid(note: &Note, start: u64, end: u64) -> Wanted<u64> {
    let all = || note.then.iter().chain([&note.note]).map(|note| note.0);
    let (lowest, highest) = (all().min().unwrap_or(0), all().max().unwrap_or(0));
    Wanted {
        start,
        end,
        note: note.note,
        unlikely: note.strings.iter().map(|&(string, likely)| (string, unlikely(likely))).collect(),
        down: note.note.0 - lowest,
        up: highest - note.note.0,
    }
}

/// How many frets of movement it takes to believe in a string of this probability.
fn unlikely(probability: f64) -> f64 {
    -FRETS_A_NAT * probability.max(LEAST).ln()
}

/// How a note moves, in semitones from where it was struck.
fn steps(note: &Note, n_moving: usize) -> Vec<(MoveKind, i16)> {
    let mut from = note.note;
    let step = |&to: &MidiNote| {
        let kind = match n_moving == 1 && from.0.abs_diff(to.0) <= HAMMERED {
            true if to > from => MoveKind::HammerOn,
            true => MoveKind::PullOff,
            false => MoveKind::Slide,
        };
        from = to;
        (kind, i16::from(to.0) - i16::from(note.note.0))
    };
    note.then.iter().map(step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::fretboard::StringNumber;

    const NOTHING: &[(u8, f64)] = &[];

    /// E4 a second apart, sounding for so long each, with what is known of its string.
    fn written(strikes: &[(&[(u8, f64)], f64)], tempo_bpm: f64) -> Reading {
        let strikes = strikes.iter().zip(0_u32..).map(|(&(strings, sounds_s), second)| Strike {
            start_s: f64::from(second),
            end_s: f64::from(second) + sounds_s,
            notes: vec![Note {
                note: MidiNote(64),
                is_sure: true,
                strings: strings.iter().map(|&(string, p)| (StringNumber(string), p)).collect(),
                then: Vec::new(),
            }],
        });
        let strikes: Vec<Strike> = strikes.collect();
        let (title, tempo_bpm) = ("Weir".to_owned(), Some(tempo_bpm));
        let known = Known { title, tempo_bpm, grid: None, tuning: None, capo: 0 };
        write(&strikes, &known).expect("notes of a guitar")
    }

    fn marks(reading: &Reading) -> Vec<String> {
        let marks = |step: &crate::lick::Step| {
            step.marks.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
        };
        reading.lick.steps.iter().map(marks).collect()
    }

    #[test]
    fn a_string_that_the_sound_tells_is_believed() {
        let second = [(1, 0.03), (2, 0.95), (3, 0.02)];
        assert_eq!(marks(&written(&[(NOTHING, 1.0)], 60.0)), ["x x x x x 0"]);
        assert_eq!(marks(&written(&[(&second, 1.0)], 60.0)), ["x x x x 5 x"]);
    }

    #[test]
    fn where_the_strings_are_silent_a_rest_is_written() {
        let beats = |reading: &Reading| -> Vec<f64> {
            reading.lick.steps.iter().map(|step| step.beats.get()).collect()
        };
        let short = written(&[(NOTHING, 0.5), (NOTHING, 1.0)], 120.0);
        assert_eq!(marks(&short), ["x x x x x 0", "x x x x x x", "x x x x x 0"]);
        assert_eq!(beats(&short), [1.0, 1.0, 2.0]);
        let long = written(&[(NOTHING, 0.9), (NOTHING, 1.0)], 120.0);
        assert_eq!(beats(&long), [2.0, 2.0]);
    }
}
