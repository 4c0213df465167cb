//! A session as it goes on, line by line: text for people, JSON for programs.
//!
//! **Conventions.** A step's line is written once its verdict has settled, and again, marked, if
//! the whole strike tells otherwise. Every line is complete when it is written.

use std::io;
use std::io::Write;

use serde::Serialize;
use serde_json::Value;
use serde_json::json;

use super::Page;
use super::TakeReport;
use super::json;
use super::text;
use crate::engine::Stage;
use crate::practice::pass::Told;
use crate::practice::pass::Try;
use crate::practice::session::News;
use crate::practice::session::PassOver;
use crate::practice::verdict::Finding;
use crate::practice::verdict::Verdict;

/// The columns of heard notes are padded to this many characters.
const HEARD_WIDTH: usize = 30;

/// What the lines so far said, as far as the next ones depend on it.
#[derive(Debug, Clone, Default)]
pub struct Lines {
    /// The step of the last line and its verdict.
    last: Option<(usize, Verdict)>,
}

impl Lines {
    /// Writes the line of some news, if it makes one.
    ///
    /// # Errors
    /// Whatever `out` fails with.
    pub fn write(&mut self, out: &mut impl Write, page: &Page, news: &News) -> io::Result<()> {
        match news {
            News::Pass(Told::Step(found)) => self.step(out, page, found),
            News::Pass(Told::Missed(number)) => writeln!(out, "{number:>4}  not played"),
            News::Pass(Told::TakenBack(number)) => {
                self.waits_again(out, *number, "that was no clear strike")
            }
            News::Pass(Told::Meant { step, instead }) => {
                self.waits_again(out, *step, &format!("that was step {instead}"))
            }
            News::Pass(Told::Stray { heard, .. }) => {
                let heard: Vec<String> =
                    heard.iter().map(|pitch| text::pitch(pitch, &page.beside)).collect();
                writeln!(out, "   -  belongs to no step: {}", heard.join(", "))
            }
            News::Hole { start_s, length_s } => {
                writeln!(out, "      at {start_s:.1} s, {length_s:.2} s of sound were lost")
            }
            News::Over(over) => {
                self.last = None;
                writeln!(out, "{}", pass_line(over))?;
                lateness_of(over).try_for_each(|said| writeln!(out, "{said}"))
            }
            News::Pass(Told::Due(_) | Told::Over(_)) => Ok(()),
        }
    }

    /// Takes back the last line, if it was of step `number`.
    fn waits_again(&mut self, out: &mut impl Write, number: usize, why: &str) -> io::Result<()> {
        match self.last.take_if(|last| last.0 == number) {
            Some(_) => writeln!(out, "{number:>4}  waits again: {why}"),
            None => Ok(()),
        }
    }

    fn step(&mut self, out: &mut impl Write, page: &Page, found: &Try) -> io::Result<()> {
        let judgement = &found.judgement;
        let now = (judgement.step, judgement.verdict);
        let said = self.last.filter(|(step, _)| *step == judgement.step);
        // In which nothing is heard yet may be a knock, which is taken back.
        let is_guess = match found.stage {
            Stage::Early => true,
            Stage::Settled => judgement.heard.is_empty(),
            Stage::Whole => false,
        };
        if is_guess || said == Some(now) {
            return Ok(());
        }
        self.last = Some(now);
        let [step, tab, asked, heard, _, verdict] = text::row(page, judgement);
        let tab_width = page.tabs.iter().map(|tab| tab.chars().count()).max().unwrap_or(0);
        let mark = if said.is_some() { "heard to its end: " } else { "" };
        let timing = judgement.timing_ms.map(|ms| format!("{:>12}  ", lateness(ms)));
        let timing = timing.unwrap_or_default();
        writeln!(
            out,
            "{step:>4}  {tab:<tab_width$}  {asked:<10}  {heard:<HEARD_WIDTH$}  {timing}{mark}{verdict}"
        )
    }
}

/// When a strike came, against the click: `12 ms late`.
pub(super) fn lateness(ms: f64) -> String {
    match ms.round() as i64 {
        0 => "on time".to_owned(),
        ms if ms > 0 => format!("{ms} ms late"),
        ms => format!("{} ms early", -ms),
    }
}

/// A pass in one line: `Pass 2: 6 of 8 steps right, at 80 % of the tempo`.
pub fn pass_line(over: &PassOver) -> String {
    let steps = &over.judgement.steps;
    let right = steps.iter().filter(|step| step.verdict == Verdict::Right).count();
    format!(
        "Pass {}: {right} of {} right, at {:.0} % of the tempo",
        over.number,
        super::plural(steps.len(), "step"),
        100.0 * over.speed
    )
}

/// How a pass was beside the click, in a sentence, if there is something to say.
pub fn lateness_of(over: &PassOver) -> impl Iterator<Item = String> {
    let is_lateness = |finding: &&Finding| {
        matches!(
            finding,
            Finding::Swung { .. } | Finding::LateThroughout { .. } | Finding::Drifted { .. }
        )
    };
    over.judgement.findings.iter().filter(is_lateness).map(super::finding)
}

