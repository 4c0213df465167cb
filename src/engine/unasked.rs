//! How likely it is that a note was struck, where nobody asked for any.
//!
//! **What.** Log odds of a logistic model for each way in which a note may stand to the others of its strike.
//! **Conventions.** Even odds are 0; the weights are those of `benches/fit_unasked.py`.
//! **Limits.** A doubtful note on the fourth multiple of another and above is none (one in thirty was struck), nor is
//! a faint one on any.

mod weights;

use super::event::HeardPitch;
use super::event::Strike;
use crate::units::SampleRate;

/// How many signs of a note are weighed.
pub const SIGNS: usize = 12;
/// Log odds from which on a note is sure: of those told on double stops 97 of 100 were struck, and more.
pub const SURE: f64 = 2.0;
/// Signs count more, or less, from here on: log odds of what sounds and of having been struck, level in decibels.
const BENDS: [f64; 3] = [2.0, 2.0, -15.0];
/// The higher above this, in hertz, the more of what is not clear is a partial.
const HIGH_HZ: f64 = 440.0;
/// Notes lie on the same pitch, on a multiple of another's, or beside it, within so many cents.
const SAME_CENTS: f64 = 50.0;
const MULTIPLE_CENTS: f64 = 40.0;
const BESIDE_CENTS: f64 = 250.0;

/// How a note stands to the others of its strike.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It is one of [`Strike::notes`].
    Clear,
    /// Doubtful, and on no multiple of another.
    Alone,
    /// Doubtful, an octave above another.
    Octave,
    /// Doubtful, a twelfth above another.
    Twelfth,
    /// Faint, and on no multiple of another.
    Faint,
}

/// A note that may have been struck.
#[derive(Debug, Clone, Copy)]
pub struct Candidate<'a> {
    /// The note.
    pub note: &'a HeardPitch,
    /// How it stands to the others.
    pub standing: Standing,
    /// What tells whether it was struck: log odds that it sounds and that it was struck, and its level against the
    /// loudest, in decibels, each a second time from where it bends; the logarithm of how long the strike sounds, in
    /// seconds; whether the note rang before; semitones above A4, unless it is clear; whether the loudest note beside
    /// it is a semitone away, or a whole tone, and how many decibels louder that is.
    pub signs: [f64; SIGNS],
}

impl Candidate<'_> {
    /// Log odds that it was struck.
    pub fn log_odds(&self) -> f64 {
        let [bias, weights @ ..] = &weights::MODELS[self.standing as usize];
        bias + weights.iter().zip(&self.signs).map(|(weight, sign)| weight * sign).sum::<f64>()
    }
}

/// What may have been struck in `strike`, clear notes first, none twice.
pub fn candidates(strike: &Strike, rate: SampleRate) -> Vec<Candidate<'_>> {
    let every = strike.every_note();
    let loudest = every.map(|note| note.level.0).fold(f64::NEG_INFINITY, f64::max);
    let lasted_s = strike.end.seconds(rate) - strike.onset.seconds(rate);
    let mut told: Vec<Candidate<'_>> = Vec::new();
    let clear = strike.notes.iter().map(|note| (note, Some(Standing::Clear)));
    let doubtful = strike.doubtful.iter().map(|note| {
        let standing = match multiple(strike, note) {
            None => note.likely.then_some(Standing::Alone),
            Some(2) => Some(Standing::Octave),
            Some(3) => Some(Standing::Twelfth),
            Some(_) => None,
        };
        (note, standing)
    });
    let faint = strike
        .faint
        .iter()
        .map(|note| (note, multiple(strike, note).is_none().then_some(Standing::Faint)));
    for (note, standing) in clear.chain(doubtful).chain(faint) {
        let Some(standing) = standing else { continue };
        let signs = signs(strike, note, standing, [note.level.0 - loudest, lasted_s]);
        let candidate = Candidate { note, standing, signs };
        let same = |other: &&mut Candidate<'_>| cents(other.note, note).abs() < SAME_CENTS;
        match told.iter_mut().find(same) {
            None => told.push(candidate),
            Some(other) if other.standing == Standing::Faint => {
                if candidate.log_odds() > other.log_odds() {
                    *other = candidate;
                }
            }
            Some(_) => {}
        }
    }
    told
}

