//! A judged take in sentences: what went right, what went wrong most, tuning, timing, and what
//! there is to say about the recording.

use super::Page;
use super::plural;
use super::tally::Fault;
use super::tally::Tally;
use super::tally::out_of_tune;
use super::text::pitch;
use crate::practice::verdict::Finding;
use crate::practice::verdict::HeardNote;
use crate::practice::verdict::Pitch;
use crate::practice::verdict::Status;
use crate::practice::verdict::TakeJudgement;
use crate::practice::verdict::UnmatchedStrike;
use crate::practice::verdict::Verdict;

/// Notes out of tune and strikes without a step are listed up to this many.
const MOST_LISTED: usize = 4;

/// Smaller deviations from an even beat go unnoticed (Friberg and Sundberg 1995: about 6 ms in a
/// fast sequence).
const NOTICED_MS: f64 = 6.0;

/// Eighths in a ratio below this are called even: 1.2:1 is what is told at least.
const EVEN_RATIO: f64 = 1.15;

/// Ways to swing that are written (common practice).
const SWINGS: [(&str, f64); 3] = [("3:2", 1.5), ("2:1", 2.0), ("5:2", 2.5)];

/// What is this near to half beats is told in them, in half beats.
const NEAR_HALF: f64 = 0.2;

/// The summary, one sentence or two a line.
pub(super) fn sentences(page: &Page, take: &TakeJudgement, tally: &Tally) -> Vec<String> {
    let mut lines = vec![steps(tally)];
    // Where all is moved, what sounds in whose place means nothing.
    let is_moved = |finding: &Finding| matches!(finding, Finding::Transposed { .. });
    if !take.findings.iter().any(is_moved) {
        lines.extend(most_frequent(page, take, tally));
    }
    lines.extend(tuning(page, take, tally));
    lines.extend(timing(take));
    let nowhere = take.unmatched.iter().filter(|strike| strike.pass.is_none());
    lines.extend(unmatched(page, &nowhere.collect::<Vec<_>>()));
    lines.extend(take.findings.iter().map(finding));
    lines
}

fn steps(tally: &Tally) -> String {
    if tally.steps == 0 {
        return "The lick asks for nothing but rests.".to_owned();
    }
    if tally.right == tally.steps {
        return match tally.steps {
            1 => "The one step is right.".to_owned(),
            n => format!("All {n} steps right."),
        };
    }
    let others = [
        (tally.wrong, "wrong"),
        (tally.incomplete, "incomplete"),
        (tally.not_played, "not played"),
        (tally.unsure, "unsure"),
    ];
    let others: Vec<String> = others
        .iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{count} {word}"))
        .collect();
    let steps = plural(tally.steps, "step");
    format!("{} of {steps} right; {}.", tally.right, others.join(", "))
}

fn most_frequent(page: &Page, take: &TakeJudgement, tally: &Tally) -> Option<String> {
    let (fault, count) = tally.most_frequent()?;
    let what = match fault {
        Fault::OffBy { string, semitones } => {
            let by = match semitones.unsigned_abs() {
                1 => "a semitone".to_owned(),
                12 => "an octave".to_owned(),
                n => plural(usize::from(n), "semitone"),
            };
            let way = if semitones > 0 { "too high" } else { "too low" };
            format!("the note on string {} was {by} {way}", string.0)
        }
        Fault::Missing { string } => format!("the note on string {} did not sound", string.0),
        Fault::Extra { note } => {
            let is_this = |h: &HeardNote| h.status == Status::Extra && h.pitch.note == note;
            let step = take.steps.iter().find(|step| step.heard.iter().any(is_this));
            let names = step.map_or(&page.beside, |step| page.names_in(step.step));
            format!("{} was struck beside the step", names.spell(note))
        }
        Fault::Sharp { string } => format!("the note on string {} was sharp", string.0),
        Fault::Flat { string } => format!("the note on string {} was flat", string.0),
    };
    Some(format!("What went wrong most: {what}, {count} times."))
}

