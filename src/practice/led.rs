//! Where strings went without being struck, unasked: grace notes, hammer-ons, pull-offs and slides.
//!
//! **Conventions.** Blind: nothing is known of a lick. What is not heard well is not told.
//! **Limits.** Whether a string was hammered on, pulled off, slid or bent is not heard. Whether it was hammered on or
//! struck by itself is told by how loud it is, where another rings on; else it counts as struck.

use super::talk::UNSTEADY_CENTS;
use super::verdict::Pitch;
use crate::engine::HeardPitch;
use crate::engine::LaterNote;
use crate::engine::Strike;
use crate::theory::note::MidiNote;
use crate::units::Decibels;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// A finger moves so far on a string that sounds, in semitones (common practice).
const REACH: u8 = 5;
/// … without sliding.
const HAMMERED: u8 = 2;

/// What is so much softer than the strike was is left of damped strings, and no move, in decibels.
const FADED_DB: f64 = 25.0;
/// A grace note is over within this, in seconds (common practice: it takes what a thirty-second does).
const GRACE_S: f64 = 0.13;
/// Of shorter strikes no move is told, in seconds: false ones take more from what is written than true ones give.
const MOVES_S: f64 = 0.32;

/// A note that a strike is told to hold.
pub type Told<'a> = (MidiNote, &'a HeardPitch);

/// What became of strings with a strike.
#[derive(Debug, Clone, PartialEq)]
pub enum Came {
    /// They were struck: how each note that is told went.
    Struck(Vec<Led>),
    /// None was: one of the strike before was hammered on or pulled off.
    Hammered {
        /// Which of the notes of that strike.
        which: usize,
        /// What it was.
        from: MidiNote,
        /// What it became.
        to: MidiNote,
    },
}

/// How a note that was struck went.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Led {
    /// The grace note that it began with, and when the string had moved on from that.
    pub from: Option<(MidiNote, SampleIndex)>,
    /// What it became, in order, and when.
    pub later: Vec<(Pitch, SampleIndex)>,
}

/// Follows the strings from strike to strike.
#[derive(Debug, Clone, Default)]
pub struct Follower {
    before: Sounding,
    now: Sounding,
    /// Onset of the strike that was followed last.
    at: Option<SampleIndex>,
}

/// What a strike left sounding.
#[derive(Debug, Clone, Default)]
struct Sounding {
    onset: SampleIndex,
    notes: Vec<Sound>,
}

/// A note, what it has become since, and how loud it was struck.
#[derive(Debug, Clone, Copy)]
struct Sound {
    struck: MidiNote,
    now: MidiNote,
    level: Decibels,
}

