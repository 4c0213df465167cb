//! Where samples come from and go to; knows nothing of music.
