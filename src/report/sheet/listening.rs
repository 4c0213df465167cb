//! What to listen for: where the partials of a double stop nearly meet, and how fast they beat.
//!
//! **Reference.** Two tones at a ratio near p : q (upper to lower) share, nearly, partial p of the
//! lower and partial q of the upper; the two beat as often a second as their frequencies differ
//! (H. von Helmholtz, *On the Sensations of Tone*, 1863, part II).

use maud::Markup;
use maud::html;

use crate::lick::facts::SoundingNote;
use crate::lick::facts::StepFacts;
use crate::theory::interval::Interval;
use crate::theory::note::Reference;

/// Partials beyond which a guitar string gives little to hear (common practice).
const LAST_PARTIAL: u32 = 16;

/// Beats a second up to which they swell slowly, can be felt as a pulse, and flutter; faster ones
/// are heard as roughness (common practice).
const SWELL: f64 = 1.0;
const PULSE: f64 = 7.0;
const FLUTTER: f64 = 15.0;

/// Two partials that nearly meet.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Meeting {
    lower_partial: u32,
    upper_partial: u32,
    /// Where they meet, in hertz.
    hz: f64,
    /// Beats a second.
    beats: f64,
}

/// Where the partials of two equal-tempered notes meet first; `None` for an interval without a
/// simple ratio and for partials too high to be heard.
fn meeting(low: f64, high: f64, interval: Interval) -> Option<Meeting> {
    let (p, q) = interval.just_ratio()?;
    let (one, other) = (low * f64::from(p), high * f64::from(q));
    (p.max(q) <= LAST_PARTIAL).then(|| Meeting {
        lower_partial: p,
        upper_partial: q,
        hz: (one + other) / 2.0,
        beats: (one - other).abs(),
    })
}

/// A double stop and the steps it is struck in.
struct Row<'a> {
    name: &'a str,
    low: &'a SoundingNote,
    high: &'a SoundingNote,
    interval: Interval,
    steps: Vec<String>,
}

/// The table of all different double stops; nothing for a lick without any.
pub(super) fn section(steps: &[StepFacts], reference: Reference) -> Markup {
    let mut rows: Vec<Row<'_>> = Vec::new();
    for step in steps {
        let Some(moment) = step.moments.first() else { continue };
        let (Some([low, high]), Some(interval)) = (moment.double_stop(), moment.span()) else {
            continue;
        };
        let notes = [low.spelling, high.spelling];
        let same = |row: &&mut Row<'_>| [row.low.spelling, row.high.spelling] == notes;
        match rows.iter_mut().find(same) {
            Some(row) => row.steps.push(step.number.to_string()),
            None => {
                let (name, steps) = (&moment.name, vec![step.number.to_string()]);
                rows.push(Row { name, low, high, interval, steps });
            }
        }
    }
    if rows.is_empty() {
        return html! {};
    }
    html! {
        h2 { "What to listen for" }
        p {
            "The two notes of a double stop nearly share a partial. Tuned in equal temperament they do "
            "not quite meet there, and beat: at the rate below they are in tune, and the slightest "
            "bend changes it."
        }
        table {
            tr { th { "Step" } th { "Notes" } th { "Interval" } th { "Partials that meet" } th { "Beats a second" } }
            @for Row { name, low, high, interval, steps } in &rows {
                @let hz = |note: &SoundingNote| reference.frequency(note.played.note).get();
                tr {
                    td { (steps.join(", ")) }
                    td { (low.spelling) " " (high.spelling) }
                    td { (name) }
                    @match meeting(hz(low), hz(high), *interval) {
                        Some(meeting) => {
                            td {
                                (ordinal(meeting.lower_partial)) " of the lower, "
                                (ordinal(meeting.upper_partial)) " of the upper, near "
                                (format!("{:.0}", meeting.hz)) " Hz"
                            }
                            td { (told(meeting.beats)) }
                        }
                        None => { td { "none that can be heard" } td {} }
                    }
                }
            }
        }
    }
}

fn ordinal(number: u32) -> String {
    let ending = match (number % 10, number % 100 / 10) {
        (_, 1) => "th",
        (1, _) => "st",
        (2, _) => "nd",
        (3, _) => "rd",
        _ => "th",
    };
    format!("{number}{ending}")
}

/// `11.9, a flutter`; octaves and unisons are as pure tempered as just.
fn told(beats: f64) -> String {
    if beats < 0.05 {
        return "none: any beat is out of tune".to_owned();
    }
    format!("{beats:.1}, {}", character(beats))
}

fn character(beats: f64) -> &'static str {
    match beats {
        ..SWELL => "a slow swell",
        ..PULSE => "a pulse",
        ..FLUTTER => "a flutter",
        _ => "a roughness",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::interval::Quality;

    fn beats(low: f64, high: f64, quality: Quality, number: u8) -> f64 {
        let interval = Interval::new(quality, number).expect("an interval");
        meeting(low, high, interval).expect("low partials").beats
    }

    /// Beat rates of equal-tempered intervals above C4, from piano tuners' tables
    /// (C4 261.626 Hz; from memory: fifth 0.89, fourth 1.18, major third 10.38, major sixth 11.86).
    #[test]
    fn rates_are_those_of_the_tuners_tables() {
        let c4 = 261.626;
        let up = |semitones: f64| c4 * (semitones / 12.0).exp2();
        let cases = [
            (7.0, Quality::Perfect, 5, 0.89),
            (5.0, Quality::Perfect, 4, 1.18),
            (4.0, Quality::Major, 3, 10.38),
            (9.0, Quality::Major, 6, 11.86),
        ];
        for (semitones, quality, number, rate) in cases {
            let found = beats(c4, up(semitones), quality, number);
            assert!((found - rate).abs() < 0.02, "{semitones} semitones: {found} beats a second");
        }
    }
}
