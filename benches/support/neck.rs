//! Notes by string and fret, in standard tuning.

use std::ops::Range;

use super::cases::Placed;
use super::cases::Random;
use super::corpus::Note;
use super::corpus::Set;

/// A string (1 = highest) and a fret.
pub type Place = (u8, u8);

/// Open strings, the first string first (ISO 16, MIDI numbers).
const OPEN: [i32; 6] = [64, 59, 55, 50, 45, 40];

/// MIDI number of a place.
pub fn midi((string, fret): Place) -> i32 {
    OPEN[usize::from(string) - 1] + i32::from(fret)
}

/// The places of a chord shape: a fret or `x` per string, lowest string first, `up` frets up.
pub fn places(shape: &str, up: u8) -> Vec<Place> {
    (1..=6)
        .rev()
        .zip(shape.split_whitespace())
        .filter_map(|(string, mark)| Some((string, mark.parse::<u8>().ok()? + up)))
        .collect()
}

/// `place` a semitone off, on the same string; `None` if `others` sound there already.
pub fn semitone_off(place: Place, others: &[Place], random: &mut Random) -> Option<Place> {
    let (string, fret) = place;
    let fret = if random.below(2) == 0 { fret + 1 } else { fret.checked_sub(1)? };
    let wrong = (string, fret);
    others.iter().all(|&other| midi(other) != midi(wrong)).then_some(wrong)
}

/// A note of `set` for each of `places`, struck from `start_s` on in the given order, each some time
/// out of `gap_s` after the one before, within ±3 dB.
pub fn strum<'a>(
    set: &'a Set,
    places: &[Place],
    start_s: f64,
    gap_s: Range<f64>,
    random: &mut Random,
) -> Option<Vec<Placed<'a>>> {
    let mut at_s = start_s;
    let notes: Option<Vec<&Note>> =
        places.iter().map(|&place| set.at(place, midi(place), random)).collect();
    let placed = notes?.into_iter().map(|note| {
        let now_s = at_s;
        at_s += random.between(gap_s.start, gap_s.end);
        let gain_db = random.between(-3.0, 3.0);
        Placed { note, start_s: now_s, end_s: f64::INFINITY, gain_db }
    });
    Some(placed.collect())
}

/// Notes with their strings, in the order in which they are struck, each sounding until its string is struck again,
/// `rings_s` at most.
pub fn ringing(mut placed: Vec<(u8, Placed<'_>)>, rings_s: f64) -> Vec<Placed<'_>> {
    for i in 0..placed.len() {
        let (string, note) = placed[i];
        let again = placed[i + 1..].iter().find(|p| p.0 == string).map(|p| p.1.start_s);
        let faded_s = note.start_s + rings_s;
        // Where it stops it must not sound into the strike after it.
        placed[i].1.end_s = again.map_or(faded_s, |at_s| (at_s - 0.02).min(faded_s));
    }
    placed.into_iter().map(|p| p.1).collect()
}
