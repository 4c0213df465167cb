//! Opens streams in whatever sample format the device has.

use std::sync::Arc;
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use cpal::SampleFormat;
use cpal::traits::DeviceTrait;
use cpal::traits::StreamTrait;

#[cfg(target_os = "linux")]
use super::alsa_input::AlsaInput;
use super::capture::Counters;
use super::capture::Fault;
use super::capture::Sender;
use super::devices::Found;
use super::devices::Plan;
use super::hush::Hush;
use super::now_s;
use super::playback::Player;
use crate::audio::AudioError;

/// How long a sound system may take to open a stream.
const PATIENCE: Duration = Duration::from_secs(3);

/// Calls `$build!(T)` with the sample type of `$format`.
macro_rules! with_sample_type {
    ($format:expr, $build:ident) => {
        match $format {
            SampleFormat::F32 => $build!(f32),
            SampleFormat::F64 => $build!(f64),
            SampleFormat::I32 => $build!(i32),
            SampleFormat::I24 => $build!(cpal::I24),
            SampleFormat::I16 => $build!(i16),
            SampleFormat::I8 => $build!(i8),
            SampleFormat::U16 => $build!(u16),
            SampleFormat::U8 => $build!(u8),
            _ => Err(cpal::Error::new(cpal::ErrorKind::UnsupportedConfig)),
        }
    };
}

/// How long closing a stream may take before it is left to itself.
const FAREWELL: Duration = Duration::from_secs(1);

/// A stream that is closed quietly. Not to be dropped while a [`Hush`] lives.
pub struct Running(Option<Box<dyn Send>>);

impl Drop for Running {
    /// Closes the stream from another thread: when a sound server dies, ALSA's plug-in for it may
    /// wait for itself forever, and the program must not wait with it.
    fn drop(&mut self) {
        let _hush = Hush::new();
        let (closed, wait) = mpsc::channel();
        let stream = self.0.take();
        let close = move || {
            drop(stream);
            // Nobody listens any more if it took too long.
            let _ = closed.send(());
        };
        if thread::Builder::new().spawn(close).is_ok() {
            let _ = wait.recv_timeout(FAREWELL);
        }
    }
}

/// Opens an input that feeds `sender`, and starts it.
pub fn open_input(
    found: &Found,
    plan: Plan,
    mut sender: Sender,
    counters: Arc<Counters>,
) -> Result<Running, AudioError> {
    #[cfg(target_os = "linux")]
    if let Some(name) = found.listed.id.strip_prefix("alsa:")
        && AlsaInput::takes(plan.format)
    {
        return match AlsaInput::open(name, plan, sender, counters) {
            Ok(reading) => Ok(Running(Some(Box::new(reading)))),
            Err(error) => Err(refusal(&error, &found.listed.id)),
        };
    }
    macro_rules! build {
        ($sample:ty) => {
            found.device.build_input_stream(
                plan.config,
                move |samples: &[$sample], _: &_| sender.forward(samples, now_s()),
                move |error: cpal::Error| counters.note_error(error.kind()),
                Some(PATIENCE),
            )
        };
    }
    started(with_sample_type!(plan.format, build), found)
}

/// Opens an output that plays what `player` has, and starts it.
pub fn open_output(
    found: &Found,
    plan: Plan,
    mut player: Player,
    counters: Arc<Counters>,
) -> Result<Running, AudioError> {
    macro_rules! build {
        ($sample:ty) => {
            found.device.build_output_stream(
                plan.config,
                move |samples: &mut [$sample], _: &_| player.fill(samples, now_s()),
                move |error: cpal::Error| counters.note_error(error.kind()),
                Some(PATIENCE),
            )
        };
    }
    started(with_sample_type!(plan.format, build), found)
}

fn started(built: Result<cpal::Stream, cpal::Error>, found: &Found) -> Result<Running, AudioError> {
    built
        .and_then(|stream| stream.play().map(|()| Running(Some(Box::new(stream)))))
        .map_err(|error| refusal(&error, &found.listed.id))
}

/// Why `device` cannot be used.
pub fn refusal(error: &cpal::Error, device: &str) -> AudioError {
    use cpal::ErrorKind as Kind;
    let device = device.to_owned();
    match error.kind() {
        Kind::DeviceBusy => AudioError::Busy { device },
        Kind::PermissionDenied => AudioError::Denied { device },
        Kind::DeviceNotAvailable | Kind::HostUnavailable => AudioError::Gone { device },
        _ => {
            let cause = error.to_string();
            AudioError::Refused { device, cause: cause.trim_end_matches('.').to_lowercase() }
        }
    }
}

/// Why `device` was lost.
pub fn loss(fault: Fault, device: &str) -> AudioError {
    let device = device.to_owned();
    match fault {
        Fault::Gone | Fault::Changed => AudioError::Gone { device },
        Fault::Denied => AudioError::Denied { device },
        Fault::Still => AudioError::Still { device },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_stands_in_the_way_is_told_apart() {
        use cpal::ErrorKind as Kind;
        for (kind, text) in [
            (Kind::DeviceBusy, "card: in use by another program"),
            (Kind::PermissionDenied, "card: the system does not permit its use"),
            (Kind::DeviceNotAvailable, "card: disconnected, or the sound system has stopped"),
        ] {
            assert_eq!(refusal(&cpal::Error::new(kind), "card").to_string(), text);
        }
        let error = cpal::Error::with_message(Kind::BackendError, "Bad Plug.");
        assert_eq!(refusal(&error, "card").to_string(), "card: cannot be opened (bad plug)");
    }
}
