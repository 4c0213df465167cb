//! What a repair changes, line by line, before anything is written.

use std::io;
use std::io::Write;

use serde::Serialize;

use super::super::json::SCHEMA;
use super::super::json::document;
use crate::lick::place::escaped;
use crate::lick::repair::Repaired;

/// Writes every changed line as it was and as it would be, and why.
///
/// # Errors
/// Whatever `out` fails with.
pub fn text(out: &mut impl Write, original: &str, repaired: &Repaired) -> io::Result<()> {
    if repaired.repairs.is_empty() {
        return writeln!(out, "There is nothing to repair.");
    }
    let lines = original.lines().zip(repaired.text.lines()).enumerate();
    for (index, (before, after)) in lines.filter(|(_, (before, after))| before != after) {
        let line = index + 1;
        let why: Vec<_> = repaired
            .repairs
            .iter()
            .filter(|repair| repair.line == line)
            .map(|repair| repair.why.as_str())
            .collect();
        let why = escaped(&why.join("; "));
        writeln!(out, "line {line}: {why}\n- {}\n+ {}", escaped(before), escaped(after))?;
    }
    Ok(())
}

/// Writes the repairs of `file` as the document of `explain --fix`.
///
/// # Errors
/// Whatever `out` fails with.
pub fn json(
    out: &mut impl Write,
    file: &str,
    repaired: &Repaired,
    is_written: bool,
) -> io::Result<()> {
    let repairs = repaired.repairs.iter().map(|repair| Repair {
        line: repair.line,
        before: &repair.before,
        after: &repair.after,
        why: &repair.why,
    });
    let repairs = repairs.collect();
    document(out, &Document { schema: SCHEMA, file, repairs, written: is_written })
}

#[derive(Serialize)]
struct Document<'a> {
    schema: u32,
    file: &'a str,
    repairs: Vec<Repair<'a>>,
    written: bool,
}

#[derive(Serialize)]
struct Repair<'a> {
    line: usize,
    before: &'a str,
    after: &'a str,
    why: &'a str,
}
