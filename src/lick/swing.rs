//! Swing: eighths written even and played long and short.
//!
//! **Conventions.** What is written half-way through a quarter note sounds later; nothing else moves, so that triplets
//! and sixteenths stay where they are (common practice). In 6/8 no eighth is half a beat, and none is swung.

use std::fmt;
use std::str::FromStr;

use super::Lick;
use super::Step;

/// Beats are sums of fractions: so near to half-way is half-way, in quarter notes.
const HAIR: f64 = 1e-6;
/// In quarter notes.
const SIXTEENTH: f64 = 0.25;

/// How long the first eighth of a quarter note is to the second, as MusicXML has it: 2:1 is the feel of triplets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Swing {
    first: u8,
    second: u8,
}

impl Swing {
    /// `None` unless the first is longer than the second, by less than three times, and neither is beyond 100.
    pub fn new(first: u8, second: u8) -> Option<Self> {
        let (long, short) = (u16::from(first), u16::from(second));
        (short < long && long < 3 * short && first <= 100).then_some(Self { first, second })
    }

    /// How long the first eighth is to the second.
    pub fn first(self) -> u8 {
        self.first
    }

    /// How long the second eighth is to the first.
    pub fn second(self) -> u8 {
        self.second
    }

    /// The first eighth as a share of the quarter note: above 1/2 and below 3/4.
    pub fn share(self) -> f64 {
        f64::from(self.first) / f64::from(self.first + self.second)
    }
}

impl FromStr for Swing {
    type Err = ();

    /// Reads `2:1`.
    fn from_str(text: &str) -> Result<Self, ()> {
        let (first, second) = text.split_once(':').ok_or(())?;
        let whole = |part: &str| part.trim().parse().map_err(|_| ());
        Self::new(whole(first)?, whole(second)?).ok_or(())
    }
}

impl fmt::Display for Swing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{}:{}", self.first, self.second))
    }
}

impl Lick {
    /// For every step, whether it comes half-way through a beat as it is written, where it may be swung.
    pub fn off_beats(&self) -> Vec<bool> {
        let mut end_beats = 0.0_f64;
        let is_off_beat = |step: &Step| {
            let half_way = (end_beats.fract() - 0.5).abs() < HAIR;
            end_beats += step.beats.get();
            // What is cut finer would come after its end.
            self.meter.may_swing() && half_way && step.beats.get() > SIXTEENTH - HAIR
        };
        self.steps.iter().map(is_off_beat).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lick::error::LickError;
    use crate::lick::fault::Fault;

    fn lick(head: &str, steps: &[&str]) -> Result<Lick, LickError> {
        let steps: Vec<String> = steps
            .iter()
            .map(|beats| format!("{{ beats = {beats}, frets = \"x x x 9 x 9\" }}"))
            .collect();
        let text = format!(
            "title = \"t\"\nkey = \"C major\"\ntempo = 90\n{head}\nsteps = [ {} ]\n",
            steps.join(", ")
        );
        Lick::parse(&text, "t.toml")
    }

    /// Swung 2:1 an eighth off the beat comes with the third eighth of a triplet (common practice).
    #[test]
    fn what_is_half_way_through_a_beat_sounds_later() {
        let steps = ["0.5", "0.5", "\"1/3\"", "\"1/3\"", "\"1/3\"", "1.5", "0.25", "0.25"];
        let lick = lick("meter = \"4/4\"\nswing = \"2:1\"", &steps).expect("a lick");
        let asked = lick.expected().steps;
        let wanted = [0.0, 2.0 / 3.0, 1.0, 4.0 / 3.0, 5.0 / 3.0, 2.0, 3.0 + 2.0 / 3.0, 3.75];
        for (step, wanted) in asked.iter().zip(wanted) {
            assert!((step.start_beats - wanted).abs() < 1e-9, "{step:?}");
        }
        let off: Vec<usize> = asked.iter().filter(|s| s.is_off_beat).map(|s| s.number).collect();
        assert_eq!(off, [2, 7]);
        let end = asked.last().map(|step| step.start_beats + step.length_beats);
        assert!((end.expect("steps") - 4.0).abs() < 1e-9, "{end:?}");
    }

    #[test]
    fn only_what_swings_is_a_swing() {
        for (text, share) in [("2:1", 2.0 / 3.0), ("3 : 2", 0.6), ("5:2", 5.0 / 7.0)] {
            let swing: Swing = text.parse().expect(text);
            assert!((swing.share() - share).abs() < 1e-12, "{text}");
        }
        for text in ["1:1", "1:2", "3:1", "2", "2:0", "2:1:1", "102:100", "", "swing"] {
            assert!(text.parse::<Swing>().is_err(), "{text}");
            let found = lick(&format!("meter = \"4/4\"\nswing = \"{text}\""), &["1"]);
            let Err(LickError::Malformed { fault: Fault::Swing { .. }, .. }) = found else {
                panic!("{text}: {found:?}")
            };
        }
        let found = lick("meter = \"6/8\"\nswing = \"2:1\"", &["0.5"]);
        let Err(LickError::Malformed { fault: Fault::SwungMeter { .. }, .. }) = found else {
            panic!("{found:?}")
        };
    }
}
