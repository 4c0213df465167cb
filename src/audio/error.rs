//! What can go wrong between a recording or a sound card and the samples.

use std::io;
use std::path::PathBuf;

use super::HIGHEST_RATE;
use super::LOWEST_RATE;

/// Why there is no sound, or why it could not be kept. Each text begins with the place.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AudioError {
    /// There is no such file.
    #[error("{recording}: no such file")]
    Missing {
        /// The file asked for.
        recording: String,
    },
    /// A directory was named where a recording was expected.
    #[error("{recording}: this is a directory, not a recording")]
    Directory {
        /// The directory.
        recording: String,
    },
    /// The file is there, but reading it is refused.
    #[error("{recording}: cannot be read")]
    Unreadable {
        /// The file.
        recording: String,
        /// What the system said.
        source: io::Error,
    },
    /// Nothing was sent, or standard input is a keyboard.
    #[error("{recording}: a terminal, not a recording")]
    Terminal {
        /// Always standard input.
        recording: String,
    },
    /// Not one byte, or an audio file of no length.
    #[error("{recording}: empty, holds no sound")]
    Empty {
        /// The file.
        recording: String,
    },
    /// The file is none of the formats known here, or too damaged to tell.
    #[error("{recording}: not a recording that can be read ({cause})")]
    NotAudio {
        /// The file.
        recording: String,
        /// What was found wanting.
        cause: String,
    },
    /// The file is of a kind that is known and not read here.
    #[error("{recording}: {kind}, which cannot be read")]
    UnreadKind {
        /// The file.
        recording: String,
        /// What it is.
        kind: &'static str,
    },
    /// An M4A file that its recorder never finished, or of which the end was not copied.
    #[error("{recording}: cut off, without the index that stands at the end of such a file")]
    Unfinished {
        /// The file.
        recording: String,
    },
    /// A film without sound, for example.
    #[error("{recording}: holds no audio track")]
    NoAudioTrack {
        /// The file.
        recording: String,
    },
    /// The container is known, what is in it is not.
    #[error("{recording}: its audio cannot be decoded ({cause})")]
    UnknownCodec {
        /// The file.
        recording: String,
        /// What the decoder said.
        cause: String,
    },
    /// Too slow or too fast to be listened to.
    #[error("{recording}: {found} samples a second, {LOWEST_RATE} to {HIGHEST_RATE} can be judged")]
    Rate {
        /// The file or device.
        recording: String,
        /// Its rate in samples a second.
        found: u32,
    },
    /// There are fewer channels than the number asked for.
    #[error("{recording}: has no channel {asked}, only {found}")]
    NoChannel {
        /// The file or device.
        recording: String,
        /// The channel asked for, counted from 1.
        asked: u16,
        /// How many there are.
        found: usize,
    },
    /// A WAV file could not be written.
    #[error("{}: cannot be written", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A take is never written over another.
    #[error("{}: there is such a file already", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// WAV counts its bytes in 32 bits.
    #[error("{}: full, a WAV file holds no more than four gigabytes", path.display())]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// There is no such device, or none at all.
    #[error("no audio {direction} {}", asked_for(asked, known))]
    NoDevice {
        /// «input» or «output».
        direction: &'static str,
        /// What was asked for; `None` for any.
        asked: Option<String>,
        /// The ids of those that are there.
        known: Vec<String>,
    },
    /// The name fits several devices.
    #[error("{asked:?} fits more than one audio {direction}: {}", known.join(", "))]
    ManyDevices {
        /// «input» or «output».
        direction: &'static str,
        /// What was asked for.
        asked: String,
        /// The ids of those it fits.
        known: Vec<String>,
    },
    /// Another program has the device.
    #[error("{device}: in use by another program")]
    Busy {
        /// The device.
        device: String,
    },
    /// The system does not allow it.
    #[error("{device}: the system does not permit its use")]
    Denied {
        /// The device.
        device: String,
    },
    /// The device or the sound system went away.
    #[error("{device}: disconnected, or the sound system has stopped")]
    Gone {
        /// The device.
        device: String,
    },
    /// The device is open, but nothing moves.
    #[error("{device}: open, but no samples come or go")]
    Still {
        /// The device.
        device: String,
    },
    /// The device came back at another rate.
    #[error("{device}: runs at {found} samples a second now, no longer at {expected}")]
    RateChanged {
        /// The device.
        device: String,
        /// The rate so far.
        expected: u32,
        /// The rate now.
        found: u32,
    },
    /// The device does not run at the rate asked for.
    #[error("{device}: does not run at {asked} samples a second")]
    NotAtRate {
        /// The device.
        device: String,
        /// The rate asked for.
        asked: u32,
        /// The rate it usually runs at.
        usual: u32,
    },
    /// The device does not do what was asked.
    #[error("{device}: cannot be opened ({cause})")]
    Refused {
        /// The device.
        device: String,
        /// What the sound system said.
        cause: String,
    },
    /// Too few calibration chirps came back.
    #[error("{device}: only {heard} of {played} chirps came back")]
    NotHeard {
        /// The input.
        device: String,
        /// How many were found.
        heard: usize,
        /// How many were played.
        played: usize,
    },
}

