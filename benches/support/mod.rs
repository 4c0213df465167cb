//! Recordings, mixes and scores that the benches share.
#![allow(dead_code, missing_docs)]

pub mod cases;
pub mod corpus;
pub mod score;
