//! Note values: how a length is written as notes, dots and tuplets.

/// A written note value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Value {
    /// Its length in ticks.
    pub ticks: u64,
    /// The head and flags; `None` for a length that no note value has.
    pub name: Option<&'static str>,
    /// Dots after the head.
    pub dots: u8,
    /// So many notes in the time of so many, if it is one of a tuplet.
    pub tuplet: Option<(u64, u64)>,
}

/// Names of note values (MusicXML 4.0, `note-type-value`), from 16 quarter notes down, each half as
/// long as the one before.
const NAMES: [&str; 13] = [
    "long", "breve", "whole", "half", "quarter", "eighth", "16th", "32nd", "64th", "128th",
    "256th", "512th", "1024th",
];

/// The largest tuplet that is written as one.
const LARGEST_TUPLET: u64 = 15;

/// The values to be tied together for `ticks` at `division` ticks to the quarter note.
pub(super) fn values(ticks: u64, division: u64) -> Vec<Value> {
    let divisor = crate::notation::ticks::gcd(ticks, division);
    let odd = (division / divisor) >> (division / divisor).trailing_zeros();
    let plain = Value { ticks, name: None, dots: 0, tuplet: None };
    if odd > LARGEST_TUPLET {
        return vec![plain];
    }
    // So many in the time of the power of two below: a third of a beat is an eighth, two thirds long.
    let normal = if odd == 1 { 1 } else { 1 << odd.ilog2() };
    let tuplet = (odd > 1).then_some((odd, normal));
    let mut values = Vec::new();
    let mut left = ticks;
    while left > 0 {
        // Longest first, and of equals the one with fewer dots.
        let best = (0..NAMES.len())
            .flat_map(|name| (0..=2).map(move |dots| (name, dots)))
            .filter_map(|(name, dots)| {
                // 16 quarters, halved `name` times, with dots, in a tuplet.
                let numerator = 16 * division * normal * ((2 << dots) - 1);
                let denominator = odd << (name + dots);
                let whole = numerator.is_multiple_of(denominator);
                let ticks = numerator / denominator;
                (whole && ticks > 0 && ticks <= left).then_some((ticks, name, dots))
            })
            .max_by_key(|&(ticks, _, dots)| (ticks, std::cmp::Reverse(dots)));
        let Some((ticks, name, dots)) = best else {
            values.push(Value { ticks: left, ..plain });
            break;
        };
        values.push(Value { ticks, name: Some(NAMES[name]), dots: dots as u8, tuplet });
        left -= ticks;
    }
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each value as `name.dots actual:normal`, what is not there left out.
    fn written(ticks: u64, division: u64) -> String {
        let text = |value: Value| {
            let tuplet = value.tuplet.map(|(actual, normal)| format!(" {actual}:{normal}"));
            let dots = ".".repeat(usize::from(value.dots));
            format!("{}{dots}{}", value.name.unwrap_or("?"), tuplet.unwrap_or_default())
        };
        values(ticks, division).into_iter().map(text).collect::<Vec<_>>().join(" + ")
    }

    /// Note values from any primer of notation.
    #[test]
    fn lengths_are_written_as_a_primer_has_them() {
        for (ticks, wanted) in [
            (24, "quarter"),
            (36, "quarter."),
            (21, "eighth.."),
            (96, "whole"),
            (8, "eighth 3:2"),
            (16, "quarter 3:2"),
            (60, "half + eighth"),
        ] {
            assert_eq!(written(ticks, 24), wanted, "{ticks} of 24 ticks");
        }
        assert_eq!(written(3, 15), "16th 5:4");
        assert_eq!(written(1, 1_000_003), "?");
    }

    #[test]
    fn values_add_up_to_the_length() {
        for division in [8, 24, 120, 840, 1001 * 8] {
            for ticks in 1..400 {
                let sum: u64 = values(ticks, division).iter().map(|value| value.ticks).sum();
                assert_eq!(sum, ticks, "at {division} ticks to the quarter");
            }
        }
    }
}
