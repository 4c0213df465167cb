//! How soon, how surely and at what cost playing is judged live. Every figure stands beside what is
//! asked of it.
//!
//! ```text
//! cargo bench --bench live               recordings in real time, mixes, the program beside a card
//! cargo bench --bench live -- soak 10    ten minutes of play beside two busy loops
//! ```
//!
//! Blocks of 10 ms are handed to a session as a sound card does. A delay runs from the true onset to
//! the news of it; what the sound card adds, some 10 ms, is not in it.
#![allow(missing_docs, clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

mod program;
#[path = "../support/mod.rs"]
#[allow(unused)]
mod support;
#[path = "../../tests/support/truth.rs"]
#[allow(unused)]
mod truth;

use std::collections::BTreeMap;
use std::path::Path;
use std::thread;
use std::time::Duration;
use std::time::Instant;

use doublecheck::engine::Stage;
use doublecheck::lick;
use doublecheck::lick::expected::Expected;
use doublecheck::practice::pass::Told;
use doublecheck::practice::session::News;
use doublecheck::practice::session::Session;
use doublecheck::practice::session::Settings;
use doublecheck::practice::verdict::Verdict;
use doublecheck::units::SampleRate;
use support::cases::Placed;
use support::cases::Random;
use support::cases::mix;
use support::corpus;
use support::corpus::Note;
use support::corpus::Set;
use support::score;
use support::score::quantile;
use truth::Truth;

const BLOCK_S: f64 = 0.01;
/// Silence before every mix, in seconds.
const BEFORE_S: f64 = 0.6;
const G3: u8 = 55;
/// Rate of most sound cards.
const CARD_HZ: u32 = 48_000;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    if let Some(at) = arguments.iter().position(|argument| argument == "soak") {
        let minutes = arguments.get(at + 1).and_then(|minutes| minutes.parse().ok());
        return program::soak(minutes.unwrap_or(10.0));
    }
    if arguments.iter().any(|argument| argument == "starts") {
        return program::starts();
    }
    // Without `--bench` it runs as a test: shortly, to see that it runs.
    let measured = arguments.iter().any(|argument| argument == "--bench");
    takes(if measured { usize::MAX } else { 1 });
    let sets = corpus::real_sets();
    if sets.is_empty() {
        println!("\nmixes of real guitars: SKIPPED, ../shared/data is not there");
    } else {
        let per = if measured { 150 } else { 2 };
        println!("\nmixes of two real notes, half of them judged against a step a semitone off");
        mixes(&sets, per, G3, 76).print();
        mixes(&sets, per, 40, G3 - 1).print();
    }
    if measured {
        program::starts();
    }
}

/// A figure beside what is asked of it.
pub fn row(what: &str, found: String, asked: &str, met: bool) {
    let mark = if met { "met" } else { "MISSED" };
    println!("  {what:34} {found:32} asked: {asked:26} {mark}");
}

/// Delays and verdicts of strikes whose lower note is in one register.
#[derive(Default)]
struct Figures {
    low: bool,
    strikes: usize,
    first_ms: Vec<f64>,
    verdict_ms: Vec<f64>,
    /// Verdicts on the screen at each stage, and those that were as offline.
    stages: BTreeMap<Stage, score::Count>,
}

impl Figures {
    fn new(low: bool) -> Self {
        Self { low, ..Self::default() }
    }

