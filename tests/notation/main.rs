//! Licks in other notations: what comes back, what hostile files meet, and what programs from
//! outside read in them.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
#![allow(clippy::print_stderr, reason = "what programs from outside say must be seen")]
#![allow(clippy::disallowed_methods, reason = "a refusal is timed")]

mod fingering;
mod generate;
mod hostile;
mod outside;
mod round_trip;
#[path = "../support/skip.rs"]
mod skip;

use doublecheck::lick;
use doublecheck::lick::Lick;

/// The licks that come with the program.
fn embedded() -> impl Iterator<Item = Lick> {
    lick::library::names().map(|name| lick::find(name).unwrap())
}
