//! A take in, what was played in it out, for somebody who wants to write it down.
//!
//! **Conventions.** Blind: nothing is known of a lick. The offset of the guitar as a whole is taken off.
//! **Limits.** A harmonic is told as the note that it sounds.

use super::led::Came;
use super::led::Follower;
use super::led::Led;
use super::matching::place;
use super::offset::TOLD_OFFSET;
use super::offset::common_offset;
use super::strings;
use super::strum::Strum;
use super::talk::are_played;
use crate::engine::HeardPitch;
use crate::engine::SURE;
use crate::engine::Strike;
use crate::engine::Take;
use crate::engine::candidates;
use crate::lick::played;
use crate::lick::played::Note;
use crate::theory::fretboard::StringNumber;
use crate::theory::note::MidiNote;
use crate::theory::note::Reference;
use crate::units::Cents;
use crate::units::SampleRate;

/// Two notes of a double stop are a semitone apart at least, and at most an octave and a fourth (common practice), but for
/// half a semitone.
const A_NOTE_CENTS: f64 = 50.0;
const WIDEST_CENTS: f64 = 1750.0;
/// So many rounds settle how likely strikes are full.
const ROUNDS: usize = 20;

/// What was played in a take.
#[derive(Debug, Clone, PartialEq)]
pub struct Played {
    /// Every strike that holds a note, in order.
    pub strikes: Vec<played::Strike>,
    /// How sharp the guitar is as a whole, where that is worth a word.
    pub offset: Option<Cents>,
    /// When something was said, not struck, in seconds: left out.
    pub talked_s: Vec<f64>,
}

/// What becomes of talk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Talk {
    /// It is left out, as far as it is told from playing.
    LeftOut,
    /// There is none: all was played.
    Never,
}

impl Played {
    /// Tells what was played in `take` on `open` strings as they sound.
    pub fn of(
        take: &Take,
        open: &[(StringNumber, MidiNote)],
        reference: Reference,
        talk: Talk,
    ) -> Self {
        let all = Strum::unasked(take.rate).join(&take.strikes);
        let is_played = match talk {
            Talk::LeftOut => are_played(&all),
            Talk::Never => vec![true; all.len()],
        };
        let seconds = |strike: &Strike| strike.onset.seconds(take.rate);
        let talked = all.iter().zip(&is_played).filter(|(_, is_played)| !**is_played);
        let talked_s = talked.map(|(strike, _)| seconds(strike)).collect();
        let struck = all.into_iter().zip(is_played).filter(|(_, is_played)| *is_played);
        let struck: Vec<Strike> = struck.map(|(strike, _)| strike).collect();
        let offset =
            common_offset(&struck, reference).filter(|offset| offset.0.abs() >= TOLD_OFFSET);
        let placed = |pitch: &HeardPitch| place(pitch, reference, offset.unwrap_or(Cents(0.0)));
        let midi = |pitch: &HeardPitch| Some(placed(pitch)?.note);
        let mut told = Self { strikes: Vec::new(), offset, talked_s };
        let mut stiffness = Vec::new();
        let heard: Vec<Chances<'_>> =
            struck.iter().map(|strike| chances(strike, take.rate)).collect();
        let usual = usual_count(&heard);
        let fullness = fullness(&heard, usual);
        let mut follower = Follower::default();
        for (strike, chances) in struck.iter().zip(heard) {
            let notes = likeliest(chances, usual, fullness).into_iter();
            let notes = notes
                .filter_map(|(pitch, is_sure)| Some(Heard { note: midi(pitch)?, is_sure, pitch }));
            let mut notes: Vec<Heard<'_>> = notes.collect();
            if notes.is_empty() {
                continue;
            }
            notes.sort_by_key(|heard| (heard.note, !heard.is_sure));
            notes.dedup_by_key(|heard| heard.note);
            let end_s = strike.end.seconds(take.rate);
            let of_strike: Vec<_> = notes.iter().map(|heard| (heard.note, heard.pitch)).collect();
            let led = match follower.take(strike, take.rate, &of_strike, placed) {
                Came::Struck(led) => led,
                Came::Hammered { which, to, .. } => {
                    if let Some(before) = told.strikes.last_mut() {
                        before.notes[which].then.push(to);
                        before.end_s = end_s;
                    }
                    continue;
                }
            };
            // Of what may not be there nothing tells the string.
            let asked = |heard: &Heard<'_>| strings::Note {
                note: heard.note,
                stiffness: heard.pitch.stiffness.filter(|_| heard.is_sure),
                asked: None,
            };
            stiffness.push(notes.iter().map(asked).collect::<Vec<_>>());
            let notes = notes.iter().zip(&led).map(|(heard, led)| written(heard, led)).collect();
            told.strikes.push(played::Strike { start_s: seconds(strike), end_s, notes });
        }
        let likely = strings::likely_places(open, &stiffness);
        for (strike, likely) in told.strikes.iter_mut().zip(likely) {
            for (note, places) in strike.notes.iter_mut().zip(likely) {
                note.strings = places.iter().map(|likely| (likely.place.0, likely.heard)).collect();
            }
            // What began elsewhere may have been the lower of two.
            strike.notes.sort_by_key(|note| note.note);
        }
        told
    }
}

