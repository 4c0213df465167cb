//! Judgements in, bytes out.
