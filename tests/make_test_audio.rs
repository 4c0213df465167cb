//! Makes the takes of `test-audio/`, and proves that the files there are what this makes.
//!
//! To make them anew: `cargo test --test make_test_audio -- --ignored`.

mod support;

use std::fs;

use doublecheck::audio::write::SampleFormat;
use doublecheck::audio::write::WavWriter;
use doublecheck::lick::Lick;
use doublecheck::lick::expected::ExpectedNote;
use doublecheck::lick::expected::ExpectedStep;
use doublecheck::lick::expected::Technique;
use doublecheck::synth::Noise;
use doublecheck::synth::Reverb;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::synth::performance::PlayedNote;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::note::MidiNote;
use doublecheck::theory::note::Reference;
use doublecheck::units::Cents;
use doublecheck::units::Hertz;
use doublecheck::units::SampleRate;
use support::cents;
use support::excerpt;
use support::loudest_near;
use support::truth::TrueNote;
use support::truth::TrueStep;
use support::truth::Truth;
use support::truth::folder;

const SEED: u64 = 17;
/// Enough for partials to 7 kHz, and small.
const RATE: u32 = 16_000;

const SIXTHS: &str = r#"title = "Stone bridge"
key   = "G major"
tempo = 100
meter = "4/4"

steps = [
  { beats = 1, frets = "x x x 7 x 7", interval = "M6" },
  { beats = 1, frets = "x x x 5 x 5", interval = "M6" },
  { beats = 1, frets = "x x x 4 x 3", interval = "m6" },
  { beats = 2, frets = "x x x 7 8 x", interval = "P4" },
]
"#;
const DRONE: &str = r#"title = "Barge rope"
key   = "A major"
tempo = 100
meter = "4/4"

steps = [
  { beats = 1, frets = "x 0 x x 2 x", interval = "M10" },
  { beats = 1, frets = "x x x 6 5 x", interval = "m3" },
  { beats = 2, frets = "x x x 7 7 x", interval = "M3" },
]
"#;
const MOVES: &str = r#"title = "Wet slate"
key   = "C major"
tempo = 90
meter = "4/4"

steps = [
  { beats = 2, frets = "x x x 5h7 5 x" },
  { beats = 2, frets = 'x x x 9\7 8 x' },
  { beats = 2, frets = "x x x x 8b10 8" },
]
"#;
const HARMONICS: &str = r#"title = "Thin ice"
key   = "G major"
tempo = 80
meter = "4/4"

steps = [
  { beats = 1, frets = "x x <12> <12> x x" },
  { beats = 1, frets = "x x x <7> <7> x" },
  { beats = 2, frets = "x x x 2<14> 3<15> x" },
]
"#;
const CHORDS: &str = r#"title = "Market day"
key   = "C major"
tempo = 80
meter = "4/4"

steps = [
  { beats = 1, frets = "x 3 2 0 1 0", chord = "C" },
  { beats = 1, frets = "x 0 2 2 1 0", chord = "Am" },
  { beats = 2, frets = "3 x 0 0 0 3", chord = "G" },
]
"#;

/// One take: what was asked, what was played, what is true of it.
struct Take {
    name: &'static str,
    about: &'static str,
    lick: &'static str,
    /// Frets played, step by step, where they differ from the lick: beats, marks, step meant.
    played: Option<&'static [(f64, &'static str, Option<usize>)]>,
    manner: fn(&mut Manner),
    /// Last changes to single notes.
    change: fn(&mut [PlayedNote]),
    tuned_cents: f64,
    noise_db: f64,
    verdicts: &'static [&'static str],
}

impl Default for Take {
    fn default() -> Self {
        Self {
            name: "",
            about: "",
            lick: SIXTHS,
            played: None,
            manner: |_| {},
            change: |_| {},
            tuned_cents: 0.0,
            noise_db: 45.0,
            verdicts: &["right"; 4],
        }
    }
}

