//! Steps cut into parts that one note value tells each: at bar lines, and where a length takes more
//! than one.
//!
//! **Conventions.** Lengths and places are counted in quarter notes. The parts of a step are tied,
//! those of a rest follow each other. A part is as long as it can be (common practice).

use crate::lick::Lick;
use crate::lick::Step;
use crate::lick::facts::StepFacts;
use crate::lick::mark::Mark;

/// Thirds of a beat do not add up exactly; no note value is nearer to another than this.
const HAIR: f64 = 1e-4;
/// Bars of one step that are drawn; a longer one is told as a number of beats.
const MOST_BARS: f64 = 16.0;
/// Values that a part of a bar is put together from; where it takes more its length is told.
const MOST_VALUES: usize = 4;

/// A note value, dots, and the number of its tuplet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Value {
    /// Halvings of a whole note: 2 for a quarter.
    pub halvings: u32,
    /// A half longer.
    pub dotted: bool,
    /// So many in the time of the next smaller power of two.
    pub tuplet: Option<u32>,
}

impl Value {
    /// The value of so many quarter notes; `None` if it takes more than one.
    pub fn of(length: f64) -> Option<Self> {
        let tuplets = [None, Some(3), Some(5), Some(7)];
        let all =
            tuplets.into_iter().flat_map(|tuplet| Self::plain().map(move |v| Self { tuplet, ..v }));
        all.into_iter().find(|value| (value.length() - length).abs() < HAIR)
    }

    /// All values without tuplets, the longest of each first: plain ones, then dotted ones.
    fn plain() -> impl Iterator<Item = Self> {
        [false, true]
            .into_iter()
            .flat_map(|dotted| (0..=6).map(move |halvings| Self { halvings, dotted, tuplet: None }))
    }

    fn length(self) -> f64 {
        let normal = match self.tuplet {
            None => 1.0,
            Some(3) => 2.0 / 3.0,
            Some(number) => 4.0 / f64::from(number),
        };
        let dots = if self.dotted { 1.5 } else { 1.0 };
        4.0 * dots * normal / f64::from(1u32 << self.halvings)
    }

    /// Values that make up `length` together, the longest first; `None` if it takes too many.
    fn sum(length: f64) -> Option<Vec<Self>> {
        let mut values = Vec::new();
        let mut left = length;
        while values.len() < MOST_VALUES {
            if let Some(last) = Self::of(left) {
                values.push(last);
                return Some(values);
            }
            let fitting = Self::plain().filter(|value| value.length() < left);
            let longest = fitting.max_by(|a, b| a.length().total_cmp(&b.length()))?;
            values.push(longest);
            left -= longest.length();
        }
        None
    }
}

/// A part of a step.
#[derive(Debug, Clone, Copy)]
pub(super) struct Part<'a> {
    /// The step.
    pub step: &'a Step,
    /// What the step is.
    pub facts: &'a StepFacts,
    /// The bar it lies in, 1 for the first.
    pub bar: usize,
    /// Where in the bar it begins.
    pub at: f64,
    /// How long it lasts.
    pub length: f64,
    /// How that is written; `None` if no note values tell it.
    pub value: Option<Value>,
    /// Whether the step begins here.
    pub is_first: bool,
    /// Whether what sounds goes on in the next part.
    pub is_tied: bool,
}

impl Part<'_> {
    /// True where nothing sounds.
    pub fn is_rest(&self) -> bool {
        self.step.marks.iter().all(|mark| *mark == Mark::NotPlayed)
    }
}

/// All parts of the lick in their order.
pub(super) fn parts<'a>(lick: &'a Lick, facts: &'a [StepFacts]) -> Vec<Part<'a>> {
    let bar_length = lick.meter.bar_beats();
    let mut all = Vec::new();
    for (step, facts) in lick.steps.iter().zip(facts) {
        let mut part = Part {
            step,
            facts,
            bar: facts.bar,
            at: (facts.beat - 1.0) * 4.0 / f64::from(lick.meter.unit),
            length: step.beats.get(),
            value: None,
            is_first: true,
            is_tied: false,
        };
        let mut left = part.length;
        if left > MOST_BARS * bar_length {
            all.push(part);
            continue;
        }
        while left > HAIR {
            let here = left.min(bar_length - part.at);
            let values =
                Value::sum(here).map_or(vec![None], |sum| sum.into_iter().map(Some).collect());
            for value in values {
                part.length = value.map_or(here, Value::length);
                left -= part.length;
                part.is_tied = left > HAIR && !part.is_rest();
                all.push(Part { value, ..part });
                part.at += part.length;
                part.is_first = false;
            }
            (part.bar, part.at) = (part.bar + 1, 0.0);
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lick::facts::explain_steps;

    /// Note values from any primer of notation.
    #[test]
    fn lengths_are_written_as_a_primer_has_them() {
        let plain = |halvings| Value { halvings, dotted: false, tuplet: None };
        let dotted = |halvings| Value { dotted: true, ..plain(halvings) };
        let triplet = |halvings| Value { tuplet: Some(3), ..plain(halvings) };
        for (length, values) in [
            (4.0, vec![plain(0)]),
            (1.0, vec![plain(2)]),
            (0.25, vec![plain(4)]),
            (1.5, vec![dotted(2)]),
            (1.0 / 3.0, vec![triplet(3)]),
            (2.0 / 3.0, vec![triplet(2)]),
            (1.25, vec![plain(2), plain(4)]),
            (2.5, vec![plain(1), plain(3)]),
            (3.5, vec![dotted(1), plain(3)]),
            (2.75, vec![plain(1), dotted(3)]),
            (4.0 / 3.0, vec![triplet(1)]),
            (1.0 + 1.0 / 3.0, vec![triplet(1)]),
            (7.0 / 3.0, vec![plain(1), triplet(3)]),
        ] {
            assert_eq!(Value::sum(length), Some(values), "{length}");
        }
        assert_eq!(Value::sum(0.71), None);
    }

    /// What is put together is as long as what was cut, wherever it begins, and no part crosses a bar line.
    #[test]
    fn parts_fill_the_bars_and_are_as_long_as_the_steps() {
        let text = |beats: &str| {
            format!(
                "title = \"t\"\nkey = \"C major\"\ntempo = 90\nmeter = \"3/4\"\nsteps = [\n\
                 {{ beats = 1.5, frets = \"x x x 5 5 x\" }}, {{ beats = {beats}, frets = \"x x x 7 = x\" }},\n\
                 {{ beats = {beats}, frets = \"x x x x x x\" }} ]\n"
            )
        };
        for beats in ["2.5", "7", "\"1/3\"", "\"5/6\"", "0.125", "\"5/7\"", "200"] {
            let lick = Lick::parse(&text(beats), "t.toml").expect(beats);
            let facts = explain_steps(&lick);
            let parts = parts(&lick, &facts);
            for (step, facts) in lick.steps.iter().zip(&facts) {
                let of_step = || parts.iter().filter(|part| part.facts.number == facts.number);
                let length: f64 = of_step().map(|part| part.length).sum();
                assert!((length - step.beats.get()).abs() < 1e-3, "{beats}: {length}");
                assert_eq!(of_step().filter(|part| part.is_first).count(), 1, "{beats}");
                let ties = of_step().filter(|part| part.is_tied).count();
                let rest = facts.moments.is_empty();
                assert_eq!(ties, if rest { 0 } else { of_step().count() - 1 }, "{beats}");
            }
            if beats != "200" {
                assert!(parts.iter().all(|part| part.at + part.length < 3.0 + 1e-3), "{beats}");
            }
        }
    }
}
