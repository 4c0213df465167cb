//! Later stages of a step, and harmonics: whether they are told, and told where there are none.
//!
//! Synthesised; moves are also made from real notes; all of it clean, then through a phone. Real harmonics there are
//! none at hand.

use rayon::prelude::*;

use doublecheck::lick::expected::Expected;
use doublecheck::lick::expected::Technique;
use doublecheck::practice::verdict::Status;
use doublecheck::practice::verdict::StepJudgement;
use doublecheck::practice::verdict::Verdict;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::units::Cents;

use crate::Plan;
use crate::grid::Spoil;
use crate::support::cases::Random;
use crate::support::corpus::Set;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::figures::spread;
use crate::support::moves;
use crate::support::moves::START_S;
use crate::support::moves::lick;
use crate::support::score::judge;
use crate::support::score::told;
use crate::support::spoil;

/// What is asked for, and what is played in its stead to see whether it is told all the same.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
    HammerOn,
    PullOff,
    Slide,
    Bend,
    /// Half-way through half a beat.
    QuickHammerOn,
    QuickPullOff,
    QuickSlide,
    /// There and back within two beats.
    SlideAndBack,
    /// Half-way through three beats.
    LateSlide,
    LateBend,
    NaturalHarmonic,
    ArtificialHarmonic,
}

const KINDS: [(&str, Kind); 12] = [
    ("hammer-on", Kind::HammerOn),
    ("pull-off", Kind::PullOff),
    ("slide", Kind::Slide),
    ("bend", Kind::Bend),
    ("slide and back", Kind::SlideAndBack),
    ("late slide", Kind::LateSlide),
    ("late bend", Kind::LateBend),
    ("natural harmonic", Kind::NaturalHarmonic),
    ("artificial harmonic", Kind::ArtificialHarmonic),
    ("quick hammer-on", Kind::QuickHammerOn),
    ("quick pull-off", Kind::QuickPullOff),
    ("quick slide", Kind::QuickSlide),
];

/// How they are recorded.
const WAYS: [(&str, Spoil); 2] = [("", |samples, _| samples), (", through a phone", spoil::phone)];

const N_STEPS: usize = 4;
/// Noise below the strings.
const NOISE_DB: f64 = 35.0;

/// A stage told this much off its time was not heard where it was; a bend takes 180 ms.
const FAR_MS: f64 = 200.0;

/// One step, asked for and played.
struct Step {
    asked: Vec<String>,
    /// The same without its stage, or the stopped string in place of a harmonic.
    without: Vec<String>,
    /// The same with its stage a semitone off, or another harmonic.
    other: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Played {
    AsAsked,
    Without,
    Other,
}

struct Outcome {
    played: Played,
    told: bool,
    right: bool,
    late_ms: Option<f64>,
    fault: String,
}

pub fn measure(plan: &Plan) {
    println!("{} steps each", N_STEPS * plan.n);
    for (how, spoil) in WAYS {
        for (i, (name, kind)) in KINDS.into_iter().enumerate() {
            for set in plan.instruments() {
                if set.is_synthetic() || !kind.is_harmonic() {
                    let random = Random(2070 + i as u64);
                    figures(
                        plan,
                        (set, kind, spoil),
                        &format!("{name}, {}{how}", set.name),
                        random,
                    );
                }
            }
        }
    }
}

fn figures(plan: &Plan, what: (&Set, Kind, Spoil), title: &str, mut random: Random) {
    let mut wanted = Vec::new();
    for played in [Played::AsAsked, Played::Without, Played::Other] {
        for _ in 0..plan.n {
            wanted.push((played, Random(random.next_u64())));
        }
    }
    let run = |(played, random)| outcomes(plan, what, played, random);
    let outcomes: Vec<Outcome> = plan.thinned(wanted).into_par_iter().flat_map_iter(run).collect();
    let share = |played: Played, wanted: &dyn Fn(&Outcome) -> bool| {
        let these: Vec<_> = outcomes.iter().filter(|o| o.played == played).collect();
        percent(these.iter().filter(|o| wanted(o)).count(), these.len())
    };
    let least = Target::AtLeast(97.0);
    figure(&format!("{title}: recognised"), share(Played::AsAsked, &|o| o.told), "%", least);
    figure("… its step told right", share(Played::AsAsked, &|o| o.right), "%", Target::None);
    figure("… not played, told", share(Played::Without, &|o| o.told), "%", Target::None);
    figure("… another played, told", share(Played::Other, &|o| o.told), "%", Target::None);
    let far = |o: &Outcome| o.late_ms.is_some_and(is_far);
    figure("… recognised, but at another time", share(Played::AsAsked, &far), "%", Target::None);
    let late: Vec<f64> = outcomes.iter().filter_map(|o| o.late_ms).collect();
    if !late.is_empty() {
        spread("… its time", &late, "ms", Target::None, Target::None);
    }
    plan.tell(outcomes.iter().filter(|o| o.is_faulty()).map(|o| &o.fault));
}

impl Kind {
    fn beats(self) -> f64 {
        match self {
            Self::QuickHammerOn | Self::QuickPullOff | Self::QuickSlide => 0.5,
            Self::SlideAndBack => 2.0,
            Self::LateSlide | Self::LateBend => 3.0,
            _ => 1.0,
        }
    }

