//! From judgements to bytes in an `impl io::Write`: text for the player, JSON for programs.
//!
//! **Conventions.** Rounding happens here and only here. Colour is an argument and never the only
//! carrier of meaning.

/// Whether text may carry terminal colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Colour {
    /// Bytes of plain text only.
    Plain,
    /// ANSI escape sequences (ECMA-48) around the verdicts.
    Ansi,
}
