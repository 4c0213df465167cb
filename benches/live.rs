//! How soon, how surely and at what cost a strike is judged while it sounds.
//!
//! Recordings are pushed in blocks of 10 ms, as a sound card hands them over. A strike's delay runs
//! from its true onset to the end of the block in which the event comes: what the sound card, the
//! screen and the room add is not in it.
#![allow(missing_docs, clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

mod support;

use std::path::Path;
use std::time::Duration;
use std::time::Instant;

use doublecheck::audio::ChannelChoice;
use doublecheck::audio::Chunk;
use doublecheck::audio::Recording;
use doublecheck::engine;
use doublecheck::engine::Event;
use doublecheck::engine::Listener;
use doublecheck::engine::Stage;
use doublecheck::engine::Strike;
use doublecheck::lick;
use doublecheck::lick::expected::ExpectedNote;
use doublecheck::lick::expected::ExpectedStep;
use doublecheck::lick::expected::Technique;
use doublecheck::practice::judge::Settings;
use doublecheck::practice::judge::judge_strike;
use doublecheck::practice::pass::Delay;
use doublecheck::practice::pass::Pace;
use doublecheck::practice::session;
use doublecheck::practice::session::Session;
use doublecheck::practice::verdict::Verdict;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::note::MidiNote;
use doublecheck::theory::note::Reference;
use doublecheck::units::Cents;
use doublecheck::units::SampleRate;
use support::cases::Placed;
use support::cases::Random;
use support::cases::mix;
use support::corpus;
use support::corpus::Note;
use support::corpus::Set;

const BLOCK_S: f64 = 0.01;
/// Silence before every mix, in seconds.
const BEFORE_S: f64 = 0.6;
const G3: u8 = 55;

/// What was found of one set of strikes.
#[derive(Default)]
struct Figures {
    strikes: usize,
    unheard: usize,
    early_ms: Vec<f64>,
    settled_ms: Vec<f64>,
    early_same: usize,
    settled_same: usize,
    judged: usize,
    truly: usize,
}

fn main() {
    // Without `--bench` it runs as a test: shortly, to see that it runs.
    let per = if std::env::args().any(|argument| argument == "--bench") { 150 } else { 2 };
    takes();
    let sets = corpus::real_sets();
    if sets.is_empty() {
        println!("mixes of real guitars: SKIPPED, ../shared/data is not there");
        return;
    }
    println!("mixes of two real notes, half of them judged against a step a semitone off");
    for (name, low, high) in [("both G3 or higher", G3, 76), ("lower note E2 to F#3", 40, G3 - 1)] {
        mixes(&sets, per, low, high).print(name);
    }
}

/// Verdict latency on double stops of which the lower note lies between `low` and `high`.
fn mixes(sets: &[Set], per: usize, low: u8, high: u8) -> Figures {
    let rate = SampleRate::new(corpus::RATE).unwrap();
    let mut random = Random(23);
    let mut figures = Figures::default();
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
        let mut audio = mix(&parts, BEFORE_S + 1.8, None, &mut random);
        // The hiss of a quiet room, 66 dB down.
        audio.iter_mut().for_each(|s| *s += 0.0005 * random.between(-1.0, 1.0) as f32);
        let off = u8::from(random.below(2) == 0);
        let step = step(&[first.midi, second.midi + off]);
        figures.add(&audio, rate, &step, off == 0);
    }
    figures
}

fn step(notes: &[u8]) -> ExpectedStep {
    let note = |(index, &midi): (usize, &u8)| ExpectedNote {
        string: StringNumber(6 - index as u8),
        fret: Fret(0),
        note: MidiNote(midi),
        technique: Technique::Struck,
    };
    ExpectedStep {
        number: 1,
        start_beats: 0.0,
        length_beats: 1.0,
        struck: notes.iter().enumerate().map(note).collect(),
        held: Vec::new(),
        stages: Vec::new(),
    }
}

impl Figures {
    fn add(&mut self, audio: &[f32], rate: SampleRate, step: &ExpectedStep, right: bool) {
        self.strikes += 1;
        let reference = Reference::default();
        let mut listener = Listener::new(engine::Settings { rate, reference });
        let mut told: Vec<(Strike, f64)> = Vec::new();
        let block = rate.samples_in(BLOCK_S).0 as usize;
        for (index, samples) in audio.chunks(block).enumerate() {
            let now_s = (index + 1) as f64 * BLOCK_S;
            listener.push(samples, |event| {
                if let Event::Strike(strike) = event
                    && (strike.onset.seconds(rate) - BEFORE_S).abs() < 0.06
                {
                    told.push(((*strike).clone(), now_s));
                }
            });
        }
        listener.finish(|event| {
            if let Event::Strike(strike) = event
                && (strike.onset.seconds(rate) - BEFORE_S).abs() < 0.06
            {
                told.push(((*strike).clone(), f64::NAN));
            }
        });
        let verdict = |strike: &Strike| {
            judge_strike(step, strike, &Settings { reference }, Cents(0.0)).verdict
        };
        let stage = |stage: Stage| told.iter().find(|(strike, _)| strike.stage == stage);
        let Some((whole, _)) = stage(Stage::Whole) else {
            self.unheard += 1;
            return;
        };
        let offline = verdict(whole);
        self.truly += usize::from((offline == Verdict::Right) == right);
        self.judged += 1;
        if let Some((early, at_s)) = stage(Stage::Early) {
            self.early_ms.push(1000.0 * (at_s - BEFORE_S));
            self.early_same += usize::from(verdict(early) == offline);
        }
        if let Some((settled, at_s)) = stage(Stage::Settled) {
            self.settled_ms.push(1000.0 * (at_s - BEFORE_S));
            self.settled_same += usize::from(verdict(settled) == offline);
        }
    }

