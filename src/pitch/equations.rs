//! What the partials of a string say in, its line out: first partial and stiffness by weighted least
//! squares.
//!
//! A partial that lies `measured` above the line of a [`Tone`](super::tone::Tone) says of the line it
//! ought to have, all relative to frequencies:
//!
//! ```text
//! shift + slope · bend = measured,   slope = ∂ ln f_n / ∂B
//!
//! ⎡ Σw     Σws  ⎤ ⎡ shift ⎤   ⎡ Σwm  ⎤
//! ⎣ Σws    Σws² ⎦ ⎣ bend  ⎦ = ⎣ Σwsm ⎦
//! ```
//!
//! **Conventions.** Weights are inverse variances; then the inverse of the matrix holds those of the
//! solution.
//! **Reference.** C. F. Gauss, «Theoria combinationis» (1823).

/// The normal equations of a line.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Equations {
    /// Matrix: its corners, and between them what stands beside either.
    h: [f64; 3],
    /// Right side.
    g: [f64; 2],
}

/// The line that partials say a tone ought to have.
#[derive(Debug, Clone, Copy)]
pub(super) struct Solution {
    /// How far the first partial lies above where it was, relative.
    pub shift: f64,
    /// How much stiffer the string is.
    pub bend: f64,
    /// Variances of `shift` and `bend`, and between them their covariance.
    pub spread: [f64; 3],
}

impl Equations {
    /// Where first partial and stiffness are known to be right, beforehand, by these weights.
    pub fn knowing(first: f64, stiffness: f64) -> Self {
        Self { h: [first, 0.0, stiffness], g: [0.0; 2] }
    }

    /// A partial lies `measured` above the line, `slope` being how far stiffness raises it.
    #[inline]
    pub fn add(&mut self, weight: f64, slope: f64, measured: f64) {
        self.h[0] += weight;
        self.h[1] += weight * slope;
        self.h[2] += weight * slope * slope;
        self.g[0] += weight * measured;
        self.g[1] += weight * measured * slope;
    }

    /// The stiffness is known to lie `off` above where it was.
    pub fn trust_stiffness(&mut self, weight: f64, off: f64) {
        self.h[2] += weight;
        self.g[1] += weight * off;
    }

    /// Takes the line for drawn: what was said of it stays known, and lies on it now.
    pub fn settle(&mut self) {
        self.g = [0.0; 2];
    }

    /// The weight behind the first partial.
    pub fn weight(&self) -> f64 {
        self.h[0]
    }

    /// Variance of where a partial lies, relative to its frequency.
    pub fn variance(&self, slope: f64) -> f64 {
        let [h00, h01, h11] = self.h;
        (h11 - 2.0 * slope * h01 + slope * slope * h00) / self.determinant()
    }

    /// The line; `None` where too little was said of it.
    #[inline]
    pub fn solve(&self) -> Option<Solution> {
        let ([h00, h01, h11], [g0, g1]) = (self.h, self.g);
        let determinant = self.determinant();
        if h00 == 0.0 || determinant <= 0.0 {
            return None;
        }
        Some(Solution {
            shift: (g0 * h11 - g1 * h01) / determinant,
            bend: (g1 * h00 - g0 * h01) / determinant,
            spread: [h11 / determinant, -h01 / determinant, h00 / determinant],
        })
    }

    fn determinant(&self) -> f64 {
        let [h00, h01, h11] = self.h;
        h00 * h11 - h01 * h01
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST StRD, «Norris», and what is certified of its line: intercept and slope, each with its
    /// standard deviation, and that of the residual.
    const Y: [f64; 36] = [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
        668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3,
        888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
    ];
    const X: [f64; 36] = [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
        666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1,
        887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
    ];
    const INTERCEPT: (f64, f64) = (-0.262_323_073_774_029, 0.232_818_234_301_152);
    const SLOPE: (f64, f64) = (1.002_116_818_020_45, 0.429_796_848_199_937e-3);
    const RESIDUAL: f64 = 0.884_796_396_144_373;

    fn is_near(found: f64, certified: f64) -> bool {
        (found / certified - 1.0).abs() < 1e-10
    }

    #[test]
    fn the_line_is_the_certified_one() {
        let mut equations = Equations::default();
        X.iter().zip(Y).for_each(|(&x, y)| equations.add(RESIDUAL.powi(-2), x, y));
        let line = equations.solve().expect("36 points");
        let found = [line.shift, line.spread[0].sqrt(), line.bend, line.spread[2].sqrt()];
        let certified = [INTERCEPT.0, INTERCEPT.1, SLOPE.0, SLOPE.1];
        assert!(found.iter().zip(certified).all(|(f, c)| is_near(*f, c)), "{found:?}");
        let at = |x: f64| line.spread[0] + x * (2.0 * line.spread[1] + x * line.spread[2]);
        assert!(is_near(equations.variance(300.0), at(300.0)));
    }

    #[test]
    fn what_weighs_twice_counts_twice() {
        let (mut once, mut twice) = (Equations::default(), Equations::default());
        for (i, (x, y)) in X.into_iter().zip(Y).enumerate() {
            let weight = if i % 3 == 0 { 2.0 } else { 1.0 };
            once.add(weight, x, y);
            (0..weight as usize).for_each(|_| twice.add(1.0, x, y));
        }
        let [once, twice] = [once, twice].map(|equations| equations.solve().expect("36 points"));
        assert!(is_near(once.shift, twice.shift) && is_near(once.bend, twice.bend));
    }

    /// One partial says one thing of two unknowns; what is known of the stiffness says the other.
    #[test]
    fn a_lone_partial_needs_a_known_stiffness() {
        let mut equations = Equations::default();
        assert!(equations.solve().is_none());
        equations.add(4.0, 3.0, 0.7);
        assert!(equations.solve().is_none());
        equations.trust_stiffness(1.0, 0.1);
        let line = equations.solve().expect("two equations");
        assert!(is_near(line.shift, 0.7 - 3.0 * 0.1) && is_near(line.bend, 0.1), "{line:?}");
    }
}
