//! Licks written down from recordings, as `convert` does: notes, strings, lengths, tempo; and their moves, as `listen`
//! tells them.

use rayon::prelude::*;

use doublecheck::engine::Take;
use doublecheck::lick::Lick;
use doublecheck::lick::expected::Technique;
use doublecheck::notation::played as writing;
use doublecheck::notation::played::Known;
use doublecheck::practice::played;
use doublecheck::practice::played::Talk;
use doublecheck::report::listen;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::note::Reference;
use serde_json::Value;

use crate::Plan;
use crate::licks::Planted;
use crate::licks::Played;
use crate::licks::STRUM_S;
use crate::licks::UNEVEN_S;
use crate::licks::Way;
use crate::support::cases::Placed;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::Note;
use crate::support::corpus::Set;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::moves::GRACE_S;
use crate::support::moves::moved;
use crate::support::neck::Place;
use crate::support::neck::midi;
use crate::support::neck::ringing;
use crate::support::neck::strum;
use crate::support::score::hear;
use crate::support::talk::Speaker;
use crate::support::talk::speakers;

const TEMPI_BPM: [f64; 2] = [60.0, 130.0];
/// Lengths in beats, the commonest most often.
const LENGTHS: [f64; 8] = [0.5, 0.5, 0.5, 0.5, 1.0, 1.0, 1.0, 2.0];
/// A string rings on at most so long, in seconds.
const RINGS_S: f64 = 1.0;
/// How long is talked before and after, in seconds.
const TALK_S: f64 = 6.0;
const SINGLE_IN: usize = 3;
/// How far a string moves on, in frets, and how (common practice).
const MOVES: [(i8, Technique); 6] = [
    (2, Technique::HammerOn),
    (1, Technique::HammerOn),
    (-2, Technique::PullOff),
    (-1, Technique::PullOff),
    (4, Technique::Slide),
    (-3, Technique::Slide),
];
/// … from a grace note.
const GRACES: [(i8, Technique); 6] = [
    (2, Technique::HammerOn),
    (1, Technique::HammerOn),
    (-2, Technique::PullOff),
    (-1, Technique::PullOff),
    (2, Technique::Slide),
    (-1, Technique::Slide),
];
/// A tempo is right within this share.
const TEMPO_WITHIN: f64 = 0.03;

/// What the steps of a lick are.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Steps {
    Pairs,
    /// One in [`SINGLE_IN`] is a single note.
    SinglesToo,
    /// … and of half of the pairs of a beat and more one string moves on half-way.
    Moving,
    /// Pairs, to half of which one string comes from a grace note.
    Graced,
}

/// One step.
#[derive(Debug, Clone)]
struct Asked {
    places: Vec<Place>,
    /// Where the string of the first of them moves.
    to: Option<(Place, Technique)>,
}

impl Asked {
    fn of(pair: [Place; 2], what: Steps, random: &mut Random) -> Self {
        let places = match what {
            Steps::Pairs | Steps::Graced => pair.to_vec(),
            _ if random.below(SINGLE_IN) == 0 => vec![pair[random.below(2)]],
            _ => pair.to_vec(),
        };
        Self { places, to: None }
    }

    /// With a string of a pair that moves on, where `set` has the note.
    fn moving(mut self, set: &Set, moves: &[(i8, Technique)], random: &mut Random) -> Self {
        self.places.rotate_left(random.below(2));
        let [(string, fret), other] = self.places[..] else { return self };
        let (frets, technique) = moves[random.below(moves.len())];
        let to = fret.checked_add_signed(frets).map(|fret| (string, fret));
        let is_there = |to: &Place| {
            fret > 0 && midi(*to) != midi(other) && set.at(*to, midi(*to), random).is_some()
        };
        self.to = to.filter(is_there).map(|to| (to, technique));
        self
    }
}

/// What came out as it was played, and how much there was.
#[derive(Debug, Default, Clone, Copy)]
struct Counts {
    licks: usize,
    tempi: usize,
    n_steps: usize,
    notes: usize,
    steps: usize,
    /// Of steps whose strings are known.
    places: usize,
    placed: usize,
    lengths: usize,
    whole: usize,
    moves: usize,
    moved: usize,
    /// Strikes that `listen` tells; moves that were played, those of them that it tells, and others that it tells.
    strikes: usize,
    asked: usize,
    listened: usize,
    invented: usize,
}

impl Counts {
    fn with(self, other: Self) -> Self {
        Self {
            licks: self.licks + other.licks,
            tempi: self.tempi + other.tempi,
            n_steps: self.n_steps + other.n_steps,
            notes: self.notes + other.notes,
            steps: self.steps + other.steps,
            places: self.places + other.places,
            placed: self.placed + other.placed,
            lengths: self.lengths + other.lengths,
            whole: self.whole + other.whole,
            moves: self.moves + other.moves,
            moved: self.moved + other.moved,
            strikes: self.strikes + other.strikes,
            asked: self.asked + other.asked,
            listened: self.listened + other.listened,
            invented: self.invented + other.invented,
        }
    }

