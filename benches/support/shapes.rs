//! Shapes of chords and double stops (common practice): a fret or `x` a string, the lowest first; those without
//! open strings move up the neck.

pub const THREE: [(&str, &str); 14] = [
    ("minor, root", "x x x 5 5 5"),
    ("major, root", "x x x 5 5 3"),
    ("minor, second inversion", "x x x 4 5 3"),
    ("major, second inversion", "x x 5 5 5 x"),
    ("minor, close", "x x 7 5 5 x"),
    ("major, middle", "x x 5 4 3 x"),
    ("major, low", "x 3 2 0 x x"),
    ("quartal", "x 5 5 5 x x"),
    ("major, lowest", "3 2 0 x x x"),
    ("seventh without fifth, low", "3 x 3 4 x x"),
    ("seventh without fifth", "x 3 2 3 x x"),
    ("sixth without third", "3 x 2 4 x x"),
    ("root, fifth, octave", "5 7 7 x x x"),
    ("major, spread", "x 3 x 0 5 x"),
];
pub const MORE: [(&str, &str); 14] = [
    ("sixth, 4", "x x 2 2 2 2"),
    ("sixth, low, 4", "3 x 2 4 3 x"),
    ("sixth, 5", "x 3 5 5 5 5"),
    ("minor sixth, 4", "5 x 4 5 5 x"),
    ("sixth, 6", "0 2 2 1 2 0"),
    ("ninth, 4", "x 3 2 3 3 x"),
    ("ninth, 5", "x 3 2 3 3 3"),
    ("major ninth, 4", "x 3 2 4 3 x"),
    ("minor ninth, 4", "x 3 1 3 3 x"),
    ("ninth, 6", "0 2 0 1 0 2"),
    ("six-nine, 4", "x 3 2 2 3 x"),
    ("six-nine, 5", "x 3 2 2 3 3"),
    ("six-nine, 6", "5 4 4 4 5 5"),
    ("six-nine, open, 6", "0 2 2 1 2 2"),
];
/// With octaves in them.
pub const BARRED: [(&str, &str); 4] = [
    ("major, 6", "1 3 3 2 1 1"),
    ("minor, 6", "1 3 3 1 1 1"),
    ("major, 5", "x 1 3 3 3 1"),
    ("seventh, 4", "1 x 1 2 1 x"),
];
pub const PAIRS: [(&str, &str); 18] = [
    ("minor third", "x x x x 5 3"),
    ("minor third", "x x x 4 3 x"),
    ("major third", "x x x 5 5 x"),
    ("major third", "x x 5 4 x x"),
    ("major third", "x 5 4 x x x"),
    ("fourth", "x x x x 3 3"),
    ("fourth", "x x x 4 5 x"),
    ("fourth", "x x 5 5 x x"),
    ("fifth", "x x 5 7 x x"),
    ("fifth", "x 3 5 x x x"),
    ("fifth", "x x x 5 x 3"),
    ("minor sixth", "x x x 4 x 3"),
    ("major sixth", "x x x 5 x 5"),
    ("major sixth", "x x 5 x 5 x"),
    ("major sixth", "3 x 2 x x x"),
    ("octave", "x x 5 x 8 x"),
    ("octave", "x 3 x 5 x x"),
    ("tenth", "5 x x 6 x x"),
];