/// Writes some news as one line of JSON, if it makes one.
///
/// # Errors
/// Whatever `out` fails with.
pub fn event(out: &mut impl Write, page: &Page, pass: usize, news: &News) -> io::Result<()> {
    let (event, mut members) = match news {
        News::Pass(Told::Step(found)) => {
            let step = json::step(page, &found.judgement);
            let mut members = value(&step)?;
            members["stage"] = stage(found.stage).into();
            ("step", members)
        }
        News::Pass(Told::Due(number)) => ("due", json!({ "step": number })),
        News::Pass(Told::Missed(number)) => ("missed", json!({ "step": number })),
        News::Pass(Told::TakenBack(number)) => ("taken_back", json!({ "step": number })),
        News::Pass(Told::Meant { step, instead }) => {
            ("taken_back", json!({ "step": step, "meant": instead }))
        }
        News::Pass(Told::Stray { heard, .. }) => {
            let heard: Vec<_> = heard.iter().map(|p| json::sounding(p, &page.beside)).collect();
            ("stray", json!({ "heard": value(&heard)? }))
        }
        News::Pass(Told::Over(_)) => return Ok(()),
        News::Hole { start_s, length_s } => (
            "hole",
            json!({ "start_s": json::thousandths(*start_s), "length_s": json::thousandths(*length_s) }),
        ),
        News::Over(over) => {
            let steps: io::Result<Vec<Value>> =
                over.judgement.steps.iter().map(|step| value(&json::step(page, step))).collect();
            ("pass", json!({ "speed": json::thousandths(over.speed), "steps": steps? }))
        }
    };
    members["pass"] = pass.into();
    line(out, event, members)
}

/// Writes one line of JSON: `event` and its members.
///
/// # Errors
/// Whatever `out` fails with.
pub fn line(out: &mut impl Write, event: &str, mut members: Value) -> io::Result<()> {
    members["event"] = event.into();
    serde_json::to_writer(&mut *out, &members)?;
    writeln!(out)
}

/// Writes the last line of JSON: what `check` would say of the recordings, and the schema.
///
/// # Errors
/// Whatever `out` fails with.
pub fn report(out: &mut impl Write, page: &Page, takes: &[TakeReport]) -> io::Result<()> {
    let mut document = Vec::new();
    json::check(&mut document, page, takes)?;
    line(out, "report", serde_json::from_slice(&document)?)
}

fn stage(stage: Stage) -> &'static str {
    match stage {
        Stage::Early => "early",
        Stage::Settled => "settled",
        Stage::Whole => "whole",
    }
}

fn value(of: &impl Serialize) -> io::Result<Value> {
    Ok(serde_json::to_value(of)?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;
    use crate::units::SampleIndex;

    fn found(stage: Stage, verdict: Verdict) -> News {
        let mut judgement = sample::take().steps[0].clone();
        judgement.verdict = verdict;
        News::Pass(Told::Step(Try { onset: SampleIndex(0), stage, judgement }))
    }

    #[test]
    fn a_step_makes_one_line_and_a_correction_another() {
        let (mut lines, mut out) = (Lines::default(), Vec::new());
        let page = sample::page();
        for news in [
            found(Stage::Early, Verdict::Incomplete),
            found(Stage::Settled, Verdict::Right),
            found(Stage::Whole, Verdict::Right),
        ] {
            lines.write(&mut out, &page, &news).expect("a vector takes all bytes");
        }
        let text = String::from_utf8(out.clone()).expect("UTF-8");
        assert_eq!(text.lines().count(), 1, "{text}");
        assert!(text.contains("F#4 +2 ±1, D5 -1 ±1") && text.ends_with("right\n"), "{text}");
        lines.write(&mut out, &page, &found(Stage::Whole, Verdict::Incomplete)).expect("a vector");
        let text = String::from_utf8(out).expect("UTF-8");
        assert!(text.ends_with("heard to its end: incomplete\n"), "{text}");
    }

    #[test]
    fn every_event_is_one_line_of_json() {
        let mut out = Vec::new();
        let page = sample::page();
        let hole = News::Hole { start_s: 1.0, length_s: 0.25 };
        for news in [found(Stage::Settled, Verdict::Right), News::Pass(Told::Due(None)), hole] {
            event(&mut out, &page, 2, &news).expect("a vector takes all bytes");
        }
        report(&mut out, &page, &[sample::report()]).expect("a vector takes all bytes");
        let text = String::from_utf8(out).expect("UTF-8");
        let events: Vec<Value> =
            text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
        let names: Vec<&Value> = events.iter().map(|event| &event["event"]).collect();
        assert_eq!(names, ["step", "due", "hole", "report"]);
        assert_eq!((&events[0]["verdict"], &events[0]["pass"]), (&json!("right"), &json!(2)));
        assert_eq!(events[1]["step"], Value::Null);
        assert_eq!(events[3]["schema"], 1);
    }
}