    fn tell(&self, name: &str) {
        let figure =
            |what: &str, n: usize, of: usize| figure(what, percent(n, of), "%", Target::None);
        figure(&format!("{name}: licks with as many steps"), self.n_steps, self.licks);
        figure("… their steps with the notes that were played", self.notes, self.steps);
        if self.placed > 0 {
            figure("… with strings and frets too, where known", self.places, self.placed);
        }
        if self.moves > 0 {
            figure("… moves that were played", self.moved, self.moves);
            figure(
                "moves that `listen` tells of those that were played",
                self.listened,
                self.asked,
            );
        }
        figure("strikes of which `listen` tells a move that was not", self.invented, self.strikes);
        figure("… with the length that was played", self.lengths, self.steps);
        figure("licks with all notes and lengths", self.whole, self.licks);
        figure("tempi right within 3 %", self.tempi, self.licks);
    }
}

pub fn measure(plan: &Plan) {
    let speakers = speakers();
    for set in plan.instruments() {
        written(plan, &[set], Steps::Pairs, &[]).tell(&set.name);
    }
    let real: Vec<&Set> = plan.real.iter().collect();
    written(plan, &real, Steps::Pairs, &[]).tell("real together");
    written(plan, &real, Steps::SinglesToo, &[]).tell("real together, single notes among them");
    written(plan, &real, Steps::Moving, &[]).tell("real together, single notes and moves");
    written(plan, &real, Steps::Graced, &[]).tell("real together, grace notes");
    match speakers.is_empty() {
        true => {
            println!("talk: skipped, asterisk-core-sounds-en-wav and its like are not installed")
        }
        false => written(plan, &real, Steps::Pairs, &speakers)
            .tell("real together, talk before and after"),
    }
}

/// Licks of every one of `sets`; beside `speakers`, if there are any, amid talk.
fn written(plan: &Plan, sets: &[&Set], what: Steps, speakers: &[Speaker]) -> Counts {
    let all = sets.iter().flat_map(|set| (0..plan.n as u64).map(move |i| (set, i)));
    let counts = all.collect::<Vec<_>>().into_par_iter().filter_map(|(set, i)| {
        let speaker = (i as usize).checked_rem(speakers.len()).map(|i| &speakers[i]);
        outcome(plan, set, what, speaker, &mut Random(9700 + i))
    });
    counts.reduce(Counts::default, Counts::with)
}

fn outcome(
    plan: &Plan,
    set: &Set,
    what: Steps,
    speaker: Option<&Speaker>,
    random: &mut Random,
) -> Option<Counts> {
    let tempo_bpm = random.between(TEMPI_BPM[0], TEMPI_BPM[1]);
    let way = if random.below(2) == 0 { Way::Along } else { Way::Across };
    let pairs = Played::new(set, way, Planted::Gaps, 30.0 / tempo_bpm, random)?.asked;
    let mut asked: Vec<Asked> =
        pairs.into_iter().map(|pair| Asked::of(pair, what, random)).collect();
    let lengths: Vec<f64> = asked.iter().map(|_| LENGTHS[random.below(LENGTHS.len())]).collect();
    if matches!(what, Steps::Moving | Steps::Graced) {
        let moves = if what == Steps::Graced { &GRACES } else { &MOVES };
        let some = |(step, &length): (Asked, &f64)| match (length >= 1.0 || what == Steps::Graced)
            && step.places.len() == 2
            && random.below(2) == 0
        {
            true => step.moving(set, moves, random),
            false => step,
        };
        asked = asked.into_iter().zip(&lengths).map(some).collect();
    }
    let samples = played(set, &asked, &lengths, 60.0 / tempo_bpm, what, random)?;
    let mut talk = || speaker.map_or_else(Vec::new, |speaker| speaker.talk(TALK_S, random));
    let samples = [talk(), samples, talk()].concat();
    let open: Vec<_> = Tuning::default().strings().collect();
    let take = hear(&samples, plan.rate);
    let heard = played::Played::of(&take, &open, Reference::default(), Talk::LeftOut);
    let known =
        Known { title: "Played".to_owned(), tempo_bpm: None, grid: None, tuning: None, capo: 0 };
    let lick = writing::write(&heard.strikes, &known).ok()?.lick;
    let counts = compared(&lick, &asked, &lengths, tempo_bpm);
    let counts = listened(counts, &take, &asked, &lengths, 60.0 / tempo_bpm);
    let is_placed = set.notes.iter().all(|note| note.place.is_some());
    let (places, placed) = if is_placed { (counts.places, counts.steps) } else { (0, 0) };
    Some(Counts { places, placed, ..counts })
}

