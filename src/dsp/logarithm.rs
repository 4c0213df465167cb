//! A natural logarithm that a loop can take of many numbers side by side, which the one of the
//! mathematics library keeps it from.
//!
//! **Limits.** Of positive normal numbers only; wrong by less than 1e-6, absolute or relative.

use std::f32::consts::LN_2;

/// `√½`, from where on a mantissa is taken.
const LOWEST: u32 = std::f32::consts::FRAC_1_SQRT_2.to_bits();

/// Natural logarithm of `x`, `x = m · 2^e` with `m` between √½ and √2:
///
/// ```text
/// ln x = e ln 2 + 2 artanh t,   t = (m − 1) / (m + 1)
/// ```
pub fn ln(x: f32) -> f32 {
    let exponent = (x.to_bits().wrapping_sub(LOWEST) as i32) >> 23;
    let m = f32::from_bits(x.to_bits().wrapping_sub((exponent as u32) << 23));
    let t = (m - 1.0) / (m + 1.0);
    let t2 = t * t;
    exponent as f32 * LN_2 + 2.0 * t * (1.0 + t2 * (1.0 / 3.0 + t2 * (0.2 + t2 / 7.0)))
}

#[cfg(test)]
mod tests {
    use super::ln;

    /// Against the standard library's, over all magnitudes that sound has.
    #[test]
    fn agrees_with_the_library() {
        for i in 0..20_000 {
            let x = (f64::from(i - 10_000) * 0.008).exp() as f32;
            let right = x.ln();
            let off = (ln(x) - right).abs() / right.abs().max(1.0);
            assert!(off < 1e-6, "ln {x} is {right}, told {}", ln(x));
        }
    }
}
