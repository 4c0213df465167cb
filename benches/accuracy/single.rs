//! Cents: one note, two notes by interval, and how near to the bound that noise sets.
//!
//! **Reference.** S. M. Kay, *Fundamentals of Statistical Signal Processing: Estimation Theory*, 1993,
//! ch. 3 (sinusoids in white noise); for one frequency of many partials the sum is the bound of
//! `../shared/design/hearing.md`, section 3.

use std::f64::consts::TAU;

use rayon::prelude::*;

use crate::Plan;
use crate::grid;
use crate::support::cases::Class;
use crate::support::cases::INTERVALS;
use crate::support::cases::Placed;
use crate::support::cases::Random;
use crate::support::cases::Recipe;
use crate::support::cases::case;
use crate::support::cases::mix;
use crate::support::corpus::Note;
use crate::support::corpus::RATE;
use crate::support::corpus::Set;
use crate::support::corpus::sampled_sets;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::honesty;
use crate::support::figures::percent;
use crate::support::figures::spread;
use crate::support::score::hear;
use crate::support::score::quantile;

/// Noise below the synthesiser's strings; real notes bring their own.
const NOISE_DB: f64 = 30.0;
const START_S: f64 = 0.3;

/// What was measured of one note: its error in cents and the standard error told.
type Measured = (f64, f64);

pub fn measure(plan: &Plan) {
    println!(
        "(the truth is the string's line over the stretch that sounded, read off the lone note:"
    );
    println!(" of real and sampled ones repeatable to about 0.6 cents, what partials stray apart)");
    let sampled = sampled_sets();
    let n = if plan.quick { 1 } else { usize::MAX };
    let sets: Vec<&Set> = plan.instruments().chain(sampled.iter().take(n)).collect();
    sets.iter().for_each(|set| one_note(plan, set));
    sets.iter().for_each(|set| two_notes(plan, set));
    println!("\nstationary tones of ten partials 1/l in white noise, root mean square error");
    for length_s in [0.4, 1.4] {
        for noise_db in [40.0, 20.0] {
            bound(plan, length_s, noise_db);
        }
    }
}

/// The note nearest to `hz` in what was heard first, at most half a semitone away.
fn nearest_to(samples: &[f32], plan: &Plan, truths: &[f64]) -> Vec<Option<Measured>> {
    let take = hear(samples, plan.rate);
    let found = |&truth: &f64| {
        let strike = take.strikes.first()?;
        let notes = strike.notes.iter().chain(&strike.doubtful);
        notes
            .map(|n| (1200.0 * (n.frequency.get() / truth).log2(), n.error_cents))
            .filter(|n| n.0.abs() < 50.0)
            .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
            .map(|(off, error)| (off, error.unwrap_or(f64::NAN)))
    };
    truths.iter().map(found).collect()
}

fn one_note(plan: &Plan, set: &Set) {
    let mut random = Random(2080);
    let wanted: Vec<Random> = (0..20 * plan.n).map(|_| Random(random.next_u64())).collect();
    let wanted = plan.thinned(wanted);
    let results: Vec<(String, Option<Measured>)> = wanted
        .into_par_iter()
        .map(|mut random| {
            let note = &set.notes[random.below(set.notes.len())];
            let start_s = START_S + random.between(0.0, 0.01);
            let placed = Placed { note, start_s, end_s: f64::INFINITY, gain_db: 0.0 };
            let noise_db = set.is_synthetic().then_some(NOISE_DB);
            let samples = mix(&[placed], START_S + plan.length_s, noise_db, &mut random);
            let title = format!("{} {} {:?}", set.name, note.midi, note.place);
            (title, nearest_to(&samples, plan, &[note.sounded_hz(plan.length_s)])[0])
        })
        .collect();
    let cents: Vec<Measured> = results.iter().filter_map(|r| r.1).collect();
    let errors: Vec<f64> = cents.iter().map(|c| c.0).collect();
    let title = format!("{}: one note", set.name);
    spread(&title, &errors, "c", Target::AtMost(0.05), Target::AtMost(0.3));
    honesty("…", &cents);
    let missed = results.len() - cents.len();
    figure("… not heard", percent(missed, results.len()), "%", Target::None);
    let worst = quantile(&errors.iter().map(|e| e.abs()).collect::<Vec<_>>(), 0.95);
    let bad = results.iter().filter(|r| r.1.is_none_or(|m| m.0.abs() > worst));
    plan.tell(&bad.map(|r| format!("{}: {:?}", r.0, r.1)).collect::<Vec<_>>());
}

/// Two notes together: each against the truth, and against itself alone.
struct Pair {
    interval: i32,
    title: String,
    measured: Vec<Option<Measured>>,
    moved: Vec<Measured>,
}

