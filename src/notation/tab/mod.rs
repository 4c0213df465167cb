//! Plain-text tab: a line for each string, highest on top, bars, and the usual letters.
//!
//! **Conventions.** Headings (`Title:`, `Key:`, `Tempo:`, `Meter:`, `Tuning:`, `Capo:`) come first.
//! Above each system stand chord symbols and a beat line, whose numbers say where the beats fall;
//! between two of them time goes evenly with the columns. Each column with a mark is a step, which
//! lasts until the next. The letters: `h` hammer-on, `p` pull-off, `s` `/` `\` slide, `b` bend,
//! `<12>` harmonic, `8<20>` artificial harmonic, `=` rings on, `r` (alone) rest.
//! **Rule on the way in.** Without a beat line the columns of a bar share its length, rounded to
//! the coarsest parts of a beat that fit; without bars the closest marks are eighths. Both are told.
//! `(7)` is held if it sounds already, `x` is left out, letters for vibrato and release too.
//! **Limits.** The author's intervals have no place. A lick ends with a whole beat.

mod page;
mod read;
mod token;
mod write;

pub use read::read;
pub use write::losses;
pub use write::write;
