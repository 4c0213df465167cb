//! Recordings, mixes and scores that the benches share.
#![allow(dead_code, missing_docs)]

pub mod cases;
pub mod corpus;
pub mod counting;
pub mod figures;
pub mod moves;
pub mod neck;
pub mod scenes;
pub mod score;
pub mod spoil;
pub mod talk;
pub mod truth;