fn two_notes(plan: &Plan, set: &Set) {
    println!();
    let recipe =
        Recipe { noise_db: set.is_synthetic().then_some(NOISE_DB), ..grid::plain(plan.length_s) };
    let mut random = Random(2081);
    let mut wanted = Vec::new();
    for interval in INTERVALS {
        for _ in 0..2 * plan.n {
            wanted.push((interval, Random(random.next_u64())));
        }
    }
    let results: Vec<Pair> = plan
        .thinned(wanted)
        .into_par_iter()
        .filter_map(|(interval, mut random)| {
            let case = case(set, Class::Right, interval, recipe, &mut random)?;
            let notes: Vec<&Note> = case.played.iter().map(|p| set.note_of(p.1)).collect();
            let truths = case.sounded_hz;
            let title = format!("{} {:?}", set.name, case.expected);
            let measured = nearest_to(&case.samples, plan, &truths);
            let moved = if set.is_synthetic() {
                Vec::new()
            } else {
                let these = measured.iter().zip(notes.iter().zip(&truths));
                these.filter_map(|(m, (n, t))| moved_by_company(plan, n, *m, *t)).collect()
            };
            Some(Pair { interval, title, measured, moved })
        })
        .collect();
    let of = |wanted: &dyn Fn(i32) -> bool| -> Vec<Measured> {
        let these = results.iter().filter(|r| wanted(r.interval));
        these.flat_map(|r| r.measured.iter().copied().flatten()).collect()
    };
    for interval in INTERVALS {
        let sizes: Vec<f64> = of(&|i| i == interval).iter().map(|c| c.0.abs()).collect();
        println!(
            "{:>14} {interval:>3} semitones: median {:.3}, 95 % {:.3} of {}",
            set.name,
            quantile(&sizes, 0.5),
            quantile(&sizes, 0.95),
            sizes.len()
        );
    }
    let cents = of(&|_| true);
    let errors: Vec<f64> = cents.iter().map(|c| c.0).collect();
    let title = format!("{}: two notes", set.name);
    spread(&title, &errors, "c", Target::AtMost(0.15), Target::AtMost(1.0));
    honesty("…", &cents);
    let moved: Vec<Measured> = results.iter().flat_map(|r| r.moved.iter().copied()).collect();
    if !moved.is_empty() {
        let errors: Vec<f64> = moved.iter().map(|c| c.0).collect();
        spread("… against the same note read alone", &errors, "c", Target::None, Target::None);
        honesty("… against it", &moved);
    }
    let octave = of(&|i| i == 12);
    let errors: Vec<f64> = octave.iter().map(|c| c.0).collect();
    spread("… octave alone", &errors, "c", Target::AtMost(0.15), Target::AtMost(1.0));
    honesty("… octave", &octave);
    let all: usize = results.iter().map(|r| r.measured.len()).sum();
    figure("… not heard", percent(all - cents.len(), all), "%", Target::None);
    let bad =
        results.iter().filter(|r| r.measured.iter().any(|m| m.is_none_or(|m| m.0.abs() > 2.0)));
    plan.tell(&bad.map(|r| format!("{}: {:?}", r.title, r.measured)).collect::<Vec<_>>());
}

/// How far another note moved the reading of `note`: its own reading alone is the measure, not
/// the truth, which for real notes is known less exactly than this.
fn moved_by_company(
    plan: &Plan,
    note: &Note,
    measured: Option<Measured>,
    truth: f64,
) -> Option<Measured> {
    let (off, told) = measured?;
    let placed = Placed { note, start_s: START_S, end_s: f64::INFINITY, gain_db: 0.0 };
    let samples = mix(&[placed], START_S + plan.length_s, None, &mut Random(0));
    let alone = nearest_to(&samples, plan, &[truth])[0]?;
    Some((off - alone.0, told))
}

const N_PARTIALS: usize = 10;
/// First partials and stiffness: E2, A2, G3, E4 and E5 of a steel-string guitar.
const TONES: [(f64, f64); 5] =
    [(82.41, 1.3e-4), (110.0, 8e-5), (196.0, 5e-5), (329.63, 1.5e-5), (659.26, 6e-5)];

/// Frequency of partial `l` of a stiff string with first partial `f1` (Fletcher 1964).
fn partial_hz(f1: f64, stiffness: f64, l: usize) -> f64 {
    let l = l as f64;
    f1 * l * ((1.0 + stiffness * l * l) / (1.0 + stiffness)).sqrt()
}

/// What became of one stationary tone: which it was, its error, and the bounds, all in cents.
struct Trial {
    tone: usize,
    error: Option<f64>,
    harmonic_bound: f64,
    stiff_bound: f64,
}

