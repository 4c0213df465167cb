//! A judged take as a page of a lesson book: one line a step, then a summary in words.
//!
//! **Conventions.** Cents are whole numbers with a sign; the error beside them is one standard
//! error, rounded up, so that no measurement is ever told as exact.

use std::io;
use std::io::Write;

use super::Colour;
use super::Look;
use super::Page;
use super::TakeReport;
use super::called;
use super::columns;
use super::history;
use super::json;
use super::summary;
use super::tally::OutOfTune;
use super::tally::Tally;
use super::tally::missing_outright;
use super::tally::out_of_tune;
use super::word;
use crate::lick::expected::ExpectedNote;
use crate::lick::place::escaped;
use crate::practice::verdict::HeardNote;
use crate::practice::verdict::Pitch;
use crate::practice::verdict::Status;
use crate::practice::verdict::StepJudgement;
use crate::practice::verdict::TakeJudgement;
use crate::practice::verdict::Verdict;
use crate::theory::names::Names;
use crate::theory::note::MidiNote;
use crate::units::Cents;

/// Columns are padded up to this many characters; a longer cell only moves its own line.
const WIDEST_COLUMN: usize = 36;

/// A narrow terminal leaves this much to what was heard and to the verdict each, or the table whole.
const NARROWEST_COLUMN: usize = HEADS[HEARD].len();

/// The column that a narrower one leaves out: `asked for` says the same in notes.
const TAB: usize = 1;

/// Columns that a narrow terminal breaks into lines.
const HEARD: usize = 3;
const VERDICT: usize = 5;

/// Columns of numbers.
const STEP: usize = 0;
const TIMING: usize = 4;

pub(super) const HEADS: [&str; 6] =
    ["step", "tab", "asked for", "heard (cents)", "timing", "verdict"];

/// Writes the reports of all takes, and several once more beside each other; those that could not be judged are
/// left out.
///
/// # Errors
/// Whatever `out` fails with.
pub fn check(
    out: &mut impl Write,
    page: &Page,
    takes: &[TakeReport],
    look: Look,
) -> io::Result<()> {
    let mut first = true;
    for take in takes {
        if let Ok(judgement) = &take.outcome {
            if !first {
                writeln!(out)?;
            }
            first = false;
            write_take(out, page, take, judgement, look)?;
        }
    }
    let entries = history::entries(&json::value(page, takes)?).unwrap_or_default();
    if entries.len() > 1 {
        writeln!(out, "\nAll {} takes\n", entries.len())?;
        history::beside_each_other(out, "take", &entries, look.width)?;
    }
    Ok(())
}

fn write_take(
    out: &mut impl Write,
    page: &Page,
    report: &TakeReport,
    take: &TakeJudgement,
    look: Look,
) -> io::Result<()> {
    writeln!(out, "{}, {}", escaped(&page.title), escaped(called(&report.recording)))?;
    writeln!(out, "{}\n", length(page, take))?;
    write_table(out, page, take, look)?;
    writeln!(out)?;
    let n_passes = take.other_passes.len() + 1;
    let tally = Tally::of(take, page.tolerance);
    for sentence in summary::sentences(page, take, &tally) {
        writeln!(out, "{sentence}")?;
    }
    if n_passes > 1 {
        writeln!(
            out,
            "\nAll {n_passes} passes; above is number {}, --pass NUMBER shows another\n",
            take.pass
        )?;
        let passes = history::passes(&json::value(page, std::slice::from_ref(report))?);
        history::beside_each_other(out, "pass", &passes, look.width)?;
    }
    Ok(())
}

/// How long a take is, which pass in it was judged, and how fast that is.
pub(super) fn length(page: &Page, take: &TakeJudgement) -> String {
    let pass = match take.other_passes.len() + 1 {
        1 => String::new(),
        n_passes => format!(", pass {} of {n_passes}", take.pass),
    };
    let tempo = take.tempo_bpm.map_or(String::new(), |tempo| {
        let (played, written) = (tempo.round(), page.tempo_bpm.round());
        format!(", played at {played} beats a minute, written at {written}")
    });
    format!("{:.1} s{pass}{tempo}", take.duration_s)
}

