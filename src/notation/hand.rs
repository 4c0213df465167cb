//! Strings and frets for notes that come without them, so that the hand keeps still.
//!
//! **Rule.** The hand lies at its lowest stopped fret. Of all ways to lay the notes on the strings,
//! no two at once on one string, the one is taken whose sum of hand movements is least; every fret
//! past the twelfth, where the neck meets the body, counts as a movement of one fret, a string that is
//! unlikely by what is known of the note as many as it says, a stretch of
//! more than four frets as much as moving the hand from end to end, and between equals the lower
//! position wins. An open string belongs to the hand that lies by the nut: beside one further up,
//! which cannot damp it and whose notes sound otherwise, it counts as the way down there, unless it is
//! the bass below them. Double stops that follow each other slide along their strings; to leave both
//! for others counts as moving on by the width of the hand, unless a pause as long as the notes gives
//! time for it. A note keeps its string as long as it sounds, and slides on a stopped one
//! where it can.
//! **Limits.** Where no way exists, notes that still sound are cut short, and after that notes are
//! left out from the middle of the chord; both are told.

use std::collections::BTreeMap;
use std::ops::Sub;

use super::remarks::Remarks;
use crate::lick::Lick;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::LAST_FRET;
use crate::theory::fretboard::StringNumber;
use crate::theory::fretboard::Tuning;
use crate::theory::note::MidiNote;

/// Frets a hand spans without a stretch, one finger each: the last less the first.
const SPAN: u8 = 3;

/// The highest place of a hand that has open strings beside it: its four fingers are on the frets that
/// open chords are made of, or next to them (common practice).
const BY_THE_NUT: u8 = SPAN + 1;

/// The strings from here down are the thumb's (common practice).
const HIGHEST_OF_THUMB: StringNumber = StringNumber(4);

/// What a string that a double stop leaves for another counts, in frets.
const CROSSING: u32 = 2;

/// The last fret before the neck meets the body (common practice).
const FREE: u8 = 12;

/// D2, the sixth string a whole tone down: the commonest other tuning (common practice).
const DROPPED_D: MidiNote = MidiNote(38);

/// What a movement of one fret costs; less decides between equals.
const A_FRET: f64 = 100.0;

/// A slide to an open string, or from one, costs so many frets: it is better than none.
const OPEN_SLIDE: f64 = 240.0;

/// Notes that sound at once, as many as a step of a lick can hold.
const MAX_NOTES: usize = 6;

/// Tries at laying one onset. Six notes on six strings take at most 1 957.
const MAX_TRIES: usize = 10_000;

/// A note to be laid on a string, between two instants.
#[derive(Debug, Clone)]
pub(super) struct Wanted<T> {
    /// When it begins.
    pub start: T,
    /// When it ends.
    pub end: T,
    /// What sounds at first.
    pub note: MidiNote,
    /// Frets of movement that each string costs besides, where something is known of it.
    pub unlikely: Vec<(StringNumber, f64)>,
    /// Semitones it slides below that at most.
    pub down: u8,
    /// Semitones it slides above that at most.
    pub up: u8,
}

/// Where a note lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Placed<T> {
    pub string: StringNumber,
    /// Counted from the capo.
    pub fret: Fret,
    /// When it ends; sooner than wanted if its string was needed.
    pub end: T,
}

/// String and fret of one note after another.
type Layout = Vec<(StringNumber, u8)>;

/// What the hand does at an onset, as far as it matters to the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
struct Hand {
    /// The fret it lies at; `None` while only open strings have been played.
    position: Option<u8>,
    /// The strings of the double stop that is struck, the lower note's first.
    pair: Option<[StringNumber; 2]>,
}

/// The cost of the cheapest way to have each hand, and which way that is.
type Hands = BTreeMap<Hand, (u32, usize)>;

/// One way to lay what sounds at an onset: string and fret of each note in `sounding` order.
struct Way {
    places: Layout,
    hand: Hand,
    cost: u32,
    before: usize,
}

