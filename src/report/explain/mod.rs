//! A lick explained: as a page of a lesson book, and as JSON.

mod json;
pub mod repairs;
mod tab;
mod text;
mod words;

pub use json::json;
pub use text::text;
