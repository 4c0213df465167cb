//! Sound without music: decimation, spectra, peaks, onsets.

mod circle;
pub mod decimate;
pub mod logarithm;
pub mod onset;
pub mod peaks;
pub mod spectrum;