/// An onset with everything that sounds there and the ways to lay it.
struct Onset {
    sounding: Vec<usize>,
    ways: Vec<Way>,
}

/// Lays `notes`, ordered by start, on `open` strings as they sound at the capo. `None` for a note
/// that cannot be laid.
pub(super) fn place<T: Ord + Copy + Sub<Output = T>>(
    notes: &[Wanted<T>],
    open: &[(StringNumber, MidiNote)],
    capo: Fret,
) -> Vec<Option<Placed<T>>> {
    let last = LAST_FRET.0.saturating_sub(capo.0);
    let choices: Vec<Layout> = notes.iter().map(|note| choices(note, open, last)).collect();
    let unlikely = |note: usize, (string, fret): (StringNumber, u8)| {
        let note = &notes[note];
        let known = note.unlikely.iter().find(|(other, _)| *other == string);
        let slides_open = (note.down > 0 || note.up > 0) && fret <= note.down;
        let open = if slides_open { OPEN_SLIDE } else { 0.0 };
        (A_FRET * (known.map_or(0.0, |(_, frets)| *frets) + open)).round() as u32
    };
    let mut ends: Vec<T> = notes.iter().map(|note| note.end).collect();
    let mut onsets: Vec<Onset> = Vec::new();
    let mut next = 0;
    while next < notes.len() {
        let now = notes[next].start;
        let mut fresh: Vec<usize> =
            (next..notes.len()).take_while(|&i| notes[i].start == now).collect();
        next += fresh.len();
        fresh.retain(|&i| !choices[i].is_empty());
        fresh.sort_by_key(|&i| notes[i].note);
        let before = onsets.last();
        let rested = before.is_some_and(|onset| {
            let start = onset.sounding.last().map(|&i| notes[i].start);
            let end = onset.sounding.iter().map(|&i| ends[i]).max();
            let is_pause =
                |(start, end): (T, T)| (start..=now).contains(&end) && now - end >= end - start;
            start.zip(end).is_some_and(is_pause)
        });
        let sounding = before.map_or(&[][..], |onset| &onset.sounding);
        let held: Vec<usize> = (0..sounding.len()).filter(|&i| ends[sounding[i]] > now).collect();
        let mut kept: Vec<usize> = held.iter().map(|&i| sounding[i]).collect();
        while held.len() + fresh.len() > MAX_NOTES && !fresh.is_empty() {
            fresh.remove(fresh.len() / 2);
        }
        let extended = |held: &[usize], fresh: &[usize]| {
            extend(before, rested, held, fresh, &choices, unlikely)
        };
        let mut ways = extended(&held, &fresh);
        if ways.is_empty() && !held.is_empty() {
            for note in kept.drain(..) {
                ends[note] = now;
            }
            ways = extended(&[], &fresh);
        }
        while ways.is_empty() && !fresh.is_empty() {
            fresh.remove(fresh.len() / 2);
            ways = extended(&[], &fresh);
        }
        if !ways.is_empty() {
            kept.extend(&fresh);
            onsets.push(Onset { sounding: kept, ways });
        }
    }
    let mut placed = vec![None; notes.len()];
    let cheapest = |onset: &Onset| (0..onset.ways.len()).min_by_key(|&way| onset.ways[way].cost);
    let mut way = onsets.last().and_then(cheapest).unwrap_or(0);
    for onset in onsets.iter().rev() {
        let chosen = &onset.ways[way];
        for (&note, &(string, fret)) in onset.sounding.iter().zip(&chosen.places) {
            placed[note] = Some(Placed { string, fret: Fret(fret), end: ends[note] });
        }
        way = chosen.before;
    }
    placed
}

/// The strings and frets a note can begin at.
fn choices<T>(note: &Wanted<T>, open: &[(StringNumber, MidiNote)], last: u8) -> Layout {
    let choice = |&(string, open): &(StringNumber, MidiNote)| {
        let fret = note.note.0.checked_sub(open.0)?;
        (fret >= note.down && fret.saturating_add(note.up) <= last).then_some((string, fret))
    };
    open.iter().filter_map(choice).collect()
}

