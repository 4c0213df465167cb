//! Plain-text tab: a line for each string, the highest on top, bars between strokes.

use crate::lick::Lick;
use crate::lick::facts::StepFacts;
use crate::lick::mark::Mark;

/// Draws the lick as tab of at most `width` characters a line, the numbers of the steps above.
///
/// A string that is not played is a dash; a held one keeps its `=`.
pub fn tab(lick: &Lick, steps: &[StepFacts], width: usize) -> String {
    let names: Vec<String> = lick.open_names().iter().map(|open| open.name.to_string()).collect();
    let margin = names.iter().map(String::len).max().unwrap_or(0);

    let mut out = String::new();
    let mut rows = vec![String::new(); names.len() + 1];
    let mut bar = 1;
    for (step, facts) in lick.steps.iter().zip(steps) {
        let mut column: Vec<String> = vec![facts.number.to_string()];
        column.extend(step.marks.iter().map(|mark| match mark {
            Mark::NotPlayed => "-".to_owned(),
            played => played.to_string(),
        }));
        let column_width = column.iter().map(String::len).max().unwrap_or(0) + 2;
        if !rows[0].is_empty() && margin + rows[1].chars().count() + column_width + 2 > width {
            flush(&mut out, &mut rows, &names, margin);
        } else if facts.bar != bar && !rows[0].is_empty() {
            rows[0].push(' ');
            rows[1..].iter_mut().for_each(|row| row.push('|'));
        }
        bar = facts.bar;
        for (index, (row, cell)) in rows.iter_mut().zip(&column).enumerate() {
            let fill = if index == 0 { ' ' } else { '-' };
            row.push(fill);
            row.push_str(cell);
            row.extend(std::iter::repeat_n(fill, column_width - 1 - cell.len()));
        }
    }
    flush(&mut out, &mut rows, &names, margin);
    out
}

/// Writes the rows, highest string first, and empties them.
fn flush(out: &mut String, rows: &mut [String], names: &[String], margin: usize) {
    if !out.is_empty() {
        out.push('\n');
    }
    let steps = rows[0].trim_end();
    out.push_str(&format!("{:margin$} {steps}\n", ""));
    for (name, row) in names.iter().zip(&rows[1..]).rev() {
        out.push_str(&format!("{name:<margin$}|{row}|\n"));
    }
    rows.iter_mut().for_each(String::clear);
}
