//! What a test says that cannot run on this machine.

use std::fmt::Display;
use std::io::Write;

/// Says that the running test, or a case of it, is skipped, and why. It is seen though the test passes: only what
/// macros print is captured.
pub fn skip(why: impl Display) {
    let thread = std::thread::current();
    let _ = writeln!(std::io::stderr(), "SKIPPED {}: {why}", thread.name().unwrap_or("a test"));
}