fn played(
    set: &Set,
    asked: &[Asked],
    lengths: &[f64],
    beat_s: f64,
    what: Steps,
    random: &mut Random,
) -> Option<Vec<f32>> {
    let mut at_s = 0.5;
    let mut struck: Vec<(u8, Placed<'_>, Option<Note>)> = Vec::new();
    for (step, length) in asked.iter().zip(lengths) {
        let uneven_s = random.between(-UNEVEN_S, UNEVEN_S);
        let notes = strum(set, &step.places, at_s + uneven_s, STRUM_S, random)?;
        for (i, (place, placed)) in step.places.iter().zip(notes).enumerate() {
            let to = step.to.filter(|_| i == 0);
            let moving = to.map(|(to, technique)| {
                let next = set.at(to, midi(to), random).expect("it was asked for");
                let after_s = match what {
                    Steps::Graced => random.between(GRACE_S[0], GRACE_S[1]),
                    _ => 0.5 * length * beat_s,
                };
                moved(placed.note, (next, technique), after_s, random)
            });
            struck.push((place.0, placed, moving));
        }
        at_s += length * beat_s;
    }
    let placed = struck.iter().map(|(string, placed, moving)| {
        let note = moving.as_ref().unwrap_or(placed.note);
        (*string, Placed { note, ..*placed })
    });
    let notes = ringing(placed.collect(), RINGS_S);
    Some(mix(&notes, at_s + 1.0, set.is_synthetic().then_some(40.0), random))
}

/// A lick at twice the tempo with all lengths doubled is the same.
fn compared(lick: &Lick, asked: &[Asked], lengths: &[f64], tempo_bpm: f64) -> Counts {
    let octave = (lick.tempo_bpm / tempo_bpm).log2().round().exp2();
    let steps: Vec<_> = lick.expected().steps;
    let struck: Vec<_> = steps.iter().filter(|step| !step.struck.is_empty()).collect();
    let is_tempo = (lick.tempo_bpm / tempo_bpm / octave - 1.0).abs() < TEMPO_WITHIN;
    let mut counts = Counts { licks: 1, tempi: usize::from(is_tempo), ..Counts::default() };
    if struck.len() != asked.len() {
        return counts;
    }
    counts.n_steps = 1;
    counts.steps = asked.len();
    for (k, (step, played)) in struck.iter().zip(asked).enumerate() {
        let mut notes: Vec<i32> = step.struck.iter().map(|note| i32::from(note.note.0)).collect();
        let mut wanted: Vec<i32> = played.places.iter().map(|&place| midi(place)).collect();
        notes.sort_unstable();
        wanted.sort_unstable();
        let stages: Vec<i32> = step.stages.iter().map(|stage| i32::from(stage.to.note.0)).collect();
        let moves = played.to.map(|(to, _)| midi(to));
        let is_moved = stages == Vec::from_iter(moves);
        counts.moves += usize::from(moves.is_some());
        counts.moved += usize::from(moves.is_some() && is_moved);
        let is_right = notes == wanted && is_moved;
        let place = |&(string, fret): &Place| {
            step.struck.iter().any(|note| (note.string.0, note.fret.0) == (string, fret))
        };
        counts.notes += usize::from(is_right);
        counts.places += usize::from(is_right && played.places.iter().all(place));
        let Some(next) = struck.get(k + 1) else {
            counts.lengths += 1;
            continue;
        };
        let length = (next.start_beats - step.start_beats) / octave;
        counts.lengths += usize::from((length - lengths[k]).abs() < 1e-6);
    }
    counts.whole = usize::from(counts.notes == asked.len() && counts.lengths == asked.len());
    counts
}

/// Adds what `listen` tells of moves.
fn listened(counts: Counts, take: &Take, asked: &[Asked], lengths: &[f64], beat_s: f64) -> Counts {
    let mut document = Vec::new();
    listen::json(&mut document, take, Reference::default()).expect("a vector takes all bytes");
    let document: Value = serde_json::from_slice(&document).expect("one JSON document");
    let items = |value: &Value| value.as_array().cloned().unwrap_or_default();
    let mut told: Vec<(f64, i64, i64)> = Vec::new();
    for strike in items(&document["strikes"]) {
        for note in items(&strike["notes"]) {
            let later = items(&note["later"]);
            let stages = [note["from"].clone(), note].into_iter().chain(later);
            let stages: Vec<i64> = stages.filter_map(|stage| stage["midi"].as_i64()).collect();
            let start_s = strike["start_s"].as_f64().expect("seconds");
            told.extend(stages.windows(2).map(|pair| (start_s, pair[0], pair[1])));
        }
    }
    let (mut at_s, n_told, mut listened) = (0.5, told.len(), 0);
    for (step, length) in asked.iter().zip(lengths) {
        let length_s = length * beat_s;
        let is_it = |&(told_s, from, to): &(f64, i64, i64)| {
            step.to.is_some_and(|(place, _)| {
                (from, to) == (midi(step.places[0]).into(), midi(place).into())
            }) && (at_s - 0.1..at_s + length_s).contains(&told_s)
        };
        listened += usize::from(told.iter().any(is_it));
        at_s += length_s;
    }
    Counts {
        strikes: take.strikes.len(),
        asked: asked.iter().filter(|step| step.to.is_some()).count(),
        listened,
        invented: n_told - listened,
        ..counts
    }
}
