//! Single notes of known pitch, of real guitars, sampled ones and the synthesiser.
//!
//! Real notes: `../shared/data/notes` (sources and licences in its README); sampled ones: Debian's
//! package fluid-soundfont-gm.

use std::path::Path;
use std::path::PathBuf;
use std::sync::Arc;

use doublecheck::audio::ChannelChoice;
use doublecheck::audio::Chunk;
use doublecheck::audio::Recording;
use doublecheck::synth::PluckedNote;
use doublecheck::synth::guitar::Guitar;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::units::Cents;
use doublecheck::units::Hertz;
use doublecheck::units::SampleRate;
use rayon::prelude::*;
use rustysynth::SoundFont;
use rustysynth::Synthesizer;
use rustysynth::SynthesizerSettings;

use super::cases::Random;
use super::midi_number;
use super::truth::Stretch;
use super::truth::line_hz;
use super::truth::moved_cents;

/// Where the pitch of recorded notes was measured, in seconds after the onset, as the manifest has it.
const TOLD_S: Stretch = (0.1, 1.3);
/// Synthetic notes relax with this time constant, as real ones do.
const GLIDE_S: f64 = 0.07;
/// A note's attack lasts so long, or less where it is damped soon.
const ATTACK_S: [f64; 2] = [0.1, 0.045];
/// What sounds after its attack for this long at least is measured without it.
const LEAST_S: f64 = 0.25;

/// All mixes are made at this rate.
pub const RATE: u32 = 44_100;

/// One plucked note.
#[derive(Debug, Clone)]
pub struct Note {
    pub midi: u8,
    /// Measured (real, sampled) or exact (synthetic) first partial …
    pub f1_hz: f64,
    /// … over this stretch of its sound; of a synthetic note, once it has relaxed.
    pub told: Stretch,
    /// How sharp it begins, in cents, where that is known exactly.
    pub glide_cents: Option<f64>,
    pub onset_s: f64,
    /// String (1 = highest) and fret where known.
    pub place: Option<(u8, u8)>,
    pub samples: Vec<f32>,
}

impl Note {
    /// First partial as it sounds where the note is damped `length_s` after its onset, the attack left
    /// out: strings begin sharp, beat and glide, so that no other stretch tells quite the same.
    pub fn sounded_hz(&self, length_s: f64) -> f64 {
        let attack_s = ATTACK_S.into_iter().find(|attack| length_s - attack > LEAST_S);
        let heard = (attack_s.unwrap_or(ATTACK_S[1]), length_s);
        let moved = self.glide_cents.map_or_else(
            || moved_cents(&self.samples, self.onset_s, self.f1_hz, self.told, heard),
            |glide| glide * mean_in_the_middle(heard, |at_s| (-at_s / GLIDE_S).exp()),
        );
        self.f1_hz * (moved / 1200.0).exp2()
    }
}

/// Mean of `value` over `stretch`, the middle counting more, as in a Hann window.
fn mean_in_the_middle(stretch: Stretch, value: impl Fn(f64) -> f64) -> f64 {
    const STEPS: usize = 200;
    let share = |i: usize| (i as f64 + 0.5) / STEPS as f64;
    let weight = |i: usize| 1.0 - (std::f64::consts::TAU * share(i)).cos();
    let at = |i: usize| stretch.0 + share(i) * (stretch.1 - stretch.0);
    (0..STEPS).map(|i| weight(i) * value(at(i))).sum::<f64>() / STEPS as f64
}

/// Notes of one instrument.
#[derive(Debug, Clone)]
pub struct Set {
    pub name: String,
    pub notes: Vec<Note>,
}

/// What [`synthetic_set`] is called.
const SYNTHETIC: &str = "synthetic";

impl Set {
    /// Not of this world.
    pub fn is_synthetic(&self) -> bool {
        self.name == SYNTHETIC
    }

    /// The note told at `f1_hz`.
    pub fn note_of(&self, f1_hz: f64) -> &Note {
        self.notes.iter().find(|n| n.f1_hz == f1_hz).expect("one of this set")
    }

