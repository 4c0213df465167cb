//! The fretting hand: what it holds, how far it stretches, how far it has to jump.
//!
//! **Conventions.** Frets are counted from the nut here, the capo added. A hand covers four frets,
//! one finger each, without moving; distances are millimetres along a string of
//! [`SCALE_MM`].
//! **Limits.** Fingerings are not searched: what is pointed out is hard for one finger a fret.
//! Thresholds are rules of thumb (common practice), no limits of any one hand.
//! **Reference.** Time of an aimed movement: P. M. Fitts, «The information capacity of the human
//! motor system», J. Exp. Psych. 47 (1954), in the form of I. S. MacKenzie, «Fitts' law as a
//! research and design tool», HCI 7 (1992).

use super::Lick;
use super::mark::Mark;
use super::mark::MoveKind;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::fretboard::fret_position;

/// Scale length assumed: that of the common steel-string guitar.
pub const SCALE_MM: f64 = 648.0;
/// A stretch beyond this is told: frets 3 to 7 span 113 mm, 4 to 8 span 107 (rule of thumb).
const WIDE_MM: f64 = 110.0;
/// Nobody stretches beyond this: frets 1 to 6 span 153 mm, 1 to 7 span 179 (rule of thumb).
const WIDEST_MM: f64 = 170.0;
/// Frets under one hand that does not move, the first counted as none.
const HAND_FRETS: u8 = 3;
/// Fingers that press strings.
const FINGERS: usize = 4;
/// Fitts: time of a movement of no difficulty, and of every bit of difficulty (typical of hand
/// movements, from memory).
const START_S: f64 = 0.05;
const PER_BIT_S: f64 = 0.1;

/// Strings that the hand presses, with the fret counted from the nut; open ones are left out.
pub type Grip = Vec<(StringNumber, Fret)>;

/// What the hand does in one step.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Hold {
    /// At the strike, with the targets of hammer-ons and pull-offs, which take a finger each.
    pub grip: Grip,
    /// What is still pressed when the step ends: after a slide, where it led.
    pub after: Grip,
}

/// A place that is hard to play.
#[derive(Debug, Clone, PartialEq)]
pub struct HardSpot {
    /// Number of the step.
    pub step: usize,
    /// What is hard.
    pub what: Hardship,
}

/// What makes a step hard.
#[derive(Debug, Clone, PartialEq)]
pub enum Hardship {
    /// Fingers far apart.
    Stretch {
        /// Lowest fret pressed, from the nut.
        from: Fret,
        /// Highest fret pressed, from the nut.
        to: Fret,
        /// Distance between the two.
        span_mm: f64,
    },
    /// More frets to press than fingers, barres counted.
    Fingers {
        /// Fingers needed.
        needed: usize,
    },
    /// A change of position that the tempo leaves too little time for.
    Jump {
        /// The step the hand comes from.
        from_step: usize,
        /// Frets the hand moves, up the neck positive.
        frets: i16,
        /// As far in millimetres.
        distance_mm: f64,
        /// Time that the tempo leaves.
        available_s: f64,
        /// Time that an aimed movement of this length takes.
        needed_s: f64,
    },
}

/// What the hand holds in every step.
pub fn holds(lick: &Lick) -> Vec<Hold> {
    let mut pressed: Vec<Option<Fret>> = vec![None; lick.tuning.n_strings()];
    lick.steps
        .iter()
        .map(|step| {
            let mut hold = Hold::default();
            for (((string, _), mark), pressed) in
                lick.tuning.strings().zip(&step.marks).zip(&mut pressed)
            {
                let mut fingers = Vec::new();
                *pressed = match mark {
                    Mark::NotPlayed | Mark::NaturalHarmonic(_) => None,
                    Mark::Held => *pressed,
                    Mark::ArtificialHarmonic { stopped, .. } => Some(*stopped),
                    Mark::Fretted { fret, moves } => {
                        fingers = hammered(*fret, moves);
                        // A bend is pressed at the fret it starts from.
                        let last = moves.iter().rfind(|next| next.kind != MoveKind::Bend);
                        Some(last.map_or(*fret, |next| next.to))
                    }
                };
                if fingers.is_empty() {
                    fingers.extend(*pressed);
                }
                let from_nut = |fret: &Fret| {
                    (fret.0 > 0).then(|| (string, Fret(fret.0.saturating_add(lick.capo))))
                };
                hold.grip.extend(fingers.iter().filter_map(from_nut));
                hold.after.extend(pressed.iter().filter_map(from_nut));
            }
            hold
        })
        .collect()
}

