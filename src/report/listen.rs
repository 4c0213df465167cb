//! What sounds in a recording, strike by strike, without a lick to compare with.
//!
//! **Conventions.** A strike is named by the notes that were struck; what only rings on from
//! before is told apart. With no key to go by, notes are spelled with sharps, but where an interval or
//! a chord would not be what it is called.

use std::io;
use std::io::Write;

use serde::Serialize;

use super::json;
use super::json::Sounding;
use super::text;
use crate::engine::Strike;
use crate::engine::Take;
use crate::practice::matching::place;
use crate::practice::verdict::Pitch;
use crate::theory::names::Names;
use crate::theory::naming::name_sounding;
use crate::theory::note::MidiNote;
use crate::theory::note::Reference;
use crate::theory::spelling::Spelling;
use crate::units::Cents;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// Names are padded to this many characters: `augmented fourth` is the longest common one.
const NAME_WIDTH: usize = 17;

/// Writes one line a strike or hole and how many strikes there were.
///
/// # Errors
/// Whatever `out` fails with.
pub fn text(out: &mut impl Write, take: &Take, reference: Reference) -> io::Result<()> {
    let length_s = take.length.seconds(take.rate);
    if take.strikes.is_empty() && take.holes.is_empty() {
        return writeln!(out, "No strike in {length_s:.1} s.");
    }
    heading(out)?;
    let mut holes = take.holes.iter().peekable();
    for strike in &take.strikes {
        while let Some((at, lost)) = holes.next_if(|(at, _)| *at < strike.onset) {
            hole(out, *at, *lost, take.rate)?;
        }
        line(out, strike, take.rate, reference)?;
    }
    for (at, lost) in holes {
        hole(out, *at, *lost, take.rate)?;
    }
    let strikes = super::plural(take.strikes.len(), "strike");
    writeln!(out, "\n{strikes} in {length_s:.1} s.")
}

/// Writes the head of the table.
///
/// # Errors
/// Whatever `out` fails with.
pub fn heading(out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "{:>9}  {:<NAME_WIDTH$}  notes (cents)", "at", "sounds")?;
    writeln!(out, "{}", "─".repeat(9 + 2 + NAME_WIDTH + 2 + 13))
}

/// Writes the line of one strike.
///
/// # Errors
/// Whatever `out` fails with.
pub fn line(
    out: &mut impl Write,
    strike: &Strike,
    rate: SampleRate,
    reference: Reference,
) -> io::Result<()> {
    let heard = Heard::of(strike, rate, reference);
    let notes = heard.struck.iter().map(|(pitch, sure)| {
        let perhaps = if *sure { "" } else { "perhaps " };
        format!("{perhaps}{}", text::pitch(pitch, &heard.names))
    });
    let ringing = heard.ringing.iter().map(|pitch| text::ringing(pitch.note, &heard.names));
    let told: Vec<String> = notes.chain(ringing).collect();
    let (at, mut name) = (strike.onset.seconds(rate), heard.name());
    // A power chord on G reads like the note G5, and D7 like one too.
    if heard.struck.len() > 1 && name.parse::<Spelling>().is_ok() {
        name.push_str(" chord");
    }
    let line = format!("{at:>7.2} s  {name:<NAME_WIDTH$}  {}", told.join(", "));
    writeln!(out, "{}", line.trim_end())
}

/// Writes the line of a hole in the stream.
///
/// # Errors
/// Whatever `out` fails with.
pub fn hole(
    out: &mut impl Write,
    at: SampleIndex,
    lost: SampleCount,
    rate: SampleRate,
) -> io::Result<()> {
    writeln!(out, "{:>7.2} s  {:.2} s of sound were lost", at.seconds(rate), lost.seconds(rate))
}

/// Writes the document of `listen`.
///
/// # Errors
/// Whatever `out` fails with.
pub fn json(out: &mut impl Write, take: &Take, reference: Reference) -> io::Result<()> {
    let strikes = take
        .strikes
        .iter()
        .map(|strike| {
            let heard = Heard::of(strike, take.rate, reference);
            let struck = heard.struck.iter().map(|(pitch, sure)| StruckJson {
                sounding: json::sounding(pitch, &heard.names),
                doubtful: !sure,
            });
            let ringing = heard.ringing.iter().map(|pitch| json::sounding(pitch, &heard.names));
            StrikeJson {
                start_s: json::thousandths(strike.onset.seconds(take.rate)),
                end_s: json::thousandths(strike.end.seconds(take.rate)),
                name: (!heard.struck.is_empty()).then(|| heard.name()),
                notes: struck.collect(),
                ringing: ringing.collect(),
            }
        })
        .collect();
    let holes = take
        .holes
        .iter()
        .map(|(at, lost)| HoleJson {
            start_s: json::thousandths(at.seconds(take.rate)),
            length_s: json::thousandths(lost.seconds(take.rate)),
        })
        .collect();
    json::document(out, &Document { schema: json::SCHEMA, strikes, holes })
}

#[derive(Serialize)]
struct Document {
    schema: u32,
    strikes: Vec<StrikeJson>,
    /// Where samples never arrived.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    holes: Vec<HoleJson>,
}

