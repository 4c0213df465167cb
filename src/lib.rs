//! Listens to double stops and says which notes were right, how far off, and when.

pub mod audio;
pub mod cli;
pub mod dsp;
pub mod engine;
pub mod lick;
pub mod notation;
pub mod pitch;
pub mod practice;
pub mod report;
pub mod synth;
pub mod theory;
pub mod units;
