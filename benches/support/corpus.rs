//! Single notes of real guitars with their measured pitch, mixed into double stops.

use std::path::Path;
use std::path::PathBuf;

use doublecheck::synth;
use doublecheck::synth::Room;
use doublecheck::synth::guitar::Guitar;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::units::SampleRate;

/// One plucked note.
#[derive(Debug, Clone)]
pub struct RealNote {
    pub set: String,
    pub midi: u8,
    pub f1_hz: f64,
    pub onset_s: f64,
    pub clean: bool,
    /// String (1 = highest) and fret where known.
    pub place: Option<(u8, u8)>,
    pub samples: Vec<f32>,
}

pub const RATE: u32 = 44_100;

pub fn data_dir() -> Option<PathBuf> {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
    dir.is_dir().then_some(dir)
}

pub fn load_notes() -> Vec<RealNote> {
    let Some(dir) = data_dir() else { return Vec::new() };
    let manifest = std::fs::read_to_string(dir.join("notes/manifest.csv")).expect("manifest");
    manifest
        .lines()
        .skip(1)
        .filter_map(|line| {
            let f: Vec<&str> = line.split(',').collect();
            let wav = format!("/tmp/wt/wav/{}", f[0].replace('/', "__").replace(".flac", ".wav"));
            let mut reader = hound::WavReader::open(&wav).ok()?;
            let samples: Vec<f32> =
                reader.samples::<i16>().map(|s| f32::from(s.unwrap()) / 32768.0).collect();
            let place = place_of(f[12]);
            Some(RealNote {
                set: f[1].to_owned(),
                midi: f[5].parse().ok()?,
                f1_hz: f[6].parse().ok()?,
                onset_s: f[9].parse().unwrap_or(0.0),
                clean: f[11] == "A",
                place,
                samples,
            })
        })
        .collect()
}

/// «string A fret 12 take 1» → (5, 12).
fn place_of(detail: &str) -> Option<(u8, u8)> {
    let words: Vec<&str> = detail.split_whitespace().collect();
    let string = match *words.get(1)? {
        "E2" => 6,
        "A" => 5,
        "D" => 4,
        "G" => 3,
        "B" => 2,
        "E4" => 1,
        _ => return None,
    };
    Some((string, words.get(3)?.parse().ok()?))
}

/// A small generator of random numbers (splitmix64), the same everywhere.
#[derive(Debug, Clone)]
pub struct Random(pub u64);

impl Random {
    pub fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    /// Uniform in 0..1.
    pub fn unit(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    pub fn below(&mut self, n: usize) -> usize {
        (self.next_u64() % n as u64) as usize
    }
}

/// A note placed in a mix.
#[derive(Debug, Clone, Copy)]
pub struct Placed {
    pub midi: u8,
    pub f1_hz: f64,
    pub start_s: f64,
    pub gain: f64,
}

/// Mixes `notes` (index into the corpus, start in seconds, gain in dB), `length_s` long.
pub fn mix(notes: &[(&RealNote, f64, f64)], length_s: f64) -> (Vec<f32>, Vec<Placed>) {
    let mut out = vec![0.0_f32; (length_s * f64::from(RATE)) as usize];
    let mut placed = Vec::new();
    for &(note, start_s, gain_db) in notes {
        let gain = 10_f64.powf(gain_db / 20.0);
        let at = ((start_s - note.onset_s) * f64::from(RATE)).round() as i64;
        for (i, &s) in note.samples.iter().enumerate() {
            let k = at + i as i64;
            if k >= 0 && (k as usize) < out.len() {
                out[k as usize] += s * gain as f32;
            }
        }
        placed.push(Placed { midi: note.midi, f1_hz: note.f1_hz, start_s, gain });
    }
    let peak = out.iter().fold(0.0_f32, |m, s| m.max(s.abs()));
    if peak > 0.0 {
        out.iter_mut().for_each(|s| *s *= 0.7 / peak);
    }
    (out, placed)
}

/// Single notes of sampled guitars from a Debian soundfont package, in tune within a few cents.
pub fn soundfont_notes() -> Vec<RealNote> {
    let path = "/usr/share/sounds/sf2/FluidR3_GM.sf2";
    let Ok(mut file) = std::fs::File::open(path) else { return Vec::new() };
    let font = std::sync::Arc::new(rustysynth::SoundFont::new(&mut file).expect("a soundfont"));
    let mut notes = Vec::new();
    for program in 24..=27 {
        for midi in 40..=84_u8 {
            let mut settings = rustysynth::SynthesizerSettings::new(RATE as i32);
            settings.enable_reverb_and_chorus = false;
            let mut synth = rustysynth::Synthesizer::new(&font, &settings).expect("settings");
            synth.process_midi_message(0, 0xC0, program, 0);
            synth.note_on(0, i32::from(midi), 90);
            let n = 2 * RATE as usize;
            let (mut left, mut right) = (vec![0.0; n], vec![0.0; n]);
            synth.render(&mut left, &mut right);
            let mut samples: Vec<f32> =
                left.iter().zip(&right).map(|(l, r)| 0.5 * (l + r)).collect();
            let peak = samples.iter().fold(0.0_f32, |m, s| m.max(s.abs())).max(1e-9);
            samples.iter_mut().for_each(|s| *s *= 0.7 / peak);
            notes.push(RealNote {
                set: format!("font-{program}"),
                midi,
                f1_hz: 440.0 * ((f64::from(midi) - 69.0) / 12.0).exp2(),
                onset_s: 0.0,
                clean: true,
                place: None,
                samples,
            });
        }
    }
    notes
}

/// Notes of the crate's own synthetic guitar, each string up to fret 19, in a quiet room.
pub fn synthetic_notes() -> Vec<RealNote> {
    let rate = SampleRate::new(RATE).expect("above zero");
    let guitar = Guitar::default();
    let mut notes = Vec::new();
    for (string, open) in Tuning::default().strings() {
        for fret in 0..=19 {
            let note = guitar.note(string, Fret(fret), 2.0, 0.7).expect("a string of this guitar");
            let f1_hz = note.frequency.get();
            let seed = u64::from(string.0) * 100 + u64::from(fret);
            notes.push(RealNote {
                set: "synthetic".to_owned(),
                midi: open.0 + fret,
                f1_hz,
                onset_s: 0.0,
                clean: true,
                place: Some((string.0, fret)),
                samples: synth::render(
                    std::slice::from_ref(&note),
                    2.0,
                    rate,
                    &Room::default(),
                    seed,
                ),
            });
        }
    }
    notes
}
