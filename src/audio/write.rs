//! Mono samples in, a WAV file out.
//!
//! **Conventions.** [`WavWriter`] is for files made in one go: the name appears when the file is
//! whole. [`TakeRecorder`] is for takes as they are played: the file is there at once and is a
//! valid recording up to the last second, whatever happens to the program.
//! **Limits.** Four gigabytes, as WAV has it; a take then tells [`AudioError::Full`] and stays
//! as it is.
//! **Reference.** Files by the crate `hound`.

use std::fs::File;
use std::io;
use std::io::BufWriter;
use std::io::Seek;
use std::io::SeekFrom;
use std::io::Write;
use std::path::Path;
use std::path::PathBuf;

use super::error::AudioError;
use super::whole::Whole;
use crate::units::SampleCount;
use crate::units::SampleRate;

/// The bytes of samples a file may hold: 32 bits less room for headers.
const ROOM_BYTES: u64 = u32::MAX as u64 - 1024;

/// Where a file of more than 16 bits says which loudspeakers its channels are for (WAVEFORMATEXTENSIBLE,
/// `dwChannelMask`), and what it says of mono: front centre.
const SPEAKERS_AT: u64 = 40;
const FRONT_CENTRE: u32 = 4;

/// How samples are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleFormat {
    /// 16 bit, for small files.
    Int16,
    /// 24 bit.
    Int24,
    /// 32-bit float: exactly what was heard.
    Float32,
}

impl SampleFormat {
    fn bits(self) -> u16 {
        match self {
            Self::Int16 => 16,
            Self::Int24 => 24,
            Self::Float32 => 32,
        }
    }

    fn spec(self, rate: SampleRate) -> hound::WavSpec {
        hound::WavSpec {
            channels: 1,
            sample_rate: rate.get(),
            bits_per_sample: self.bits(),
            sample_format: match self {
                Self::Float32 => hound::SampleFormat::Float,
                _ => hound::SampleFormat::Int,
            },
        }
    }

    fn put(self, wav: &mut Wav, sample: f32) -> hound::Result<()> {
        match self {
            Self::Float32 => wav.write_sample(sample),
            _ => {
                let full_scale = f64::from(1_i32 << (self.bits() - 1));
                let scaled = (f64::from(sample) * full_scale).round();
                wav.write_sample(scaled.clamp(-full_scale, full_scale - 1.0) as i32)
            }
        }
    }
}

/// Writes a WAV file that appears under its name only once it is whole.
#[derive(Debug)]
pub struct WavWriter {
    path: PathBuf,
    whole: Whole,
    wav: Writer,
}

impl WavWriter {
    /// Begins a file beside `path`.
    ///
    /// # Errors
    /// The folder is missing or may not be written to.
    pub fn create(path: &Path, rate: SampleRate, format: SampleFormat) -> Result<Self, AudioError> {
        let begin = || -> hound::Result<_> {
            let mut whole = Whole::create(path)?;
            let wav = Writer::new(whole.file().try_clone()?, rate, format)?;
            Ok((whole, wav))
        };
        let (whole, wav) = begin().map_err(|error| write_error(path, error))?;
        Ok(Self { path: path.to_owned(), whole, wav })
    }

    /// Appends mono samples.
    ///
    /// # Errors
    /// The disk is full or gone, or four gigabytes are written.
    pub fn write(&mut self, samples: &[f32]) -> Result<(), AudioError> {
        self.wav.write(samples, &self.path)
    }

    /// Completes the file and gives it its name, if that is free or to `replace` what has it.
    ///
    /// # Errors
    /// There is such a file; the disk is full or gone. Nothing is left behind then.
    pub fn finish(self, replace: bool) -> Result<(), AudioError> {
        let Self { path, whole, wav } = self;
        let finish = || Ok(whole.finish(replace)?);
        wav.wav.finalize().and_then(|()| finish()).map_err(|error| write_error(&path, error))
    }
}

/// Keeps what is played, as it is played, as 32-bit float WAV.
#[derive(Debug)]
pub struct TakeRecorder {
    path: PathBuf,
    wav: Writer,
    second: u64,
    unsaved: u64,
}

