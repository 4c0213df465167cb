//! Which string a note came from, by its stiffness: of single notes and double stops, each alone and in
//! takes, nothing being asked for or most of it where it is played.
//!
//! The priors come from gauges of strings; nothing is fitted, so that no guitar has to be left out.

use rayon::prelude::*;

use doublecheck::pitch::tone::Stiffness;
use doublecheck::practice::strings::Note;
use doublecheck::practice::strings::places;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::note::MidiNote;

use crate::Plan;
use crate::grid::Spoil;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::Set;
use crate::support::corpus::data_dir;
use crate::support::corpus::read;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::figures::spread;
use crate::support::midi_number;
use crate::support::neck::Place;
use crate::support::neck::midi;
use crate::support::neck::strum;
use crate::support::score::hear;
use crate::support::score::quantile;
use crate::support::spoil;

/// Pairs of strings that guitarists play double stops on (common practice).
const PAIRS: [[u8; 2]; 9] =
    [[3, 1], [2, 1], [3, 2], [4, 2], [4, 3], [5, 3], [5, 4], [6, 4], [6, 5]];
/// Frets that one hand reaches.
const REACH: i32 = 4;
const HIGHEST_FRET: i32 = 14;
/// Noise below the synthesiser's strings; real notes bring their own.
const NOISE_DB: f64 = 30.0;
const START_S: f64 = 0.3;
/// Farther off than this, in ln B, it is another string's.
const FAR: f64 = 0.4;
/// Strikes of a take.
const N_STRIKES: usize = 12;
const TAKE: &str = "takes/00_BN1-129-Eb_comp";

/// A note that was played, and what was measured of it.
#[derive(Debug, Clone, Copy)]
struct Played {
    place: Place,
    stiffness: Option<Stiffness>,
}

/// What became of the notes of a take.
#[derive(Debug, Clone, Copy, Default)]
struct Score {
    right: usize,
    decided: usize,
    all: usize,
    /// Notes played where they were not asked for; those of which that was told, and told rightly.
    elsewhere: usize,
    told: usize,
    told_rightly: usize,
}

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Asked {
    /// Nothing is known.
    Nothing,
    /// One note in so many was asked for on another string.
    ElsewhereIn(usize),
}

pub fn measure(plan: &Plan) {
    let known = |set: &&Set| set.notes.iter().any(|n| n.place.is_some());
    for set in plan.instruments().filter(known) {
        for (name, spoil) in [("", untouched as Spoil), (", through a phone", spoil::phone)] {
            guitar(plan, set, &format!("{}{name}", set.name), spoil);
        }
    }
    real_take(plan);
}

fn untouched(samples: Vec<f32>, _: &mut Random) -> Vec<f32> {
    samples
}

fn guitar(plan: &Plan, set: &Set, title: &str, spoil: Spoil) {
    let mut random = Random(2090);
    let singles: Vec<Vec<Place>> =
        set.notes.iter().filter_map(|n| n.place).map(|place| vec![place]).collect();
    let doubles: Vec<Vec<Place>> =
        (0..40 * plan.n).filter_map(|_| double_stop(&mut random)).map(Vec::from).collect();
    println!();
    for (name, wanted) in [("single notes", singles), ("double stops", doubles)] {
        let seeded: Vec<(Vec<Place>, Random)> =
            wanted.into_iter().map(|places| (places, Random(random.next_u64()))).collect();
        let mut strikes: Vec<Vec<Played>> = plan
            .thinned(seeded)
            .into_par_iter()
            .filter_map(|(places, mut random)| strike(plan, set, &places, spoil, &mut random))
            .collect();
        for i in (1..strikes.len()).rev() {
            strikes.swap(i, random.below(i + 1));
        }
        stray(&format!("{title}: {name}, ln B"), &strikes);
        for (how, size, asked) in [
            ("each alone", 1, Asked::Nothing),
            ("in takes", N_STRIKES, Asked::Nothing),
            ("in takes, asked for", N_STRIKES, Asked::ElsewhereIn(8)),
        ] {
            let takes = strikes.chunks(size);
            let scores: Vec<Score> = takes.map(|t| score(plan, t, asked, &mut random)).collect();
            figures(&format!("{title}: {name}, {how}"), &scores, asked);
        }
    }
}

