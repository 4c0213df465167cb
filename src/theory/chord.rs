//! Chord symbols, chord tones and the role a note plays in a chord.