/// How many times the bound the error is, over all tones; the bound counts every sample.
fn bound(plan: &Plan, length_s: f64, noise_db: f64) {
    let mut random = Random(2082);
    let mut wanted = Vec::new();
    for tone in 0..TONES.len() {
        for _ in 0..2 * plan.n {
            wanted.push((tone, Random(random.next_u64())));
        }
    }
    let run = |(tone, mut random): (usize, Random)| {
        let (f1, stiffness) = TONES[tone];
        let f1 = f1 * (random.between(-20.0, 20.0) / 1200.0).exp2();
        let samples = stationary(f1, stiffness, length_s, noise_db, &mut random);
        let error = nearest_to(&samples, plan, &[f1])[0].map(|found| found.0);
        let (harmonic_bound, stiff_bound) = bounds_cents(f1, stiffness, length_s, noise_db);
        Trial { tone, error, harmonic_bound, stiff_bound }
    };
    let trials: Vec<Trial> = plan.thinned(wanted).into_par_iter().map(run).collect();
    let times = |trials: &[&Trial], bound: fn(&Trial) -> f64| {
        let ratios = trials.iter().filter_map(|t| Some(t.error? / bound(t)));
        let squares: Vec<f64> = ratios.map(|r| r * r).collect();
        (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
    };
    let all: Vec<&Trial> = trials.iter().collect();
    let most = Target::AtMost(1.5);
    let title = format!("{length_s} s, {noise_db} dB: times the bound, stiffness unknown");
    figure(&title, times(&all, |t| t.stiff_bound), "", most);
    figure("… stiffness known", times(&all, |t| t.harmonic_bound), "", Target::None);
    for (tone, (f1, _)) in TONES.into_iter().enumerate() {
        let these: Vec<&Trial> = trials.iter().filter(|t| t.tone == tone).collect();
        figure(&format!("… at {f1} Hz, unknown"), times(&these, |t| t.stiff_bound), "", most);
    }
    let missed = trials.iter().filter(|t| t.error.is_none()).count();
    figure("… not heard", percent(missed, trials.len()), "%", Target::None);
}

/// Amplitude of partial `l`: the power of all of them is 1/2.
fn amplitude(l: usize) -> f64 {
    let power: f64 = (1..=N_PARTIALS).map(|l| 1.0 / (l * l) as f64).sum();
    1.0 / (l as f64 * power.sqrt())
}

/// Noise, from `START_S` on with a tone in it that neither decays nor glides.
fn stationary(
    f1: f64,
    stiffness: f64,
    length_s: f64,
    noise_db: f64,
    random: &mut Random,
) -> Vec<f32> {
    let rate = f64::from(RATE);
    let phases: Vec<f64> = (0..N_PARTIALS).map(|_| random.between(0.0, TAU)).collect();
    let noise = deviation(noise_db);
    (0..((START_S + length_s) * rate) as usize)
        .map(|i| {
            let at_s = i as f64 / rate - START_S;
            let tone = |l: usize| {
                let turn = TAU * partial_hz(f1, stiffness, l) * at_s + phases[l - 1];
                amplitude(l) * turn.sin()
            };
            let tone: f64 = if at_s < 0.0 { 0.0 } else { (1..=N_PARTIALS).map(tone).sum() };
            (0.3 * (tone + noise * random.normal())) as f32
        })
        .collect()
}

/// Standard deviation of noise so far below a tone of power 1/2.
fn deviation(noise_db: f64) -> f64 {
    (0.5 * 10_f64.powf(-noise_db / 10.0)).sqrt()
}

/// Least standard deviation of the first partial in cents, stiffness known and unknown.
///
/// A partial's frequency alone, amplitude and phase unknown, is known to
///
/// ```text
/// 1 / I_l,   I_l = A_l² N (N² − 1) / (24 σ²)      radians a sample, squared
/// ```
///
/// and the partials depend on `(f1, B)`: the information is `Σ I_l g_l g_lᵀ`, `g_l` being the
/// derivatives of the frequency of partial `l`.
fn bounds_cents(f1: f64, stiffness: f64, length_s: f64, noise_db: f64) -> (f64, f64) {
    let rate = f64::from(RATE);
    let n = (length_s * rate).floor();
    let turn = TAU / rate;
    let (mut ff, mut fb, mut bb) = (0.0, 0.0, 0.0);
    for l in 1..=N_PARTIALS {
        let information =
            amplitude(l).powi(2) * n * (n * n - 1.0) / (24.0 * deviation(noise_db).powi(2));
        let hz = partial_hz(f1, stiffness, l);
        let by_f = turn * hz / f1;
        let square = (l * l) as f64;
        let by_b =
            turn * 0.5 * hz * (square / (1.0 + stiffness * square) - 1.0 / (1.0 + stiffness));
        ff += information * by_f * by_f;
        fb += information * by_f * by_b;
        bb += information * by_b * by_b;
    }
    let cents = |variance: f64| 1200.0 / 2_f64.ln() * variance.sqrt() / f1;
    (cents(1.0 / ff), cents(bb / (ff * bb - fb * fb)))
}
