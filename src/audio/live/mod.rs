//! Sound card in, mono samples out; prepared samples in, sound card out.
//!
//! ```text
//! let mut input = Input::open(&Choice::default())?;
//! loop {
//!     match input.pump(|chunk| match chunk {
//!         Chunk::Samples(samples) => …, // judge and record them
//!         Chunk::Gap(lost) => …,        // so many never arrived; time went on
//!     }) {
//!         Status::Running => {}         // or Waiting: nothing came for a moment
//!         Status::Lost => …             // input.loss() says why; input.reconnect() tries again
//!     }
//!     sleep(5 ms);
//! }
//! ```
//!
//! [`Output`] plays prepared samples and tells the index at which each began; [`Output::heard_at`]
//! turns that into an index of the input, less the round trip that [`calibration`] knows.
//!
//! **Conventions.** The audio threads copy, count and read the clock: no allocation, no lock, no
//! message. The owner, who pumps at least twice a second, does the rest. What is lost on the way is
//! handed over as [`Chunk::Gap`](super::Chunk::Gap) where it happened, so that the count of samples
//! keeps to the clock; a whole connection that was lost and found again is one gap.
//! **Limits.** A hole of which the card tells nothing is known only if it is longer than some
//! 150 ms or three buffers; one that it tells of, if longer than a buffer. Its length is then right
//! to a buffer.
//! **Reference.** Card access by the crate `cpal`, the ring between threads by `ringbuf`.

#[cfg(target_os = "linux")]
mod alsa_input;
pub mod calibration;
pub mod capture;
pub mod delay;
pub mod devices;
mod hush;
mod input;
mod output;
pub mod playback;
mod stream;

use super::ChannelChoice;
use crate::units::SampleCount;
use crate::units::SampleRate;

pub use input::Input;
pub use output::ClipNumber;
pub use output::Output;

/// What to open; everything left out is chosen.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Choice {
    /// A device by its id, its name, a part of either that fits one only, or a sound system by
    /// its name. `None` is the default device.
    pub device: Option<String>,
    /// Which channel is listened to. Outputs play on all.
    pub channel: ChannelChoice,
    /// Samples a second; `None` is what the device runs at.
    pub rate: Option<u32>,
    /// Samples per channel that are handed over at a time; `None` is some 10 ms for an input, some
    /// 85 ms for one of a sound server spoken to directly, some 40 ms for an output.
    pub buffer: Option<u32>,
}

/// A device that is open, and how it runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// The device's id.
    pub id: String,
    /// What people call the device.
    pub name: String,
    /// Samples a second.
    pub rate: SampleRate,
    /// Samples that are handed over at a time, as asked for; the sound system may cut them smaller.
    pub buffer: SampleCount,
}

impl Line {
    fn new(found: &devices::Found, plan: devices::Plan) -> Self {
        Self {
            id: found.listed.id.clone(),
            name: found.listed.name.clone(),
            rate: plan.rate(),
            buffer: SampleCount(u64::from(plan.buffer())),
        }
    }
}

/// How a stream is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// Samples flow.
    Running,
    /// Nothing moved for a moment; it may go on by itself.
    Waiting,
    /// The stream is closed. `loss()` says why, `reconnect()` tries to go on.
    Lost,
}

/// Seconds since the program first asked, from a clock that never goes back.
#[expect(clippy::disallowed_methods, reason = "live streams are measured against the clock")]
fn now_s() -> f64 {
    use std::sync::OnceLock;
    use std::time::Instant;
    static EPOCH: OnceLock<Instant> = OnceLock::new();
    EPOCH.get_or_init(Instant::now).elapsed().as_secs_f64()
}
