//! Plain-text tab: a line for each string, the highest on top, bars between strokes.

use crate::lick::Lick;
use crate::lick::facts::StepFacts;
use crate::lick::mark::Mark;

/// Draws the lick as tab of at most `width` characters a line, the numbers of the steps above.
///
/// A string that is not played is a dash; a held one keeps its `=`. A line that ends within a bar ends without
/// a bar line.
pub(super) fn tab(lick: &Lick, steps: &[StepFacts], width: usize) -> String {
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
            let end = if facts.bar == bar { "" } else { "|" };
            flush(&mut out, &mut rows, &names, margin, end);
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
    flush(&mut out, &mut rows, &names, margin, "|");
    out
}

/// Writes the rows, highest string first and ending in `end`, and empties them.
fn flush(out: &mut String, rows: &mut [String], names: &[String], margin: usize, end: &str) {
    if !out.is_empty() {
        out.push('\n');
    }
    let steps = rows[0].trim_end();
    out.push_str(&format!("{:margin$} {steps}\n", ""));
    for (name, row) in names.iter().zip(&rows[1..]).rev() {
        out.push_str(&format!("{name:<margin$}|{row}{end}\n"));
    }
    rows.iter_mut().for_each(String::clear);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lick::facts::explain_steps;

    #[test]
    fn a_line_that_ends_within_a_bar_has_no_bar_line_there() {
        let steps = "{ beats = 1, frets = \"x x x 12 12 x\" },\n".repeat(8);
        let text = format!(
            "title = \"t\"\nkey = \"C major\"\ntempo = 90\nmeter = \"4/4\"\nsteps = [\n{steps}]\n"
        );
        let lick = Lick::parse(&text, "t.toml").expect("a lick");
        let facts = explain_steps(&lick);
        let ends = |width| -> Vec<bool> {
            let drawn = tab(&lick, &facts, width);
            drawn
                .lines()
                .filter(|line| line.starts_with('G'))
                .map(|line| line.ends_with('|'))
                .collect()
        };
        assert_eq!(ends(80), [true]);
        // Four columns of four characters and three for what stands around them.
        assert_eq!(ends(4 * 4 + 3), [true, true]);
        assert_eq!(ends(3 * 4 + 3), [false, false, true]);
    }
}
