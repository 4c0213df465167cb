//! Sound without music: decimation, spectra, peaks, onsets.

pub mod decimate;
pub mod logarithm;
pub mod onset;
pub mod peaks;
pub mod spectrum;