/// The frets that are pressed at the strike or soon after without moving the hand.
fn hammered(fret: Fret, moves: &[super::mark::Move]) -> Vec<Fret> {
    let in_place =
        moves.iter().take_while(|next| matches!(next.kind, MoveKind::HammerOn | MoveKind::PullOff));
    let mut frets = vec![fret];
    for next in in_place {
        if !frets.contains(&next.to) {
            frets.push(next.to);
        }
    }
    frets
}

/// The hard places of a lick at its tempo, in order.
pub fn hard_spots(lick: &Lick, holds: &[Hold]) -> Vec<HardSpot> {
    let mut spots = Vec::new();
    let mut came_from: Option<(usize, f64)> = None;
    for (index, (asked, hold)) in lick.expected().steps.iter().zip(holds).enumerate() {
        let now_s = asked.start_beats * 60.0 / lick.tempo_bpm;
        let number = index + 1;
        let mut tell = |what| spots.push(HardSpot { step: number, what });
        if let Some((from, to)) = ends(&hold.grip) {
            let span_mm = distance_mm(from, to);
            if span_mm > WIDE_MM {
                tell(Hardship::Stretch { from, to, span_mm });
            }
        }
        let needed = fingers(&hold.grip);
        if needed > FINGERS {
            tell(Hardship::Fingers { needed });
        }
        if let Some((from, since_s)) = came_from
            && let Some(jump) = jump(&holds[from].after, &hold.grip, from + 1, now_s - since_s)
        {
            tell(jump);
        }
        if !hold.after.is_empty() {
            came_from = Some((index, now_s));
        }
    }
    spots
}

/// The jump between two grips, if `available_s` is too short for it.
fn jump(from: &Grip, to: &Grip, from_step: usize, available_s: f64) -> Option<Hardship> {
    let (here, there) = shift(from, to)?;
    if here == there {
        return None;
    }
    let distance_mm = distance_mm(here.min(there), here.max(there));
    // The target is as wide as its fret.
    let target_mm = self::distance_mm(Fret(there.0.saturating_sub(1)), there);
    let needed_s = START_S + PER_BIT_S * (distance_mm / target_mm + 1.0).log2();
    let frets = i16::from(there.0) - i16::from(here.0);
    (available_s < needed_s).then_some(Hardship::Jump {
        from_step,
        frets,
        distance_mm,
        available_s,
        needed_s,
    })
}

/// Where the first finger is before and after the smallest change of position that leads from one
/// grip to the other; equal where the hand can stay. `None` if one presses nothing.
pub fn shift(from: &Grip, to: &Grip) -> Option<(Fret, Fret)> {
    // The first finger may lie anywhere from which the hand covers the grip.
    let reach = |grip: &Grip| {
        let (low, high) = ends(grip)?;
        Some((high.0.saturating_sub(HAND_FRETS).clamp(1, low.0.max(1)), low.0))
    };
    let ((a_low, a_high), (b_low, b_high)) = (reach(from)?, reach(to)?);
    Some(if a_high < b_low {
        (Fret(a_high), Fret(b_low))
    } else if b_high < a_low {
        (Fret(a_low), Fret(b_high))
    } else {
        (Fret(a_low.max(b_low)), Fret(a_low.max(b_low)))
    })
}

/// True if the grip needs no wide stretch.
pub fn is_within_a_hand(grip: &Grip) -> bool {
    ends(grip).is_none_or(|(low, high)| distance_mm(low, high) <= WIDE_MM)
}

/// True if no hand is wide enough for the grip.
pub fn is_beyond_any_hand(grip: &Grip) -> bool {
    ends(grip).is_some_and(|(low, high)| distance_mm(low, high) > WIDEST_MM)
}

fn ends(grip: &Grip) -> Option<(Fret, Fret)> {
    let frets = || grip.iter().map(|(_, fret)| *fret);
    Some((frets().min()?, frets().max()?))
}

fn distance_mm(low: Fret, high: Fret) -> f64 {
    SCALE_MM * (fret_position(high) - fret_position(low))
}

/// Fingers that a grip takes: one finger lies across neighbours at one fret as a barre, as long as
/// nothing between them is pressed lower.
fn fingers(grip: &Grip) -> usize {
    let mut needed = 0;
    for (index, (string, fret)) in grip.iter().enumerate() {
        let barred =
            grip[..index].iter().enumerate().rev().find(|(_, (_, f))| f == fret).is_some_and(
                |(before, (other, _))| {
                    other != string
                        && grip[before + 1..index].iter().all(|(_, between)| between > fret)
                },
            );
        needed += usize::from(!barred);
    }
    needed
}