    fn print(&mut self, name: &str) {
        println!("{name}: {} strikes, {} of them not heard", self.strikes, self.unheard);
        let share = |count: usize, all: usize| 100.0 * count as f64 / all.max(1) as f64;
        let early = quantiles(&mut self.early_ms);
        println!(
            "  first guess   {early}, same verdict as the whole step {:.1} % of {}",
            share(self.early_same, self.early_ms.len()),
            self.early_ms.len()
        );
        let settled = quantiles(&mut self.settled_ms);
        println!(
            "  verdict       {settled}, same verdict as the whole step {:.1} % of {}",
            share(self.settled_same, self.settled_ms.len()),
            self.settled_ms.len()
        );
        println!("  whole step    agrees with the truth {:.1} %", share(self.truly, self.judged));
    }
}

fn quantiles(values: &mut [f64]) -> String {
    values.sort_by(f64::total_cmp);
    if values.is_empty() {
        return "never".to_owned();
    }
    let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
    format!("median {:.0} ms, 95 % {:.0} ms", at(0.5), at(0.95))
}

/// What a session of each test take costs, and whether the screen said what the report says.
fn takes() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-audio");
    let mut names: Vec<String> = std::fs::read_dir(&folder)
        .unwrap()
        .filter_map(|e| Some(e.unwrap().file_name().to_str()?.strip_suffix(".wav")?.to_owned()))
        .collect();
    names.sort();
    let (mut spent, mut longest, mut played_s) = (Duration::ZERO, Duration::ZERO, 0.0);
    let (mut same, mut all) = (0, 0);
    for name in &names {
        let lick = lick::find(folder.join(format!("{name}.toml")).to_str().unwrap()).unwrap();
        let wav = folder.join(format!("{name}.wav"));
        let mut recording = Recording::open(&wav, ChannelChoice::Mix).unwrap();
        let rate = recording.rate();
        let mut samples = Vec::new();
        while let Some(chunk) = recording.next_chunk() {
            if let Chunk::Samples(more) = chunk {
                samples.extend_from_slice(more);
            }
        }
        // To 48 kHz, the rate of most sound cards, by holding every sample: cost is all that counts.
        let factor = (48_000 / rate.get()).max(1) as usize;
        let samples: Vec<f32> =
            samples.iter().flat_map(|&s| std::iter::repeat_n(s, factor)).collect();
        let rate = SampleRate::new(rate.get() * factor as u32).unwrap();
        let settings = session::Settings {
            rate,
            pace: Pace::Free,
            speed: 1.0,
            repeat: 1,
            faster: 0.0,
            delay: Delay::Estimated,
            judge: Settings::default(),
        };
        let mut session = Session::new(lick.expected(), settings);
        let mut news = Vec::new();
        session.begin(&mut news);
        for block in samples.chunks(rate.samples_in(BLOCK_S).0 as usize) {
            let begun = Instant::now();
            session.push(block, &mut news);
            let took = begun.elapsed();
            spent += took;
            longest = longest.max(took);
        }
        played_s += samples.len() as f64 / f64::from(rate.get());
        news.extend(session.stop().map(|over| session::News::Over(Box::new(over))));
        let mut live = std::collections::BTreeMap::new();
        for news in &news {
            match news {
                session::News::Pass(doublecheck::practice::pass::Told::Step(found)) => {
                    live.insert(found.judgement.step, found.judgement.verdict);
                }
                session::News::Over(over) => {
                    for step in over.judgement.steps.iter().filter(|s| s.start_s.is_some()) {
                        all += 1;
                        same += usize::from(live.get(&step.step) == Some(&step.verdict));
                    }
                }
                _ => {}
            }
        }
    }
    println!("sessions of {} test takes, {played_s:.0} s at 48 kHz", names.len());
    println!(
        "  processor     {:.2} % of one core for hearing and judging, {:.1} ms at most for 10 ms",
        100.0 * spent.as_secs_f64() / played_s,
        1000.0 * longest.as_secs_f64()
    );
    println!(
        "  screen        last verdict of a step as in the report {same} of {all}, false starts \
         and steps left out among them"
    );
}
