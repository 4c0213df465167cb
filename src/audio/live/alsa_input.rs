//! An ALSA input that is read every few milliseconds instead of being waited for.
//!
//! On a desktop ALSA leads to the sound server through a plug-in that calls itself ready as soon as a
//! fragment lies there, even one that was read in part. cpal 0.18 waits for whole periods, and so
//! asks over and over: it spends 16 to 68 % of a core (PulseAudio 16, buffers of 512 and 2048), where
//! this spends one. The whole program needs 1.8 % (ten minutes of `cargo bench --bench live -- soak 10`,
//! no sample lost). And it lets the plug-in keep two periods only; here it keeps a second.
//!
//! **Limits.** Samples are handed over up to [`EVERY`] later than by waiting.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::sync::atomic::Ordering;
use std::thread;
use std::thread::JoinHandle;
use std::time::Duration;

use alsa::Direction;
use alsa::ValueOr;
use alsa::pcm::Access;
use alsa::pcm::Format;
use alsa::pcm::Frames;
use alsa::pcm::HwParams;
use alsa::pcm::IoFormat;
use alsa::pcm::PCM;
use cpal::FromSample;
use cpal::SampleFormat;
use cpal::SizedSample;

use super::capture::Counters;
use super::capture::Sender;
use super::devices::Plan;
use super::now_s;

/// How often it is read.
const EVERY: Duration = Duration::from_millis(5);
/// Samples per channel that are read at a time.
const BLOCK: usize = 2048;
/// So many readings in a row that fail are a device that is gone.
const FAILURES: u32 = 20;

/// An input that is read by a thread of its own until it is dropped.
pub struct AlsaInput {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl AlsaInput {
    /// Whether samples of this format are read here.
    pub fn takes(format: SampleFormat) -> bool {
        matches!(format, SampleFormat::F32 | SampleFormat::I32 | SampleFormat::I16)
    }

    /// Opens the ALSA device `name`, starts it, and hands to `sender` what comes.
    ///
    /// # Errors
    /// It cannot be opened, or not like that.
    pub fn open(
        name: &str,
        plan: Plan,
        sender: Sender,
        counters: Arc<Counters>,
    ) -> Result<Self, cpal::Error> {
        let started = match plan.format {
            SampleFormat::F32 => Self::start::<f32>(name, plan, sender, counters),
            SampleFormat::I32 => Self::start::<i32>(name, plan, sender, counters),
            SampleFormat::I16 => Self::start::<i16>(name, plan, sender, counters),
            _ => return Err(cpal::ErrorKind::UnsupportedConfig.into()),
        };
        Ok(started?)
    }

    fn start<T>(
        name: &str,
        plan: Plan,
        mut sender: Sender,
        counters: Arc<Counters>,
    ) -> Result<Self, alsa::Error>
    where
        T: IoFormat + SizedSample,
        f32: FromSample<T>,
    {
        let pcm = PCM::new(name, Direction::Capture, true)?;
        configure(&pcm, <T as IoFormat>::FORMAT, plan)?;
        pcm.io_checked::<T>()?;
        pcm.start()?;
        let stop = Arc::new(AtomicBool::new(false));
        let (stopped, channels) = (stop.clone(), usize::from(plan.config.channels));
        let thread = thread::spawn(move || {
            let io = pcm.io_checked::<T>().expect("it has this format");
            let mut block = vec![T::EQUILIBRIUM; BLOCK * channels];
            let mut failures = 0;
            while !stopped.load(Ordering::Acquire) {
                match io.readi(&mut block) {
                    Ok(frames) => {
                        failures = 0;
                        sender.forward(&block[..frames * channels], now_s());
                        if frames == BLOCK {
                            continue;
                        }
                    }
                    Err(error) if error.errno() == rustix::io::Errno::AGAIN.raw_os_error() => {}
                    Err(error) => {
                        failures += 1;
                        counters.note_error(cpal::Error::from(error).kind());
                        // After an overrun or a sleep of the computer it has to be started again.
                        let again = pcm.prepare().and_then(|()| pcm.start());
                        if again.is_err() && failures >= FAILURES {
                            counters.note_error(cpal::ErrorKind::DeviceNotAvailable);
                            return;
                        }
                    }
                }
                pause();
            }
        });
        Ok(Self { stop, thread: Some(thread) })
    }
}

impl Drop for AlsaInput {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        // A thread that panicked has nothing to close any more.
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

/// Periods as asked for, room for a second.
fn configure(pcm: &PCM, format: Format, plan: Plan) -> Result<(), alsa::Error> {
    let wanted = HwParams::any(pcm)?;
    wanted.set_access(Access::RWInterleaved)?;
    wanted.set_format(format)?;
    wanted.set_channels(u32::from(plan.config.channels))?;
    wanted.set_rate(plan.config.sample_rate, ValueOr::Nearest)?;
    wanted.set_period_size_near(Frames::from(plan.buffer()), ValueOr::Nearest)?;
    wanted.set_buffer_size_near(Frames::from(plan.config.sample_rate))?;
    pcm.hw_params(&wanted)
}

#[expect(clippy::disallowed_methods, reason = "sound comes in time")]
fn pause() {
    thread::sleep(EVERY);
}
