//! From spectra to pitches, blind to what is expected.
//!
//! In reading order:
//! - `tone`: where the partials of a stiff string lie
//! - `fit`: tones and a spectrum in, amplitudes and refined frequencies out
//! - `estimate`: a spectrum in, the tones that sound out
//! - `presence`: whether one of them sounds, beside those that are known to
//! - `combination`: whether it is but what an overdriven amplifier makes of two others
//! - `shadow`: whether another was struck that hides behind its partials
//! - `struck`: whether it was struck now, or rings on
//! - `line`: the pitch that is told, and its error, from the partials of a fit
//! - `unison`: whether it is two strings on one note, which are a little apart
//! - `equations`: the least squares under `line` and others
//! - `stiffness`: how stiff a string is, every peak voting
//! - `settled`: a long strike in, pitches as exact as can be out; for tuning, not for the engine

pub mod combination;
mod equations;
pub mod estimate;
pub mod fit;
pub mod line;
pub mod presence;
pub mod settled;
pub mod shadow;
pub mod stiffness;
pub mod struck;
pub mod tone;
pub mod unison;
