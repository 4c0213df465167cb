//! Licks in tempo, eighths, strings ringing on into the next steps.

use std::ops::Range;

use rayon::prelude::*;

use doublecheck::dsp::decimate::Decimator;
use doublecheck::dsp::onset::Detector;
use doublecheck::engine::Take;
use doublecheck::lick::expected::Expected;
use doublecheck::lick::expected::ExpectedStep;
use doublecheck::practice::judge;
use doublecheck::practice::verdict::Status;
use doublecheck::practice::verdict::StepJudgement;
use doublecheck::practice::verdict::TakeJudgement;
use doublecheck::practice::verdict::Verdict;
use doublecheck::units::SampleRate;

use crate::Plan;
use crate::chords::blind;
use crate::support::cases::INTERVALS;
use crate::support::cases::Placed;
use crate::support::cases::Random;
use crate::support::cases::mix;
use crate::support::corpus::Set;
use crate::support::counting::Notes;
use crate::support::counting::ONSET_S;
use crate::support::counting::Sounding;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::figures::spread;
use crate::support::nearest_midi;
use crate::support::neck::Place;
use crate::support::neck::midi;
use crate::support::neck::ringing;
use crate::support::neck::semitone_off;
use crate::support::neck::strum;
use crate::support::score;
use crate::support::score::hear;
use crate::support::score::lick;
use crate::support::score::step;
use crate::support::score::told;

const TEMPI: [f64; 4] = [80.0, 100.0, 120.0, 140.0];
pub const N_STEPS: usize = 12;
/// Pairs of strings that guitarists play double stops on (common practice).
const PAIRS: [[u8; 2]; 9] =
    [[3, 1], [2, 1], [3, 2], [4, 2], [4, 3], [5, 3], [5, 4], [6, 4], [6, 5]];
/// Frets that one hand reaches.
const REACH: i32 = 4;
const HIGHEST_FRET: i32 = 14;
/// From string to string.
pub const STRUM_S: Range<f64> = 0.0..0.012;
/// Nobody plays like a machine: either way of the beat.
pub const UNEVEN_S: f64 = 0.008;
/// A pair of strings is kept for so many steps.
const ALONG_STEPS: usize = 4;
/// A string not struck again rings for so many steps.
const RINGS_STEPS: usize = 3;
/// One step in so many has a wrong note …
const WRONG_IN: usize = 8;
/// … or, in other licks, another string struck along, or a note left out.
const EXTRA_IN: usize = 4;
/// Semitones above another where all partials of a note are that one's.
const ABOVE: [i32; 7] = [0, 12, 19, 24, 28, 31, 36];
/// Noise below the synthesiser's strings; real notes bring their own.
const NOISE_DB: f64 = 40.0;

/// How a lick moves over the neck.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub enum Way {
    /// Some steps along a pair of strings: what is struck again stops ringing.
    #[default]
    Along,
    /// From pair to pair: most of it rings on.
    Across,
    /// Each double stop two to four times: what is struck has just sounded.
    Again,
}

pub const WAYS: [Way; 2] = [Way::Along, Way::Across];

/// What is played that is not asked for.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub enum Planted {
    /// A note a semitone off.
    #[default]
    Semitones,
    /// One string more, open or as it was stopped before.
    Strings,
    /// One of the two notes is left out.
    Gaps,
}

/// What one lick gave.
#[derive(Debug, Default)]
struct Outcome {
    set: String,
    way: Way,
    planted: Planted,
    tempo_bpm: f64,
    blind: Notes,
    judged: Notes,
    /// Whether something was planted, and the verdict.
    verdicts: Vec<(bool, Verdict)>,
    strikes_ms: Vec<f64>,
    strikes_missed: usize,
    /// … of them already by the onset detector.
    onsets_missed: usize,
    strikes_false: usize,
    struck_told_ringing: usize,
    ringing_told_struck: usize,
    told_of_nothing: usize,
    faults: Vec<String>,
}