fn write_table(
    out: &mut impl Write,
    page: &Page,
    take: &TakeJudgement,
    look: Look,
) -> io::Result<()> {
    let rows: Vec<[String; 6]> = take.steps.iter().map(|step| row(page, step)).collect();
    let width = |column: usize| {
        let cells = rows.iter().map(|row| columns::width(&row[column]));
        let widest = cells.chain([HEADS[column].len()]).max().unwrap_or(0);
        if column == VERDICT { widest } else { widest.min(WIDEST_COLUMN) }
    };
    let mut widths: [usize; 6] = std::array::from_fn(width);
    let narrow = look.width.and_then(|width| narrowed(widths, width));
    widths = narrow.unwrap_or(widths);
    write_row(out, &HEADS.map(str::to_owned), &widths, false, |verdict| verdict.to_owned())?;
    let [before @ .., _] = widths;
    let shown = before.iter().filter(|&&width| width > 0);
    let ruled = shown.map(|width| width + 2).sum::<usize>() + HEADS[VERDICT].len();
    writeln!(out, "{}", "─".repeat(ruled))?;
    for (step, row) in take.steps.iter().zip(&rows) {
        let paint = |words: &str| painted(words, step.verdict, look.colour);
        write_row(out, row, &widths, narrow.is_some(), paint)?;
    }
    Ok(())
}

/// `widths` for a terminal of `room` cells, 0 of a column that is left out; `None` if it is too narrow for
/// columns.
fn narrowed(mut widths: [usize; 6], room: usize) -> Option<[usize; 6]> {
    shared(widths, room).or_else(|| {
        widths[TAB] = 0;
        shared(widths, room)
    })
}

/// `widths` with what the other columns leave for what was heard and for the verdict; `None` if that is too
/// little for either.
fn shared(mut widths: [usize; 6], room: usize) -> Option<[usize; 6]> {
    let gaps = 2 * (widths.iter().filter(|&&width| width > 0).count() - 1);
    let others = widths.iter().sum::<usize>() - widths[HEARD] - widths[VERDICT];
    let room = room.checked_sub(others + gaps).filter(|&room| room / 2 >= NARROWEST_COLUMN)?;
    if widths[HEARD] + widths[VERDICT] > room {
        widths[HEARD] = widths[HEARD].min((room / 2).max(room.saturating_sub(widths[VERDICT])));
        widths[VERDICT] = room - widths[HEARD];
    }
    Some(widths)
}

/// One line, or with `wraps` as many as the cells need in their widths.
fn write_row(
    out: &mut impl Write,
    cells: &[String; 6],
    widths: &[usize; 6],
    wraps: bool,
    paint: impl Fn(&str) -> String,
) -> io::Result<()> {
    let lines: [Vec<String>; 6] = std::array::from_fn(|column| match column {
        HEARD | VERDICT if wraps => columns::wrapped(&cells[column], widths[column]),
        _ => vec![cells[column].clone()],
    });
    for index in 0..lines.iter().map(Vec::len).max().unwrap_or(0) {
        let cells = lines.each_ref().map(|lines| lines.get(index).map_or("", String::as_str));
        let [before @ .., verdict] = cells;
        let shown = before.iter().zip(widths).enumerate().filter(|(_, (_, width))| **width > 0);
        let before: String = shown
            .map(|(column, (cell, &width))| match column {
                STEP | TIMING => format!("{cell:>width$}  "),
                _ => format!("{cell:<width$}  "),
            })
            .collect();
        match verdict {
            "" => writeln!(out, "{}", before.trim_end())?,
            verdict => writeln!(out, "{before}{}", paint(verdict))?,
        }
    }
    Ok(())
}

fn painted(words: &str, verdict: Verdict, colour: Colour) -> String {
    // SGR codes of ECMA-48: 31 red, 32 green, 33 yellow, 2 faint.
    let code = match verdict {
        Verdict::Right => 32,
        Verdict::Wrong => 31,
        Verdict::Incomplete => 33,
        Verdict::NotPlayed | Verdict::Unsure => 2,
    };
    match colour {
        Colour::Plain => words.to_owned(),
        Colour::Ansi => format!("\x1b[{code}m{words}\x1b[0m"),
    }
}

