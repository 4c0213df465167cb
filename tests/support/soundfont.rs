//! Sampled guitars: notes played by the Debian package `fluid-soundfont-gm` through `rustysynth`.
//!
//! General MIDI numbers the guitars from 0 here: 24 nylon, 25 steel, 26 jazz, 27 clean, 28 muted.

use std::fs::File;
use std::io::BufReader;
use std::sync::Arc;
use std::sync::OnceLock;

use doublecheck::units::SampleRate;
use rustysynth::SoundFont;
use rustysynth::Synthesizer;
use rustysynth::SynthesizerSettings;

const PATH: &str = "/usr/share/sounds/sf2/FluidR3_GM.sf2";

/// A key held down.
#[derive(Debug, Clone, Copy)]
pub struct Key {
    pub start_s: f64,
    pub length_s: f64,
    /// MIDI note number.
    pub note: u8,
    /// MIDI velocity, 1–127.
    pub velocity: u8,
}

/// Plays `keys` on the guitar `program` for `length_s`, without echo, both channels mixed.
///
/// `None`, with a word on standard error, where the package is not installed.
pub fn play(program: u8, keys: &[Key], length_s: f64, rate: SampleRate) -> Option<Vec<f32>> {
    let Some(font) = font() else {
        super::skip::skip(format!("{PATH} is absent (apt-get install fluid-soundfont-gm)"));
        return None;
    };
    let mut settings = SynthesizerSettings::new(rate.get() as i32);
    settings.enable_reverb_and_chorus = false;
    // Keys take effect at the next block: eight samples are 0.2 ms.
    settings.block_size = 8;
    let mut synthesizer = Synthesizer::new(&font, &settings).expect("the rate is one it plays");
    const PROGRAM_CHANGE: i32 = 0xC0;
    synthesizer.process_midi_message(0, PROGRAM_CHANGE, i32::from(program), 0);

    let at = |seconds| rate.samples_in(seconds).0 as usize;
    let mut changes: Vec<(usize, Key, bool)> = keys
        .iter()
        .flat_map(|&key| {
            [(at(key.start_s), key, true), (at(key.start_s + key.length_s), key, false)]
        })
        .collect();
    changes.sort_by_key(|&(at, _, down)| (at, down));

    let (mut left, mut right) = (vec![0.0; at(length_s)], vec![0.0; at(length_s)]);
    let mut done = 0;
    for (at, key, down) in changes {
        let at = at.min(left.len());
        synthesizer.render(&mut left[done..at], &mut right[done..at]);
        done = at;
        if down {
            synthesizer.note_on(0, i32::from(key.note), i32::from(key.velocity));
        } else {
            synthesizer.note_off(0, i32::from(key.note));
        }
    }
    synthesizer.render(&mut left[done..], &mut right[done..]);
    Some(left.iter().zip(right).map(|(l, r)| 0.5 * (l + r)).collect())
}

/// The samples, read once; `None` where the package is not installed.
fn font() -> Option<Arc<SoundFont>> {
    static FONT: OnceLock<Option<Arc<SoundFont>>> = OnceLock::new();
    FONT.get_or_init(|| {
        let file = File::open(PATH).ok()?;
        let font = SoundFont::new(&mut BufReader::new(file)).expect("the package is whole");
        Some(Arc::new(font))
    })
    .clone()
}