pub fn measure(plan: &Plan) {
    let mut outcomes = Vec::new();
    for set in plan.instruments() {
        let mut wanted = Vec::new();
        let seeds = [(Planted::Semitones, 2060), (Planted::Strings, 2061), (Planted::Gaps, 2062)];
        for (planted, seed) in seeds {
            let mut random = Random(seed);
            for way in WAYS {
                for tempo_bpm in TEMPI {
                    for _ in 0..plan.n.div_ceil(4) {
                        wanted.push(((way, tempo_bpm, planted), Random(random.next_u64())));
                    }
                }
            }
        }
        let wanted = plan.thinned(wanted);
        let run = |(kind, random)| outcome(plan, set, kind, random);
        outcomes.extend(wanted.into_par_iter().filter_map(run).collect::<Vec<_>>());
    }
    println!("{} licks of {N_STEPS} eighths", outcomes.len());
    for set in plan.instruments() {
        figures(&set.name, &outcomes, |o| o.set == set.name);
    }
    figures("real together", &outcomes, |o| o.set != plan.synthetic[0].name);
    for way in WAYS {
        figures(&format!("{way:?} strings, all"), &outcomes, |o| o.way == way);
    }
    for tempo_bpm in TEMPI {
        let mut notes = Notes::default();
        outcomes
            .iter()
            .filter(|o| o.tempo_bpm == tempo_bpm && o.planted == Planted::Semitones)
            .for_each(|o| notes += o.judged);
        let name = format!("note F1 against the lick at {tempo_bpm} a minute, all");
        figure(&name, notes.f1(), "", Target::AtLeast(0.995));
    }
    plan.tell(outcomes.iter().flat_map(|o| &o.faults));
}

fn figures(name: &str, outcomes: &[Outcome], chosen: impl Fn(&Outcome) -> bool) {
    let of = |planted: Planted| -> Vec<&Outcome> {
        outcomes.iter().filter(|o| o.planted == planted && chosen(o)).collect()
    };
    let these = of(Planted::Semitones);
    if these.is_empty() {
        return;
    }
    let (mut judged, mut blind) = (Notes::default(), Notes::default());
    for outcome in &these {
        judged += outcome.judged;
        blind += outcome.blind;
    }
    figure(&format!("{name}: note F1"), judged.f1(), "", Target::AtLeast(0.995));
    figure("… blind", blind.f1(), "", Target::AtLeast(0.995));
    figure("… blind, precision", blind.precision(), "", Target::None);
    figure("… blind, recall", blind.recall(), "", Target::None);
    let share_of = |these: &[&Outcome], wrong: bool, verdict: Verdict| {
        let verdicts = these.iter().flat_map(|o| &o.verdicts).filter(|v| v.0 == wrong);
        percent(verdicts.clone().filter(|v| v.1 == verdict).count(), verdicts.count())
    };
    let share = |wrong: bool, verdict: Verdict| share_of(&these, wrong, verdict);
    figure("right steps told right", share(false, Verdict::Right), "%", Target::AtLeast(99.5));
    figure("… wrong", share(false, Verdict::Wrong), "%", Target::AtMost(0.3));
    figure("… incomplete", share(false, Verdict::Incomplete), "%", Target::None);
    figure("… not played", share(false, Verdict::NotPlayed), "%", Target::None);
    figure("… unsure", share(false, Verdict::Unsure), "%", Target::None);
    figure("planted semitones told wrong", share(true, Verdict::Wrong), "%", Target::AtLeast(99.5));
    let strings = share_of(&of(Planted::Strings), true, Verdict::Wrong);
    figure("planted strings told wrong", strings, "%", Target::AtLeast(99.5));
    let gaps = share_of(&of(Planted::Gaps), true, Verdict::Incomplete);
    figure("notes left out told missing", gaps, "%", Target::AtLeast(99.5));
    let doubted = share_of(&of(Planted::Gaps), true, Verdict::Unsure);
    figure("… unsure", doubted, "%", Target::None);
    let n_notes = 2 * N_STEPS * these.len();
    for (name, count) in [
        ("struck notes told ringing", (|o| o.struck_told_ringing) as fn(&Outcome) -> usize),
        ("ringing notes told struck, by notes struck", |o| o.ringing_told_struck),
        ("notes told that did not sound, by notes struck", |o| o.told_of_nothing),
    ] {
        let n: usize = these.iter().map(|o| count(o)).sum();
        figure(name, percent(n, n_notes), "%", Target::None);
    }
    let strikes: Vec<f64> = these.iter().flat_map(|o| o.strikes_ms.iter().copied()).collect();
    spread("strike time", &strikes, "ms", Target::AtMost(3.0), Target::AtMost(10.0));
    let missed: usize = these.iter().map(|o| o.strikes_missed).sum();
    let false_ones: usize = these.iter().map(|o| o.strikes_false).sum();
    let all = strikes.len() + missed;
    figure("strikes missed", percent(missed, all), "%", Target::None);
    let onsets_missed: usize = these.iter().map(|o| o.onsets_missed).sum();
    figure("… missed by the onset detector", percent(onsets_missed, all), "%", Target::None);
    figure("strikes that were none", percent(false_ones, all), "%", Target::None);
}