impl Follower {
    /// Takes the next `strike`, told to hold `notes`, or the last one once more as it is known by now; `place` tells
    /// what note a pitch is.
    pub fn take(
        &mut self,
        strike: &Strike,
        rate: SampleRate,
        notes: &[Told<'_>],
        place: impl Fn(&HeardPitch) -> Option<Pitch>,
    ) -> Came {
        if self.at.replace(strike.onset) != Some(strike.onset) {
            self.before = std::mem::take(&mut self.now);
        }
        if let Some((which, to)) = self.before.hammered(strike, rate, notes, &place) {
            self.now = self.before.clone();
            let from = std::mem::replace(&mut self.now.notes[which].now, to);
            return Came::Hammered { which, from, to };
        }
        let led = led(strike, rate, notes, &place);
        let sound = |(&(struck, pitch), led): (&Told<'_>, &Led)| {
            let now = led.later.last().map_or(struck, |(pitch, _)| pitch.note);
            Sound { struck, now, level: pitch.level }
        };
        let sounds = notes.iter().zip(&led).map(sound).collect();
        self.now = match notes {
            [] => self.before.clone(),
            _ => Sounding { onset: strike.onset, notes: sounds },
        };
        Came::Struck(led)
    }
}

impl Sounding {
    /// Which note was hammered on or pulled off with `strike`, and where to: to the one of `notes` that is new, beside
    /// what rings, and in no time at all beside what was plucked in the strike before too.
    fn hammered(
        &self,
        strike: &Strike,
        rate: SampleRate,
        notes: &[Told<'_>],
        place: impl Fn(&HeardPitch) -> Option<Pitch>,
    ) -> Option<(usize, MidiNote)> {
        let is_quick = strike.onset.seconds(rate) - self.onset.seconds(rate) < GRACE_S;
        // A finger that falls on a string, or leaves it, sounds it softer than the pick did (common practice), and
        // nobody strikes again at once what sounds.
        let is_softer = |pitch: &HeardPitch, than: &Sound| pitch.level.0 < than.level.0;
        let goes_on = |(note, pitch): &&Told<'_>| {
            let mut same = self.notes.iter().filter(|sound| sound.struck == *note);
            is_quick && same.any(|sound| is_softer(pitch, sound))
        };
        let new: Vec<&Told<'_>> = notes.iter().filter(|told| !goes_on(told)).collect();
        let [&(to, pitch)] = new[..] else { return None };
        let still = |note: MidiNote| {
            let mut goes_on = notes.iter().filter(goes_on);
            rings(strike, note, &place) || goes_on.any(|(told, _)| *told == note)
        };
        // It is near and gone, and another one rings on.
        let all = self.notes.iter().map(|sound| sound.now).enumerate();
        let gone = all.clone().filter(|(_, now)| !still(*now));
        let which = nearest(gone, to, HAMMERED)?;
        let any_rings = all.clone().any(|(_, now)| still(now));
        (any_rings && is_softer(pitch, &self.notes[which])).then_some((which, to))
    }
}

/// Where each of the `notes` of a `strike` came from and led.
fn led(
    strike: &Strike,
    rate: SampleRate,
    notes: &[Told<'_>],
    place: impl Fn(&HeardPitch) -> Option<Pitch>,
) -> Vec<Led> {
    let graces = notes.iter().map(|(_, pitch)| grace(pitch, notes, &place));
    let mut led: Vec<Led> = graces.map(|from| Led { from, later: Vec::new() }).collect();
    for later in moves(strike, rate) {
        // What rings there already was reached by no string.
        let to = place(&later.pitch).filter(|to| !rings(strike, to.note, &place));
        let Some(to) = to else { continue };
        let now = |(led, &(note, _)): (&Led, &Told<'_>)| {
            led.later.last().map_or(note, |(pitch, _)| pitch.note)
        };
        let all = led.iter().zip(notes).map(now).enumerate();
        if let Some(which) = nearest(all, to.note, REACH) {
            led[which].later.push((to, later.start));
        }
    }
    led
}

/// Whether `note` rings on while a `strike` sounds.
fn rings(strike: &Strike, note: MidiNote, place: impl Fn(&HeardPitch) -> Option<Pitch>) -> bool {
    let mut ringing = strike.notes.iter().filter(|heard| !heard.is_struck());
    ringing.any(|heard| place(heard).is_some_and(|pitch| pitch.note == note))
}

/// Which of `notes` is nearest to `to`, so many semitones off at most, but not there already.
fn nearest(
    notes: impl Iterator<Item = (usize, MidiNote)>,
    to: MidiNote,
    reach: u8,
) -> Option<usize> {
    let ways = notes.map(|(which, note)| (which, note.0.abs_diff(to.0)));
    let nearest = ways.min_by_key(|(_, way)| *way);
    nearest.filter(|(_, way)| (1..=reach).contains(way)).map(|(which, _)| which)
}

/// The grace note that `pitch` began with, if it is none of the `notes` of its strike.
fn grace(
    pitch: &HeardPitch,
    notes: &[Told<'_>],
    place: impl Fn(&HeardPitch) -> Option<Pitch>,
) -> Option<(MidiNote, SampleIndex)> {
    let grace = pitch.grace?;
    let from = place(&HeardPitch { frequency: grace.frequency?, ..*pitch })?.note;
    notes.iter().all(|(note, _)| *note != from).then_some((from, grace.until))
}

/// Where a strike led, as far as it is heard well.
fn moves(strike: &Strike, rate: SampleRate) -> impl Iterator<Item = &LaterNote> {
    let is_long = strike.end.seconds(rate) - strike.onset.seconds(rate) > MOVES_S;
    let loudest = strike.notes.iter().map(|note| note.level.0).fold(f64::NEG_INFINITY, f64::max);
    strike.later.iter().filter(move |later| {
        let pitch = &later.pitch;
        let is_steady = pitch.error_cents.is_some_and(|error| error < UNSTEADY_CENTS);
        is_long && pitch.likely && is_steady && pitch.level.0 > loudest - FADED_DB
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Stage;
    use crate::practice::matching::place;
    use crate::theory::note::Reference;
    use crate::units::Cents;

    const RATE: u32 = 1000;

    fn rings(midi: f64) -> HeardPitch {
        HeardPitch { struck_odds: -9.0, ..HeardPitch::sure(midi) }
    }

    /// A strike of 0.9 s that leads to this note after half a second.
    fn strike(at_ms: u64, notes: &[HeardPitch], to: Option<HeardPitch>) -> Strike {
        let later = |pitch| LaterNote { pitch, start: SampleIndex(at_ms + 500) };
        Strike {
            onset: SampleIndex(at_ms),
            end: SampleIndex(at_ms + 900),
            stage: Stage::Whole,
            notes: notes.to_vec(),
            doubtful: Vec::new(),
            faint: Vec::new(),
            later: to.map(later).into_iter().collect(),
            combined: Vec::new(),
        }
    }

    fn follow(follower: &mut Follower, strike: &Strike) -> Came {
        let rate = SampleRate::new(RATE).expect("positive");
        let placed = |pitch: &HeardPitch| place(pitch, Reference::default(), Cents(0.0));
        let struck = strike.notes.iter().filter(|note| note.is_struck());
        let told: Vec<Told<'_>> =
            struck.map(|note| (placed(note).expect("a note").note, note)).collect();
        follower.take(strike, rate, &told, placed)
    }

    /// What each note of a strike led to.
    fn later(came: &Came) -> Vec<Vec<u8>> {
        let Came::Struck(led) = came else { return Vec::new() };
        let numbers = |led: &Led| led.later.iter().map(|(pitch, _)| pitch.note.0).collect();
        led.iter().map(numbers).collect()
    }

    #[test]
    fn a_string_leads_where_it_reaches_and_nothing_sounds_yet() {
        let sure = HeardPitch::sure;
        let to = |notes: &[HeardPitch], to: HeardPitch| {
            later(&follow(&mut Follower::default(), &strike(0, notes, Some(to))))
        };
        let nowhere: [Vec<u8>; 2] = [Vec::new(), Vec::new()];
        let pair = [sure(60.0), sure(67.0)];
        assert_eq!(to(&pair, sure(62.0)), [vec![62], vec![]]);
        assert_eq!(to(&pair, sure(72.0)), [vec![], vec![72]]);
        assert_eq!(to(&pair, sure(73.0)), nowhere, "out of reach");
        assert_eq!(to(&pair, sure(67.0)), nowhere, "the other string's note");
        assert_eq!(to(&[sure(60.0), rings(62.0), sure(67.0)], sure(62.0)), nowhere, "it rang on");
        assert_eq!(
            to(&pair, HeardPitch { level: Decibels(-50.0), ..sure(62.0) }),
            nowhere,
            "faded"
        );
        assert_eq!(
            to(&pair, HeardPitch { error_cents: Some(9.0), ..sure(62.0) }),
            nowhere,
            "unsteady"
        );
    }

    #[test]
    fn a_string_is_hammered_on_from_where_it_went() {
        let sure = HeardPitch::sure;
        let soft = |midi| HeardPitch { level: Decibels(-26.0), ..sure(midi) };
        let first = strike(0, &[sure(60.0), sure(67.0)], Some(sure(62.0)));
        let second = strike(1000, &[soft(64.0), rings(67.0)], None);
        let third = strike(2000, &[soft(62.0), rings(67.0)], None);
        let mut follower = Follower::default();
        for (strike, way) in [(&first, None), (&second, Some((62, 64))), (&third, Some((64, 62)))] {
            // Live, each is told more than once.
            for _ in 0..2 {
                let way = way.map(|(from, to)| Came::Hammered {
                    which: 0,
                    from: MidiNote(from),
                    to: MidiNote(to),
                });
                let came = follow(&mut follower, strike);
                assert_eq!(Some(came).filter(|came| later(came).is_empty()), way);
            }
        }
    }
}