fn takes() -> Vec<Take> {
    vec![
        Take { name: "all-right", about: "Everything right, at tempo.", ..Take::default() },
        Take {
            name: "semitone-off",
            about: "Step 2: the lower note a semitone high. Step 4: the upper a semitone low.",
            played: Some(&[
                (1.0, "x x x 7 x 7", Some(1)),
                (1.0, "x x x 6 x 5", Some(2)),
                (1.0, "x x x 4 x 3", Some(3)),
                (2.0, "x x x 7 7 x", Some(4)),
            ]),
            verdicts: &["right", "wrong", "right", "wrong"],
            ..Take::default()
        },
        Take {
            name: "pulled-sharp",
            about: "Step 3: the upper string pulled 30 cents sharp. The note is still the right one.",
            change: |notes| {
                for note in notes.iter_mut().filter(|n| n.step == 3) {
                    if note.asked.string == StringNumber(1) {
                        note.sound = note.sound.clone().detuned(Cents(30.0));
                    }
                }
            },
            ..Take::default()
        },
        Take {
            name: "note-missing",
            about: "Step 2: the lower note does not sound.",
            played: Some(&[
                (1.0, "x x x 7 x 7", Some(1)),
                (1.0, "x x x x x 5", Some(2)),
                (1.0, "x x x 4 x 3", Some(3)),
                (2.0, "x x x 7 8 x", Some(4)),
            ]),
            verdicts: &["right", "incomplete", "right", "right"],
            ..Take::default()
        },
        Take {
            name: "open-string-struck",
            about: "Step 3: the open fourth string is struck along with the two notes.",
            played: Some(&[
                (1.0, "x x x 7 x 7", Some(1)),
                (1.0, "x x x 5 x 5", Some(2)),
                (1.0, "x x 0 4 x 3", Some(3)),
                (2.0, "x x x 7 8 x", Some(4)),
            ]),
            verdicts: &["right", "right", "wrong", "right"],
            ..Take::default()
        },
        Take {
            name: "open-string-ringing",
            about: "The open fifth string of step 1 is left ringing to the end: no fault.",
            lick: DRONE,
            change: |notes| {
                for note in notes.iter_mut().filter(|n| n.asked.string == StringNumber(5)) {
                    note.sound.length_s = 2.4;
                }
            },
            verdicts: &["right"; 3],
            ..Take::default()
        },
        Take {
            name: "guitar-flat",
            about: "Everything right on a guitar tuned 12 cents flat as a whole.",
            tuned_cents: -12.0,
            ..Take::default()
        },
        Take {
            name: "false-start",
            about: "Step 1, a pause, then from the beginning, step 2 twice.",
            played: Some(&[
                (0.5, "x x x 7 x 7", None),
                (1.0, "x x x x x x", None),
                (1.0, "x x x 7 x 7", Some(1)),
                (1.0, "x x x 5 x 5", Some(2)),
                (1.0, "x x x 5 x 5", Some(2)),
                (1.0, "x x x 4 x 3", Some(3)),
                (1.0, "x x x 7 8 x", Some(4)),
            ]),
            ..Take::default()
        },
        Take {
            name: "step-skipped",
            about: "Step 3 is left out.",
            played: Some(&[
                (1.0, "x x x 7 x 7", Some(1)),
                (1.0, "x x x 5 x 5", Some(2)),
                (2.0, "x x x 7 8 x", Some(4)),
            ]),
            verdicts: &["right", "right", "not played", "right"],
            ..Take::default()
        },
        Take {
            name: "slow-with-pauses",
            about: "At 60 % of the tempo, with pauses after steps 1 and 3.",
            played: Some(&[
                (1.0, "x x x 7 x 7", Some(1)),
                (0.7, "x x x x x x", None),
                (1.0, "x x x 5 x 5", Some(2)),
                (1.0, "x x x 4 x 3", Some(3)),
                (0.4, "x x x x x x", None),
                (1.0, "x x x 7 8 x", Some(4)),
            ]),
            manner: |manner| manner.speed = 0.6,
            ..Take::default()
        },
        Take {
            name: "upper-string-quiet",
            about: "Everything right, the first two strings 12 dB below the third.",
            manner: |manner| {
                manner.string_levels_db = vec![(StringNumber(1), -12.0), (StringNumber(2), -12.0)];
            },
            ..Take::default()
        },
        Take {
            name: "moves",
            about: "Hammer-on, slide and bend inside double stops, all right.",
            lick: MOVES,
            verdicts: &["right"; 3],
            ..Take::default()
        },
        Take {
            name: "moves-fall-short",
            about: "Step 1: no hammer-on. Step 2: the slide stops a fret early. Step 3 right.",
            lick: MOVES,
            played: Some(&[
                (2.0, "x x x 5 5 x", Some(1)),
                (2.0, r"x x x 9\8 8 x", Some(2)),
                (2.0, "x x x x 8b10 8", Some(3)),
            ]),
            verdicts: &["incomplete", "wrong", "right"],
            ..Take::default()
        },
        Take {
            name: "harmonics",
            about: "Natural harmonics over the twelfth and seventh fret, artificial ones; right.",
            lick: HARMONICS,
            verdicts: &["right"; 3],
            ..Take::default()
        },
        Take {
            name: "chords",
            about: "Chords of five notes, strummed 8 ms a string; right.",
            lick: CHORDS,
            verdicts: &["right"; 3],
            ..Take::default()
        },
        Take {
            name: "noisy",
            about: "Everything right, white noise 15 dB below the strings.",
            noise_db: 15.0,
            ..Take::default()
        },
    ]
}

