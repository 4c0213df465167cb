//! Licks written down from recordings, as `convert` does: notes, strings, lengths, tempo.

use rayon::prelude::*;

use doublecheck::lick::Lick;
use doublecheck::notation::played as writing;
use doublecheck::notation::played::Known;
use doublecheck::practice::played;
use doublecheck::practice::played::Talk;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::note::Reference;

use crate::Plan;
use crate::licks::Planted;
use crate::licks::Played;
use crate::licks::STRUM_S;
use crate::licks::UNEVEN_S;
use crate::licks::Way;
use crate::support::cases::Placed;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::Set;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
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
/// A tempo is right within this share.
const TEMPO_WITHIN: f64 = 0.03;

/// What the steps of a lick are.
#[derive(Debug, Clone, Copy)]
enum Steps {
    Pairs,
    /// One in [`SINGLE_IN`] is a single note.
    SinglesToo,
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
    let step = |pair: [Place; 2]| match what {
        Steps::SinglesToo if random.below(SINGLE_IN) == 0 => vec![pair[random.below(2)]],
        _ => pair.to_vec(),
    };
    let asked: Vec<Vec<Place>> = pairs.into_iter().map(step).collect();
    let lengths: Vec<f64> = asked.iter().map(|_| LENGTHS[random.below(LENGTHS.len())]).collect();
    let (notes, length_s) = strikes(set, &asked, &lengths, 60.0 / tempo_bpm, random)?;
    let lick = mix(&notes, length_s, set.is_synthetic().then_some(40.0), random);
    let mut talk = || speaker.map_or_else(Vec::new, |speaker| speaker.talk(TALK_S, random));
    let samples = [talk(), lick, talk()].concat();
    let open: Vec<_> = Tuning::default().strings().collect();
    let heard =
        played::Played::of(&hear(&samples, plan.rate), &open, Reference::default(), Talk::LeftOut);
    let known =
        Known { title: "Played".to_owned(), tempo_bpm: None, grid: None, tuning: None, capo: 0 };
    let lick = writing::write(&heard.strikes, &known).ok()?.lick;
    let counts = compared(&lick, &asked, &lengths, tempo_bpm);
    let is_placed = set.notes.iter().all(|note| note.place.is_some());
    let (places, placed) = if is_placed { (counts.places, counts.steps) } else { (0, 0) };
    Some(Counts { places, placed, ..counts })
}

fn strikes<'a>(
    set: &'a Set,
    asked: &[Vec<Place>],
    lengths: &[f64],
    beat_s: f64,
    random: &mut Random,
) -> Option<(Vec<Placed<'a>>, f64)> {
    let mut at_s = 0.5;
    let mut placed: Vec<(u8, Placed<'a>)> = Vec::new();
    for (step, length) in asked.iter().zip(lengths) {
        let uneven_s = random.between(-UNEVEN_S, UNEVEN_S);
        let notes = strum(set, step, at_s + uneven_s, STRUM_S, random)?;
        placed.extend(step.iter().map(|place| place.0).zip(notes));
        at_s += length * beat_s;
    }
    Some((ringing(placed, RINGS_S), at_s + 1.0))
}

/// A lick at twice the tempo with all lengths doubled is the same.
fn compared(lick: &Lick, asked: &[Vec<Place>], lengths: &[f64], tempo_bpm: f64) -> Counts {
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
        let mut wanted: Vec<i32> = played.iter().map(|&place| midi(place)).collect();
        notes.sort_unstable();
        wanted.sort_unstable();
        let has_moves = !step.stages.is_empty();
        let is_right = notes == wanted && !has_moves;
        let place = |&(string, fret): &Place| {
            step.struck.iter().any(|note| (note.string.0, note.fret.0) == (string, fret))
        };
        counts.notes += usize::from(is_right);
        counts.places += usize::from(is_right && played.iter().all(place));
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
