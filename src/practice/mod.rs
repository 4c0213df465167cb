//! What was heard against what was asked.

pub mod judge;
pub mod verdict;