    /// One of the notes that are nominally `midi`.
    pub fn pick(&self, midi: i32, random: &mut Random) -> Option<&Note> {
        let these: Vec<&Note> = self.notes.iter().filter(|n| i32::from(n.midi) == midi).collect();
        (!these.is_empty()).then(|| these[random.below(these.len())])
    }

    /// A note of this string and fret, or one that sounds the same where places are not known.
    pub fn at(&self, place: (u8, u8), midi: i32, random: &mut Random) -> Option<&Note> {
        let these: Vec<&Note> = self.notes.iter().filter(|n| n.place == Some(place)).collect();
        match these.len() {
            0 => self.pick(midi, random),
            n => Some(these[random.below(n)]),
        }
    }
}

pub fn data_dir() -> Option<PathBuf> {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
    dir.is_dir().then_some(dir)
}

/// All samples of a recording, mixed down, and its rate.
pub fn read(path: &Path) -> (Vec<f32>, SampleRate) {
    let mut recording = Recording::open(path, ChannelChoice::Mix).expect("a recording");
    let rate = recording.rate();
    let mut samples = Vec::new();
    while let Some(chunk) = recording.next_chunk() {
        if let Chunk::Samples(block) = chunk {
            samples.extend_from_slice(block);
        }
    }
    (samples, rate)
}

/// Clean notes of the real guitars, a set an instrument; empty where the data are absent.
pub fn real_sets() -> Vec<Set> {
    let Some(dir) = data_dir() else { return Vec::new() };
    let manifest = std::fs::read_to_string(dir.join("notes/manifest.csv")).expect("manifest");
    let mut sets: Vec<Set> = Vec::new();
    for line in manifest.lines().skip(1) {
        let field: Vec<&str> = line.split(',').collect();
        if field[11] != "A" {
            continue;
        }
        let (samples, _) = read(&dir.join("notes").join(field[0]));
        let note = Note {
            midi: field[5].parse().expect("midi"),
            f1_hz: field[6].parse().expect("hertz"),
            told: TOLD_S,
            glide_cents: None,
            onset_s: onset_s(&samples),
            place: place_of(field[12]),
            samples,
        };
        match sets.iter_mut().find(|s| s.name == field[1]) {
            Some(set) => set.notes.push(note),
            None => sets.push(Set { name: field[1].to_owned(), notes: vec![note] }),
        }
    }
    sets
}

/// When a lone note begins: the manifest has it to 5 ms only. The first sample louder than a
/// twentieth of the loudest of its first 150 ms.
fn onset_s(samples: &[f32]) -> f64 {
    let first = &samples[..samples.len().min(RATE as usize * 3 / 20)];
    let loudest = first.iter().fold(0.0_f32, |m, s| m.max(s.abs()));
    let at = first.iter().position(|s| s.abs() > 0.05 * loudest).unwrap_or(0);
    at as f64 / f64::from(RATE)
}

/// «string A fret 12 take 1» → (5, 12).
fn place_of(detail: &str) -> Option<(u8, u8)> {
    let words: Vec<&str> = detail.split_whitespace().collect();
    let names = ["E4", "B", "G", "D", "A", "E2"];
    let string = names.iter().position(|n| words.get(1) == Some(n))? as u8 + 1;
    Some((string, words.get(3)?.parse().ok()?))
}

/// Debian's package fluid-soundfont-gm (MIT, Frank Wen).
const FONT: &str = "/usr/share/sounds/sf2/FluidR3_GM.sf2";
/// General MIDI's program of a finger drawn along a string, counted from 0, and keys that play it up to
/// twice as fast as it was.
const FRET_NOISE: i32 = 120;
const FRET_NOISE_KEYS: std::ops::RangeInclusive<u8> = 60..=72;

/// Sampled guitars, in tune within some cents; empty where the package is not installed.
pub fn sampled_sets() -> Vec<Set> {
    font_sets(Path::new(FONT))
}

/// A finger drawn along a string, faster and slower; empty where the package is not installed.
pub fn fret_noises() -> Vec<Vec<f32>> {
    let Some(font) = font(Path::new(FONT)) else { return Vec::new() };
    let noise = |key| {
        let samples = rendered(&font, FRET_NOISE, key);
        let peak = samples.iter().fold(1e-9_f32, |m, s| m.max(s.abs()));
        let last = samples.iter().rposition(|s| s.abs() > 0.01 * peak).unwrap_or(0);
        to_peak(samples[..=last].to_vec())
    };
    FRET_NOISE_KEYS.map(noise).collect()
}

