//! An explanation as a page of text.

use std::io;
use std::io::Write;

use super::super::plural;
use super::tab::tab;
use super::words;
use crate::lick::Lick;
use crate::lick::explanation::Explanation;
use crate::lick::facts::Moment;
use crate::lick::facts::StepFacts;
use crate::lick::facts::Truth;
use crate::lick::place::escaped;
use crate::theory::chord::Role;
use crate::theory::naming::ChordName;

/// Characters in a line of tab or of the table.
const WIDTH: usize = 96;
/// Other places told of one step; JSON has them all.
const MOST_PLACES: usize = 3;

/// Writes the explanation: tab, no wider than `width`, a table of the steps, then what there is to say
/// of claims, runs, hard spots and other places.
///
/// # Errors
/// Whatever `out` fails with.
pub fn text(
    out: &mut impl Write,
    lick: &Lick,
    explanation: &Explanation,
    width: Option<usize>,
) -> io::Result<()> {
    heading(out, lick)?;
    write!(out, "\n{}", tab(lick, &explanation.steps, width.unwrap_or(WIDTH).min(WIDTH)))?;
    writeln!(out)?;
    table(out, &explanation.steps)?;
    claims(out, lick, &explanation.steps)?;
    section(out, "Parallel runs", explanation.runs.iter().map(words::run))?;
    hard_spots(out, explanation)?;
    section(out, "Harmonics", explanation.steps.iter().filter_map(words::harmonics))?;
    places(out, lick, explanation)
}

fn heading(out: &mut impl Write, lick: &Lick) -> io::Result<()> {
    writeln!(out, "{}", escaped(&lick.title))?;
    let open: Vec<_> = lick.open_names().iter().map(ToString::to_string).collect();
    write!(
        out,
        "{}, {} quarter notes a minute, {}/{}{}, tuned {}",
        lick.key,
        lick.tempo_bpm,
        lick.meter.count,
        lick.meter.unit,
        lick.swing.map_or(String::new(), |swing| format!(", eighths swung {swing}")),
        open.join(" ")
    )?;
    match lick.capo {
        0 => writeln!(out),
        capo => writeln!(out, ", capo at fret {capo} (frets are counted from it)"),
    }
}

fn table(out: &mut impl Write, steps: &[StepFacts]) -> io::Result<()> {
    let lines: Vec<[String; 6]> = steps.iter().flat_map(lines).collect();
    let heads = ["step", "bar", "beat", "notes", "together", "in the chord"];
    let widths: Vec<usize> = (0..heads.len())
        .map(|i| {
            let cells = lines.iter().map(|line| line[i].chars().count());
            cells.chain([heads[i].len()]).max().unwrap_or(0)
        })
        .collect();
    let row = |cells: [&str; 6]| {
        let line: Vec<String> = cells
            .iter()
            .zip(&widths)
            .enumerate()
            .map(|(i, (cell, &width))| match i {
                0 | 1 => format!("{cell:>width$}"),
                _ => format!("{cell:<width$}"),
            })
            .collect();
        line.join("  ").trim_end().to_owned()
    };
    writeln!(out, "{}", row(heads))?;
    writeln!(out, "{}", "─".repeat(widths.iter().sum::<usize>() + 2 * (widths.len() - 1)))?;
    for line in &lines {
        writeln!(out, "{}", row(line.each_ref().map(String::as_str)))?;
    }
    Ok(())
}

/// The lines of one step in the table: one for the strike, one for every later moment.
fn lines(step: &StepFacts) -> Vec<[String; 6]> {
    let beat = format!("{:.2}", step.beat);
    let beat = beat.trim_end_matches('0').trim_end_matches('.').to_owned();
    let place = [step.number.to_string(), step.bar.to_string(), beat];
    if step.moments.is_empty() {
        let [number, bar, beat] = place;
        return vec![[number, bar, beat, "rest".to_owned(), String::new(), String::new()]];
    }
    let later = || [String::new(), String::new(), "then".to_owned()];
    step.moments
        .iter()
        .enumerate()
        .map(|(index, moment)| {
            let [number, bar, beat] = if index == 0 { place.clone() } else { later() };
            [number, bar, beat, notes(moment), together(moment), roles(step, moment)]
        })
        .collect()
}

