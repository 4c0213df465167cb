//! Every pass on a file of its own, recorded as it is played.

use std::path::Path;
use std::path::PathBuf;

use crate::audio::AudioError;
use crate::audio::TakeRecorder;
use crate::practice::session::Session;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// What was played is safe on disk after this long at most, in seconds; to it comes the half second
/// that [`Session::certain`] waits.
const SAVE_S: f64 = 0.25;

/// Records passes.
#[derive(Debug)]
pub struct Tape {
    folder: PathBuf,
    stem: String,
    rate: SampleRate,
    number: usize,
    recorder: Option<TakeRecorder>,
    written: SampleIndex,
    saved: SampleIndex,
}

impl Tape {
    /// A tape that names its files `STEM-NUMBER.wav`.
    pub fn new(folder: &Path, stem: String, rate: SampleRate) -> Self {
        let written = SampleIndex(0);
        let folder = folder.to_owned();
        Self { folder, stem, rate, number: 0, recorder: None, written, saved: written }
    }

    /// Begins the file of a pass that begins at `start`.
    ///
    /// # Errors
    /// The folder cannot be written to.
    pub fn begin(&mut self, start: SampleIndex) -> Result<(), AudioError> {
        (self.written, self.saved) = (start, start);
        loop {
            self.number += 1;
            let path = self.folder.join(format!("{}-{}.wav", self.stem, self.number));
            match TakeRecorder::create(&path, self.rate) {
                // Never over another take: the next number.
                Err(AudioError::Exists { .. }) => {}
                Err(error) => return Err(error),
                Ok(recorder) => {
                    self.recorder = Some(recorder);
                    return Ok(());
                }
            }
        }
    }

    /// Where the present pass is kept.
    pub fn path(&self) -> Option<&Path> {
        self.recorder.as_ref().map(TakeRecorder::path)
    }

    /// Records what certainly belongs to the pass.
    ///
    /// # Errors
    /// The disk is full or gone: what was saved stays, nothing more is recorded.
    pub fn follow(&mut self, session: &Session) -> Result<(), AudioError> {
        self.write(session, session.certain())?;
        if self.written.0 - self.saved.0 < self.rate.samples_in(SAVE_S).0 {
            return Ok(());
        }
        self.saved = self.written;
        self.attempt(TakeRecorder::save)
    }

    /// Records silence for samples that never arrived. To be told before the session is.
    ///
    /// # Errors
    /// As [`Tape::follow`].
    pub fn gap(&mut self, session: &Session, lost: SampleCount) -> Result<(), AudioError> {
        self.write(session, session.position())?;
        self.written.0 += lost.0;
        self.attempt(|recorder| recorder.gap(lost))
    }

    /// Ends the file of the pass at `end` and tells its name; `None` if nothing was recorded.
    ///
    /// # Errors
    /// As [`Tape::follow`].
    pub fn cut(
        &mut self,
        session: &Session,
        end: SampleIndex,
    ) -> Result<Option<PathBuf>, AudioError> {
        self.write(session, end)?;
        let Some(recorder) = self.recorder.take() else { return Ok(None) };
        let path = recorder.path().to_owned();
        recorder.finish()?;
        Ok(Some(path))
    }

    fn write(&mut self, session: &Session, to: SampleIndex) -> Result<(), AudioError> {
        if to <= self.written {
            return Ok(());
        }
        let samples = session.samples(self.written, to);
        self.written = to;
        self.attempt(|recorder| recorder.write(samples))
    }

    /// After a failure nothing more is recorded: it is told once.
    fn attempt(
        &mut self,
        record: impl FnOnce(&mut TakeRecorder) -> Result<(), AudioError>,
    ) -> Result<(), AudioError> {
        let Some(recorder) = &mut self.recorder else { return Ok(()) };
        let done = record(recorder);
        if done.is_err() {
            self.recorder = None;
        }
        done
    }
}
