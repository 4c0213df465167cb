//! The sentences of an explanation.

use crate::lick::Lick;
use crate::lick::facts::Claim;
use crate::lick::facts::Moment;
use crate::lick::facts::StepFacts;
use crate::lick::facts::Truth;
use crate::lick::hand::HardSpot;
use crate::lick::hand::Hardship;
use crate::lick::hand::SCALE_MM;
use crate::lick::places::OtherPlace;
use crate::lick::runs::Direction;
use crate::lick::runs::Motion;
use crate::lick::runs::Run;
use crate::theory::interval::Interval;
use crate::theory::key::Key;
use crate::units::Cents;

/// Harmonics nearer to the tempered note than this are not worth a word.
const WORTH_TELLING: Cents = Cents(5.0);

/// What is true of a claim that does not hold as it stands, and why; `None` where it does.
pub fn claim(step: &StepFacts, claim: Claim, key: Key) -> Option<String> {
    let claimed = claim.claimed;
    let notes = step.moments.first().and_then(outer_notes);
    let (Some(actual), Some((low, high))) = (claim.actual, notes) else {
        return (claim.truth != Truth::True).then(|| {
            let sounding =
                if step.moments.is_empty() { "nothing sounds" } else { "one note sounds" };
            format!("\"{claimed}\" is not true: {sounding} here, and an interval takes two")
        });
    };
    let is = format!("{low} to {high} is {}", actual.with_article());
    match claim.truth {
        Truth::True => None,
        Truth::TrueLater => Some(format!(
            "\"{claimed}\" is true once the step has moved on; at the strike {is} ({actual})"
        )),
        Truth::OtherSpelling => {
            Some(format!("\"{claimed}\" sounds right, but as {key} writes it {is} ({actual})"))
        }
        Truth::OtherNotes => {
            let [low, high] = step.moments.first()?.pair(claimed, key, step.harmony.as_ref())?;
            let pair = format!("{} and {}", low.spelling, high.spelling);
            Some(format!("\"{claimed}\" is true of {pair}; lowest to highest, {is} ({actual})"))
        }
        Truth::OctavesApart => {
            Some(format!("\"{claimed}\" is true but for octaves: {is} ({actual})"))
        }
        Truth::False => Some(format!(
            "\"{claimed}\" is not true: {is} ({actual}). {}",
            why(actual, claimed, &low, &high)
        )),
    }
}

fn outer_notes(moment: &Moment) -> Option<(String, String)> {
    match &moment.notes[..] {
        [] | [_] => None,
        [low, .., high] => Some((low.spelling.to_string(), high.spelling.to_string())),
    }
}

/// Letters give the number, semitones the quality.
fn why(actual: Interval, claimed: Interval, low: &str, high: &str) -> String {
    let letters = format!(
        "From {low} up to {high} there are {} letters, both ends counted, and {} semitones",
        actual.number(),
        actual.semitones()
    );
    if actual.number() == claimed.number() {
        format!("{letters}; {} has {}.", claimed.with_article(), claimed.semitones())
    } else {
        format!(
            "{letters}; {} has {} letters and {} semitones.",
            claimed.with_article(),
            claimed.number(),
            claimed.semitones()
        )
    }
}

/// `steps 1–4: four major sixths in parallel, chromatic, rising`.
pub fn run(run: &Run) -> String {
    let count = number(run.intervals.len());
    let what = match (run.is_strict(), run.intervals[0]) {
        (true, interval) => format!("{}s", interval.name()),
        (false, interval) => {
            let name = interval.name();
            let number = name.rsplit(' ').next().unwrap_or(&name);
            let each: Vec<_> = run.intervals.iter().map(ToString::to_string).collect();
            format!("{number}s ({})", each.join(" "))
        }
    };
    let motion = match run.motion {
        Motion::Chromatic => ", chromatic",
        Motion::WholeTones => ", in whole tones",
        Motion::InKey => ", on notes of the key",
        Motion::Free => "",
    };
    let direction = match run.direction {
        Direction::Rising => ", rising",
        Direction::Falling => ", falling",
        Direction::Turning => "",
    };
    format!("steps {}–{}: {count} {what} in parallel{motion}{direction}", run.first, run.last)
}

fn number(count: usize) -> String {
    const WORDS: [&str; 13] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
        "eleven", "twelve",
    ];
    WORDS.get(count).map_or_else(|| count.to_string(), |word| (*word).to_owned())
}

/// How the hand gets to another place from the step before.
pub fn reach(place: &OtherPlace) -> String {
    match place.shift_frets {
        None => String::new(),
        Some(0) => "in reach".to_owned(),
        Some(frets) => moved(frets),
    }
}

fn moved(frets: i16) -> String {
    let way = if frets > 0 { "up" } else { "down" };
    let count = frets.abs();
    format!("{count} fret{} {way}", if count == 1 { "" } else { "s" })
}

/// The column that a lick would have for another place.
pub fn column(place: &OtherPlace, lick: &Lick) -> String {
    let marks: Vec<String> = lick
        .tuning
        .strings()
        .map(|(string, _)| match string {
            _ if string == place.low.0 => place.low.1.0.to_string(),
            _ if string == place.high.0 => place.high.1.0.to_string(),
            _ => "x".to_owned(),
        })
        .collect();
    marks.join(" ")
}

/// What is hard, in a sentence without its step.
pub fn hardship(spot: &HardSpot) -> String {
    match &spot.what {
        Hardship::Stretch { from, to, span_mm } => format!(
            "a wide stretch, frets {} to {} from the nut: {span_mm:.0} mm at a scale of {SCALE_MM} mm",
            from.0, to.0
        ),
        Hardship::Fingers { needed } => format!("{needed} fingers to press, barres counted as one"),
        Hardship::Jump { from_step, frets, distance_mm, available_s, needed_s } => format!(
            "{} ({distance_mm:.0} mm) from step {from_step} in {available_s:.2} s; \
             a hand takes about {needed_s:.2} s to land that far off",
            moved(*frets)
        ),
    }
}

/// Harmonics of a step that sound far from the tempered note, in a sentence.
pub fn harmonics(step: &StepFacts) -> Option<String> {
    let told: Vec<String> = step
        .moments
        .first()?
        .notes
        .iter()
        .filter_map(|note| {
            let off = note.played.tempered_offset();
            let way = if off.0 < 0.0 { "under" } else { "over" };
            (off.0.abs() >= WORTH_TELLING.0).then(|| {
                format!(
                    "string {} {:.0} cents {way} {}",
                    note.played.string.0,
                    off.0.abs(),
                    note.spelling
                )
            })
        })
        .collect();
    (!told.is_empty())
        .then(|| format!("step {}: sounds by nature {}", step.number, told.join(" and ")))
}

/// Said wherever something is hard on the hand.
pub const CARE: &str = "If a stretch hurts, stop and rest; a teacher can show another fingering, \
                        and pain that stays is a matter for a doctor.";
