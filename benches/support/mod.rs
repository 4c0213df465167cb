//! Recordings and mixes that the benches judge.
#![allow(dead_code, missing_docs)]

pub mod corpus;
