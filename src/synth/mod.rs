//! A plucked-string synthesiser: notes in, samples out, the same every time.