fn notes(moment: &Moment) -> String {
    let notes: Vec<_> = moment.notes.iter().map(|note| note.spelling.to_string()).collect();
    notes.join(" ")
}

fn together(moment: &Moment) -> String {
    match &moment.intervals[..] {
        [] => String::new(),
        [interval] => format!("{} {interval}", moment.name),
        intervals => {
            let each: Vec<_> = intervals.iter().map(ToString::to_string).collect();
            let inversion = match moment.chord.as_ref().and_then(ChordName::inversion) {
                Some(1) => ", first inversion",
                Some(2) => ", second inversion",
                Some(3) => ", third inversion",
                _ => "",
            };
            format!("{}{inversion} ({})", moment.name, each.join(" "))
        }
    }
}

fn roles(step: &StepFacts, moment: &Moment) -> String {
    let Some(harmony) = &step.harmony else {
        return String::new();
    };
    let roles: Vec<Role> = moment.notes.iter().filter_map(|note| note.role).collect();
    let told: Vec<_> = roles
        .iter()
        .map(|role| if role.in_chord { role.to_string() } else { format!("({role})") })
        .collect();
    let has_root = roles.iter().any(|role| role.interval.number() == 1);
    let rootless = roles.len() > 2 && !has_root && roles.iter().all(|role| role.in_chord);
    let without = if rootless { "; no root" } else { "" };
    format!("{harmony}: {}{without}", told.join(", "))
}

fn claims(out: &mut impl Write, lick: &Lick, steps: &[StepFacts]) -> io::Result<()> {
    let claims: Vec<_> = steps.iter().filter_map(|s| Some((s, s.claim?))).collect();
    if claims.is_empty() {
        return Ok(());
    }
    let n_false = claims.iter().filter(|(_, claim)| claim.truth == Truth::False).count();
    let verdict = match (n_false, claims.len()) {
        (0, 1) => "The author's one claim is true.".to_owned(),
        (0, all) => format!("All {all} claims of the author are true."),
        (wrong, all) => {
            let are = if wrong == 1 { "is" } else { "are" };
            format!("Of the author's {}, {wrong} {are} not true.", plural(all, "claim"))
        }
    };
    let told = claims.iter().filter_map(|(step, claim)| {
        Some(format!("step {}: {}", step.number, words::claim(step, *claim, lick.key)?))
    });
    section(out, "Claims", [verdict].into_iter().chain(told))
}

fn hard_spots(out: &mut impl Write, explanation: &Explanation) -> io::Result<()> {
    let spots = &explanation.hard_spots;
    let told = spots.iter().map(|spot| format!("step {}: {}", spot.step, words::hardship(spot)));
    let care = (!spots.is_empty()).then(|| words::CARE.to_owned());
    section(out, "Hard at this tempo", told.chain(care))
}

fn places(out: &mut impl Write, lick: &Lick, explanation: &Explanation) -> io::Result<()> {
    let told = explanation.steps.iter().zip(&explanation.places).filter_map(|(step, places)| {
        let told: Vec<String> = places
            .iter()
            .take(MOST_PLACES)
            .map(|place| match words::reach(place) {
                reach if reach.is_empty() => words::column(place, lick),
                reach => format!("{} ({reach})", words::column(place, lick)),
            })
            .collect();
        (!told.is_empty()).then(|| format!("step {}: {}", step.number, told.join(" · ")))
    });
    section(out, "Elsewhere on the neck (and how far the hand moves from the step before)", told)
}

/// A title and its lines; nothing where there are no lines.
fn section(
    out: &mut impl Write,
    title: &str,
    lines: impl Iterator<Item = String>,
) -> io::Result<()> {
    let mut lines = lines.peekable();
    if lines.peek().is_none() {
        return Ok(());
    }
    writeln!(out, "\n{title}")?;
    lines.try_for_each(|line| writeln!(out, "  {line}"))
}
