//! Puts a case through the program as `check` does, and counts.

use std::collections::BTreeMap;

use doublecheck::engine::Listener;
use doublecheck::engine::Take;
use doublecheck::lick::expected::Expected;
use doublecheck::lick::expected::ExpectedNote;
use doublecheck::lick::expected::ExpectedStep;
use doublecheck::lick::expected::Technique;
use doublecheck::practice::judge;
use doublecheck::practice::verdict::Status;
use doublecheck::practice::verdict::StepJudgement;
use doublecheck::practice::verdict::TakeJudgement;
use doublecheck::practice::verdict::Verdict;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::note::MidiNote;
use doublecheck::units::SampleRate;

use super::cases::Case;
use super::cases::Class;

/// A step that asks for these notes.
pub fn step(number: usize, start_beats: f64, midi: &[i32]) -> ExpectedStep {
    let struck = midi
        .iter()
        .enumerate()
        .map(|(i, &m)| ExpectedNote {
            string: StringNumber(6 - i as u8),
            fret: Fret(0),
            note: MidiNote(m as u8),
            technique: Technique::Struck,
        })
        .collect();
    ExpectedStep {
        number,
        start_beats,
        length_beats: 1.0,
        is_off_beat: start_beats.fract() == 0.5,
        struck,
        held: vec![],
        stages: vec![],
        left_open: Tuning::default().strings().map(|(_, open)| open).collect(),
    }
}

/// A lick of these steps.
pub fn lick(steps: Vec<ExpectedStep>, tempo_bpm: f64) -> Expected {
    Expected {
        title: "bench".to_owned(),
        tempo_bpm,
        swing_share: 0.5,
        open_strings: Tuning::default().strings().collect(),
        steps,
    }
}

/// Everything heard in `samples`.
pub fn hear(samples: &[f32], rate: SampleRate) -> Take {
    let mut listener = Listener::of_recording(rate);
    samples.chunks(1024).for_each(|block| listener.push(block, |_| {}));
    listener.finish(|_| {})
}

/// The judgement of `samples` against `expected`.
pub fn judge(expected: &Expected, samples: &[f32], rate: SampleRate) -> TakeJudgement {
    judge::judge_take(expected, &hear(samples, rate), &judge::Settings::default())
}

/// Notes decided with less confidence than this are counted apart.
const CONFIDENT: f64 = 0.9;
/// Semitones to notes all of whose partials are another's too: octave, twelfth, double octave.
const ABOVE: [i32; 3] = [12, 19, 24];

/// MIDI numbers of what was told as struck.
pub fn struck_notes(step: &StepJudgement) -> impl Iterator<Item = i32> {
    let struck = step.heard.iter().filter(|h| h.status != Status::Ringing);
    struck.map(|h| i32::from(h.pitch.note.0))
}

/// What became of one case.
#[derive(Debug, Clone)]
pub struct Outcome {
    pub set: String,
    pub class: Class,
    pub interval: i32,
    pub correct: bool,
    pub verdict: Verdict,
    /// Some note was decided with little confidence.
    pub doubtful: bool,
    /// A note that was played and not asked for was told.
    pub extra_told: bool,
    /// A note was told that was not played, on partials of one that was.
    pub false_above: bool,
    /// Cents error and its told standard error, for every right note of a right step.
    pub cents: Vec<(f64, f64)>,
    /// Onset error in milliseconds.
    pub onset_ms: Option<f64>,
    pub told: String,
}

/// Judges a case.
pub fn run(case: &Case, rate: SampleRate) -> Outcome {
    let expected = lick(vec![step(1, 0.0, &case.expected)], 60.0);
    let judgement = judge(&expected, &case.samples, rate);
    let step = &judgement.steps[0];
    let correct = match case.class {
        Class::Right => step.verdict == Verdict::Right,
        Class::SemitoneOff | Class::ExtraOpen | Class::ExtraAbove => step.verdict == Verdict::Wrong,
        Class::Missing => step.verdict == Verdict::Incomplete,
    };
    let plays = |midi: i32| case.played.iter().any(|p| p.0 == midi);
    let mut cents = Vec::new();
    if case.class == Class::Right && correct {
        for ((midi, _), f1) in case.played.iter().zip(&case.sounded_hz) {
            let heard = step.heard.iter().find(|h| i32::from(h.pitch.note.0) == *midi);
            if let Some(heard) = heard {
                let error = 1200.0 * (heard.pitch.frequency.get() / f1).log2();
                cents.push((error, heard.pitch.cents_error.map_or(f64::NAN, |c| c.0)));
            }
        }
    }
    Outcome {
        set: case.set.clone(),
        class: case.class,
        interval: case.interval,
        correct,
        verdict: step.verdict,
        doubtful: step.heard.iter().any(|h| h.confidence < CONFIDENT),
        extra_told: struck_notes(step).any(|n| plays(n) && !case.expected.contains(&n)),
        false_above: struck_notes(step)
            .any(|n| !plays(n) && case.played.iter().any(|p| ABOVE.contains(&(n - p.0)))),
        cents,
        onset_ms: step.start_s.map(|s| 1000.0 * (s - case.onset_s)),
        told: describe(case, step, &judgement),
    }
}

/// What was told of a step, for finding out why.
pub fn told(step: &StepJudgement) -> String {
    let heard: Vec<String> = step
        .heard
        .iter()
        .map(|h| {
            let status = match h.status {
                Status::Right => "right",
                Status::Wrong { .. } => "wrong",
                Status::Extra => "extra",
                Status::Ringing => "rings",
            };
            let sure = h.confidence;
            format!("{}{:+.0} {status} {sure:.2}", h.pitch.note.0, h.pitch.cents.0)
        })
        .collect();
    format!("{:?} [{}]", step.verdict, heard.join(", "))
}

fn describe(case: &Case, step: &StepJudgement, judgement: &TakeJudgement) -> String {
    let loose: Vec<String> = judgement
        .unmatched
        .iter()
        .map(|u| format!("{:?}", u.heard.iter().map(|p| p.note.0).collect::<Vec<_>>()))
        .collect();
    let played: Vec<i32> = case.played.iter().map(|p| p.0).collect();
    format!(
        "{} {:?} i{} asked {:?} played {:?}: {} unmatched {}",
        case.set,
        case.class,
        case.interval,
        case.expected,
        played,
        told(step),
        loose.join(" ")
    )
}

/// Counts of right and all.
#[derive(Debug, Clone, Copy, Default)]
pub struct Count(pub usize, pub usize);

impl Count {
    pub fn add(&mut self, right: bool) {
        self.0 += usize::from(right);
        self.1 += 1;
    }
    pub fn percent(&self) -> f64 {
        100.0 * self.0 as f64 / self.1.max(1) as f64
    }
}

/// Counts by a key.
pub fn tally<K: Ord>(outcomes: &[Outcome], key: impl Fn(&Outcome) -> K) -> BTreeMap<K, Count> {
    let mut table: BTreeMap<K, Count> = BTreeMap::new();
    for outcome in outcomes {
        table.entry(key(outcome)).or_default().add(outcome.correct);
    }
    table
}

/// Value at `share` of the sorted values, `NaN` if there are none.
pub fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    match sorted.len() {
        0 => f64::NAN,
        n => sorted[((n as f64 * share) as usize).min(n - 1)],
    }
}