fn tuning(page: &Page, take: &TakeJudgement, tally: &Tally) -> Option<String> {
    let within = format!("{} cents", page.tolerance.0);
    if tally.right_notes == 0 {
        return None;
    }
    let notes = plural(tally.right_notes, "right note");
    if tally.out_of_tune == 0 {
        return Some(match (tally.right_notes, tally.perhaps_in_tune) {
            (1, 0) => format!("The one right note is in tune within {within}."),
            (_, 0) => format!("All {notes} are in tune within {within}."),
            (_, perhaps) => format!(
                "No right note is surely off by more than {within}; {perhaps} of {notes} may be."
            ),
        });
    }
    let mut off: Vec<(usize, &HeardNote)> = take
        .steps
        .iter()
        .filter(|step| !matches!(step.verdict, Verdict::Unsure | Verdict::NotPlayed))
        .flat_map(|step| step.heard.iter().map(|heard| (step.step, heard)))
        .filter(|(_, heard)| out_of_tune(heard, page.tolerance).is_some())
        .collect();
    off.sort_by(|(_, a), (_, b)| b.pitch.cents.0.abs().total_cmp(&a.pitch.cents.0.abs()));
    let listed: Vec<String> = off
        .iter()
        .take(MOST_LISTED)
        .map(|(step, heard)| {
            format!("{} in step {step}", pitch(&heard.pitch, page.names_in(*step)))
        })
        .collect();
    let more = match off.len().saturating_sub(MOST_LISTED) {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    let listed = listed.join(", ");
    Some(format!("{} of {notes} off by more than {within}: {listed}{more}.", tally.out_of_tune))
}

fn timing(take: &TakeJudgement) -> Option<String> {
    let mut late: Vec<(usize, f64)> =
        take.steps.iter().filter_map(|step| Some((step.step, step.timing_ms?))).collect();
    if late.len() < 2 {
        return None;
    }
    late.sort_by(|(_, a), (_, b)| a.abs().total_cmp(&b.abs()));
    let (_, half) = late[(late.len() - 1) / 2];
    let (step, most) = late[late.len() - 1];
    if most.abs() < NOTICED_MS {
        return Some(format!("Every strike within {NOTICED_MS} ms of an even beat."));
    }
    let way = if most > 0.0 { "late" } else { "early" };
    let (half, most) = (half.abs().round() as i64, most.abs().round() as i64);
    Some(format!(
        "Half of the strikes within {half} ms of an even beat; furthest off step {step}, {most} ms {way}."
    ))
}

fn unmatched(page: &Page, strikes: &[&UnmatchedStrike]) -> Option<String> {
    if strikes.is_empty() {
        return None;
    }
    let listed: Vec<String> = strikes
        .iter()
        .take(MOST_LISTED)
        .map(|strike| {
            let name = |pitch: &Pitch| page.beside.spell(pitch.note).to_string();
            let names: Vec<String> = strike.heard.iter().map(name).collect();
            format!("{:.1} s {}", strike.start_s, names.join(" ")).trim_end().to_owned()
        })
        .collect();
    let more = match strikes.len().saturating_sub(MOST_LISTED) {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    let (count, belong) = match strikes.len() {
        1 => ("1 strike".to_owned(), "belongs"),
        n => (format!("{n} strikes"), "belong"),
    };
    let listed = listed.join(", ");
    Some(format!(
        "{count} {belong} to no step (a false start, a repetition, talk): {listed}{more}."
    ))
}

/// A finding in a sentence.
pub fn finding(finding: &Finding) -> String {
    match finding {
        Finding::TunedOff { offset } => format!(
            "The guitar as a whole is tuned {}; the cents are told against that.",
            off(offset.0)
        ),
        Finding::Transposed { semitones } => {
            let many = super::plural(semitones.unsigned_abs() as usize, "semitone");
            let (pitch, way) = if *semitones < 0 { ("lower", "down") } else { ("higher", "up") };
            let frets = super::plural(semitones.unsigned_abs() as usize, "fret");
            format!(
                "Everything sounds {many} {pitch} than written: {frets} too far {way}, a capo, or another \
                 tuning. If it was meant so, put capo or tuning into the lick, or say --a4."
            )
        }
        Finding::PlayedAtWrongRate { offset } => format!(
            "The recording as a whole is {}, as when a file made at one sample rate is played at \
             another; the cents are told against that.",
            off(offset.0)
        ),
        Finding::AnotherLick => "Hardly anything of the lick was found: it may be another lick, another \
                                 tuning or capo, or an octave off; compare what `doublecheck listen` \
                                 hears with what `doublecheck explain` shows."
            .to_owned(),
        Finding::Lost => "Most of the recording is lost: what was played cannot be judged.".to_owned(),
        Finding::Silent => "Nothing above the noise was found: the recording is silent, or far \
                            too quiet."
            .to_owned(),
        Finding::SilentChannel { silent, sounding } => format!(
            "Channel {silent} is silent, channel {sounding} has sound: choose it with --channel {sounding}, \
             or leave --channel out."
        ),
        Finding::NoNotes => {
            "No note was found, though the recording is not silent: is it noise, or \
                             another recording than you meant?"
                .to_owned()
        }
        Finding::TooShort => "The recording is too short to hold a note.".to_owned(),
        Finding::Clipped { share } => format!(
            "The recording is clipped ({} of it at full scale): record it at a lower level.",
            percent(*share)
        ),
        Finding::Swung { played, written } => swung(*played, *written),
        Finding::LateThroughout { late_ms, late_beats } => late_throughout(*late_ms, *late_beats),
        Finding::Drifted { later_ms } => {
            let (what, way) = match *later_ms < 0.0 {
                true => ("Rushed", "earlier"),
                false => ("Dragged", "later"),
            };
            let ms = later_ms.abs().round() as i64;
            format!("{what}: about {ms} ms {way} at the end than at the beginning.")
        }
        Finding::Damaged { cause } => {
            format!("The file is damaged ({cause}); what could be read was judged.")
        }
        Finding::Hole { start_s, length_s } => {
            format!("{:.0} ms of sound are missing at {start_s:.1} s.", length_s * 1000.0)
        }
    }
}

/// Shares of the beat as ratios of the first eighth to the second.
fn swung(played: f64, written: f64) -> String {
    let told = |share: f64, about: &str| match share / (1.0 - share) {
        ratio if ratio < EVEN_RATIO => "even".to_owned(),
        ratio => format!("swung {about}{}:1", format!("{ratio:.1}").trim_end_matches(".0")),
    };
    let meant = if written > 0.5 {
        String::new()
    } else {
        let away = |ratio: f64| (ratio / (1.0 + ratio) - played).abs();
        let nearest = SWINGS.into_iter().min_by(|a, b| away(a.1).total_cmp(&away(b.1)));
        let (nearest, _) = nearest.expect("there are some");
        format!(" If it was meant so, put swing = \"{nearest}\" into the lick.")
    };
    let (played, written) = (told(played, "about "), told(written, ""));
    format!("Eighths were {played}, written {written}; the timing is told against that.{meant}")
}

/// In beats where it is near to half beats: who is off by these has come in at another place.
fn late_throughout(ms: f64, beats: f64) -> String {
    let way = if ms < 0.0 { "early" } else { "late" };
    let halves = (2.0 * beats.abs()).round();
    let by = match halves as i64 {
        _ if (2.0 * beats.abs() - halves).abs() > NEAR_HALF => None,
        0 => None,
        1 => Some("half a beat".to_owned()),
        2 => Some("a beat".to_owned()),
        n if n % 2 == 0 => Some(format!("{} beats", n / 2)),
        n => Some(format!("{} and a half beats", n / 2)),
    };
    let by = by.unwrap_or_else(|| format!("{} ms", ms.abs().round() as i64));
    format!("About {by} {way} throughout.")
}

fn off(cents: f64) -> String {
    let way = if cents < 0.0 { "flat" } else { "sharp" };
    format!("{} cents {way}", cents.abs().round() as i64)
}

fn percent(share: f64) -> String {
    if share < 0.001 { "under 0.1 %".to_owned() } else { format!("{:.1} %", share * 100.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::practice::verdict::Status;
    use crate::report::sample;
    use crate::units::Cents;

    fn said(take: &TakeJudgement) -> String {
        let page = sample::page();
        sentences(&page, take, &Tally::of(take, page.tolerance)).join("\n")
    }

    #[test]
    fn a_clean_take_is_told_as_one() {
        let mut take = sample::take();
        take.steps.truncate(1);
        take.unmatched.clear();
        take.findings.clear();
        let said = said(&take);
        assert!(said.starts_with("The one step is right."), "{said}");
        assert!(said.contains("All 2 right notes are in tune within 10 cents."), "{said}");
        assert!(!said.contains("wrong"), "{said}");
    }

    #[test]
    fn what_may_be_out_of_tune_is_not_told_in_tune() {
        let mut take = sample::take();
        take.steps.truncate(1);
        take.steps[0].heard[0].pitch.cents = Cents(21.0);
        take.steps[0].heard[0].pitch.cents_error = Some(Cents(8.0));
        let said = said(&take);
        let expected =
            "No right note is surely off by more than 10 cents; 1 of 2 right notes may be.";
        assert!(said.contains(expected), "{said}");
    }

    #[test]
    fn a_guitar_tuned_off_is_told_once_and_with_its_direction() {
        let mut take = sample::take();
        take.findings = vec![Finding::TunedOff { offset: Cents(-12.4) }];
        let said = said(&take);
        assert_eq!(said.matches("12 cents flat").count(), 1, "{said}");
    }

    #[test]
    fn deviations_nobody_hears_are_not_counted_up() {
        let mut take = sample::take();
        for (step, ms) in take.steps.iter_mut().zip([2.0, -5.9]) {
            step.timing_ms = Some(ms);
        }
        take.steps.truncate(2);
        assert!(said(&take).contains("Every strike within 6 ms of an even beat."));
        take.steps[1].timing_ms = Some(-6.1);
        assert!(said(&take).contains("furthest off step 2, 6 ms early"), "{}", said(&take));
    }

    #[test]
    fn who_was_late_throughout_reads_by_how_much() {
        let told = |late_ms: f64, late_beats: f64| {
            finding(&Finding::LateThroughout { late_ms, late_beats })
        };
        assert_eq!(told(41.2, 0.06), "About 41 ms late throughout.");
        assert_eq!(told(-88.0, -0.13), "About 88 ms early throughout.");
        assert_eq!(told(655.0, 0.98), "About a beat late throughout.");
        assert_eq!(told(-1010.0, -1.52), "About 1 and a half beats early throughout.");
        let rushed = finding(&Finding::Drifted { later_ms: -165.0 });
        assert_eq!(rushed, "Rushed: about 165 ms earlier at the end than at the beginning.");
    }

    #[test]
    fn swing_reads_as_a_ratio_and_how_to_write_it() {
        let told = |played: f64, written: f64| finding(&Finding::Swung { played, written });
        assert_eq!(
            told(0.66, 0.5),
            "Eighths were swung about 1.9:1, written even; the timing is told against that. If it was meant so, \
             put swing = \"2:1\" into the lick."
        );
        assert_eq!(
            told(0.51, 2.0 / 3.0),
            "Eighths were even, written swung 2:1; the timing is told against that."
        );
    }

    #[test]
    fn long_lists_are_cut_and_say_so() {
        let mut take = sample::take();
        let strike = take.unmatched[0].clone();
        take.unmatched = vec![strike; MOST_LISTED + 3];
        assert!(said(&take).contains("and 3 more"), "{}", said(&take));
    }

    #[test]
    fn a_note_in_place_of_another_is_not_missing_as_well() {
        let mut take = sample::take();
        take.steps.retain(|step| step.verdict == Verdict::Wrong);
        let wrong = take.steps[0].heard.iter().find_map(|heard| match heard.status {
            Status::Wrong { instead_of } => Some(instead_of),
            _ => None,
        });
        take.steps[0].missing = vec![wrong.expect("the sample has one")];
        take.steps.push(take.steps[0].clone());
        let said = said(&take);
        assert!(said.contains("a semitone too low, 2 times"), "{said}");
        assert!(!said.contains("did not sound"), "{said}");
    }
}
