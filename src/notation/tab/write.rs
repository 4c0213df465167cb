//! A lick as plain-text tab.

use crate::lick::Lick;
use crate::lick::Step;
use crate::lick::mark::Mark;
use crate::notation::error::NotationError;
use crate::notation::error::Place;
use crate::notation::ticks::Division;
use crate::notation::ticks::gcd;
use crate::notation::ticks::lcm;

/// Columns of a page.
const PAGE: usize = 78;

/// Columns of a beat at least.
const NARROWEST: u64 = 4;

/// Columns of a beat beyond which times are rounded to a column.
const WIDEST: u64 = 64;

/// Beats of one text; a lick has about forty.
const MAX_BEATS: u64 = 20_000;

/// A lick in tab.
///
/// # Errors
/// A lick of more beats than anyone plays.
pub fn write(lick: &Lick) -> Result<String, NotationError> {
    let bars = bars(lick)?;
    let n_strings = lick.tuning.n_strings();
    let names = string_names(lick);
    let label = names.iter().map(String::len).max().unwrap_or(0);
    let mut text = heading(lick);
    let mut bars = bars.iter().peekable();
    while bars.peek().is_some() {
        // One system: as many bars as fit the page, one at least.
        let mut lines: Vec<String> = names.iter().map(|name| format!("{name:label$}|")).collect();
        let mut chords = " ".repeat(label + 1);
        let mut beats = chords.clone();
        let mut first = true;
        while let Some(bar) = bars.next_if(|bar| first || lines[0].len() + bar.width() <= PAGE) {
            first = false;
            for (index, line) in lines.iter_mut().enumerate() {
                *line += &bar.line(n_strings - 1 - index);
            }
            chords += &bar.above(&bar.chords);
            beats += &bar.above(&bar.beats);
        }
        for line in [chords, beats].iter().chain(&lines) {
            if !line.trim().is_empty() {
                text += line.trim_end();
                text.push('\n');
            }
        }
        text.push('\n');
    }
    Ok(text)
}

fn heading(lick: &Lick) -> String {
    let open: Vec<_> = lick.open_names().iter().map(ToString::to_string).collect();
    let mut text = format!(
        "Title: {}\nKey: {}\nTempo: {}\nMeter: {}/{}\n",
        lick.title.replace(char::is_control, " "),
        lick.key,
        lick.tempo_bpm,
        lick.meter.count,
        lick.meter.unit,
    );
    if let Some(swing) = lick.swing {
        text += &format!("Swing: {swing}\n");
    }
    text += &format!("Tuning: {}\n", open.join(" "));
    if lick.capo > 0 {
        text += &format!("Capo: {}\n", lick.capo);
    }
    text.push('\n');
    text
}

/// Names before the lines, highest string first; the highest in small letters where the lowest has
/// the same name.
fn string_names(lick: &Lick) -> Vec<String> {
    let mut names: Vec<String> =
        lick.open_names().iter().map(|open| open.name.to_string()).collect();
    names.reverse();
    if names.len() > 1 && names.first() == names.last() {
        names[0] = names[0].to_lowercase();
    }
    names
}

/// A bar laid out in columns.
#[derive(Default)]
struct Bar {
    columns: usize,
    /// Column, index of the string (0 for the lowest) and mark.
    marks: Vec<(usize, usize, String)>,
    beats: Vec<(usize, String)>,
    chords: Vec<(usize, String)>,
}

impl Bar {
    /// With the space before and the bar line after it.
    fn width(&self) -> usize {
        self.columns + 2
    }

    /// The line of one string.
    fn line(&self, string: usize) -> String {
        let marks = self.marks.iter().filter(|(_, on, _)| *on == string);
        let laid = lay(marks.map(|(column, _, text)| (*column, text.as_str())), '-', self.columns);
        format!("-{laid}|")
    }

    /// A line above the strings.
    fn above(&self, entries: &[(usize, String)]) -> String {
        let entries = entries.iter().map(|(column, text)| (*column, text.as_str()));
        format!(" {} ", lay(entries, ' ', self.columns))
    }
}

fn lay<'a>(entries: impl Iterator<Item = (usize, &'a str)>, fill: char, columns: usize) -> String {
    let mut line = String::new();
    let mut filled = 0;
    for (column, text) in entries {
        line.extend(std::iter::repeat_n(fill, column.saturating_sub(filled)));
        line += text;
        filled = column.max(filled) + text.chars().count();
    }
    line.extend(std::iter::repeat_n(fill, columns.saturating_sub(filled)));
    line
}

