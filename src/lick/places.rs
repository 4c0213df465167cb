//! Other places on the neck for the same double stop.

use super::Lick;
use super::facts::SoundingNote;
use super::facts::StepFacts;
use super::hand::Grip;
use super::hand::Hold;
use super::hand::is_within_a_hand;
use super::hand::shift;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::LAST_FRET;
use crate::theory::fretboard::StringNumber;

/// A pair of strings and frets that sounds the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OtherPlace {
    /// String and fret of the lower note, as a lick writes it.
    pub low: (StringNumber, Fret),
    /// String and fret of the upper note.
    pub high: (StringNumber, Fret),
    /// Frets that the hand has to move from the step before, up the neck positive; 0 where it
    /// reaches it without moving. `None` where nothing was pressed before or is pressed here.
    pub shift_frets: Option<i16>,
}

/// For every step, the other places of its double stop that a hand can hold, the nearest first;
/// empty for steps of more or fewer notes, of harmonics and of chains.
pub fn other_places(lick: &Lick, steps: &[StepFacts], holds: &[Hold]) -> Vec<Vec<OtherPlace>> {
    let nothing = Grip::new();
    let mut before = &nothing;
    steps
        .iter()
        .zip(holds)
        .map(|(step, hold)| {
            let places = match &step.moments[..] {
                [moment] => moment.double_stop().map(|[low, high]| places(lick, low, high, before)),
                _ => None,
            };
            if !hold.after.is_empty() {
                before = &hold.after;
            }
            places.unwrap_or_default()
        })
        .collect()
}

fn places(lick: &Lick, low: &SoundingNote, high: &SoundingNote, before: &Grip) -> Vec<OtherPlace> {
    if !low.is_plain() || !high.is_plain() {
        return Vec::new();
    }
    let frets = |note: &SoundingNote| -> Vec<(StringNumber, Fret)> {
        lick.tuning
            .strings()
            .filter_map(|(string, open)| {
                let fret = note.played.note.0.checked_sub(open.0)?.checked_sub(lick.capo)?;
                (fret.checked_add(lick.capo)? <= LAST_FRET.0).then_some((string, Fret(fret)))
            })
            .collect()
    };
    let from_nut = |(string, fret): (StringNumber, Fret)| {
        (fret.0 > 0).then_some((string, Fret(fret.0 + lick.capo)))
    };
    let unison = low.played.note == high.played.note;
    let written = (low.played.string, high.played.string);
    let mut places = Vec::new();
    for low in frets(low) {
        for high in frets(high) {
            let grip: Grip = [low, high].into_iter().filter_map(from_nut).collect();
            // Two strings in unison are one place, whichever is named first.
            let mirrored = unison && low.0 < high.0;
            if low.0 == high.0 || (low.0, high.0) == written || mirrored || !is_within_a_hand(&grip)
            {
                continue;
            }
            let shift_frets =
                shift(before, &grip).map(|(here, there)| i16::from(there.0) - i16::from(here.0));
            places.push(OtherPlace { low, high, shift_frets });
        }
    }
    places.sort_by_key(|place| {
        let (low, high) = (place.low.1, place.high.1);
        (place.shift_frets.map_or(0, i16::abs), low.0.abs_diff(high.0), low.max(high), place.low.0)
    });
    places
}