/// The ways to lay `fresh` notes beside the `held` ones (by place in the onset before); the hand may
/// have `rested` since.
fn extend(
    before: Option<&Onset>,
    rested: bool,
    held: &[usize],
    fresh: &[usize],
    choices: &[Layout],
    unlikely: impl Fn(usize, (StringNumber, u8)) -> u32,
) -> Vec<Way> {
    let pasts = match before {
        Some(onset) => pasts(onset, rested, held),
        None => BTreeMap::from([(Vec::new(), Hands::from([(Hand::default(), (0, 0))]))]),
    };
    let mut ways = Vec::new();
    for (lying, hands) in &pasts {
        let mut layouts = Vec::new();
        lay(fresh, choices, &mut lying.clone(), &mut layouts, &mut { MAX_TRIES });
        for places in layouts {
            let stopped = places.iter().map(|&(_, fret)| fret).filter(|&fret| fret > 0);
            let n_stopped = stopped.clone().count() as u32;
            let (low, high) = (stopped.clone().min(), stopped.max());
            let cramped = high.map_or(0, |high| high.saturating_sub(FREE));
            let stretch = low.zip(high).map_or(0, |(low, high)| high - low).saturating_sub(SPAN);
            let struck = &places[lying.len()..];
            let n_open = struck.iter().filter(|&&(_, fret)| fret == 0).count();
            let n_open = n_open as u32 - u32::from(has_open_bass(struck));
            let pair = match *struck {
                [(low, _), (high, _)] => Some([low, high]),
                _ => None,
            };
            let unlikely: u32 =
                fresh.iter().zip(struck).map(|(&note, &place)| unlikely(note, place)).sum();
            let laid = hands.iter().map(|(&hand, &(cost, before))| {
                let position = low.or(hand.position);
                let travel = position.zip(hand.position).map_or(0, |(to, from)| to.abs_diff(from));
                let from_nut = u32::from(position.unwrap_or(0).saturating_sub(BY_THE_NUT));
                let crossed = pair.zip(hand.pair).map_or(0, |(to, from)| {
                    to.iter().zip(from).filter(|&(&to, from)| to != from).count() as u32
                });
                let effort = u32::from(travel + cramped)
                    + u32::from(stretch) * u32::from(LAST_FRET.0)
                    + n_open * from_nut
                    + crossed * CROSSING;
                let cost = cost
                    + A_FRET as u32 * effort
                    + unlikely
                    + u32::from(low.unwrap_or(0))
                    + n_stopped;
                Way { places: places.clone(), hand: Hand { position, pair }, cost, before }
            });
            match low {
                // The layout says where the hand is then, so the cheapest way to get there is enough.
                Some(_) => ways.extend(laid.min_by_key(|way| way.cost)),
                None => ways.extend(laid),
            }
        }
    }
    ways
}

/// The cheapest of each kind of way to the `held` notes of `onset`: only where these lie and where the hand is
/// matters to what comes.
fn pasts(onset: &Onset, rested: bool, held: &[usize]) -> BTreeMap<Layout, Hands> {
    let mut pasts: BTreeMap<Layout, Hands> = BTreeMap::new();
    for (index, way) in onset.ways.iter().enumerate() {
        let lying = held.iter().map(|&i| way.places[i]).collect();
        let pair = way.hand.pair.filter(|_| !rested);
        let best = pasts.entry(lying).or_default().entry(Hand { pair, ..way.hand });
        let best = best.or_insert((way.cost, index));
        *best = (*best).min((way.cost, index));
    }
    pasts
}

/// Whether the lowest of `struck` notes, lowest first, is an open string of the thumb's, below all others.
fn has_open_bass(struck: &[(StringNumber, u8)]) -> bool {
    let lowest = struck.iter().map(|&(string, _)| string).max();
    struck.first().is_some_and(|&(string, fret)| {
        fret == 0 && string >= HIGHEST_OF_THUMB && Some(string) == lowest
    })
}

