//! A sound card that is listened to for as long as it takes: what is lost is looked for again.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;
use std::time::Instant;

use super::exit::Failure;
use super::output;
use crate::audio::AudioError;
use crate::audio::Chunk;
use crate::audio::live::Choice;
use crate::audio::live::Input;
use crate::audio::live::Status;
use crate::audio::live::devices;

/// How often the streams are looked after.
const PUMP: Duration = Duration::from_millis(5);
/// How often a lost device is looked for …
const LOOK_AGAIN: Duration = Duration::from_secs(1);
/// … and for how long.
const GIVE_UP: Duration = Duration::from_secs(60);

/// An input that is looked for again when it was lost.
#[derive(Debug)]
pub struct LiveInput {
    input: Input,
    waits: bool,
    /// Since when the input is lost, and when it was last looked for.
    lost: Option<(Instant, Instant)>,
}

/// What the player should know of the input.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Notice {
    /// Nothing comes, and nobody knows why yet.
    Waits,
    /// It is lost, and looked for again.
    Lost(Failure),
    /// It is back. A gap is handed over soon after.
    Back,
}

impl Notice {
    /// As a message; `kept` says what became of the sound so far.
    pub fn text(&self, kept: &str) -> String {
        match self {
            Self::Waits => "No samples arrive at the moment.".to_owned(),
            Self::Lost(Failure { error, hint, .. }) => {
                format!("{error}; {kept}. {}; it is looked for again.", sentence(hint))
            }
            Self::Back => "The input is back; what was missed is marked, time went on.".to_owned(),
        }
    }
}

/// Begins like a sentence.
pub fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

impl LiveInput {
    /// Opens and starts an input; says so if it may lose samples.
    ///
    /// # Errors
    /// As [`Input::open`].
    pub fn open(choice: &Choice) -> Result<Self, AudioError> {
        let input = Input::open(choice)?;
        if devices::may_lose(input.line()) {
            output::tell(&format!(
                "{}: handing over {} samples at a time, a busy sound server may lose some; leave out \
                 --buffer, or choose an ALSA input.",
                input.line().id,
                input.line().buffer.0
            ));
        }
        Ok(Self { input, waits: false, lost: None })
    }

    /// The input itself.
    pub fn input(&self) -> &Input {
        &self.input
    }

    /// Hands over what arrived since the last call, and gives what has changed.
    ///
    /// # Errors
    /// It did not come back within a minute, or not at its rate.
    pub fn pump(&mut self, on_chunk: impl FnMut(Chunk<'_>)) -> Result<Option<Notice>, Failure> {
        if let Some((since, tried)) = self.lost {
            return self.look_again(since, tried);
        }
        let status = self.input.pump(on_chunk);
        let waited = std::mem::replace(&mut self.waits, status == Status::Waiting);
        Ok(match status {
            Status::Waiting if !waited => Some(Notice::Waits),
            Status::Waiting | Status::Running => None,
            Status::Lost => {
                let now = now();
                self.lost = Some((now, now));
                Some(Notice::Lost(self.loss()))
            }
        })
    }

    fn look_again(&mut self, since: Instant, tried: Instant) -> Result<Option<Notice>, Failure> {
        let now = now();
        if now - tried < LOOK_AGAIN {
            return Ok(None);
        }
        self.lost = Some((since, now));
        match self.input.reconnect() {
            Ok(()) => {
                self.lost = None;
                Ok(Some(Notice::Back))
            }
            Err(error @ AudioError::RateChanged { .. }) => Err(error.into()),
            Err(_) if now - since > GIVE_UP => Err(self.loss()),
            Err(_) => Ok(None),
        }
    }

    fn loss(&self) -> Failure {
        let device = self.input.line().id.clone();
        self.input.loss().unwrap_or(AudioError::Gone { device }).into()
    }
}

/// Set when somebody interrupts the program.
///
/// # Errors
/// The system does not let the program know.
pub fn stop_flag() -> Result<Arc<AtomicBool>, Failure> {
    use signal_hook::consts::SIGINT;
    use signal_hook::consts::SIGTERM;
    let stop = Arc::new(AtomicBool::new(false));
    let mut signals = vec![SIGINT, SIGTERM];
    #[cfg(unix)]
    signals.push(signal_hook::consts::SIGHUP);
    for signal in signals {
        signal_hook::flag::register(signal, stop.clone()).map_err(|error| {
            Failure::new(format!("interruptions cannot be noticed: {error}"), "start it again")
        })?;
    }
    Ok(stop)
}

#[expect(clippy::disallowed_methods, reason = "devices come back in time, not in samples")]
fn now() -> Instant {
    Instant::now()
}

/// Until the next samples.
#[expect(clippy::disallowed_methods, reason = "the streams run by themselves meanwhile")]
pub fn pause() {
    std::thread::sleep(PUMP);
}
