//! A lick explained: as a page of a lesson book, and as JSON.

mod json;
mod tab;
mod text;
mod words;

pub use json::json;
pub use tab::tab;
pub use text::text;