fn asked_for(asked: &Option<String>, known: &[String]) -> String {
    let Some(asked) = asked else { return "found".to_owned() };
    match known {
        [] => format!("{asked:?}: none found at all"),
        _ => format!("{asked:?}: there are {}", known.join(", ")),
    }
}

impl AudioError {
    /// The way out, one sentence without a full stop.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Missing { .. } => "check the name; `-` reads a recording from standard input",
            Self::Directory { .. } => "name the recordings in it one by one",
            Self::Unreadable { .. } => "check who may read the file and whether its disk is there",
            Self::Terminal { .. } => "send a recording into it, for example with `< take.wav`",
            Self::Empty { .. } => "record it again and check the input level first",
            Self::NotAudio { .. } | Self::UnknownCodec { .. } => {
                "hand over WAV, FLAC, MP3, M4A, Ogg or WebM (Opus or Vorbis), AIFF or CAF"
            }
            Self::UnreadKind { .. } => "convert it to WAV or FLAC with an audio editor first",
            Self::Unfinished { .. } => {
                "copy it once more from where it was recorded; if it is as short there, record it again"
            }
            Self::NoAudioTrack { .. } => "hand over a file with sound in it",
            Self::Rate { .. } => "record or convert it at 44100 or 48000 samples a second",
            Self::NoChannel { .. } => "choose a lower --channel, or leave it out to mix them all",
            Self::Write { .. } => "check that the folder exists, may be written to and has room",
            Self::Exists { .. } => "give another name, or remove the file first",
            Self::NoDevice { asked: None, .. } => {
                "connect a microphone or interface, check that the sound system runs, then see \
                 `doublecheck devices`"
            }
            Self::NoDevice { .. } => "choose one that `doublecheck devices` lists",
            Self::ManyDevices { .. } => "write more of its name, or its whole id",
            Self::Busy { .. } => "close the other program, or choose another device",
            Self::Denied { .. } => {
                "allow this terminal to use the microphone in the system's privacy settings; on \
                 Linux, join the group `audio`"
            }
            Self::Gone { .. } => "connect it again, or choose another one",
            Self::Still { .. } => {
                "check that it is switched on and not muted or suspended, or choose another one"
            }
            Self::RateChanged { .. } => "start again: one take has one rate",
            Self::NotAtRate { .. } => {
                "leave out --rate, or choose one that `doublecheck devices` lists"
            }
            Self::Refused { .. } => "leave out --rate, --buffer and --channel, or change them",
            Self::NotHeard { .. } => {
                "connect output and input by a cable, or hold the microphone to the loudspeaker, \
                 and raise the level in small steps"
            }
            Self::Full { .. } => "what was recorded is kept; go on in a new file",
        }
    }
}