/// All layouts of `fresh` notes on the strings that `taken` leaves free, as far as `tries` go.
fn lay(
    fresh: &[usize],
    choices: &[Layout],
    taken: &mut Layout,
    layouts: &mut Vec<Layout>,
    tries: &mut usize,
) {
    *tries = tries.saturating_sub(1);
    let Some((&note, rest)) = fresh.split_first() else {
        layouts.push(taken.clone());
        return;
    };
    for &(string, fret) in &choices[note] {
        if *tries > 0 && taken.iter().all(|&(other, _)| other != string) {
            taken.push((string, fret));
            lay(rest, choices, taken, layouts, tries);
            taken.pop();
        }
    }
}

/// The strings as `named`; without that a guitar's, the sixth tuned down to D2 if `notes` need it with the capo at fret
/// `capo`. What lies below all of them is told.
pub(super) fn tuning<T>(
    named: Option<Tuning>,
    notes: &[Wanted<T>],
    capo: u8,
    remarks: &mut Remarks,
) -> Tuning {
    let at_nut = |wanted: &Wanted<T>| wanted.note.0.saturating_sub(wanted.down + capo);
    let lowest = notes.iter().map(at_nut).min();
    let is_below = |tuning: &Tuning| {
        let open = tuning.strings().map(|(_, open)| open.0).min();
        lowest.is_some_and(|lowest| open > Some(lowest))
    };
    let is_named = named.is_some();
    let mut tuning = named.unwrap_or_default();
    if !is_named && is_below(&tuning) && lowest >= Some(DROPPED_D.0) {
        let what = "notes lie below a sixth string in E2: it is taken to be tuned down to D2";
        remarks.add("", what);
        let rest = tuning.strings().skip(1).map(|(_, open)| open);
        tuning = Tuning::new(std::iter::once(DROPPED_D).chain(rest).collect())
            .expect("as many strings as before");
    }
    if is_below(&tuning) {
        let what = match is_named {
            true => "notes lie below the lowest of the strings that --tuning names",
            false => {
                "notes lie below the lowest string: --tuning names the strings, such as those of a bass"
            }
        };
        remarks.add("", what);
    }
    tuning
}

/// A note that found a place on a lick's strings.
pub(super) struct Laid {
    /// Index of the note.
    pub note: usize,
    /// Index of the string, 0 for the lowest.
    pub string: usize,
    /// Counted from the capo.
    pub fret: Fret,
    /// When it ends.
    pub end: u64,
}

/// Lays `notes`, ordered by start, on the strings of `lick`, whose bars last `bar`, and tells what could
/// not be laid and where.
pub(super) fn placed_sounds(
    notes: &[Wanted<u64>],
    lick: &Lick,
    bar: u64,
    remarks: &mut Remarks,
) -> Vec<Laid> {
    let bar = bar.max(1);
    let at = |wanted: &Wanted<u64>| {
        let share = (wanted.start % bar) as f64 / bar as f64;
        // As `explain` counts: two places after the point.
        let beat = ((1.0 + share * f64::from(lick.meter.count)) * 100.0).round() / 100.0;
        format!("bar {}, beat {beat}, {}", wanted.start / bar + 1, lick.key.spell(wanted.note))
    };
    let n_strings = lick.tuning.n_strings();
    let open: Vec<_> = lick
        .tuning
        .strings()
        .filter_map(|(string, _)| Some((string, lick.sounding(string, 0)?)))
        .collect();
    let mut laid = Vec::new();
    for (note, (wanted, placed)) in
        notes.iter().zip(place(notes, &open, Fret(lick.capo))).enumerate()
    {
        let Some(placed) = placed else {
            remarks.add(at(wanted), "a note that finds no string was left out");
            continue;
        };
        if placed.end < wanted.end {
            remarks.add(at(wanted), "a note whose string is needed again was cut short");
        }
        let string = n_strings - usize::from(placed.string.0);
        laid.push(Laid { note, string, fret: placed.fret, end: placed.end });
    }
    laid
}
