//! What a strike tells of the one before: a string that was struck rings on, until it is stopped.
//!
//! **Conventions.** Nothing is heard again: the notes of three strikes in a row are laid side by side.
//! **Limits.** Silent where the sound was over before the next strike, and live before that was heard.

use super::event::HeardPitch;
use super::event::Strike;

/// Log odds of having been struck, of a note that only the next strike betrays: as likely as not, so that it
/// counts where it was asked for and nowhere else.
const AS_LIKELY_AS_NOT: f64 = 0.0;

/// Tells the last strike but one of `strikes` what the last one makes known of it.
pub(super) fn look_back(strikes: &mut [Strike]) {
    let [before @ .., this, next] = strikes else { return };
    // What had faded, or was stopped, could not ring on.
    if this.end < next.onset {
        return;
    }
    let rang = |note: &HeardPitch| before.last().is_some_and(|b| find(&b.notes, note).is_some());
    let may_have_rung = |note: &HeardPitch| {
        rang(note) || before.last().is_some_and(|b| find(&b.doubtful, note).is_some())
    };
    for note in &mut this.notes {
        note.lasting = match find(&next.notes, note) {
            None => find(&next.doubtful, note).is_none().then_some(false),
            Some(later) if !later.is_struck() && !may_have_rung(note) => Some(true),
            Some(_) => None,
        };
    }
    for later in next.notes.iter().filter(|later| !later.is_struck()) {
        if rang(later) || find(&this.notes, later).is_some() {
            continue;
        }
        if let Some(note) = this.doubtful.iter_mut().find(|note| is_same(note, later)) {
            note.struck_odds = note.struck_odds.max(AS_LIKELY_AS_NOT);
            continue;
        }
        this.doubtful.push(HeardPitch {
            struck_odds: AS_LIKELY_AS_NOT,
            rang: false,
            grace: None,
            unison: None,
            ..*later
        });
    }
}

fn find<'a>(notes: &'a [HeardPitch], note: &HeardPitch) -> Option<&'a HeardPitch> {
    notes.iter().find(|other| is_same(note, other))
}

fn is_same(a: &HeardPitch, b: &HeardPitch) -> bool {
    a.tone().is_note_of(&b.tone())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Stage;
    use crate::units::SampleIndex;

    fn rings(midi: f64) -> HeardPitch {
        HeardPitch { struck_odds: -6.0, ..HeardPitch::sure(midi) }
    }

    /// Strikes a second apart, each sounding up to the next.
    fn looked_back<const N: usize>(strikes: [&[HeardPitch]; N]) -> Vec<Strike> {
        let mut taken = Vec::new();
        for (onset, notes) in (0..).step_by(48_000).zip(strikes) {
            taken.push(Strike {
                onset: SampleIndex(onset),
                end: SampleIndex(onset + 48_000),
                stage: Stage::Whole,
                notes: notes.to_vec(),
                doubtful: Vec::new(),
                faint: Vec::new(),
                later: Vec::new(),
                combined: Vec::new(),
            });
            look_back(&mut taken);
        }
        taken
    }

    #[test]
    fn what_rings_and_was_not_heard_before_may_have_been_struck() {
        let sure = HeardPitch::sure;
        let strikes = looked_back([&[sure(50.0)], &[sure(57.0)], &[rings(61.0), sure(59.0)]]);
        let [doubtful] = &strikes[1].doubtful[..] else { panic!("{:?}", strikes[1].doubtful) };
        assert!(is_same(doubtful, &sure(61.0)) && !doubtful.is_struck());
        let strikes = looked_back([&[sure(61.0)], &[sure(57.0)], &[rings(61.0), sure(59.0)]]);
        assert!(strikes[1].doubtful.is_empty(), "it rang before");
        let strikes = looked_back([&[sure(50.0)], &[sure(57.0)], &[sure(61.0), sure(59.0)]]);
        assert!(strikes[1].doubtful.is_empty(), "it was struck later");
    }

    #[test]
    fn what_was_struck_rings_on_or_is_gone() {
        let sure = HeardPitch::sure;
        let struck = [sure(52.0), sure(57.0), sure(61.0), sure(64.0)];
        let next = [rings(57.0), rings(61.0), sure(64.0)];
        let strikes = looked_back([&[sure(61.0)], &struck, &next]);
        let lasting: Vec<Option<bool>> = strikes[1].notes.iter().map(|n| n.lasting).collect();
        assert_eq!(lasting, [Some(false), Some(true), None, None]);
        assert!(strikes[2].notes.iter().all(|n| n.lasting.is_none()), "nothing came after it");
    }

    #[test]
    fn what_faded_tells_nothing() {
        let sure = HeardPitch::sure;
        let mut strikes = looked_back([&[sure(50.0)], &[sure(57.0)]]);
        strikes[1].end = SampleIndex(70_000);
        strikes.push(Strike { onset: SampleIndex(96_000), ..strikes[0].clone() });
        look_back(&mut strikes);
        assert_eq!(strikes[1].notes[0].lasting, None);
    }
}
