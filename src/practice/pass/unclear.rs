//! Strikes of which no note is as likely as not: live they count where they hold all that the step asks for.
//!
//! **Limits.** No more is told of one later. A player strikes again sooner than believe half of a step; steps that move
//! on are left to what anybody hears.

use super::Pass;
use super::Told;
use crate::engine::Strike;
use crate::practice::alignment::Place;
use crate::practice::matching::brings;
use crate::practice::matching::match_strike;
use crate::practice::verdict::Verdict;
use crate::units::Cents;

impl Pass {
    /// Takes a strike whose notes are all faint (see [`crate::engine::Event::Unclear`]) if it is all that the step
    /// asks for that it was meant for; `offset` is how sharp the guitar is as a whole.
    pub fn hear_unclear(&mut self, strike: &Strike, offset: Cents, told: &mut Vec<Told>) {
        // Its first guess may have been surer.
        let known = self.last.filter(|(onset, _)| *onset == strike.onset);
        let place = known.map_or_else(|| self.place(strike, offset), |(_, place)| place);
        let Place::Step(index) = place else { return };
        let step = &self.steps[index];
        let found = match_strike(step, strike, self.manner.judge.reference, offset);
        let is_all = found.verdict == Verdict::Right && step.stages.is_empty();
        if self.over || !is_all || !brings(strike, &found) {
            return;
        }
        if known.is_none() {
            if self.goes_on(strike, offset) {
                return;
            }
            self.close_step(told);
            self.strumming.forget();
        }
        self.last = Some((strike.onset, place));
        self.offset = offset;
        self.follow(strike, place, told);
        self.judge(index, strike, offset, told);
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::RATE;
    use super::super::tests::pass;
    use super::*;
    use crate::engine::HeardPitch;
    use crate::engine::Stage;
    use crate::units::SampleIndex;

    #[test]
    fn faint_notes_take_their_step_if_they_are_all_of_it() {
        let due_after = |midi: &[f64], struck_odds: f64| {
            let strike = Strike {
                onset: SampleIndex(u64::from(RATE)),
                end: SampleIndex(2 * u64::from(RATE)),
                stage: Stage::Whole,
                notes: Vec::new(),
                doubtful: Vec::new(),
                faint: midi.iter().map(|&midi| HeardPitch::faint(midi, struck_odds)).collect(),
                later: Vec::new(),
                combined: Vec::new(),
            };
            let due = |is_guessed: bool| {
                let mut pass = pass();
                let mut told = Vec::new();
                if is_guessed {
                    let notes = [65.0, 73.0].map(HeardPitch::sure).to_vec();
                    let guess = Strike { notes, stage: Stage::Early, ..strike.clone() };
                    pass.hear(&guess, Cents(0.0), &mut told);
                }
                pass.hear_unclear(&strike, Cents(0.0), &mut told);
                pass.end_strike(strike.onset, &mut told);
                pass.due()
            };
            assert_eq!(due(true), due(false), "whatever the first guess was");
            due(false)
        };
        assert_eq!(due_after(&[65.0, 73.0], 4.0), Some(2));
        assert_eq!(due_after(&[65.0], 4.0), Some(1), "half of it");
        assert_eq!(due_after(&[65.0, 73.0], -2.0), Some(1), "they ring");
        assert_eq!(due_after(&[67.0, 74.0], 4.0), Some(1), "the next step");
    }
}