pub(super) fn row(page: &Page, step: &StepJudgement) -> [String; 6] {
    let tab = step.step.checked_sub(1).and_then(|index| page.tabs.get(index));
    let names = page.names_in(step.step);
    let name = |note: &ExpectedNote| names.spell(note.note).to_string();
    let asked: Vec<String> = step.expected.iter().map(name).collect();
    let mut heard: Vec<&HeardNote> = step.heard.iter().collect();
    // Struck first, then later stages, then what only rings; within each in the order of the judge.
    heard.sort_by_key(|note| (note.status == Status::Ringing, note.start_s.is_some()));
    let heard: Vec<String> = heard.iter().map(|note| heard_note(names, note)).collect();
    [
        step.step.to_string(),
        tab.cloned().unwrap_or_default(),
        asked.join(" "),
        if heard.is_empty() { "nothing".to_owned() } else { heard.join(", ") },
        // Through an integer, so that −0.4 ms prints as `+0`, never as `-0`.
        step.timing_ms.map_or_else(String::new, |ms| format!("{:+} ms", ms.round() as i64)),
        verdict(page, step),
    ]
}

fn heard_note(names: &Names, heard: &HeardNote) -> String {
    let pitch = pitch(&heard.pitch, names);
    match heard.status {
        Status::Ringing => ringing(heard.pitch.note, names),
        _ if heard.start_s.is_some() => format!("then {pitch}"),
        _ => pitch,
    }
}

/// A note with its cents and their standard error: `F#4 +2 ±1`.
pub(super) fn pitch(pitch: &Pitch, names: &Names) -> String {
    format!("{} {}", names.spell(pitch.note), cents(pitch))
}

/// The cents and their standard error: `+2 ±1`.
pub(super) fn cents(pitch: &Pitch) -> String {
    // Through an integer, so that −0.4 ct prints as `+0`, never as `-0`.
    let cents = pitch.cents.0.round() as i64;
    match pitch.cents_error {
        Some(error) => format!("{cents:+} ±{}", error.0.ceil().max(1.0) as i64),
        None => format!("{cents:+}"),
    }
}

/// A note left over from before, told without cents: it is not being played.
pub(super) fn ringing(note: MidiNote, names: &Names) -> String {
    format!("({} rings)", names.spell(note))
}

/// The verdict in words: what kind, then what exactly.
fn verdict(page: &Page, step: &StepJudgement) -> String {
    let word = word(step.verdict);
    let names = page.names_in(step.step);
    let faults = step.heard.iter().filter_map(|heard| fault(names, page.tolerance, heard));
    let mut details: Vec<String> = faults.collect();
    if step.start_s.is_some() {
        let missing = missing_outright(step).map(|note| format!("no {}", names.spell(note.note)));
        details.extend(missing);
    }
    details.extend(step.heard.iter().filter_map(|h| elsewhere(names, h)));
    details.extend(step.remarks.iter().cloned());
    let mark = if step.verdict == Verdict::Right { "," } else { ":" };
    if details.is_empty() {
        word.to_owned()
    } else {
        format!("{word}{mark} {}", details.join(", "))
    }
}

/// The right note on another string than the lick asks for: no fault, but worth a word.
fn elsewhere(names: &Names, heard: &HeardNote) -> Option<String> {
    let (string, _) = heard.played_elsewhere()?;
    let asked = heard.expected?;
    let name = names.spell(heard.pitch.note);
    Some(format!("{name} on string {} instead of {}", string.0, asked.string.0))
}

