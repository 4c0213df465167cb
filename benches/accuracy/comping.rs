//! Blind, on comping: strums and plucked chords in quick succession, some damped at once, over
//! strings that ring on, mixed from single notes.

use std::collections::BTreeMap;

use rayon::prelude::*;

use doublecheck::engine::HeardPitch;
use doublecheck::engine::Strike;
use doublecheck::engine::Take;

use crate::Plan;
use crate::chords::blind;
use crate::support::cases::Random;
use crate::support::comping::COMPING;
use crate::support::comping::take;
use crate::support::corpus::Set;
use crate::support::corpus::sampled_sets;
use crate::support::counting::Notes;
use crate::support::counting::ONSET_S;
use crate::support::counting::PITCH_CENTS;
use crate::support::counting::Sounding;
use crate::support::counting::pairs;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::percent;
use crate::support::score::hear;

pub fn measure(plan: &Plan) {
    let sampled = sampled_sets();
    let mut all = Counts::default();
    let sets: Vec<&Set> = plan.instruments().chain(&sampled).collect();
    for (s, set) in sets.into_iter().enumerate() {
        let takes = (0..plan.n as u64)
            .into_par_iter()
            .map(|i| outcome(plan, set, &mut Random(7000 + 1000 * s as u64 + i)));
        let counts = takes.reduce(Counts::default, |a, b| a.with(&b));
        counts.tell(&set.name, plan);
        if !set.is_synthetic() {
            all = all.with(&counts);
        }
    }
    all.tell("real and sampled together", plan);
}

/// Notes counted, and why those that were missed were.
#[derive(Default)]
struct Counts {
    notes: Notes,
    causes: BTreeMap<&'static str, usize>,
}

impl Counts {
    fn with(mut self, other: &Self) -> Self {
        self.notes += other.notes;
        for (cause, n) in &other.causes {
            *self.causes.entry(cause).or_default() += n;
        }
        self
    }

    fn tell(&self, name: &str, plan: &Plan) {
        figure(&format!("{name}: note F1"), self.notes.f1(), "", Target::AtLeast(0.9));
        figure("… precision", self.notes.precision(), "", Target::None);
        figure("… recall", self.notes.recall(), "", Target::None);
        let share = |n: usize| percent(n, self.notes.reference);
        let causes = self.causes.iter().map(|(cause, n)| format!("{cause} {:.1} %", share(*n)));
        plan.tell(&causes.collect::<Vec<String>>());
    }
}

fn outcome(plan: &Plan, set: &Set, random: &mut Random) -> Counts {
    let (samples, truth) = take(set, &COMPING, random);
    let take = hear(&samples, plan.rate);
    let told = blind(&take);
    let pairs = pairs(&truth, &told);
    let mut counts = Counts { notes: Notes::of(&truth, &told), ..Counts::default() };
    for (i, note) in truth.iter().enumerate() {
        if pairs.iter().all(|pair| pair.0 != i) {
            *counts.causes.entry(why_missed(&take, note)).or_default() += 1;
        }
    }
    counts
}

fn why_missed(take: &Take, note: &Sounding) -> &'static str {
    let near = |s: &&Strike| (s.onset.seconds(take.rate) - note.onset_s).abs() <= ONSET_S;
    let Some(strike) = take.strikes.iter().find(near) else { return "no strike near it" };
    let heard = strike.notes.iter().chain(&strike.doubtful);
    let is = |n: &&HeardPitch| (1200.0 * (n.frequency.get() / note.hz).log2()).abs() <= PITCH_CENTS;
    match heard.filter(is).max_by(|a, b| a.struck_odds.total_cmp(&b.struck_odds)) {
        None => "never a candidate",
        Some(n) if n.struck_odds <= 0.0 => "taken for ringing",
        Some(n) if !n.likely => "too doubtful in the shadow of others",
        Some(_) => "in a strike of doubtful notes",
    }
}
