//! What sounds in a recording, strike by strike, without a lick to compare with.
//!
//! **Conventions.** A strike is named by the notes that were struck; what only rings on from
//! before is told apart. With no key to go by, notes are spelled with sharps, but where an interval or
//! a chord would not be what it is called. What a note came from (a grace note) and what it became
//! without another strike is told with it.

mod heard;

use std::io;
use std::io::Write;

use serde::Serialize;

use super::json;
use super::json::Sounding;
use super::text;
use crate::engine::Strike;
use crate::engine::Take;
use crate::practice::led::Follower;
use crate::practice::talk::are_played;
use crate::theory::names::Names;
use crate::theory::note::Reference;
use crate::theory::spelling::Spelling;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;
use heard::Heard;
use heard::Struck;

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
    for (strike, heard) in heard_in(take, reference) {
        while let Some((at, lost)) = holes.next_if(|(at, _)| *at < strike.onset) {
            hole(out, *at, *lost, take.rate)?;
        }
        line(out, strike, &heard, take.rate)?;
    }
    for (at, lost) in holes {
        hole(out, *at, *lost, take.rate)?;
    }
    let strikes = super::plural(take.strikes.len(), "strike");
    writeln!(out, "\n{strikes} in {length_s:.1} s.")
}

/// Every strike of a take and what is heard in it.
fn heard_in(take: &Take, reference: Reference) -> impl Iterator<Item = (&Strike, Heard)> {
    let mut follower = Follower::default();
    let strikes = take.strikes.iter().zip(are_played(&take.strikes));
    strikes.map(move |(strike, is_played)| {
        let follower = is_played.then_some(&mut follower);
        (strike, Heard::of(strike, take.rate, reference, follower))
    })
}

/// Writes the head of the table.
///
/// # Errors
/// Whatever `out` fails with.
pub fn heading(out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "{:>9}  {:<NAME_WIDTH$}  notes (cents)", "at", "sounds")?;
    writeln!(out, "{}", "─".repeat(9 + 2 + NAME_WIDTH + 2 + 13))
}

/// Writes a line a strike as they come.
#[derive(Debug)]
pub struct Lines {
    rate: SampleRate,
    reference: Reference,
    follower: Follower,
    strikes: Vec<Strike>,
}

impl Lines {
    /// For a stream at `rate`.
    pub fn new(rate: SampleRate, reference: Reference) -> Self {
        Self { rate, reference, follower: Follower::default(), strikes: Vec::new() }
    }

    /// Writes the line of the next strike, or of the last one as it is known by now.
    ///
    /// # Errors
    /// Whatever `out` fails with.
    pub fn write(&mut self, out: &mut impl Write, strike: &Strike) -> io::Result<()> {
        self.strikes.pop_if(|last| last.onset == strike.onset);
        self.strikes.push(strike.clone());
        let is_played = are_played(&self.strikes).last() == Some(&true);
        let follower = is_played.then_some(&mut self.follower);
        line(out, strike, &Heard::of(strike, self.rate, self.reference, follower), self.rate)
    }
}