fn signs(
    strike: &Strike,
    note: &HeardPitch,
    standing: Standing,
    [level_db, lasted_s]: [f64; 2],
) -> [f64; SIGNS] {
    let sounds = (note.confidence.max(1e-4) / (1.0 - note.confidence).max(1e-4)).ln();
    let struck = note.struck_odds.clamp(-8.0, 15.0);
    let level_db = level_db.clamp(-60.0, 0.0);
    let beside = others(strike, note)
        .filter(|other| cents(other, note).abs() < BESIDE_CENTS)
        .max_by(|a, b| a.level.0.total_cmp(&b.level.0));
    let way = beside.map_or(0.0, |other| (cents(other, note).abs() / 100.0).round());
    let louder_db = beside.map_or(0.0, |other| (other.level.0 - note.level.0).clamp(-20.0, 40.0));
    let height = (note.frequency.get() / HIGH_HZ).log2();
    let one = |is: bool| f64::from(u8::from(is));
    let beyond = |value: f64, bend: f64| (value - bend).max(0.0);
    [
        sounds,
        beyond(sounds, BENDS[0]),
        struck,
        beyond(struck, BENDS[1]),
        level_db,
        beyond(level_db, BENDS[2]),
        lasted_s.clamp(0.05, 1.5).ln(),
        one(note.rang),
        if standing == Standing::Clear { 0.0 } else { 12.0 * height.max(0.0) },
        one(way == 1.0),
        one(way == 2.0),
        louder_db,
    ]
}

/// The least multiple of another's pitch, 2 at least, on which `note` lies.
fn multiple(strike: &Strike, note: &HeardPitch) -> Option<u32> {
    others(strike, note)
        .filter_map(|other| {
            let ratio = note.frequency.get() / other.frequency.get();
            let nearest = ratio.round();
            let is_on = (1200.0 * (ratio / nearest).log2()).abs() < MULTIPLE_CENTS;
            (is_on && (2.0..9.0).contains(&nearest)).then_some(nearest as u32)
        })
        .min()
}

/// What else sounds beside `note` by itself.
fn others<'a>(strike: &'a Strike, note: &'a HeardPitch) -> impl Iterator<Item = &'a HeardPitch> {
    let doubtful = strike.doubtful.iter().filter(|other| other.likely);
    let all = strike.notes.iter().chain(doubtful);
    all.filter(move |other| cents(other, note).abs() >= SAME_CENTS)
}

fn cents(note: &HeardPitch, from: &HeardPitch) -> f64 {
    note.frequency.cents_above(from.frequency).0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Stage;
    use crate::units::SampleIndex;

    const RATE: u32 = 1000;

    /// A strike of a second.
    fn strike(clear: &[HeardPitch], doubtful: &[HeardPitch], faint: &[HeardPitch]) -> Strike {
        Strike {
            onset: SampleIndex(0),
            end: SampleIndex(u64::from(RATE)),
            stage: Stage::Whole,
            notes: clear.to_vec(),
            doubtful: doubtful.to_vec(),
            faint: faint.to_vec(),
            later: Vec::new(),
            combined: Vec::new(),
        }
    }

    fn told(strike: &Strike) -> Vec<(i32, Standing)> {
        let rate = SampleRate::new(RATE).expect("positive");
        let midi = |hz: f64| (69.0 + 12.0 * (hz / 440.0).log2()).round() as i32;
        let told = candidates(strike, rate);
        told.iter().map(|one| (midi(one.note.frequency.get()), one.standing)).collect()
    }

    /// The second and third multiple of a pitch are its octave and twelfth, the fifth is two octaves and a third above
    /// it, 14 cents flat of the tempered one (common knowledge: 12 log2 of the multiple semitones).
    #[test]
    fn a_note_stands_to_the_others_by_its_ratio() {
        let sure = HeardPitch::sure;
        let hidden = |midi| HeardPitch { likely: false, ..sure(midi) };
        let above = [hidden(52.0), hidden(59.02), hidden(67.86), sure(46.0)];
        let strike = strike(&[sure(40.0)], &above, &[hidden(52.0), hidden(43.0)]);
        assert_eq!(
            told(&strike),
            [
                (40, Standing::Clear),
                (52, Standing::Octave),
                (59, Standing::Twelfth),
                (46, Standing::Alone),
                (43, Standing::Faint),
            ]
        );
    }

    #[test]
    fn the_body_and_what_sounds_already_are_told_once_or_not_at_all() {
        let sure = HeardPitch::sure;
        let body = HeardPitch { likely: false, ..sure(45.0) };
        let told = told(&strike(&[sure(60.0)], &[body, sure(60.1)], &[sure(60.2)]));
        assert_eq!(told, [(60, Standing::Clear)]);
    }

    /// From the open low string to the 17th fret of the highest.
    #[test]
    fn a_lone_clear_note_is_sure_wherever_it_lies() {
        let rate = SampleRate::new(RATE).expect("positive");
        for midi in 40..=81 {
            let strike = strike(&[HeardPitch::sure(f64::from(midi))], &[], &[]);
            let told: Vec<bool> = strike.likely_struck(rate).map(|(_, is_sure)| is_sure).collect();
            assert_eq!(told, [true], "{midi}");
        }
    }
}
