//! MusicXML 4.0: one part with one tablature staff, plain (`.musicxml`) or compressed (`.mxl`).
//!
//! **Conventions.** Pitches are written as they sound, capo counted; a bent note has the pitch it
//! is bent from. Nothing of a lick is lost. What MusicXML has no element of its own for stands
//! where the format lets any program put text:
//!
//! | in the lick | in MusicXML |
//! | --- | --- |
//! | the author's interval | a lyric named `interval` under the first note of the step |
//! | touched fret of an artificial harmonic | `<other-technical>touched 20</other-technical>` |
//! | a step in which nothing is struck | `<other-notation>new step</other-notation>` |
//! | a rest written as several | `<other-notation>same step</other-notation>` from the second on |
//! | `s`, `/` or `\` | the text along the slide: `sl.`, `/` or `\` |
//!
//! **Limits.** Octaves below 0 cannot be written. On the way in one part and one staff are read,
//! repeats are not unfolded and grace notes are left out; all that is told.
//! **Reference.** MusicXML 4.0, W3C Music Notation Community Group 2021.

mod archive;
mod harmony;
mod read;
mod strings;
mod tuplets;
mod value;
mod write;
mod xml;

pub use read::read;
pub use write::losses;
pub use write::write;
pub use write::write_compressed;

/// Text of an `other-notation` where a step begins without a strike.
const NEW_STEP: &str = "new step";

/// Text of an `other-notation` on a rest that goes on.
const SAME_STEP: &str = "same step";

/// What comes before the touched fret of an artificial harmonic.
const TOUCHED: &str = "touched ";

/// The lyric that holds the author's interval.
const CLAIM: &str = "interval";
