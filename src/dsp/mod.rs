//! Sound without music: decimation, spectra, peaks, onsets.
//!
//! In reading order:
//! - `decimate`: samples at any rate in, at the rate that strings need out
//! - `onset`: samples in, onsets of plucked strings out
//! - `spectrum`: a stretch of samples in, its complex spectrum out
//! - `peaks`: a spectrum in, its peaks out
//! - `circle`: cosines and sines of many angles, for windows and turns
//! - `logarithm`: natural logarithms of many numbers side by side

mod circle;
pub mod decimate;
pub mod logarithm;
pub mod onset;
pub mod peaks;
pub mod spectrum;
