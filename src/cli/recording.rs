//! A recording listened to from beginning to end, with progress on the way.

use std::fmt::Display;
use std::io;
use std::io::IsTerminal;
use std::num::NonZeroU16;
use std::path::Path;
use std::path::PathBuf;

use indicatif::ProgressBar;
use indicatif::ProgressDrawTarget;
use indicatif::ProgressStyle;

use super::exit::Failure;
use super::output;
use crate::audio::ChannelChoice;
use crate::audio::Chunk;
use crate::audio::Recording;
use crate::engine::Listener;
use crate::engine::Take;
use crate::practice::verdict::Finding;

/// Recordings longer than this show their progress; below it the eye would only see a flash.
const LONG_S: f64 = 20.0;

/// In less time no note can be told, in seconds.
const SHORTEST_S: f64 = 0.1;

/// Options of the commands that listen to recordings.
#[derive(Debug, Clone, Copy, clap::Args)]
pub struct Channel {
    /// Listen to this channel only, 1 being the first (all are mixed otherwise)
    #[arg(long = "channel", value_name = "N")]
    number: Option<NonZeroU16>,
}

impl Channel {
    /// Whether one was named.
    pub fn is_one(self) -> bool {
        self.number.is_some()
    }

    /// As `audio` takes it.
    pub fn choice(self) -> ChannelChoice {
        self.number.map_or(ChannelChoice::Mix, ChannelChoice::One)
    }
}

/// What a recording held.
#[derive(Debug, Clone)]
pub struct Heard {
    /// Everything the engine told.
    pub take: Take,
    /// What was wrong with the file, and from where on; what could be read is in the take.
    pub damage: Option<String>,
    /// What to say if nothing was struck in it.
    pub if_nothing: Finding,
    /// Nothing at all sounds in it.
    pub holds_no_sound: bool,
}

/// What to say of a recording in which nothing was struck.
pub fn nothing_struck(recording: &Recording, channel: Channel) -> Finding {
    let length_s = recording.position().seconds(recording.rate());
    match (channel.number, recording.sounds_elsewhere()) {
        _ if length_s < SHORTEST_S => Finding::TooShort,
        (Some(silent), Some(sounding)) => Finding::SilentChannel { silent, sounding },
        _ if recording.is_silent() => Finding::Silent,
        _ => Finding::NoNotes,
    }
}

/// Listens to the recording at `path`; `-` is standard input.
///
/// # Errors
/// A recording that cannot be opened or holds no sound.
pub fn hear(path: &Path, channel: Channel, progress: &Progress) -> Result<Heard, Failure> {
    let mut recording = Recording::open(path, channel.choice())?;
    let mut listener = Listener::of_recording(recording.rate());
    let damage = feed(&mut recording, progress, |chunk| match chunk {
        Chunk::Samples(samples) => listener.push(samples, |_| {}),
        Chunk::Gap(lost) => listener.gap(lost, |_| {}),
    });
    let mut take = listener.finish(|_| {});
    // The mix hides what was cut off in one channel.
    take.clipped = recording.clipped();
    let if_nothing = nothing_struck(&recording, channel);
    Ok(Heard { take, damage, if_nothing, holds_no_sound: recording.holds_no_sound() })
}

/// Hands all of `recording` over, piece by piece, and says so if its channels cancel each other.
/// Gives what was wrong with the file, and from where on.
pub fn feed(
    recording: &mut Recording,
    progress: &Progress,
    mut on_chunk: impl FnMut(Chunk<'_>),
) -> Option<String> {
    let rate = recording.rate();
    progress.begin(recording.expected_length().map(|length| length.seconds(rate)));
    let mut told_ms = 0;
    while let Some(chunk) = recording.next_chunk() {
        on_chunk(chunk);
        let heard_ms = milliseconds(recording.position().seconds(rate));
        progress.0.inc(heard_ms - told_ms);
        told_ms = heard_ms;
    }
    if recording.mix_cancels() {
        let name = recording.name();
        output::tell(&format!(
            "{name}: its channels cancel each other when mixed; choose one with --channel"
        ));
    }
    recording.damage().map(|damage| format!("at {:.1} s: {}", damage.at_s, damage.cause))
}

/// Says what was wrong with the recording called `name`, where no report does.
pub fn tell_damage(name: impl Display, damage: Option<&str>) {
    if let Some(damage) = damage {
        output::tell(&format!("{name}: damaged {damage}; what could be read is told"));
    }
}

/// Standard input can be read once.
///
/// # Errors
/// `-` stands among `recordings` more than once.
pub fn read_once(recordings: &[PathBuf]) -> Result<(), Failure> {
    if recordings.iter().filter(|path| *path == Path::new("-")).count() > 1 {
        return Err(Failure::new(
            "standard input: `-` is given more than once, but it holds one recording",
            "name `-` once, and the other recordings by their files",
        ));
    }
    Ok(())
}

/// A bar on standard error that counts milliseconds of audio, for several recordings together. Shown
/// only on a terminal, and only for long work.
#[derive(Debug)]
pub struct Progress(ProgressBar);

impl Progress {
    /// A bar that is not seen yet.
    pub fn new() -> Self {
        let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::hidden());
        let style = ProgressStyle::with_template("{bar:30} {percent:>3} %  {eta} left")
            .expect("a fixed template");
        bar.set_style(style.progress_chars("══─"));
        Self(bar)
    }

    fn begin(&self, length_s: Option<f64>) {
        let Some(length_s) = length_s else { return };
        self.0.inc_length(milliseconds(length_s));
        if length_s > LONG_S && self.0.is_hidden() && io::stderr().is_terminal() {
            self.0.set_draw_target(ProgressDrawTarget::stderr());
        }
    }
}

impl Default for Progress {
    fn default() -> Self {
        Self::new()
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}

fn milliseconds(seconds: f64) -> u64 {
    (seconds * 1000.0) as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::WavWriter;
    use crate::audio::write::SampleFormat;
    use crate::units::SampleRate;

    /// Blocks of a recording last no whole milliseconds.
    #[test]
    fn progress_ends_where_the_recording_does() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("take.wav");
        let rate = SampleRate::new(44_100).expect("not zero");
        let mut wav = WavWriter::create(&path, rate, SampleFormat::Int16).expect("a new file");
        wav.write(&[0.1; 441_000]).expect("room");
        wav.finish(false).expect("room");
        let mut recording = Recording::open(&path, ChannelChoice::Mix).expect("a recording");
        let (progress, mut blocks) = (Progress::new(), 0);
        feed(&mut recording, &progress, |_| blocks += 1);
        assert!(blocks > 100, "{blocks} blocks");
        assert_eq!(progress.0.position(), 10_000);
        assert_eq!(progress.0.length(), Some(10_000));
    }
}
