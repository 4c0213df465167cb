//! Cosines and sines of many angles, for windows and turns.

/// Equally spaced angles turned to side by side, so that none waits for the one before it.
pub const LANES: usize = 4;
/// Angles after which the recurrence starts anew, so that rounding does not build up.
pub const RESTART: usize = 1024;

/// Cosines and sines of equally spaced angles, [`LANES`] at a time, by recurrence.
#[derive(Debug)]
pub struct Circle {
    pub cos: [f64; LANES],
    pub sin: [f64; LANES],
    turn: (f64, f64),
}

impl Circle {
    /// At `first` and the [`LANES`] − 1 angles after it, `step` radians apart.
    pub fn new(first: f64, step: f64) -> Self {
        let (mut cos, mut sin) = ([0.0; LANES], [0.0; LANES]);
        for i in 0..LANES {
            (sin[i], cos[i]) = (first + step * i as f64).sin_cos();
        }
        Self { cos, sin, turn: (step * LANES as f64).sin_cos() }
    }

    /// On by [`LANES`] angles.
    pub fn advance(&mut self) {
        let (sin_turn, cos_turn) = self.turn;
        for (cos, sin) in self.cos.iter_mut().zip(&mut self.sin) {
            (*cos, *sin) = (*cos * cos_turn - *sin * sin_turn, *sin * cos_turn + *cos * sin_turn);
        }
    }
}
