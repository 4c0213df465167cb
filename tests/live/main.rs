//! The program with a real sound server and no sound card.
//!
//! Each test runs itself again beside a private PulseAudio server (`tests/live/virtual_card.sh`),
//! whose monitor hears what is played. Where PulseAudio is not installed, it says so and is skipped.
#![cfg(all(feature = "live", target_os = "linux"))]
#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]
#![expect(clippy::print_stderr, reason = "what was measured must be seen")]
#![expect(clippy::disallowed_methods, reason = "live streams take time")]

mod card;
mod faults;
mod guitar;
mod sessions;
#[path = "../support/skip.rs"]
mod skip;
mod streams;
mod terminal;
#[path = "../support/truth.rs"]
#[allow(dead_code, reason = "every test file uses a part of it")]
mod truth;
