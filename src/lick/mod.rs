//! The lick file: what it may say, what is wrong with it, and what it sounds like over time.
//!
//! [`expected`] is what the rest of the program needs of a lick: for every step the notes that
//! have to sound.

pub mod expected;