/// Two places on this pair of strings within the reach of a hand, an interval of the grid apart, that
/// `set` has; `None` if chance has it otherwise.
fn double_stop([low, high]: [u8; 2], set: &Set, random: &mut Random) -> Option<[Place; 2]> {
    let fret = random.below(12) as i32;
    let other = fret + random.below(2 * REACH as usize + 1) as i32 - REACH;
    if !(0..=HIGHEST_FRET).contains(&other) {
        return None;
    }
    let places = [(low, fret as u8), (high, other as u8)];
    let there = places.iter().all(|&p| set.at(p, midi(p), random).is_some());
    (there && INTERVALS.contains(&(midi(places[1]) - midi(places[0])))).then_some(places)
}

/// Plays one of two notes a semitone off, now and then.
fn plant_semitone(step: &mut [Place], set: &Set, random: &mut Random) {
    let i = random.below(2);
    if random.below(WRONG_IN) == 0
        && let Some(off) = semitone_off(step[i], step, random)
        && set.at(off, midi(off), random).is_some()
    {
        step[i] = off;
    }
}

/// Strikes `extra` too, if its string is free and none of the notes is but the partials of another.
fn plant_string(step: &mut Vec<Place>, extra: Place, set: &Set, random: &mut Random) {
    let stays_apart =
        |place: &Place| place.0 != extra.0 && !ABOVE.contains(&(midi(extra) - midi(*place)).abs());
    if step.iter().all(stays_apart) && set.at(extra, midi(extra), random).is_some() {
        step.push(extra);
    }
}

/// A lick as asked for and as played.
pub struct Played<'a> {
    pub asked: Vec<[Place; 2]>,
    pub played: Vec<Vec<Place>>,
    pub begins_s: Vec<f64>,
    pub notes: Vec<Placed<'a>>,
}

