//! From spectra to pitches, blind to what is expected.
