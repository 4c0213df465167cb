//! Figures, each printed beside its target.

use super::score::quantile;

/// What a figure should be.
#[derive(Debug, Clone, Copy)]
pub enum Target {
    AtLeast(f64),
    AtMost(f64),
    /// This much on either side of a value.
    Near(f64, f64),
    /// There is none.
    None,
}

/// Prints `value` and whether it reaches its target, for `name`.
pub fn figure(name: &str, value: f64, unit: &str, target: Target) {
    let reached = match target {
        Target::AtLeast(least) => value >= least,
        Target::AtMost(most) => value <= most,
        Target::Near(centre, off) => (value - centre).abs() <= off,
        Target::None => true,
    };
    let asked = match target {
        Target::AtLeast(least) => format!("  (target >= {least})"),
        Target::AtMost(most) => format!("  (target <= {most})"),
        Target::Near(centre, off) => format!("  (target {centre} +- {off})"),
        Target::None => String::new(),
    };
    // Nothing measured is no success.
    let short = if reached && !value.is_nan() { "" } else { "  short" };
    println!("{name:<58} {value:>9.3} {unit:<3}{asked}{short}");
}

/// Prints median and 95 % quantile of the sizes of `errors`.
pub fn spread(name: &str, errors: &[f64], unit: &str, median: Target, most: Target) {
    let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
    figure(&format!("{name}, median of {}", sizes.len()), quantile(&sizes, 0.5), unit, median);
    figure(&format!("{name}, 95 %"), quantile(&sizes, 0.95), unit, most);
}

/// Prints how many true errors lie within one and two told standard errors; pairs of the two.
pub fn honesty(name: &str, errors: &[(f64, f64)]) {
    let within = |k: f64| {
        let told: Vec<_> = errors.iter().filter(|e| e.1.is_finite()).collect();
        let inside = told.iter().filter(|e| e.0.abs() <= k * e.1).count();
        100.0 * inside as f64 / told.len() as f64
    };
    figure(&format!("{name} inside one cents_error"), within(1.0), "%", Target::Near(68.0, 6.0));
    figure(&format!("{name} inside two"), within(2.0), "%", Target::Near(95.0, 3.0));
}

/// `n` of `all` in per cent, `NaN` of nothing.
pub fn percent(n: usize, all: usize) -> f64 {
    100.0 * n as f64 / all as f64
}