    fn print(&self) {
        let (name, median, most) = match self.low {
            true => ("lower note E2 to F#3", 200.0, 280.0),
            false => ("both notes G3 or higher", 120.0, 180.0),
        };
        println!("{name}: {} strikes", self.strikes);
        let [m, p] = [0.5, 0.95].map(|share| quantile(&self.verdict_ms, share));
        let met = m <= median && p <= most;
        let asked = format!("{median:.0} / {most:.0} ms");
        row("verdict, median and 95 %", format!("{m:.0} / {p:.0} ms"), &asked, met);
        let [m, p] = [0.5, 0.95].map(|share| quantile(&self.first_ms, share));
        let found = format!("{m:.0} / {p:.0} ms");
        row("first guess, median and 95 %", found, "80 ms", p <= 80.0);
        for (stage, count) in &self.stages {
            let found = format!("{:.1} % of {}", count.percent(), count.1);
            match stage {
                Stage::Early => println!("  {:34} {found}", "first guess as offline"),
                Stage::Settled => println!("  {:34} {found}", "verdict as offline"),
                Stage::Whole => {
                    let met = count.percent() >= 99.0;
                    row("after the whole step as offline", found, "99 %", met);
                }
            }
        }
    }

    /// Strikes that were asked for at `at_s`, what was told live, and the verdicts offline.
    fn add(&mut self, at_s: f64, told: &[(f64, Stage, Verdict)], offline: Verdict) {
        self.strikes += 1;
        for (stage, delays) in
            [(Stage::Early, &mut self.first_ms), (Stage::Settled, &mut self.verdict_ms)]
        {
            // A strike that ends early is told as a whole: that is its verdict then.
            let first = told.iter().find(|(_, s, _)| *s >= stage);
            delays.extend(first.map(|(now_s, ..)| 1000.0 * (now_s - at_s)));
        }
        for stage in [Stage::Early, Stage::Settled] {
            if let Some((.., verdict)) = told.iter().find(|(_, s, _)| *s == stage) {
                self.stages.entry(stage).or_default().add(*verdict == offline);
            }
        }
        let last = told.last().map(|(.., verdict)| *verdict);
        let same = last.unwrap_or(Verdict::NotPlayed) == offline;
        self.stages.entry(Stage::Whole).or_default().add(same);
    }
}

/// What a session told of its steps: when, how far it was heard, the verdict.
type Steps = BTreeMap<usize, Vec<(f64, Stage, Verdict)>>;

/// Plays `samples` to a session of one pass. With `real_time`, a block is handed over when it would
/// have been played, and delays are those of the clock; without, they are those of the stream and of
/// the processor.
fn play(expected: Expected, samples: &[f32], rate: SampleRate, real_time: bool) -> Steps {
    let mut session = Session::new(expected, Settings::at_leisure(rate));
    let (mut news, mut steps) = (Vec::new(), Steps::new());
    session.begin(&mut news);
    let begun = Instant::now();
    for (index, block) in samples.chunks(rate.samples_in(BLOCK_S).0 as usize).enumerate() {
        let due = Duration::from_secs_f64((index + 1) as f64 * BLOCK_S);
        if real_time {
            thread::sleep(due.saturating_sub(begun.elapsed()));
        }
        let handed_over = Instant::now();
        session.push(block, &mut news);
        let now_s = match real_time {
            true => begun.elapsed().as_secs_f64(),
            false => due.as_secs_f64() + handed_over.elapsed().as_secs_f64(),
        };
        for news in news.drain(..) {
            if let News::Pass(Told::Step(found)) = news {
                let told = (now_s, found.stage, found.judgement.verdict);
                steps.entry(found.judgement.step).or_default().push(told);
            }
        }
    }
    steps
}