impl TakeRecorder {
    /// Begins a take.
    ///
    /// # Errors
    /// `path` exists already, or cannot be written to.
    pub fn create(path: &Path, rate: SampleRate) -> Result<Self, AudioError> {
        let wav = File::create_new(path)
            .map_err(hound::Error::IoError)
            .and_then(|file| Writer::new(file, rate, SampleFormat::Float32))
            .map_err(|error| write_error(path, error))?;
        let second = u64::from(rate.get());
        Ok(Self { path: path.to_owned(), wav, second, unsaved: 0 })
    }

    /// Where the take is kept.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Appends mono samples; every second, all of it is made safe on disk.
    ///
    /// # Errors
    /// The disk is full or gone, or four gigabytes are written. What was saved stays.
    pub fn write(&mut self, samples: &[f32]) -> Result<(), AudioError> {
        for piece in samples.chunks(self.wav.rate()) {
            self.wav.write(piece, &self.path)?;
            self.unsaved += piece.len() as u64;
            if self.unsaved >= self.second {
                self.save()?;
            }
        }
        Ok(())
    }

    /// Appends silence for samples that were lost, so that time does not shift.
    ///
    /// # Errors
    /// As [`TakeRecorder::write`].
    pub fn gap(&mut self, lost: SampleCount) -> Result<(), AudioError> {
        const SILENCE: [f32; 4096] = [0.0; 4096];
        let mut left = lost.0;
        while left > 0 {
            let now = left.min(SILENCE.len() as u64);
            self.write(&SILENCE[..now as usize])?;
            left -= now;
        }
        Ok(())
    }

    /// Makes everything so far safe on disk.
    ///
    /// # Errors
    /// The disk is full or gone.
    pub fn save(&mut self) -> Result<(), AudioError> {
        self.unsaved = 0;
        self.wav.wav.flush().map_err(|error| write_error(&self.path, error))
    }

    /// Completes the take. Dropping it does the same, silently.
    ///
    /// # Errors
    /// The disk is full or gone.
    pub fn finish(self) -> Result<(), AudioError> {
        self.wav.wav.finalize().map_err(|error| write_error(&self.path, error))
    }
}

type Wav = hound::WavWriter<BufWriter<File>>;

/// What both writers share: the format, and how much room is left.
struct Writer {
    wav: Wav,
    format: SampleFormat,
    room_bytes: u64,
}

impl Writer {
    /// Begins `file`, which is a valid recording from now on.
    fn new(mut file: File, rate: SampleRate, format: SampleFormat) -> hound::Result<Self> {
        let mut wav = hound::WavWriter::new(BufWriter::new(file.try_clone()?), format.spec(rate))?;
        wav.flush()?;
        // `hound` takes a lone channel for the left one, and encoders refuse such a file.
        if format.bits() > 16 {
            file.seek(SeekFrom::Start(SPEAKERS_AT))?;
            file.write_all(&FRONT_CENTRE.to_le_bytes())?;
            file.seek(SeekFrom::End(0))?;
        }
        Ok(Self { wav, format, room_bytes: ROOM_BYTES })
    }

    fn rate(&self) -> usize {
        self.wav.spec().sample_rate as usize
    }

    fn write(&mut self, samples: &[f32], path: &Path) -> Result<(), AudioError> {
        let bytes = samples.len() as u64 * u64::from(self.format.bits() / 8);
        self.room_bytes = self
            .room_bytes
            .checked_sub(bytes)
            .ok_or_else(|| AudioError::Full { path: path.to_owned() })?;
        for &sample in samples {
            self.format.put(&mut self.wav, sample).map_err(|error| write_error(path, error))?;
        }
        Ok(())
    }
}

impl std::fmt::Debug for Writer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Writer").field("format", &self.format).finish_non_exhaustive()
    }
}

fn write_error(path: &Path, error: hound::Error) -> AudioError {
    let path = path.to_owned();
    match error {
        hound::Error::IoError(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            AudioError::Exists { path }
        }
        hound::Error::IoError(source) => AudioError::Write { path, source },
        other => AudioError::Write { path, source: io::Error::other(other) },
    }
}
