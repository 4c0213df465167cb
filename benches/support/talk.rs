//! People talking: prompts of Debian's packages asterisk-core-sounds-{en,es,fr,it,ru}-wav
//! (CC-BY-SA-3.0, recorded by five speakers, 8 kHz).

use std::path::Path;
use std::path::PathBuf;

use super::cases::Random;
use super::corpus::RATE;
use super::corpus::read;

const FOLDER: &str = "/usr/share/asterisk/sounds";
/// Between two prompts, in seconds.
const PAUSE_S: [f64; 2] = [0.1, 0.6];
/// Lower voices, by playing them slower.
const SLOWER: [f64; 4] = [1.0, 0.9, 0.75, 0.65];

/// The prompts of one speaker.
#[derive(Debug)]
pub struct Speaker {
    pub name: String,
    prompts: Vec<PathBuf>,
}

/// All speakers there are; none where the packages are not installed.
pub fn speakers() -> Vec<Speaker> {
    let Ok(folders) = Path::new(FOLDER).read_dir() else { return Vec::new() };
    let mut folders: Vec<PathBuf> = folders.flatten().map(|entry| entry.path()).collect();
    folders.retain(|folder| !folder.is_symlink() && folder.is_dir());
    folders.sort();
    let speaker = |folder: PathBuf| {
        let files = folder.read_dir().ok()?;
        let mut prompts: Vec<PathBuf> = files.flatten().map(|entry| entry.path()).collect();
        prompts.retain(|path| path.extension().is_some_and(|e| e == "wav") && is_speech(path));
        prompts.sort();
        let name = folder.file_name()?.to_str()?.to_owned();
        (!prompts.is_empty()).then_some(Speaker { name, prompts })
    };
    folders.into_iter().filter_map(speaker).collect()
}

fn is_speech(path: &Path) -> bool {
    let name = path.file_name().unwrap_or_default().to_string_lossy().to_lowercase();
    let is_long = path.metadata().is_ok_and(|m| m.len() > 12_000);
    is_long && !["beep", "tone", "silence", "music"].iter().any(|other| name.contains(other))
}

impl Speaker {
    /// Talk of `length_s`, its loudest sample at 0.7.
    pub fn talk(&self, length_s: f64, random: &mut Random) -> Vec<f32> {
        let n = (length_s * f64::from(RATE)) as usize;
        let speed = SLOWER[random.below(SLOWER.len())];
        let mut out: Vec<f32> = Vec::with_capacity(n);
        while out.len() < n {
            let (samples, rate) = read(&self.prompts[random.below(self.prompts.len())]);
            let peak = samples.iter().fold(1e-6_f32, |m, s| m.max(s.abs()));
            let step = speed * f64::from(rate.get()) / f64::from(RATE);
            let length = ((samples.len() - 1) as f64 / step) as usize;
            out.extend((0..length).map(|i| {
                let at = i as f64 * step;
                let (k, share) = (at as usize, at.fract() as f32);
                let next = samples[(k + 1).min(samples.len() - 1)];
                (samples[k] + share * (next - samples[k])) * 0.7 / peak
            }));
            let pause_s = random.between(PAUSE_S[0], PAUSE_S[1]);
            out.resize(out.len() + (pause_s * f64::from(RATE)) as usize, 0.0);
        }
        out.truncate(n);
        out
    }
}
