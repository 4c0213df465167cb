//! Where samples come from and go to; knows nothing of music.
//!
//! **Conventions.** Everything inside the program is mono `f32`, full scale ±1. Files and live
//! inputs hand over the same [`Chunk`]s: samples, or a hole whose length is known, so that time
//! never shifts.
//! **Limits.** Rates from [`LOWEST_RATE`] to [`HIGHEST_RATE`]; no resampling.

mod chunks;
mod error;
pub mod file;
mod guard;
#[cfg(feature = "live")]
pub mod live;
mod matroska;
mod ogg;
mod opus;
mod source;
mod whole;
pub mod write;

use std::num::NonZeroU16;

use crate::units::SampleCount;

pub use error::AudioError;
pub use file::Recording;
pub use whole::Whole;
pub use write::TakeRecorder;
pub use write::WavWriter;

/// The lowest rate taken, in samples a second: telephone quality.
pub const LOWEST_RATE: u32 = 8_000;

/// The highest rate taken, in samples a second.
pub const HIGHEST_RATE: u32 = 192_000;

/// Which channel of a stream is listened to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ChannelChoice {
    /// The mean of all channels.
    #[default]
    Mix,
    /// One channel, counted from 1.
    One(NonZeroU16),
}

/// A piece of a stream.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Chunk<'a> {
    /// Mono samples.
    Samples(&'a [f32]),
    /// Samples that are lost; what follows comes that much later.
    Gap(SampleCount),
}

/// Puts the mean of the channels, or the chosen channel, of every frame of `interleaved` at the
/// end of `mono`. A chosen channel that is not there sounds silent.
fn append_mono(interleaved: &[f32], channels: usize, choice: ChannelChoice, mono: &mut Vec<f32>) {
    let frames = interleaved.chunks_exact(channels.max(1));
    match choice {
        ChannelChoice::Mix => {
            let share = 1.0 / channels.max(1) as f32;
            mono.extend(frames.map(|frame| frame.iter().sum::<f32>() * share));
        }
        ChannelChoice::One(number) => {
            let index = usize::from(number.get()) - 1;
            mono.extend(frames.map(|frame| frame.get(index).copied().unwrap_or(0.0)));
        }
    }
}