impl<'a> Played<'a> {
    pub fn new(
        set: &'a Set,
        way: Way,
        planted: Planted,
        eighth_s: f64,
        random: &mut Random,
    ) -> Option<Self> {
        let mut asked = Vec::new();
        let mut pair = PAIRS[random.below(PAIRS.len())];
        while asked.len() < N_STEPS {
            let stays = way == Way::Along && !asked.len().is_multiple_of(ALONG_STEPS);
            if !stays {
                pair = PAIRS[random.below(PAIRS.len())];
            }
            let next = double_stop(pair, set, random);
            let times = if way == Way::Again { 2 + random.below(3) } else { 1 };
            asked.extend(next.into_iter().flat_map(|step| vec![step; times]));
        }
        asked.truncate(N_STEPS);
        let mut played: Vec<Vec<Place>> = asked.iter().map(|step| step.to_vec()).collect();
        for k in 0..played.len() {
            match planted {
                Planted::Semitones => plant_semitone(&mut played[k], set, random),
                Planted::Strings if random.below(EXTRA_IN) == 0 => {
                    let string = 1 + random.below(6) as u8;
                    let before = played[..k].iter().rev().take(RINGS_STEPS - 1).flatten();
                    let stopped = before.copied().find(|place| place.0 == string);
                    plant_string(&mut played[k], stopped.unwrap_or((string, 0)), set, random);
                }
                Planted::Gaps if random.below(EXTRA_IN) == 0 => {
                    played[k].remove(random.below(2));
                }
                Planted::Strings | Planted::Gaps => {}
            }
        }
        let mut begins_s = Vec::new();
        let mut placed: Vec<(u8, Placed<'_>)> = Vec::new();
        for (k, step) in played.iter().enumerate() {
            let at_s = 0.3 + k as f64 * eighth_s + random.between(-UNEVEN_S, UNEVEN_S);
            begins_s.push(at_s);
            let notes = strum(set, step, at_s, STRUM_S, random)?;
            placed.extend(step.iter().map(|place| place.0).zip(notes));
        }
        let notes = ringing(placed, (RINGS_STEPS as f64 * eighth_s).min(2.0));
        Some(Self { asked, played, begins_s, notes })
    }

    fn is_wrong(&self, k: usize) -> bool {
        self.asked[k][..] != self.played[k][..]
    }

    fn truth(&self) -> Vec<Sounding> {
        let sounding = |p: &Placed<'_>| Sounding { onset_s: p.start_s, hz: p.note.f1_hz };
        self.notes.iter().map(sounding).collect()
    }

    /// What was planted in its steps, and the verdicts on `samples`.
    pub fn verdicts(
        &self,
        tempo_bpm: f64,
        samples: &[f32],
        rate: SampleRate,
    ) -> Vec<(bool, Verdict)> {
        self.each(&self.judged(tempo_bpm, samples, rate)).collect()
    }

    pub fn judged(&self, tempo_bpm: f64, samples: &[f32], rate: SampleRate) -> TakeJudgement {
        score::judge(&self.expected(tempo_bpm), samples, rate)
    }

    /// Whether something was planted in its steps, and the verdicts.
    pub fn each(&self, judgement: &TakeJudgement) -> impl Iterator<Item = (bool, Verdict)> {
        let steps = judgement.steps.iter().enumerate();
        steps.map(|(k, step)| (self.is_wrong(k), step.verdict))
    }

    /// Step `k` in words, unless it was told as it was played.
    pub fn fault(&self, k: usize, step: &StepJudgement) -> Option<String> {
        let notes = |k: usize| -> Vec<i32> { self.played[k].iter().copied().map(midi).collect() };
        let (struck, before) = (notes(k), k.checked_sub(1).map(notes));
        let asked = self.asked[k].map(midi);
        let right = match struck.len() {
            1 => Verdict::Incomplete,
            _ if self.is_wrong(k) => Verdict::Wrong,
            _ => Verdict::Right,
        };
        (step.verdict != right).then(|| {
            let number = k + 1;
            format!(
                "step {number} asked {asked:?} played {struck:?} after {before:?}: {}",
                told(step)
            )
        })
    }

    pub fn expected(&self, tempo_bpm: f64) -> Expected {
        let steps = self.asked.iter().enumerate();
        let steps = steps.map(|(k, places)| ExpectedStep {
            length_beats: 0.5,
            ..step(k + 1, 0.5 * k as f64, &places.map(midi))
        });
        lick(steps.collect(), tempo_bpm)
    }

    /// Whether `number` rings on at step `k` without being struck.
    fn rings(&self, k: usize, number: i32) -> bool {
        let begin_s = self.begins_s[k];
        self.notes.iter().any(|p| {
            i32::from(p.note.midi) == number && p.start_s < begin_s - 0.02 && p.end_s > begin_s
        })
    }
}

/// What was told of steps, each with whether something was planted there.
pub fn shares(name: &str, verdicts: &[(bool, Verdict)]) {
    let share = |wrong: bool, verdict: Verdict| {
        let of = verdicts.iter().filter(|v| v.0 == wrong);
        percent(of.clone().filter(|v| v.1 == verdict).count(), of.count())
    };
    figure(&format!("{name}: right"), share(false, Verdict::Right), "%", Target::None);
    for verdict in [Verdict::Wrong, Verdict::Incomplete, Verdict::NotPlayed] {
        figure(&format!("… {verdict:?}"), share(false, verdict), "%", Target::None);
    }
    figure("planted semitones told wrong", share(true, Verdict::Wrong), "%", Target::None);
}

fn outcome(
    plan: &Plan,
    set: &Set,
    (way, tempo_bpm, planted): (Way, f64, Planted),
    mut random: Random,
) -> Option<Outcome> {
    let eighth_s = 30.0 / tempo_bpm;
    let played = Played::new(set, way, planted, eighth_s, &mut random)?;
    let length_s = 0.3 + N_STEPS as f64 * eighth_s + 0.5;
    let noise_db = set.is_synthetic().then_some(NOISE_DB);
    let samples = mix(&played.notes, length_s, noise_db, &mut random);
    let take = hear(&samples, plan.rate);
    let expected = played.expected(tempo_bpm);
    let judgement = judge::judge_take(&expected, &take, &judge::Settings::default());
    let truth = played.truth();
    let mut result = Outcome {
        set: set.name.clone(),
        way,
        planted,
        tempo_bpm,
        blind: Notes::of(&truth, &blind(&take)),
        judged: Notes::of(&truth, &judged(&judgement)),
        ..Outcome::default()
    };
    time_strikes(&mut result, &played.begins_s, &take);
    let onsets = onsets_s(&samples, plan.rate);
    let found = |begin_s: &&f64| onsets.iter().any(|o| (o - **begin_s).abs() <= ONSET_S);
    result.onsets_missed = N_STEPS - played.begins_s.iter().filter(found).count();
    for (k, step) in judgement.steps.iter().enumerate() {
        look_at(&mut result, &played, k, step);
    }
    Some(result)
}

/// Counts what was told of step `k` that was not so.
fn look_at(result: &mut Outcome, played: &Played<'_>, k: usize, step: &StepJudgement) {
    let wrong = played.is_wrong(k);
    result.verdicts.push((wrong, step.verdict));
    let notes = |k: usize| -> Vec<i32> { played.played[k].iter().copied().map(midi).collect() };
    let struck = notes(k);
    for heard in &step.heard {
        let number = i32::from(heard.pitch.note.0);
        let told_struck = heard.status != Status::Ringing;
        match (struck.contains(&number), played.rings(k, number)) {
            (true, _) => result.struck_told_ringing += usize::from(!told_struck),
            (false, true) => result.ringing_told_struck += usize::from(told_struck),
            (false, false) => result.told_of_nothing += usize::from(told_struck),
        }
    }
    let fault = played.fault(k, step);
    let head = format!("{} {:?} {}", result.set, result.way, result.tempo_bpm);
    result.faults.extend(fault.map(|fault| format!("{head} {fault}")));
}

/// Everything told as struck, with the steps and beside them.
fn judged(judgement: &TakeJudgement) -> Vec<Sounding> {
    let steps = judgement.steps.iter().flat_map(|step| {
        step.heard.iter().filter(|h| h.status != Status::Ringing).filter_map(|heard| {
            let onset_s = heard.start_s.or(step.start_s)?;
            Some(Sounding { onset_s, hz: heard.pitch.frequency.get() })
        })
    });
    let beside = judgement.unmatched.iter().flat_map(|strike| {
        let onset_s = strike.start_s;
        strike.heard.iter().map(move |p| Sounding { onset_s, hz: p.frequency.get() })
    });
    steps.chain(beside).collect()
}

/// Onsets as the detector has them, before anybody asks what sounds.
fn onsets_s(samples: &[f32], rate: SampleRate) -> Vec<f64> {
    let mut decimator = Decimator::new(rate.get());
    let rate = f64::from(rate.get()) / decimator.factor() as f64;
    let mut detector = Detector::new(rate);
    let mut onsets_s = Vec::new();
    decimator.push(samples, |sample| {
        onsets_s.extend(detector.push(&[sample]).map(|onset| onset.at as f64 / rate));
    });
    onsets_s
}

fn time_strikes(result: &mut Outcome, begins: &[f64], take: &Take) {
    let mut heard: Vec<(f64, Vec<i32>)> = take
        .strikes
        .iter()
        .map(|strike| {
            let notes = strike.notes.iter().filter(|n| n.is_struck());
            let numbers = notes.map(|n| nearest_midi(n.frequency.get())).collect();
            (strike.onset.seconds(take.rate), numbers)
        })
        .collect();
    for &begin_s in begins {
        let nearest = heard
            .iter()
            .enumerate()
            .map(|(i, strike)| (strike.0 - begin_s, i))
            .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        match nearest {
            Some((off_s, i)) if off_s.abs() <= ONSET_S => {
                result.strikes_ms.push(1000.0 * off_s);
                heard.remove(i);
            }
            _ => {
                result.strikes_missed += 1;
                result.faults.push(format!("{} strike at {begin_s:.3} s missed", result.set));
            }
        }
    }
    result.strikes_false = heard.len();
    for (at_s, notes) in heard {
        result.faults.push(format!("{} no strike at {at_s:.3} s: {notes:?}", result.set));
    }
}