/// The takes of `test-audio/` that are played straight through, in real time.
fn takes(most: usize) {
    let names = truth::takes().into_iter().filter(|name| straight(&Truth::of(name)));
    let (mut high, mut low) = (Figures::new(false), Figures::new(true));
    let (busy_s, mut played_s, mut n) = (program::processor_s("self"), 0.0, 0);
    for name in names.take(most) {
        let folder = truth::folder();
        let expected =
            lick::find(folder.join(format!("{name}.toml")).to_str().unwrap()).unwrap().expected();
        let (samples, rate) = at_card_rate(&folder.join(format!("{name}.wav")));
        let offline = score::judge(&expected, &samples, rate);
        let told = play(expected.clone(), &samples, rate, true);
        played_s += samples.len() as f64 / f64::from(rate.get());
        n += 1;
        for (truth, offline) in Truth::of(&name).steps.iter().zip(&offline.steps) {
            let step = expected.steps.iter().find(|step| step.number == truth.step).unwrap();
            let Some(lowest) = step.struck.iter().map(|note| note.note).min() else { continue };
            let figures = if lowest.0 >= G3 { &mut high } else { &mut low };
            let told = told.get(&truth.step).map_or(&[][..], Vec::as_slice);
            let last = told.last().map_or(Verdict::NotPlayed, |(.., verdict)| *verdict);
            if last != offline.verdict {
                let step = truth.step;
                println!("  {name}, step {step}: {last:?} live, {:?} offline", offline.verdict);
            }
            figures.add(truth.starts_s[0], told, offline.verdict);
        }
    }
    println!("{n} test takes at {CARD_HZ} Hz in real time, {played_s:.0} s");
    high.print();
    low.print();
    if let Some(busy_s) = program::processor_s("self").zip(busy_s).map(|(now, then)| now - then) {
        let percent = 100.0 * busy_s / played_s;
        let what = "hearing and judging, of one core";
        row(what, format!("{percent:.1} %"), "3 % with the screen", percent <= 3.0);
    }
}

/// Each step struck once, in order: the free pace takes a false start for a step.
fn straight(truth: &Truth) -> bool {
    let starts: Vec<f64> = truth.steps.iter().flat_map(|step| step.starts_s.clone()).collect();
    starts.len() == truth.steps.len() && starts.is_sorted()
}

/// A recording at the rate of most cards, every sample held for longer.
fn at_card_rate(path: &Path) -> (Vec<f32>, SampleRate) {
    let (samples, rate) = corpus::read(path);
    let factor = (CARD_HZ / rate.get()).max(1);
    let held = samples.iter().flat_map(|&s| std::iter::repeat_n(s, factor as usize)).collect();
    (held, SampleRate::new(rate.get() * factor).unwrap())
}

/// Double stops of which the lower note lies between `low` and `high`.
fn mixes(sets: &[Set], per: usize, low: u8, high: u8) -> Figures {
    let rate = SampleRate::new(corpus::RATE).unwrap();
    let mut random = Random(23);
    let mut figures = Figures::new(low < G3);
    let mut tries = 0;
    while figures.strikes < per && tries < 100 * per {
        tries += 1;
        let set = &sets[random.below(sets.len())];
        let first = &set.notes[random.below(set.notes.len())];
        let interval = 1 + random.below(16) as u8;
        let partners: Vec<&Note> =
            set.notes.iter().filter(|note| note.midi == first.midi + interval).collect();
        if !(low..=high).contains(&first.midi) || partners.is_empty() {
            continue;
        }
        let second = partners[random.below(partners.len())];
        // A pick crosses two strings in some 10 ms.
        let strum_s = random.between(0.0, 0.012);
        let placed =
            |note, start_s, gain_db| Placed { note, start_s, end_s: f64::INFINITY, gain_db };
        let parts = [
            placed(first, BEFORE_S, 0.0),
            placed(second, BEFORE_S + strum_s, random.between(-4.0, 4.0)),
        ];
        let mut audio = mix(&parts, BEFORE_S + 2.5, None, &mut random);
        // The hiss of a quiet room, 66 dB down.
        audio.iter_mut().for_each(|s| *s += 0.0005 * random.between(-1.0, 1.0) as f32);
        let off = random.below(2) as i32;
        let asked = [i32::from(first.midi), i32::from(second.midi) + off];
        let expected = score::lick(vec![score::step(1, 0.0, &asked)], 60.0);
        let offline = score::judge(&expected, &audio, rate).steps[0].verdict;
        let told = play(expected, &audio, rate, false);
        figures.add(BEFORE_S, told.get(&1).map_or(&[], Vec::as_slice), offline);
    }
    figures
}