#[derive(Serialize)]
struct HoleJson {
    start_s: f64,
    length_s: f64,
}

#[derive(Serialize)]
struct StrikeJson {
    start_s: f64,
    end_s: f64,
    name: Option<String>,
    notes: Vec<StruckJson>,
    ringing: Vec<Sounding>,
}

#[derive(Serialize)]
struct StruckJson {
    #[serde(flatten)]
    sounding: Sounding,
    /// More likely there than not, but not sure.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    doubtful: bool,
}

/// The notes of a strike, sorted by what they are; of those struck, whether they are sure.
struct Heard {
    struck: Vec<(Pitch, bool)>,
    ringing: Vec<Pitch>,
    /// How they are written.
    names: Names,
}

impl Heard {
    fn of(strike: &Strike, rate: SampleRate, reference: Reference) -> Self {
        let pitch = |(note, sure)| Some((place(note, reference, Cents(0.0))?, sure));
        let mut struck: Vec<(Pitch, bool)> = strike.likely_struck(rate).filter_map(pitch).collect();
        struck.sort_by_key(|(pitch, _)| pitch.note);
        let is_struck = |pitch: &Pitch| struck.iter().any(|(other, _)| other.note == pitch.note);
        let ringing = strike.notes.iter().filter_map(|note| place(note, reference, Cents(0.0)));
        let ringing = ringing.filter(|pitch| !is_struck(pitch)).collect();
        let names = Names::of(&[notes(&struck)], None, None);
        Self { struck, ringing, names }
    }

    fn name(&self) -> String {
        if self.struck.is_empty() {
            return "no clear note".to_owned();
        }
        name_sounding(&notes(&self.struck), &self.names)
    }
}