/// A note that a strike is told to hold.
struct Heard<'a> {
    note: MidiNote,
    is_sure: bool,
    pitch: &'a HeardPitch,
}

/// What may have been struck, the likeliest first, with log odds.
type Chances<'a> = Vec<(&'a HeardPitch, f64)>;

/// What may have been struck in `strike`; of what is not sure only what a hand reaches besides.
fn chances(strike: &Strike, rate: SampleRate) -> Chances<'_> {
    let mut all: Chances<'_> =
        candidates(strike, rate).iter().map(|one| (one.note, one.log_odds())).collect();
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut within: Chances<'_> = Vec::new();
    for (note, log_odds) in all {
        let cents = |other: &HeardPitch| other.tone().cents_from(&note.tone()).abs();
        let mut others = within.iter();
        let is_reached =
            others.all(|(other, _)| (A_NOTE_CENTS..WIDEST_CENTS).contains(&cents(other)));
        if log_odds > SURE || is_reached {
            within.push((note, log_odds));
        }
    }
    within
}

/// How many notes most strikes have for sure.
fn usual_count(strikes: &[Chances<'_>]) -> usize {
    let sure = |strike: &Chances<'_>| strike.iter().filter(|(_, odds)| *odds > SURE).count();
    let mut counts: Vec<usize> = strikes.iter().map(sure).filter(|&count| count > 0).collect();
    counts.sort_unstable();
    counts.get(counts.len() / 2).copied().unwrap_or(0)
}

/// Log odds that a strike has as many notes as `usual`, as the strikes themselves have it (empirical Bayes): each is
/// full as likely as the doubtful notes it takes, beside what most are.
fn fullness(strikes: &[Chances<'_>], usual: usize) -> f64 {
    let least = |strike: &Chances<'_>| match strike.get(..usual) {
        Some(notes) => notes.last().map_or(f64::INFINITY, |(_, odds)| *odds),
        None => f64::NEG_INFINITY,
    };
    let least: Vec<f64> = strikes.iter().map(least).collect();
    let mut fullness = 0.0;
    for _ in 0..ROUNDS {
        let full: f64 = least.iter().map(|odds| 1.0 / (1.0 + (-odds - fullness).exp())).sum();
        fullness = ((full + 0.5) / (least.len() as f64 - full + 0.5)).ln();
    }
    fullness.max(0.0)
}

/// The notes of a strike, each with whether it is sure: where most strikes have so many as `usual`, one with fewer has
/// the likeliest of what may be struck besides, and no other has any that is not sure.
fn likeliest(strike: Chances<'_>, usual: usize, fullness: f64) -> Vec<(&HeardPitch, bool)> {
    let told = strike.into_iter().enumerate().filter_map(|(i, (note, odds))| {
        let is_sure = odds > SURE;
        (is_sure || i < usual && odds > -fullness).then_some((note, is_sure))
    });
    told.collect()
}

/// `heard` as it is written: from the grace note it began with, to where it led.
fn written(heard: &Heard<'_>, led: &Led) -> Note {
    let grace = led.from.map(|(note, _)| note);
    let later = led.later.iter().map(|(pitch, _)| pitch.note);
    let then = grace.map(|_| heard.note).into_iter().chain(later).collect();
    let note = grace.unwrap_or(heard.note);
    Note { note, is_sure: heard.is_sure, strings: Vec::new(), then }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Grace;
    use crate::engine::Stage;
    use crate::theory::fretboard::Tuning;
    use crate::units::Decibels;
    use crate::units::SampleCount;
    use crate::units::SampleIndex;
    use crate::units::SampleRate;

    const RATE: u32 = 48_000;

    /// A strike a second; notes that ring on have small odds of having been struck.
    fn take(strikes: &[(&[HeardPitch], &[HeardPitch])]) -> Take {
        let strike = |(second, (notes, doubtful)): (u64, &(&[HeardPitch], &[HeardPitch]))| Strike {
            onset: SampleIndex(second * u64::from(RATE)),
            end: SampleIndex((second + 1) * u64::from(RATE)),
            stage: Stage::Whole,
            notes: notes.to_vec(),
            doubtful: doubtful.to_vec(),
            faint: Vec::new(),
            later: Vec::new(),
            combined: Vec::new(),
        };
        Take {
            rate: SampleRate::new(RATE).expect("positive"),
            length: SampleCount(u64::from(RATE) * (strikes.len() as u64 + 1)),
            strikes: (0..).zip(strikes).map(strike).collect(),
            unclear: Vec::new(),
            holes: Vec::new(),
            clipped: SampleCount(0),
        }
    }

    fn odds(midi: f64, struck_odds: f64) -> HeardPitch {
        HeardPitch { struck_odds, ..HeardPitch::sure(midi) }
    }

    /// The notes of every strike, `?` behind one that is not sure, `>` before what it became.
    fn told(strikes: &[(&[HeardPitch], &[HeardPitch])]) -> String {
        told_of(&take(strikes))
    }

    fn told_of(take: &Take) -> String {
        let open: Vec<_> = Tuning::default().strings().collect();
        let played = Played::of(take, &open, Reference::default(), Talk::LeftOut);
        let note = |note: &Note| {
            let then: String = note.then.iter().map(|to| format!(">{}", to.0)).collect();
            format!("{}{}{then}", note.note.0, if note.is_sure { "" } else { "?" })
        };
        let strike = |s: &played::Strike| s.notes.iter().map(note).collect::<Vec<_>>().join(" ");
        played.strikes.iter().map(strike).collect::<Vec<_>>().join(", ")
    }

    const STRUCK: f64 = 9.0;
    const RINGS: f64 = -9.0;

    #[test]
    fn among_double_stops_one_note_is_joined_by_what_may_be_struck() {
        let sure = [60.0, 64.0].map(HeardPitch::sure);
        let lone = [odds(60.0, -1.0), odds(65.0, STRUCK)];
        let far = [odds(84.0, -1.0), odds(65.0, STRUCK)];
        let (a, b) = ((&sure[..], &[][..]), (&lone[..], &[][..]));
        assert_eq!(told(&[a, b, a]), "60 64, 60? 65, 60 64");
        assert_eq!(told(&[a, (&far, &[]), a]), "60 64, 65, 60 64", "no hand reaches that");
        let single = [odds(67.0, STRUCK)];
        let c = (&single[..], &[][..]);
        assert_eq!(told(&[c, b, b, c]), "67, 65, 65, 67", "among single notes it rings on");
        let extra = [HeardPitch { confidence: 0.5, ..odds(67.0, 2.0) }];
        assert_eq!(told(&[a, (&sure, &extra), a]), "60 64, 60 64, 60 64", "doubtful besides");
    }

    #[test]
    fn one_new_note_beside_one_that_rings_on_was_hammered() {
        let sure = [60.0, 64.0].map(HeardPitch::sure);
        let soft = |midi| HeardPitch { level: Decibels(-26.0), ..odds(midi, STRUCK) };
        let hammered = [soft(62.0), odds(64.0, RINGS)];
        let alone = [soft(62.0)];
        let far = [soft(67.0), odds(64.0, RINGS)];
        let down = [soft(62.0), odds(60.0, RINGS)];
        let plucked = [odds(62.0, STRUCK), odds(64.0, RINGS)];
        let a = (&sure[..], &[][..]);
        assert_eq!(told(&[a, (&hammered, &[]), a, a]), "60>62 64, 60 64, 60 64");
        assert_eq!(told(&[a, (&down, &[]), a, a]), "60 64>62, 60 64, 60 64");
        assert_eq!(told(&[a, (&alone, &[]), a, a]), "60 64, 62, 60 64, 60 64", "struck by itself");
        assert_eq!(told(&[a, (&far, &[]), a, a]), "60 64, 67, 60 64, 60 64", "too far");
        assert_eq!(told(&[a, (&plucked, &[]), a, a]), "60 64, 62, 60 64, 60 64", "too loud");
    }

    #[test]
    fn what_began_with_a_grace_note_is_written_from_it() {
        let graced = |from: f64, to: f64| {
            let frequency = Some(HeardPitch::sure(from).frequency);
            HeardPitch {
                grace: Some(Grace { frequency, until: SampleIndex(0) }),
                ..odds(to, STRUCK)
            }
        };
        let other = odds(64.0, STRUCK);
        assert_eq!(told(&[(&[graced(62.0, 60.0), other], &[])]), "62>60 64");
        assert_eq!(
            told(&[(&[graced(65.0, 63.0), other], &[])]),
            "64 65>63",
            "rising where it begins"
        );
        assert_eq!(
            told(&[(&[graced(64.0, 63.0), other], &[])]),
            "63 64",
            "the other string's note"
        );
        let unheard = Some(Grace { frequency: None, until: SampleIndex(0) });
        let from_somewhere = HeardPitch { grace: unheard, ..odds(60.0, STRUCK) };
        assert_eq!(told(&[(&[from_somewhere, other], &[])]), "60 64");
    }

    #[test]
    fn what_follows_at_once_and_softer_was_not_struck_again() {
        let sure = [60.0, 64.0].map(HeardPitch::sure);
        let soft = |midi| HeardPitch { level: Decibels(-26.0), ..odds(midi, STRUCK) };
        let after = |ms: u64, second: &[HeardPitch]| {
            let mut take = take(&[(&sure, &[]), (second, &[]), (&sure, &[]), (&sure, &[])]);
            take.strikes[1].onset = SampleIndex(ms * u64::from(RATE) / 1000);
            take.strikes[0].end = take.strikes[1].onset;
            told_of(&take)
        };
        assert_eq!(after(110, &[soft(62.0), soft(64.0)]), "60>62 64, 60 64, 60 64");
        assert_eq!(after(110, &[soft(62.0), odds(64.0, STRUCK)]), "60 64, 62 64, 60 64, 60 64");
        assert_eq!(after(150, &[soft(62.0), soft(64.0)]), "60 64, 62 64, 60 64, 60 64", "a strike");
    }

    #[test]
    fn what_is_said_is_left_out_even_where_it_holds_still() {
        let sure = [60.0, 64.0].map(HeardPitch::sure);
        let voice = [HeardPitch { error_cents: Some(20.0), ..odds(57.0, STRUCK) }];
        let (a, b) = ((&sure[..], &[][..]), (&voice[..], &[][..]));
        let steady = [HeardPitch { error_cents: Some(1.5), ..odds(57.0, STRUCK) }];
        let c = (&steady[..], &[][..]);
        assert_eq!(told(&[b, b, b, a, a, a, a]), "60 64, 60 64, 60 64, 60 64");
        assert_eq!(told(&[b, c, b, b, b, a, a, a, a, b, b, c, b, b]), "60 64, 60 64, 60 64, 60 64");
        assert_eq!(told(&[a, a, b, a, a]), "60 64, 60 64, 57, 60 64, 60 64", "a string that moved");
    }
}