/// How far ln B strays from the law of its string, whose open string is the median of all notes on it.
fn stray(name: &str, strikes: &[Vec<Played>]) {
    let open = |p: &Played| {
        Some(p.stiffness?.b.ln() - f64::from(p.place.1) * std::f64::consts::LN_2 / 6.0)
    };
    let of_string = |string: u8| {
        let notes = strikes.iter().flatten().filter(move |p| p.place.0 == string);
        notes.filter_map(open).collect::<Vec<f64>>()
    };
    let strays: Vec<f64> = (1..=6)
        .map(of_string)
        .flat_map(|open| {
            let median = quantile(&open, 0.5);
            open.into_iter().map(move |b| b - median)
        })
        .collect();
    spread(name, &strays, "", Target::None, Target::None);
    let far = strays.iter().filter(|s| s.abs() > FAR).count();
    figure(&format!("… off by more than {FAR}"), percent(far, strays.len()), "%", Target::None);
    let all = strikes.iter().flatten().count();
    figure("… not measured", percent(all - strays.len(), all), "%", Target::None);
}

fn figures(name: &str, scores: &[Score], asked: Asked) {
    let sum = |of: fn(&Score) -> usize| scores.iter().map(of).sum::<usize>();
    let (right, decided, all) = (sum(|s| s.right), sum(|s| s.decided), sum(|s| s.all));
    figure(&format!("{name}, {all}"), percent(decided, all), "%", Target::AtLeast(80.0));
    figure("… right when decided", percent(right, decided), "%", Target::AtLeast(95.0));
    if asked != Asked::Nothing {
        let (elsewhere, told, rightly) =
            (sum(|s| s.elsewhere), sum(|s| s.told), sum(|s| s.told_rightly));
        figure("… of those on another string told", percent(rightly, elsewhere), "%", Target::None);
        figure("… right when told", percent(rightly, told), "%", Target::AtLeast(95.0));
    }
}

fn score(plan: &Plan, take: &[Vec<Played>], asked: Asked, random: &mut Random) -> Score {
    let typed = |place: Place| (StringNumber(place.0), Fret(place.1));
    let mut asked_for = |played: &Played| match asked {
        Asked::Nothing => None,
        Asked::ElsewhereIn(n) if random.below(n) == 0 => {
            elsewhere(played.place, random).or(Some(played.place))
        }
        Asked::ElsewhereIn(_) => Some(played.place),
    };
    let strikes: Vec<Vec<Note>> = take
        .iter()
        .map(|strike| {
            let note = |played: &Played| Note {
                note: MidiNote(midi(played.place) as u8),
                stiffness: played.stiffness,
                asked: asked_for(played).map(typed),
            };
            strike.iter().map(note).collect()
        })
        .collect();
    let open: Vec<_> = Tuning::default().strings().collect();
    let told = places(&open, &strikes);
    let mut score = Score::default();
    let notes = take.iter().flatten().zip(strikes.iter().flatten());
    for ((played, note), told) in notes.zip(told.into_iter().flatten()) {
        let truth = typed(played.place);
        let elsewhere = |place| note.asked.is_some_and(|asked| asked != place);
        score.all += 1;
        score.elsewhere += usize::from(elsewhere(truth));
        let Some(told) = told else { continue };
        score.decided += 1;
        score.right += usize::from(told == truth);
        score.told += usize::from(elsewhere(told));
        score.told_rightly += usize::from(elsewhere(told) && told == truth);
        if told != truth {
            plan.tell([&format!("{played:?} asked {:?} told {told:?}", note.asked)]);
        }
    }
    score
}