    fn is_harmonic(self) -> bool {
        matches!(self, Self::NaturalHarmonic | Self::ArtificialHarmonic)
    }
}

impl Outcome {
    fn is_faulty(&self) -> bool {
        match self.played {
            Played::AsAsked => !self.told || !self.right || self.late_ms.is_some_and(is_far),
            Played::Without | Played::Other => self.told,
        }
    }
}

/// A lick of four steps of one kind, judged.
fn outcomes(
    plan: &Plan,
    (set, kind, spoil): (&Set, Kind, Spoil),
    played: Played,
    mut random: Random,
) -> Vec<Outcome> {
    let tempo_bpm = random.between(60.0, 100.0);
    // A real set may lack a note: try another lick.
    let found = (0..50).find_map(|_| {
        let steps: Vec<Step> = (0..N_STEPS).map(|_| step(kind, &mut random)).collect();
        let sounding = lick(
            steps.iter().map(|s| match played {
                Played::AsAsked => &s.asked,
                Played::Without => &s.without,
                Played::Other => &s.other,
            }),
            kind.beats(),
            tempo_bpm,
        );
        let samples = if set.is_synthetic() {
            Some(synthesised(plan, &sounding, &mut random))
        } else {
            moves::play(set, &sounding, &mut random)
        };
        samples.map(|samples| (steps, samples))
    });
    let Some((steps, samples)) = found else { return Vec::new() };
    let asked = lick(steps.iter().map(|s| &s.asked), kind.beats(), tempo_bpm);
    let judgement = judge(&asked, &spoil(samples, &mut random), plan.rate);
    let beat_s = 60.0 / tempo_bpm;
    let harmonic = kind.is_harmonic();
    let outcome = |(k, judged): (usize, &StepJudgement)| {
        let heard = judged.heard.iter().find(|h| {
            let asked = h.expected.is_some_and(|e| is_stage(e.technique) || harmonic);
            h.status == Status::Right && asked
        });
        let right = judged.verdict == Verdict::Right;
        let step = &asked.steps[k];
        let due_beats = step.stages.first().map_or(0.0, |stage| step.due_beats(stage));
        let due_s = START_S + (step.start_beats + due_beats) * beat_s;
        let late_ms = heard
            .filter(|_| played == Played::AsAsked && !harmonic)
            .and_then(|h| Some(1000.0 * (h.start_s? - due_s)));
        Outcome {
            played,
            // All of it: the string sounds as struck once it is back.
            told: if harmonic || kind == Kind::SlideAndBack { right } else { heard.is_some() },
            right,
            late_ms,
            fault: format!(
                "{} asked {} played {played:?}, {tempo_bpm:.0} a minute: {} {late_ms:.0?} ms late",
                set.name,
                steps[k].asked.join(" "),
                told(judged)
            ),
        }
    };
    judgement.steps.iter().enumerate().map(outcome).collect()
}

fn synthesised(plan: &Plan, lick: &Expected, random: &mut Random) -> Vec<f32> {
    let mut performance = Performance::new(lick, &Manner::default());
    for note in &mut performance.notes {
        note.sound = note.sound.clone().detuned(Cents(random.between(-5.0, 5.0)));
        note.sound.level *= 10_f64.powf(random.between(-3.0, 3.0) / 20.0);
        note.sound.brightness = random.between(0.3, 0.8);
        note.sound.start_s += START_S + random.between(0.0, 0.01);
    }
    performance.length_s += START_S;
    performance.render(plan.rate, &Room::noisy(NOISE_DB), random.next_u64())
}

fn is_far(late_ms: f64) -> bool {
    late_ms.abs() > FAR_MS
}

fn is_stage(technique: Technique) -> bool {
    matches!(
        technique,
        Technique::HammerOn | Technique::PullOff | Technique::Slide | Technique::Bend
    )
}

/// Two strings, one of them with the stage; harmonics on one string or on two.
fn step(kind: Kind, random: &mut Random) -> Step {
    let string = random.below(6);
    let beside =
        if string == 5 || (string > 0 && random.below(2) == 0) { string - 1 } else { string + 1 };
    let fret = 2 + random.below(8);
    let far = 1 + random.below(3);
    let plain = (fret + random.below(3)).to_string();
    let moved = |sign: char, to: usize| format!("{fret}{sign}{to}");
    let down = |to: usize| format!("{}p{to}", fret + 3);
    let (asked, without, other) = match kind {
        Kind::HammerOn | Kind::QuickHammerOn => {
            (moved('h', fret + far), fret.to_string(), moved('h', fret + far + 1))
        }
        Kind::PullOff | Kind::QuickPullOff => {
            let to = fret + 3 - far;
            (down(to), (fret + 3).to_string(), down(to - 1))
        }
        Kind::Slide | Kind::QuickSlide | Kind::LateSlide => {
            (moved('s', fret + far), fret.to_string(), moved('s', fret + far + 1))
        }
        Kind::SlideAndBack => {
            let back = |to: usize| format!("{fret}s{to}s{fret}");
            (back(fret + far), fret.to_string(), back(fret + far + 1))
        }
        Kind::Bend | Kind::LateBend => {
            // A semitone more or less than a whole tone.
            let other = if random.below(2) == 0 { fret + 1 } else { fret + 3 };
            (moved('b', fret + 2), fret.to_string(), moved('b', other))
        }
        Kind::NaturalHarmonic => {
            let node = [5, 7, 12][random.below(3)];
            let other = if node == 12 { 7 } else { 12 };
            (format!("<{node}>"), "0".to_owned(), format!("<{other}>"))
        }
        Kind::ArtificialHarmonic => {
            let touched = |above: usize| format!("{fret}<{}>", fret + above);
            (touched(12), fret.to_string(), touched(7))
        }
    };
    let second = match kind {
        // Two strings touched at once, or one alone.
        Kind::NaturalHarmonic => (random.below(2) == 0).then(|| asked.clone()),
        Kind::ArtificialHarmonic => None,
        _ => Some(plain),
    };
    let marks = |mark: String| {
        let mut marks = vec!["x".to_owned(); 6];
        if let Some(second) = &second {
            marks[beside] = second.clone();
        }
        marks[string] = mark;
        marks
    };
    Step { asked: marks(asked), without: marks(without), other: marks(other) }
}
