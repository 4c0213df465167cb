//! A plucked-string synthesiser: notes in, samples out, the same every time.
//!
//! **What.** [`string`] turns [`PluckedNote`]s into sound, [`room`] adds what surrounds them,
//! [`guitar`] knows what the strings of a guitar are like, [`performance`] plays a whole lick.
//! **Conventions.** Mono `f32`, full scale ±1 but never limited: choose levels so that the sum stays
//! below 1. Times are seconds from the first sample. Equal arguments give equal samples.
//! **Limits.** One plane of vibration, no coupling between strings, no fret buzz.
//! **Reference.** H. Fletcher, "Normal vibration frequencies of a stiff piano string", J. Acoust.
//! Soc. Am. 36 (1964); N. Fletcher and T. Rossing, *The Physics of Musical Instruments*, ch. 2 and 9.

pub mod click;
pub mod guitar;
pub mod loudness;
pub mod performance;
pub mod random;
pub mod room;
pub mod string;

pub use room::Noise;
pub use room::Reverb;
pub use room::Room;
pub use string::PitchPoint;
pub use string::PluckedNote;

use crate::units::SampleRate;
use random::Random;

/// Sounds `notes` in `room` for `length_s` seconds.
///
/// `seed` chooses the noise of the attacks and of the room, nothing else.
pub fn render(
    notes: &[PluckedNote],
    length_s: f64,
    rate: SampleRate,
    room: &Room,
    seed: u64,
) -> Vec<f32> {
    let mut samples = vec![0.0; rate.samples_in(length_s).0 as usize];
    for (index, note) in notes.iter().enumerate() {
        note.add_to(&mut samples, rate, &mut Random::new(seed, index as u64 + 1));
    }
    let sounding: Vec<_> = notes.iter().map(|note| note.start_s..note.end_s()).collect();
    room.add_to(&mut samples, &sounding, rate, &mut Random::new(seed, 0));
    samples
}
