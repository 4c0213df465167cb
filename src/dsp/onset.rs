//! Onsets.