impl Take {
    fn lick(&self) -> Lick {
        Lick::parse(self.lick, self.name).expect("the lick is well-formed")
    }

    /// The lick as played, and for every step of it the step of the real lick that was meant.
    fn as_played(&self) -> (Lick, Vec<Option<usize>>) {
        let Some(played) = self.played else {
            let lick = self.lick();
            let meant = (1..=lick.steps.len()).map(Some).collect();
            return (lick, meant);
        };
        let (head, _) = self.lick.split_once("steps").expect("a lick has steps");
        let steps: String = played
            .iter()
            .map(|(beats, frets, _)| format!("{{ beats = {beats}, frets = '{frets}' }},\n"))
            .collect();
        let text = format!("{head}steps = [\n{steps}]\n");
        let lick = Lick::parse(&text, self.name).expect("what is played is well-formed");
        (lick, played.iter().map(|&(_, _, meant)| meant).collect())
    }

    fn make(&self) -> (Vec<f32>, Truth) {
        let a4 = Hertz::new(440.0).expect("positive").raised(Cents(self.tuned_cents));
        let mut manner = Manner {
            count_in_beats: 1,
            strum_s: 0.008,
            reference: Reference::new(a4).expect("near 440"),
            ..Manner::default()
        };
        (self.manner)(&mut manner);
        let (played, meant) = self.as_played();
        let meant_by = |note: &PlayedNote| meant[note.step - 1];
        let mut performance = Performance::new(&played.expected(), &manner);
        (self.change)(&mut performance.notes);
        let room = Room {
            noise: Some(Noise::BelowSignalDb(self.noise_db)),
            reverb: Some(Reverb { decay_s: 0.3, level: 0.2 }),
        };
        let samples = performance.render(rate(), &room, SEED);

        let beat_s = 60.0 / (played.tempo_bpm * manner.speed);
        let asked = played.expected();
        let notes = performance.notes.iter();
        let mut true_notes: Vec<TrueNote> = notes
            .clone()
            .flat_map(|note| {
                let step = &asked.steps[note.step - 1];
                let begin_s = performance.start_s + step.start_beats * beat_s;
                true_notes(note, step, begin_s, meant_by(note))
            })
            .collect();
        true_notes.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        let steps = (1..).zip(self.verdicts).map(|(step, &verdict)| {
            let mut starts_s: Vec<f64> = Vec::new();
            let mut last = None;
            for note in notes.clone().filter(|&note| meant_by(note) == Some(step)) {
                if last != Some(note.step) {
                    starts_s.push(rounded(note.sound.start_s));
                }
                last = Some(note.step);
            }
            TrueStep { step, verdict: verdict.to_owned(), starts_s }
        });
        let truth = Truth {
            about: self.about.to_owned(),
            tuned_cents: self.tuned_cents,
            steps: steps.collect(),
            notes: true_notes,
        };
        (samples, truth)
    }
}

/// A struck note and the later stages of its string, each until the next.
fn true_notes(
    note: &PlayedNote,
    step: &ExpectedStep,
    begin_s: f64,
    meant: Option<usize>,
) -> Vec<TrueNote> {
    let stages = step.stages.iter().filter(|stage| stage.to.string == note.asked.string);
    let parts: Vec<ExpectedNote> =
        std::iter::once(note.asked).chain(stages.map(|stage| stage.to)).collect();
    let end_s = note.sound.start_s + note.sound.length_s;
    let at_s = |k: usize| match k {
        0 => rounded(note.sound.start_s),
        _ => rounded(begin_s + (end_s - begin_s) * k as f64 / parts.len() as f64),
    };
    parts
        .iter()
        .enumerate()
        .map(|(k, part)| {
            let above = 100.0 * (f64::from(part.note.0) - f64::from(note.asked.note.0));
            let frequency = note.sound.frequency.raised(Cents(above));
            let (nearest, cents) = Reference::default().nearest(frequency).expect("a MIDI note");
            TrueNote {
                start_s: at_s(k),
                end_s: at_s(k + 1),
                string: part.string.0,
                fret: part.fret.0,
                midi: nearest.0,
                cents: rounded(cents.0),
                how: how(part.technique).to_owned(),
                step: meant,
            }
        })
        .collect()
}

fn how(technique: Technique) -> &'static str {
    match technique {
        Technique::Struck | Technique::Held => "struck",
        Technique::HammerOn => "hammer-on",
        Technique::PullOff => "pull-off",
        Technique::Slide => "slide",
        Technique::Bend => "bend",
        Technique::NaturalHarmonic | Technique::ArtificialHarmonic { .. } => "harmonic",
    }
}

