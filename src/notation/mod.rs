//! Other ways to write a lick down: MusicXML, Standard MIDI Files, plain-text tab.
//!
//! Each format has `write`, which turns a [`Lick`] into text or bytes, `losses`, which tells what
//! the format cannot hold of it, and `read`, which gives a [`Reading`]: the lick and what had to be
//! decided or left out on the way.
//!
//! **Conventions.** Inside, time is counted in ticks, so that lengths stay exact. The moves of a
//! string in a step (hammer-on, slide, …) divide the step evenly: one falls on the half, two on
//! the thirds.
//! **Limits.** Input is not trusted: it is bounded in size before it is believed.

pub mod error;
pub mod midi;
pub mod musicxml;
pub mod played;
pub mod tab;

mod hand;
mod remarks;
mod steps;
mod ticks;

use crate::lick::Lick;

/// A lick read from another format.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The lick; it passes [`Lick::check`].
    pub lick: Lick,
    /// What was decided, rounded or left out, a sentence each, the place in it.
    pub remarks: Vec<String>,
}

/// Notes in one file to be read: ten minutes of sixteenth-note sextuplets.
const MAX_NOTES: u64 = 20_000;

/// Quarter notes in one file to be read.
const MAX_QUARTERS: u64 = 20_000;

/// A reading, once its lick has been found playable.
fn checked(mut lick: Lick, mut remarks: remarks::Remarks) -> Result<Reading, error::NotationError> {
    if lick.steps.is_empty() {
        let problem = "there is nothing to play in it".to_owned();
        return Err(error::NotationError::Unsupported { place: error::Place::File, problem });
    }
    if lick.swing.is_some() && !lick.meter.may_swing() {
        let what = "no eighth is half a beat in this metre: they are taken as even, not swung";
        remarks.add("", what);
        lick.swing = None;
    }
    lick.check()?;
    Ok(Reading { lick, remarks: remarks.into_sentences() })
}