/// Cuts the lick into bars of whole beats.
fn bars(lick: &Lick) -> Result<Vec<Bar>, NotationError> {
    let division = Division::of(lick).unwrap_or(Division::COARSE);
    let beat = division.get() * 4 / u64::from(lick.meter.unit);
    let mut starts = Vec::with_capacity(lick.steps.len());
    let mut end = 0;
    for step in &lick.steps {
        starts.push((end, step));
        end += division.step(step);
    }
    let n_beats = end.div_ceil(beat);
    if n_beats > MAX_BEATS {
        return Err(NotationError::TooBig { place: Place::File, what: "beats", limit: MAX_BEATS });
    }
    let mut bars = Vec::new();
    let mut steps = starts.into_iter().peekable();
    for index in 0..n_beats {
        let in_bar = index % u64::from(lick.meter.count);
        if in_bar == 0 {
            bars.push(Bar::default());
        }
        let bar = bars.last_mut().expect("pushed at the first beat");
        let mut inside = Vec::new();
        while let Some((start, step)) = steps.next_if(|(start, _)| *start < (index + 1) * beat) {
            inside.push((start - index * beat, step));
        }
        lay_beat(bar, in_bar + 1, &inside, beat);
    }
    Ok(bars)
}

/// Adds a beat and the steps that begin in it, by their ticks into it.
fn lay_beat(bar: &mut Bar, number: u64, steps: &[(u64, &Step)], beat: u64) {
    let widths: Vec<u64> = steps.iter().map(|(_, step)| width(step) as u64 + 1).collect();
    // Columns to the beat in which every step has a column of its own.
    let whole = steps
        .iter()
        .map(|(into, _)| beat / gcd(*into, beat))
        .try_fold(1, lcm)
        .filter(|&columns| columns <= WIDEST);
    let fits = |columns: u64| {
        let ends = steps.iter().skip(1).map(|(into, _)| *into).chain([beat]);
        let mut gaps = steps.iter().zip(ends).zip(&widths);
        gaps.all(|(((into, _), end), width)| (end - into) * columns >= width * beat)
    };
    let most = widths.iter().copied().fold(NARROWEST, u64::max);
    let exact = whole.and_then(|whole| {
        let mut candidates = (1..=most).map(|times| whole * times);
        candidates.find(|&columns| columns >= NARROWEST && fits(columns))
    });
    let start = bar.columns;
    bar.beats.push((start, number.to_string()));
    let mut free = 0;
    let columns = exact.unwrap_or(WIDEST);
    for ((into, step), width) in steps.iter().zip(&widths) {
        let column = (into * columns / beat).max(free);
        free = column + width;
        let column = start + column as usize;
        for (string, mark) in step.marks.iter().enumerate() {
            if *mark != Mark::NotPlayed {
                bar.marks.push((column, string, mark.to_string()));
            }
        }
        if is_rest(step) {
            // A rest stands in the middle of the staff, as in notation.
            bar.marks.push((column, step.marks.len() / 2, "r".to_owned()));
        }
        bar.chords.extend(step.chord.as_ref().map(|chord| (column, chord.to_string())));
    }
    let columns = columns.max(free) as usize;
    if columns.is_multiple_of(2) && columns >= 8 {
        bar.beats.push((start + columns / 2, "&".to_owned()));
    }
    bar.columns += columns;
}

fn is_rest(step: &Step) -> bool {
    step.marks.iter().all(|mark| *mark == Mark::NotPlayed)
}

/// Columns that the step takes, its chord symbol too.
fn width(step: &Step) -> usize {
    let marks = step.marks.iter().filter(|mark| **mark != Mark::NotPlayed);
    let chord = step.chord.iter().map(|chord| chord.to_string());
    let texts = marks.map(Mark::to_string).chain(chord);
    texts.map(|text| text.chars().count()).max().unwrap_or(1)
}

/// What plain-text tab cannot hold of the lick.
pub fn losses(lick: &Lick) -> Vec<String> {
    let mut losses = Vec::new();
    let mut tell = |applies: bool, what: &str| losses.extend(applies.then(|| what.to_owned()));
    tell(
        lick.steps.iter().any(|step| step.interval.is_some()),
        "tab has no place for the author's intervals: left out",
    );
    tell(lick.title.contains(char::is_control), "a heading holds no control characters");
    let division = Division::of(lick);
    let beat = division.map(|division| division.get() * 4 / u64::from(lick.meter.unit));
    let end = division.map(|d| lick.steps.iter().map(|step| d.step(step)).sum::<u64>());
    let (Some(division), Some(beat), Some(end)) = (division, beat, end) else {
        tell(true, "some lengths are too fine for columns: rounded");
        return losses;
    };
    tell(!end.is_multiple_of(beat), "tab ends with a whole beat: the last step is made longer");
    let mut start = 0;
    let mut parts: std::collections::BTreeMap<u64, u64> = std::collections::BTreeMap::new();
    for step in &lick.steps {
        let in_beat = parts.entry(start / beat).or_insert(1);
        *in_beat = lcm(*in_beat, beat / gcd(start % beat, beat)).unwrap_or(u64::MAX);
        start += division.step(step);
    }
    let fine = parts.values().any(|&parts| parts > WIDEST);
    tell(fine, "some lengths are too fine for columns: rounded");
    losses
}
