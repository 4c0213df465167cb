//! What the reports on tuning, intonation and neck have in common: plucks that were not taken,
//! cautions, numbers.

use std::io;
use std::io::Write;

use serde::Serialize;

use super::json;
use crate::practice::pluck::Fault;
use crate::practice::tuning::Refused;
use crate::theory::fretboard::StringNumber;
use crate::theory::note::MidiNote;
use crate::theory::note::Reference;
use crate::theory::spelling::Spelling;

/// Before anyone turns a peg.
pub const CARE_TUNING: &str = "Turn the peg in small steps, and keep your eyes away from a string \
    that is being tightened: it may break.";

/// Before anyone moves a saddle.
pub const CARE_SADDLE: &str = "Slacken the string before its saddle is moved, go in small steps, tune \
    and measure again. Keep your eyes away from a string that is being tightened: it may break. \
    Nut, frets, truss rod and anything glued are work for a luthier.";

/// What is wrong with a pluck, and what to do about it, as one sentence without a full stop.
pub fn fault(fault: Fault, reference: Reference) -> String {
    match fault {
        Fault::Short { lasted_s } => {
            format!("sounded for {lasted_s:.1} s only: let it ring for two seconds")
        }
        Fault::Drifting { moved } => format!(
            "its pitch moved by {:.1} cents: pluck gently, hold the string still",
            moved.0.abs()
        ),
        Fault::Buzzing => "it rattled: press right behind the fret, pluck gently".to_owned(),
        Fault::Wrong { heard } => match reference.nearest(heard) {
            Some((note, cents)) => {
                // Through an integer, so that −0.4 prints as `+0`.
                let cents = cents.0.round() as i64;
                format!("{} {cents:+} cents is no note asked for", name(note))
            }
            None => format!("{:.1} Hz is no note asked for", heard.get()),
        },
        Fault::Pressed { sharper } => {
            format!("{:.1} cents sharper than the others: press lightly, straight down", sharper.0)
        }
        Fault::Unlike { sharper } => format!(
            "{:.1} cents {} than the others of this string",
            sharper.0.abs(),
            if sharper.0 > 0.0 { "sharper" } else { "flatter" }
        ),
    }
}

/// A line for a pluck that was not taken.
pub fn refused(refused: &Refused, reference: Reference) -> String {
    let string = refused.string.map_or(String::new(), |StringNumber(n)| format!("string {n}: "));
    format!("{:>7.2} s  {string}{}", refused.at_s, advice(refused, reference))
}

/// What is wrong with a pluck that was not taken, and what to do about it.
fn advice(refused: &Refused, reference: Reference) -> String {
    let octave = match (refused.string, refused.fault) {
        (Some(_), Fault::Wrong { .. }) => {
            " but an octave above the open string: a harmonic, or the twelfth fret? Play it open"
        }
        _ => "",
    };
    format!("{}{octave}", fault(refused.fault, reference))
}

/// So many short sounds of no string are told one by one: more of them are talk, or hands.
const MOST_SHORT: usize = 3;

/// The lines for all plucks that were not taken, if there are any, under a heading.
pub(super) fn all_refused(
    out: &mut impl Write,
    all: &[Refused],
    reference: Reference,
) -> io::Result<()> {
    if !all.is_empty() {
        writeln!(out, "\nNot taken, play these again:")?;
    }
    let mut n_short = 0;
    for one in all {
        let is_passing = one.string.is_none() && matches!(one.fault, Fault::Short { .. });
        n_short += usize::from(is_passing);
        if !is_passing || n_short <= MOST_SHORT {
            writeln!(out, "{}", refused(one, reference))?;
        }
    }
    if n_short > MOST_SHORT {
        let more = super::plural(n_short - MOST_SHORT, "short sound");
        writeln!(out, "           and {more} more, of hands or talk perhaps")?;
    }
    Ok(())
}

fn name(note: MidiNote) -> String {
    Spelling::sharp(note).to_string()
}

/// `-0.0` is written as `+0.0`.
pub(super) fn signed(cents: f64) -> String {
    format!("{:+.1}", (cents * 10.0).round() / 10.0 + 0.0)
}

/// Rounded up, so that no measurement is ever told as exact.
pub(super) fn error(cents: f64) -> String {
    format!("±{:.1}", (cents * 10.0).ceil().max(1.0) / 10.0)
}

#[derive(Serialize)]
pub(super) struct RefusedJson {
    at_s: f64,
    string: Option<u8>,
    fault: &'static str,
    advice: String,
}

pub(super) fn refused_json(all: &[Refused], reference: Reference) -> Vec<RefusedJson> {
    let one = |refused: &Refused| RefusedJson {
        at_s: json::thousandths(refused.at_s),
        string: refused.string.map(|string| string.0),
        fault: match refused.fault {
            Fault::Short { .. } => "short",
            Fault::Drifting { .. } => "drifting",
            Fault::Buzzing => "buzzing",
            Fault::Wrong { .. } => "wrong note",
            Fault::Pressed { .. } => "pressed",
            Fault::Unlike { .. } => "unlike the others",
        },
        advice: advice(refused, reference),
    };
    all.iter().map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Hertz;

    #[test]
    fn talk_makes_no_long_list() {
        let short = Fault::Short { lasted_s: 0.2 };
        let at = |at_s: f64| Refused { at_s, string: None, fault: short };
        let heard = Hertz::new(233.0).expect("positive");
        let other = Refused { at_s: 9.0, string: None, fault: Fault::Wrong { heard } };
        let named = Refused { at_s: 8.0, string: Some(StringNumber(4)), fault: short };
        let all = [at(1.0), at(2.0), at(3.0), at(4.0), at(5.0), named, other];
        let mut out = Vec::new();
        all_refused(&mut out, &all, Reference::default()).expect("a vector takes all bytes");
        let text = String::from_utf8(out).expect("UTF-8");
        let lines: Vec<&str> = text.lines().skip(2).collect();
        assert_eq!(lines.len(), 6, "{text}");
        assert!(lines[2].contains("3.00 s") && lines[3].contains("string 4"), "{text}");
        assert!(lines[5].ends_with("and 2 short sounds more, of hands or talk perhaps"), "{text}");
    }

    #[test]
    fn plucks_of_two_recordings_are_two_even_at_one_time() {
        let one = Refused { at_s: 1.0, string: Some(StringNumber(4)), fault: Fault::Buzzing };
        let mut out = Vec::new();
        all_refused(&mut out, &[one.clone(), one], Reference::default()).expect("a vector");
        let text = String::from_utf8(out).expect("UTF-8");
        assert_eq!(text.matches("1.00 s  string 4: it rattled").count(), 2, "{text}");
    }
}