fn font(path: &Path) -> Option<Arc<SoundFont>> {
    let mut file = std::fs::File::open(path).ok()?;
    Some(Arc::new(SoundFont::new(&mut file).expect("a soundfont")))
}

/// Two seconds of one key.
fn rendered(font: &Arc<SoundFont>, program: i32, key: u8) -> Vec<f32> {
    let mut settings = SynthesizerSettings::new(RATE as i32);
    settings.enable_reverb_and_chorus = false;
    let mut synth = Synthesizer::new(font, &settings).expect("settings");
    synth.process_midi_message(0, 0xC0, program, 0);
    synth.note_on(0, i32::from(key), 90);
    let n = 2 * RATE as usize;
    let (mut left, mut right) = (vec![0.0; n], vec![0.0; n]);
    synth.render(&mut left, &mut right);
    left.iter().zip(&right).map(|(l, r)| 0.5 * (l + r)).collect()
}

/// The four guitars of a General MIDI soundfont, or of a folder with a recording of every note, `24-40.wav` being
/// key 40 of program 24; empty where it is not there.
pub fn font_sets(path: &Path) -> Vec<Set> {
    let recorded = |program: i32, key: u8| {
        let path = path.join(format!("{program}-{key}.wav"));
        path.is_file().then(|| read(&path).0)
    };
    let font = if path.is_dir() { None } else { font(path) };
    let sound = |program: i32, key: u8| match &font {
        Some(font) => Some(rendered(font, program, key)),
        None => recorded(program, key),
    };
    let note = |program: i32, midi: u8| {
        let samples = sound(program, midi)?;
        let nominal_hz = 440.0 * ((f64::from(midi) - 69.0) / 12.0).exp2();
        let f1_hz = line_hz(&samples, 0.0, TOLD_S, nominal_hz);
        Some(Note {
            midi,
            f1_hz,
            told: TOLD_S,
            glide_cents: None,
            onset_s: 0.0,
            place: None,
            samples: to_peak(samples),
        })
    };
    let set = |program| Set {
        name: format!("sampled-{program}"),
        notes: (40..=84).into_par_iter().filter_map(|midi| note(program, midi)).collect(),
    };
    (24..=27).map(set).filter(|set| !set.notes.is_empty()).collect()
}

/// The synthesiser, three detuned versions of every note on every string up to fret 15.
pub fn synthetic_set(random: &mut Random) -> Set {
    let guitar = Guitar::default();
    let rate = SampleRate::new(RATE).expect("positive");
    let mut notes = Vec::new();
    for string in 1..=6 {
        for fret in 0..=15_u8 {
            let length_s = 2.2;
            let note = guitar.note(StringNumber(string), Fret(fret), length_s, 0.5);
            let mut note: PluckedNote = note.expect("a place on the neck");
            let cents = random.between(-8.0, 8.0);
            let midi = midi_number(note.frequency.get());
            note = note.detuned(Cents(cents));
            note.pluck_position = random.between(0.08, 0.4);
            note.brightness = random.between(0.2, 0.9);
            let f1_hz = Hertz::get(note.frequency);
            let room = doublecheck::synth::room::Room::default();
            let glide_cents = note.glide_cents;
            let samples = doublecheck::synth::render(&[note], 2.2, rate, &room, random.next_u64());
            notes.push(Note {
                midi: midi.round() as u8,
                f1_hz,
                told: (0.0, f64::INFINITY),
                glide_cents: Some(glide_cents),
                onset_s: 0.0,
                place: Some((string, fret)),
                samples: to_peak(samples),
            });
        }
    }
    Set { name: SYNTHETIC.to_owned(), notes }
}

fn to_peak(mut samples: Vec<f32>) -> Vec<f32> {
    let peak = samples.iter().fold(0.0_f32, |m, s| m.max(s.abs())).max(1e-9);
    samples.iter_mut().for_each(|s| *s *= 0.7 / peak);
    samples
}