fn fault(names: &Names, tolerance: Cents, heard: &HeardNote) -> Option<String> {
    let name = names.spell(heard.pitch.note);
    match heard.status {
        Status::Right => match out_of_tune(heard, tolerance)? {
            OutOfTune::Sharp => Some(format!("{name} sharp")),
            OutOfTune::Flat => Some(format!("{name} flat")),
        },
        Status::Wrong { instead_of } => {
            Some(format!("{name} instead of {}", names.spell(instead_of.note)))
        }
        Status::Extra => Some(format!("{name} extra")),
        Status::Ringing => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    fn printed(takes: &[TakeReport], colour: Colour) -> String {
        printed_in(None, takes, colour)
    }

    fn printed_in(width: Option<usize>, takes: &[TakeReport], colour: Colour) -> String {
        let mut out = Vec::new();
        let look = Look { colour, width };
        check(&mut out, &sample::page(), takes, look).expect("a vector takes all bytes");
        String::from_utf8(out).expect("text is UTF-8")
    }

    #[test]
    fn a_take_is_printed_as_a_page() {
        let expected = include_str!("sample.txt");
        let found = printed(&[sample::report()], Colour::Plain);
        assert_eq!(found, expected, "found:\n{found}");
    }

    /// B7 is B D# F# A (any book on harmony); D major by itself has Eb.
    #[test]
    fn what_is_heard_in_a_step_is_written_as_its_chord_is() {
        let chord = "B7".parse().expect("a chord");
        let key = "D major".parse().expect("a key");
        let names = Names::of(&[], Some(key), Some(&chord));
        let page = Page { names: vec![names; 7], ..sample::page() };
        let mut out = Vec::new();
        let look = Look { colour: Colour::Plain, width: None };
        check(&mut out, &page, &[sample::report()], look).expect("a vector takes all bytes");
        let found = String::from_utf8(out).expect("text is UTF-8");
        assert!(found.contains("D#4 +3 ±1, C#5"), "{found}");
        assert!(found.contains("wrong: D#4 instead of E4"), "{found}");
        let mut out = Vec::new();
        crate::report::json::check(&mut out, &page, &[sample::report()]).expect("written");
        let found = String::from_utf8(out).expect("text is UTF-8");
        assert!(found.contains("\"D#4\"") && !found.contains("\"Eb4\""), "{found}");
    }

    #[test]
    fn colour_adds_no_words_and_takes_none() {
        let plain = printed(&[sample::report()], Colour::Plain);
        let mut coloured = printed(&[sample::report()], Colour::Ansi);
        assert!(coloured.contains("\x1b[32mright\x1b[0m"));
        for code in ["\x1b[31m", "\x1b[32m", "\x1b[33m", "\x1b[2m", "\x1b[0m"] {
            coloured = coloured.replace(code, "");
        }
        assert_eq!(coloured, plain);
    }

    #[test]
    fn rows_fit_into_a_terminal_and_go_on_in_their_columns() {
        let takes = [sample::report()];
        for width in [80, 72, 100, 200] {
            let page = printed_in(Some(width), &takes, Colour::Plain);
            let table = page.lines().skip(3).take_while(|line| !line.is_empty());
            let widest = table.map(columns::width).max();
            assert!(widest <= Some(width), "{width}:\n{page}");
            let words = |page: &str| {
                let mut words: Vec<String> = page.split_whitespace().map(str::to_owned).collect();
                words.retain(|word| !word.starts_with('─'));
                words.sort();
                words
            };
            assert_eq!(words(&page), words(&printed(&takes, Colour::Plain)), "{width}:\n{page}");
        }
        let page = printed_in(Some(80), &takes, Colour::Plain);
        let rows = "   3  x x x 9 x 9    E4 C#5     Eb4 +3 ±1,           +31 ms  wrong: Eb4 instead\n\
                    \x20                               C#5 +4 ±1, E5 +0 ±1          of E4, E5 extra,\n";
        assert!(page.contains(rows), "{page}");
        let page = printed_in(Some(60), &takes, Colour::Plain);
        let rows = "step  asked for  heard (cents)     timing  verdict\n\
                    ──────────────────────────────────────────────────\n\
                    \x20  1";
        assert!(page.contains(rows), "without the tab:\n{page}");
        let table = page.lines().skip(3).take_while(|line| !line.is_empty());
        assert!(table.map(columns::width).max() <= Some(60), "{page}");
        let whole = printed_in(Some(50), &takes, Colour::Plain);
        assert_eq!(whole, printed(&takes, Colour::Plain), "too narrow for columns");
    }

    #[test]
    fn a_recording_that_could_not_be_judged_leaves_no_page() {
        assert_eq!(printed(&[sample::unjudged()], Colour::Plain), "");
        let both = printed(&[sample::unjudged(), sample::report()], Colour::Plain);
        assert_eq!(both, printed(&[sample::report()], Colour::Plain));
    }

    #[test]
    fn a_hair_below_zero_is_not_minus_zero() {
        let mut note = sample::take().steps[0].heard[0];
        note.pitch.cents = crate::units::Cents(-0.4);
        note.pitch.cents_error = None;
        let names = sample::page().beside;
        assert_eq!(pitch(&note.pitch, &names), "F#4 +0");
    }

    #[test]
    fn no_measurement_is_told_as_exact() {
        let mut note = sample::take().steps[0].heard[0];
        note.pitch.cents_error = Some(crate::units::Cents(0.04));
        let names = sample::page().beside;
        assert!(pitch(&note.pitch, &names).ends_with("±1"));
    }
}