/// To three decimals, and never −0.
fn rounded(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0 + 0.0
}

fn rate() -> SampleRate {
    SampleRate::new(RATE).expect("not zero")
}

#[test]
#[ignore = "writes the files of test-audio anew"]
fn write_test_audio() {
    for take in takes() {
        let (samples, truth) = take.make();
        let path = |ending: &str| folder().join(format!("{}.{ending}", take.name));
        fs::write(path("toml"), take.lick).expect("test-audio can be written");
        let text = toml::to_string(&truth).expect("plain data");
        fs::write(path("truth.toml"), text).expect("test-audio can be written");
        let mut wav = WavWriter::create(&path("wav"), rate(), SampleFormat::Int16)
            .expect("test-audio can be written");
        wav.write(&samples).expect("the disk has room");
        wav.finish(true).expect("the disk has room");
    }
}

#[test]
fn files_are_what_the_synthesiser_makes() {
    // The last bits of sine and logarithm differ between machines: two steps of 16 bits.
    const STEPS: i32 = 2;
    let mut names: Vec<&str> = Vec::new();
    for take in takes() {
        let name = take.name;
        let (samples, truth) = take.make();
        let path = folder().join(format!("{name}.wav"));
        let mut wav = hound::WavReader::open(&path)
            .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        assert_eq!(wav.spec().sample_rate, RATE, "{name}");
        assert_eq!(wav.len() as usize, samples.len(), "{name}");
        let worst = wav
            .samples::<i32>()
            .zip(&samples)
            .map(|(kept, made)| kept.expect("whole") - (made * 32768.0).round() as i32)
            .map(i32::abs)
            .max();
        assert!(worst <= Some(STEPS), "{name}: {worst:?} steps of 16 bits apart");
        assert!(samples.iter().all(|s| s.abs() < 0.99), "{name}: clipped");
        assert_eq!(Truth::of(name), truth, "{name}");
        let lick = fs::read_to_string(folder().join(format!("{name}.toml"))).expect("readable");
        assert_eq!(lick, take.lick, "{name}");
        names.push(name);
    }
    names.sort_unstable();
    assert_eq!(support::truth::takes(), names, "files and table");
}

/// The kept files themselves, by evaluating their spectrum where the truth says a note lies.
#[test]
fn files_sound_the_notes_they_tell_of() {
    // What is left of the glide after 100 ms, noise, and the lobes of the other note.
    const OFF_CENTS: f64 = 4.0;
    for name in support::truth::takes() {
        let wav = hound::WavReader::open(folder().join(format!("{name}.wav"))).expect("a file");
        let samples: Vec<f32> = wav
            .into_samples::<i32>()
            .map(|sample| sample.expect("whole") as f32 / 32768.0)
            .collect();
        let notes = Truth::of(&name).notes;
        for note in notes.iter().filter(|note| note.end_s - note.start_s > 0.45) {
            let told =
                Reference::default().frequency(MidiNote(note.midi)).raised(Cents(note.cents)).get();
            let after_bend_s = if note.how == "bend" { 0.25 } else { 0.1 };
            let start_s = note.start_s + after_bend_s;
            let piece = excerpt(&samples, rate(), start_s, note.end_s - start_s);
            let heard = loudest_near(piece, rate(), told, 0.02 * told);
            let off = cents(heard, told);
            assert!(off.abs() < OFF_CENTS, "{name}: {off:.1} cents from {note:?}");
        }
    }
}

#[test]
fn truths_agree_with_their_verdicts() {
    for take in takes() {
        let (_, truth) = take.make();
        let expected = take.lick().expected();
        assert_eq!(truth.steps.len(), expected.steps.len(), "{}", take.name);
        for (step, asked) in truth.steps.iter().zip(&expected.steps) {
            let wanted = |midi| {
                let stages = asked.stages.iter().map(|stage| stage.to);
                asked.struck.iter().copied().chain(stages).any(|note| note.note.0 == midi)
            };
            let put_in: Vec<u8> = truth
                .notes
                .iter()
                .filter(|note| note.step == Some(step.step))
                .map(|note| note.midi)
                .collect();
            let all_there = asked
                .struck
                .iter()
                .copied()
                .chain(asked.stages.iter().map(|stage| stage.to))
                .all(|note| put_in.contains(&note.note.0));
            let nothing_else = put_in.iter().all(|&midi| wanted(midi));
            let verdict = match (put_in.is_empty(), nothing_else, all_there) {
                (true, ..) => "not played",
                (false, false, _) => "wrong",
                (false, true, false) => "incomplete",
                (false, true, true) => "right",
            };
            assert_eq!(step.verdict, verdict, "{}, step {}", take.name, step.step);
        }
    }
}
