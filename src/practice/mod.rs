//! What was heard against what was asked.
//!
//! ```text
//! strikes ─▶ offset of the guitar ─▶ alignment with the steps ─▶ matching, step by step ─▶ timing
//! ```

pub mod alignment;
pub mod judge;
pub mod matching;
pub mod offset;
pub mod timing;
pub mod verdict;