fn notes(struck: &[(Pitch, bool)]) -> Vec<MidiNote> {
    struck.iter().map(|(pitch, _)| pitch.note).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::HeardPitch;
    use crate::engine::Stage;
    use crate::units::Decibels;
    use crate::units::Hertz;
    use crate::units::SampleCount;
    use crate::units::SampleIndex;
    use serde_json::Value;
    use serde_json::json;

    /// A minor sixth (F#4 and D5) over an A2 still ringing, then a bump without a note.
    fn take() -> Take {
        let rate = SampleRate::new(1000).expect("not zero");
        let heard = |hz: f64, struck: bool| HeardPitch {
            frequency: Hertz::new(hz).expect("positive"),
            error_cents: Some(0.3),
            stiffness: None,
            level: Decibels(-20.0),
            struck_odds: if struck { 6.0 } else { -4.0 },
            likely: true,
            rang: false,
            lasting: None,
            grace: None,
            confidence: 1.0,
        };
        let strike = |onset: u64, end: u64, notes: Vec<HeardPitch>| Strike {
            doubtful: Vec::new(),
            faint: Vec::new(),
            later: Vec::new(),
            combined: Vec::new(),
            onset: SampleIndex(onset),
            end: SampleIndex(end),
            stage: Stage::Whole,
            notes,
        };
        let sixth = vec![heard(110.0, false), heard(370.3, true), heard(587.33, true)];
        Take {
            rate,
            length: SampleCount(2500),
            strikes: vec![strike(510, 1020, sixth), strike(1020, 1300, Vec::new())],
            unclear: Vec::new(),
            holes: Vec::new(),
            clipped: SampleCount(0),
        }
    }

    #[test]
    fn a_strike_is_named_by_what_was_struck() {
        let mut out = Vec::new();
        text(&mut out, &take(), Reference::default()).expect("a vector takes all bytes");
        let expected = "       at  sounds             notes (cents)
───────────────────────────────────────────
   0.51 s  minor sixth        F#4 +1 ±1, D5 +0 ±1, (A2 rings)
   1.02 s  no clear note

2 strikes in 2.5 s.
";
        let found = String::from_utf8(out).expect("UTF-8");
        assert_eq!(found, expected, "found:\n{found}");
    }

    #[test]
    fn what_is_missing_stands_among_what_sounds() {
        let told = |take: &Take| {
            let mut out = Vec::new();
            text(&mut out, take, Reference::default()).expect("a vector takes all bytes");
            String::from_utf8(out).expect("UTF-8")
        };
        let mut take = take();
        take.holes =
            vec![(SampleIndex(600), SampleCount(250)), (SampleIndex(2000), SampleCount(500))];
        let text = told(&take);
        let rows: Vec<&str> = text.lines().skip(2).take(4).map(|row| &row[..20]).collect();
        assert_eq!(
            rows,
            [
                "   0.51 s  minor six",
                "   0.60 s  0.25 s of",
                "   1.02 s  no clear ",
                "   2.00 s  0.50 s of"
            ]
        );
        take.strikes.clear();
        assert!(told(&take).contains("   2.00 s  0.50 s of sound were lost\n"), "{}", told(&take));
    }

    /// G2, D3 and G3 (97.999, 146.832 and 195.998 Hz, ISO 16) are a chord that is called G5, as a note is.
    #[test]
    fn a_chord_does_not_read_like_a_note() {
        let mut take = take();
        let note = take.strikes[0].notes[1];
        let heard = |hz| HeardPitch { frequency: Hertz::new(hz).expect("positive"), ..note };
        take.strikes[0].notes = vec![heard(97.999), heard(146.832), heard(195.998)];
        take.strikes[1].notes = vec![heard(783.991)];
        let mut out = Vec::new();
        text(&mut out, &take, Reference::default()).expect("a vector takes all bytes");
        let found = String::from_utf8(out).expect("UTF-8");
        assert!(found.contains("0.51 s  G5 chord           G2 +0 ±1, D3"), "found:\n{found}");
        assert!(found.contains("1.02 s  G5                 G5 +0 ±1\n"), "found:\n{found}");
    }

    /// C#–G is a diminished fifth, Bb–D a major third, Eb G Bb the chord of Eb (any book on harmony); their
    /// frequencies are by ISO 16.
    #[test]
    fn notes_are_written_so_that_they_are_what_they_are_called() {
        let rows = [
            (vec![277.183, 391.995], "diminished fifth", "C#4 +0 ±1, G4 +0 ±1"),
            (vec![233.082, 293.665], "major third", "Bb3 +0 ±1, D4 +0 ±1"),
            (vec![155.563, 195.998, 233.082], "Eb", "Eb3 +0 ±1, G3 +0 ±1, Bb3 +0 ±1"),
            (vec![466.164], "A#4", "A#4 +0 ±1"),
        ];
        for (frequencies, name, notes) in rows {
            let mut take = take();
            let heard = take.strikes[0].notes[1];
            let heard = |hz| HeardPitch { frequency: Hertz::new(hz).expect("positive"), ..heard };
            take.strikes[0].notes = frequencies.into_iter().map(heard).collect();
            let mut out = Vec::new();
            text(&mut out, &take, Reference::default()).expect("a vector takes all bytes");
            let found = String::from_utf8(out).expect("UTF-8");
            let row = format!("0.51 s  {name:<17}  {notes}\n");
            assert!(found.contains(&row), "found:\n{found}");
            let mut out = Vec::new();
            json(&mut out, &take, Reference::default()).expect("a vector takes all bytes");
            let found: Value = serde_json::from_slice(&out).expect("one JSON document");
            let first = notes.split(' ').next();
            assert_eq!(found["strikes"][0]["notes"][0]["note"].as_str(), first);
        }
    }

    /// A perhaps A#4 (466.16 Hz, ISO 16) beside notes that are sure, and one alone, and what hardly sounds. Thirds from
    /// F#4 up to D5 are written Gb Bb D: F# A# C## would be the same.
    #[test]
    fn a_doubtful_note_is_told_as_such() {
        let mut take = take();
        let doubtful = |hz, confidence, struck_odds| HeardPitch {
            frequency: Hertz::new(hz).expect("positive"),
            confidence,
            struck_odds,
            ..take.strikes[0].notes[1]
        };
        let told = [doubtful(466.16, 0.8, 3.0), doubtful(311.13, 0.2, -3.0)];
        take.strikes.iter_mut().for_each(|strike| strike.doubtful.extend(told));
        let mut out = Vec::new();
        text(&mut out, &take, Reference::default()).expect("a vector takes all bytes");
        let found = String::from_utf8(out).expect("UTF-8");
        assert!(found.contains("Gb4 +1 ±1, perhaps Bb4 +0 ±1, D5 +0 ±1, (A2"), "found:\n{found}");
        assert!(
            found.contains("1.02 s  A#4                perhaps A#4 +0 ±1\n"),
            "found:\n{found}"
        );
        let mut out = Vec::new();
        json(&mut out, &take, Reference::default()).expect("a vector takes all bytes");
        let found: Value = serde_json::from_slice(&out).expect("one JSON document");
        assert_eq!(found["strikes"][0]["notes"][1]["doubtful"], true);
        assert_eq!(found["strikes"][1]["notes"].as_array().map(Vec::len), Some(1));
    }

    /// The example in the contract of the JSON output. F#4 lies at 440 · 2^(−3/12) = 369.994 Hz
    /// (ISO 16), so 370.3 Hz is 1.43 cents sharp.
    #[test]
    fn the_document_has_the_promised_members() {
        let mut out = Vec::new();
        json(&mut out, &take(), Reference::default()).expect("a vector takes all bytes");
        let found: Value = serde_json::from_slice(&out).expect("one JSON document");
        assert_eq!(found["schema"], 1);
        let strike = &found["strikes"][0];
        assert_eq!(
            (&strike["start_s"], &strike["end_s"], &strike["name"]),
            (&json!(0.51), &json!(1.02), &json!("minor sixth"))
        );
        let f_sharp =
            json!({ "note": "F#4", "midi": 66, "hz": 370.3, "cents": 1.43, "cents_error": 0.3 });
        assert_eq!(strike["notes"][0], f_sharp);
        assert_eq!(strike["notes"].as_array().map(Vec::len), Some(2));
        assert_eq!(strike["ringing"][0]["note"], "A2");
        assert_eq!(found["strikes"][1]["name"], Value::Null);
        assert_eq!(found["strikes"][1]["notes"], json!([]));
    }
}