/// Another place on the neck that sounds the same, a string away.
fn elsewhere((string, fret): Place, random: &mut Random) -> Option<Place> {
    let other = if random.below(2) == 0 { string + 1 } else { string - 1 };
    let fret = i32::from(fret) + midi((string, 0)) - midi((other.clamp(1, 6), 0));
    let there = (1..=6).contains(&other) && (0..=HIGHEST_FRET + 5).contains(&fret);
    there.then_some((other, fret as u8))
}

/// Two places on a pair of strings within the reach of a hand.
fn double_stop(random: &mut Random) -> Option<[Place; 2]> {
    let [low, high] = PAIRS[random.below(PAIRS.len())];
    let fret = random.below(HIGHEST_FRET as usize + 1) as i32;
    let other = fret + random.below(2 * REACH as usize + 1) as i32 - REACH;
    let places = [(low, fret as u8), (high, u8::try_from(other).ok()?)];
    (other <= HIGHEST_FRET && midi(places[0]) < midi(places[1])).then_some(places)
}

/// Plays `places` at once and listens; `None` if `set` lacks one of them.
fn strike(
    plan: &Plan,
    set: &Set,
    places: &[Place],
    spoil: Spoil,
    random: &mut Random,
) -> Option<Vec<Played>> {
    let placed = strum(set, places, START_S, 0.0..0.012, random)?;
    if placed.iter().zip(places).any(|(p, &place)| p.note.place != Some(place)) {
        return None;
    }
    let noise_db = set.is_synthetic().then_some(NOISE_DB);
    let samples = mix(&placed, START_S + plan.length_s, noise_db, random);
    let take = hear(&spoil(samples, random), plan.rate);
    let heard = take.strikes.first()?;
    let near = |hz: f64, truth: f64| (1200.0 * (hz / truth).log2()).abs() < 50.0;
    let played = placed.iter().zip(places).map(|(placed, &place)| {
        let note = heard.notes.iter().find(|n| near(n.frequency.get(), placed.note.f1_hz));
        Played { place, stiffness: note.and_then(|n| n.stiffness) }
    });
    Some(played.collect())
}

/// A real acoustic guitar comping, of another make than all others, its strings known.
fn real_take(plan: &Plan) {
    let Some(dir) = data_dir() else { return };
    let text = std::fs::read_to_string(dir.join(format!("{TAKE}.notes.csv"))).expect("the truth");
    let truth: Vec<(f64, f64, u8)> = text
        .lines()
        .skip(1)
        .map(|line| {
            let field: Vec<f64> = line.split(',').map(|f| f.parse().expect("a number")).collect();
            (field[0], field[2], field[3] as u8)
        })
        .collect();
    let (samples, rate) = read(&dir.join(format!("{TAKE}.flac")));
    let take = hear(&samples, rate);
    let open = Tuning::default();
    let mut strikes: Vec<Vec<Played>> = Vec::new();
    for strike in &take.strikes {
        let at_s = strike.onset.seconds(rate);
        let played = strike.notes.iter().filter(|n| n.is_struck()).filter_map(|n| {
            let midi = midi_number(n.frequency.get());
            let of =
                truth.iter().find(|t| (t.0 - at_s).abs() < 0.05 && (t.1 - midi).abs() < 0.5)?;
            let fret = (of.1.round() as u8).checked_sub(open.open(StringNumber(of.2))?.0)?;
            Some(Played { place: (of.2, fret), stiffness: n.stiffness })
        });
        strikes.push(played.collect());
    }
    for asked in [Asked::Nothing, Asked::ElsewhereIn(8)] {
        let how = if asked == Asked::Nothing { "" } else { ", asked for" };
        let scores = [score(plan, &strikes, asked, &mut Random(2092))];
        figures(&format!("a real take of another guitar{how}"), &scores, asked);
    }
}
