//! The lick file: round trips, errors with their exact text, and what is played.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod faults;
mod playing;
mod random;
mod reading;

/// The example of the format's description, with a step that needs single quotes.
const GOOD: &str = r#"title  = "Ferry landing sixths"
key    = "D major"
tempo  = 84                         # beats a minute, the beat being a quarter note
meter  = "4/4"
tuning = "E2 A2 D3 G3 B3 E4"        # optional, sixth string first; this is the default
capo   = 0                          # optional

steps = [
  { beats = 1, frets = "x x x 11 x 10", chord = "D", interval = "m6" },
  { beats = 0.5, frets = "x x x  9 x  9" },
  { beats = 0.5, frets = "x x x 7h9 7 x" },
  { beats = 1,   frets = "x x x x x x" },
  { beats = "1/3", frets = 'x x x x x 7\5' },
]
"#;
