//! Strings hold still, voices hardly do: what tells talk from strikes.

use super::verdict::HeardNote;
use super::verdict::Status;
use crate::engine::Strike;

/// A string's pitch holds still: of its strikes one in thirty tells no note to within this, of syllables four in
/// five, in cents of standard error; …
pub(super) const UNSTEADY_CENTS: f64 = 3.0;
/// … and within so many seconds of one that did not, less is needed to be none either.
const TALK_CENTS: f64 = 1.0;
pub(super) const TALK_S: f64 = 1.0;

/// Whether no note of `strike` held still, and none of those `heard` was asked for: amid talk, none that held
/// still.
pub(super) fn is_talk(strike: &Strike, heard: &[HeardNote], is_amid: bool) -> bool {
    let (steady, right) = match is_amid {
        true => (TALK_CENTS, UNSTEADY_CENTS),
        false => (UNSTEADY_CENTS, f64::INFINITY),
    };
    let mut asked_for = heard.iter().filter(|heard| heard.status == Status::Right);
    !asked_for.any(|heard| heard.pitch.cents_error.map_or(f64::INFINITY, |e| e.0) <= right)
        && !strike.holds_still(steady)
}
