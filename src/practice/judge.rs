//! Decides, step by step, between hypotheses about what was played.

use super::verdict::TakeJudgement;
use crate::engine::Strike;
use crate::engine::Take;
use crate::lick::expected::Expected;
use crate::lick::expected::ExpectedStep;
use crate::practice::verdict::StepJudgement;
use crate::theory::note::Reference;

/// What the judge goes by.
#[derive(Debug, Clone, Copy, Default)]
pub struct Settings {
    /// Frequency of A4.
    pub reference: Reference,
}

/// Judges a whole take: strikes are aligned with steps, then every step is judged.
pub fn judge_take(expected: &Expected, take: &Take, _settings: &Settings) -> TakeJudgement {
    let _ = expected;
    TakeJudgement {
        duration_s: take.length.seconds(take.rate),
        steps: Vec::new(),
        unmatched: Vec::new(),
        tempo_bpm: None,
        findings: Vec::new(),
    }
}

/// Judges one strike as an attempt at `step`, as live practice does while the step sounds.
pub fn judge_strike(step: &ExpectedStep, _strike: &Strike, _settings: &Settings) -> StepJudgement {
    StepJudgement {
        step: step.number,
        verdict: super::verdict::Verdict::NotPlayed,
        start_s: None,
        timing_ms: None,
        expected: step.struck.clone(),
        heard: Vec::new(),
        missing: Vec::new(),
        remarks: Vec::new(),
    }
}
