//! What was heard against what was asked.
//!
//! ```text
//! strikes ─▶ strums ─▶ offset of the guitar ─▶ alignment with the steps ─▶ matching ─▶ timing ─▶ strings
//! ```
//!
//! Live, [`session`] hands each strike to the step that is due as it comes, and each pass to the
//! judge when it is over.

mod alignment;
pub mod click;
pub mod doubt;
pub mod intonation;
pub mod judge;
pub mod led;
pub mod matching;
mod moves;
pub mod neck;
mod offset;
pub mod pass;
mod placement;
pub mod played;
pub mod pluck;
pub mod session;
pub mod strings;
mod strum;
pub mod talk;
mod timing;
pub mod tuning;
pub mod verdict;