fn line(out: &mut impl Write, strike: &Strike, heard: &Heard, rate: SampleRate) -> io::Result<()> {
    let notes = heard.struck.iter().map(|note| {
        let perhaps = if note.is_sure { "" } else { "perhaps " };
        let way = way(note, &heard.names, |at| at.seconds(rate) - strike.onset.seconds(rate));
        format!("{perhaps}{}{way}", text::pitch(&note.pitch, &heard.names))
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

/// What a note came from and what it became; `after_s` tells how long after the strike.
fn way(note: &Struck, names: &Names, after_s: impl Fn(SampleIndex) -> f64) -> String {
    let from = note.from.map(|(from, is_sure)| {
        let perhaps = if is_sure { "" } else { "perhaps " };
        format!("{perhaps}from {}", names.spell(from))
    });
    let to = note
        .later
        .iter()
        .map(|(pitch, at)| format!("to {} after {:.2} s", text::pitch(pitch, names), after_s(*at)));
    let told: Vec<String> = from.into_iter().chain(to).collect();
    if told.is_empty() { String::new() } else { format!(" ({})", told.join(", ")) }
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
    let strikes = heard_in(take, reference)
        .map(|(strike, heard)| {
            let seconds = |at: SampleIndex| json::thousandths(at.seconds(take.rate));
            let struck = heard.struck.iter().map(|note| StruckJson {
                sounding: json::sounding(&note.pitch, &heard.names),
                doubtful: !note.is_sure,
                start_s: note.start.map(seconds),
                from: note.from.map(|(from, is_sure)| FromJson {
                    note: heard.names.spell(from).to_string(),
                    midi: from.0,
                    doubtful: !is_sure,
                }),
                later: { note.later.iter() }
                    .map(|(pitch, at)| LaterJson {
                        sounding: json::sounding(pitch, &heard.names),
                        start_s: seconds(*at),
                    })
                    .collect(),
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
    /// When it was reached, if that was after the strike.
    #[serde(skip_serializing_if = "Option::is_none")]
    start_s: Option<f64>,
    /// The note that its string came from: of a grace note no more is known of the pitch.
    #[serde(skip_serializing_if = "Option::is_none")]
    from: Option<FromJson>,
    /// What it became without another strike.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    later: Vec<LaterJson>,
}

#[derive(Serialize)]
struct FromJson {
    note: String,
    midi: u8,
    /// Perhaps it was struck by itself.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    doubtful: bool,
}

#[derive(Serialize)]
struct LaterJson {
    #[serde(flatten)]
    sounding: Sounding,
    start_s: f64,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Grace;
    use crate::engine::HeardPitch;
    use crate::engine::LaterNote;
    use crate::engine::Stage;
    use crate::units::Decibels;
    use crate::units::Hertz;
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
            unison: None,
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

    fn told(take: &Take) -> (String, Value) {
        let (mut out, mut document) = (Vec::new(), Vec::new());
        text(&mut out, take, Reference::default()).expect("a vector takes all bytes");
        json(&mut document, take, Reference::default()).expect("a vector takes all bytes");
        let document = serde_json::from_slice(&document).expect("one JSON document");
        (String::from_utf8(out).expect("UTF-8"), document)
    }

    /// The first strike, its F#4 from E4 (329.628 Hz, ISO 16; a grace note is known roughly) and on to G4 (391.995).
    fn moving() -> Take {
        let mut take = take();
        let f_sharp = &mut take.strikes[0].notes[1];
        let from = Hertz::new(329.9);
        f_sharp.grace = Some(Grace { frequency: from, until: SampleIndex(560) });
        let g = HeardPitch { frequency: Hertz::new(391.995).expect("positive"), ..*f_sharp };
        take.strikes[0].later = vec![LaterNote { pitch: g, start: SampleIndex(760) }];
        take
    }

    #[test]
    fn a_note_is_told_with_what_it_came_from_and_where_it_led() {
        let (text, document) = told(&moving());
        let row = "F#4 +1 ±1 (from E4, to G4 +0 ±1 after 0.25 s), D5 +0 ±1, (A2 rings)\n";
        assert!(text.contains(row), "found:\n{text}");
        let strike = &document["strikes"][0];
        assert_eq!(strike["name"], "minor sixth", "as it was named before");
        let f_sharp = json!({
            "note": "F#4", "midi": 66, "hz": 370.3, "cents": 1.43, "cents_error": 0.3,
            "start_s": 0.56, "from": { "note": "E4", "midi": 64 },
            "later": [{
                "note": "G4", "midi": 67, "hz": 391.995, "cents": 0.0, "cents_error": 0.3, "start_s": 0.76
            }],
        });
        assert_eq!(strike["notes"][0], f_sharp);
        let d = strike["notes"][1].as_object().expect("a note");
        assert_eq!(d.keys().collect::<Vec<_>>(), ["note", "midi", "hz", "cents", "cents_error"]);
    }

    #[test]
    fn of_what_is_not_sure_no_move_is_told() {
        let is_moving = |take: &Take| {
            let (text, document) = told(take);
            let note = &document["strikes"][0]["notes"][0];
            assert!(text.contains("F#4 +1"), "found:\n{text}");
            text.contains("(from") || text.contains("to G4") || note.get("later").is_some()
        };
        assert!(is_moving(&moving()));
        let mut perhaps = moving();
        let f_sharp = perhaps.strikes[0].notes.remove(1);
        perhaps.strikes[0].doubtful =
            vec![HeardPitch { confidence: 0.8, struck_odds: 3.0, ..f_sharp }];
        assert!(told(&perhaps).0.contains("perhaps F#4"));
        assert!(!is_moving(&perhaps));
        // A voice: no pitch of it holds still.
        let mut said = moving();
        for strike in &mut said.strikes {
            strike.notes.iter_mut().for_each(|note| note.error_cents = Some(20.0));
        }
        assert!(!is_moving(&said));
    }

    /// C4, E4 and D4 at 261.626, 329.628 and 293.665 Hz (ISO 16): of a double stop one string is hammered on, softer.
    fn hammered() -> Take {
        let mut take = take();
        let [rings, note] = [take.strikes[0].notes[0], take.strikes[0].notes[1]];
        let at = |hz, note: HeardPitch| HeardPitch {
            frequency: Hertz::new(hz).expect("positive"),
            ..note
        };
        let soft = HeardPitch { level: Decibels(-21.0), struck_odds: 10.0, ..note };
        take.strikes[0].notes = vec![at(261.626, note), at(329.628, note)];
        take.strikes[1].notes = vec![at(293.665, soft), at(329.628, rings)];
        take
    }

    #[test]
    fn what_may_have_been_hammered_on_is_told_as_such() {
        let (text, document) = told(&hammered());
        let row = "1.02 s  D4                 D4 +0 ±1 (perhaps from C4), (E4 rings)\n";
        assert!(text.contains(row), "found:\n{text}");
        let d = &document["strikes"][1]["notes"][0];
        assert_eq!(d["from"], json!({ "note": "C4", "midi": 60, "doubtful": true }));
        assert!(d.get("start_s").is_none(), "{d}");
    }

    /// Live a strike is told several times, and is not held against itself.
    #[test]
    fn line_by_line_the_same_is_told() {
        for take in [moving(), hammered()] {
            let (text, _) = told(&take);
            let mut lines = Lines::new(take.rate, Reference::default());
            let mut last = String::new();
            for strike in &take.strikes {
                let early = Strike { later: Vec::new(), stage: Stage::Settled, ..strike.clone() };
                for told in [&early, strike, strike] {
                    let mut out = Vec::new();
                    lines.write(&mut out, told).expect("a vector takes all bytes");
                    last = String::from_utf8(out).expect("UTF-8");
                }
                assert!(text.contains(&last), "{last}\n{text}");
            }
            assert!(!last.is_empty());
        }
    }
}
