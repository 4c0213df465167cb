//! The map of the whole neck.

use std::collections::BTreeMap;

use doublecheck::practice::neck;
use doublecheck::practice::neck::NeckMap;
use doublecheck::practice::neck::frets_alone;
use doublecheck::practice::pluck::PluckListener;
use doublecheck::report;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::note::Reference;
use doublecheck::units::Cents;

use super::listen;
use super::listener;
use super::note;
use super::support::cd_rate;
use super::take;

/// Two strings of a neck, every note so many cents off by the tuning, from the first fret on by the nut, at
/// the twelfth by the saddle, and at the fifth by that fret.
fn mapped([tuning, nut, saddle, fifth]: [f64; 4]) -> NeckMap {
    let strings = [StringNumber(6), StringNumber(5)];
    let mut notes = Vec::new();
    for string in strings {
        for fret in 0..=12u8 {
            let mut off = tuning + saddle * ((f64::from(fret) / 12.0).exp2() - 1.0);
            off += if fret > 0 { nut } else { 0.0 };
            off += if fret == 5 { fifth } else { 0.0 };
            notes.push(note(string.0, fret, off, 0.2 + 1.4 * notes.len() as f64, 1.3));
        }
    }
    let mut map = NeckMap::new(neck::Plan {
        tuning: Tuning::default(),
        strings: strings.to_vec(),
        frets: (Fret(1), Fret(12)),
        reference: Reference::default(),
        tolerance: Cents(2.0),
    });
    listen(PluckListener::new(listener(cd_rate())), &take(&notes, 4), |pluck| {
        map.push(pluck);
    });
    map
}

/// However narrow the window, a fret stands over its cents.
#[test]
fn the_map_of_the_neck_stands_in_columns_in_any_window() {
    let map = mapped([-4.0, 1.5, 3.0, 5.0]);
    let told = |width| {
        let mut out = Vec::new();
        report::neck::text(&mut out, &map, 648.0, None, width).expect("a vector takes everything");
        String::from_utf8(out).expect("UTF-8")
    };
    // Every fret with what stands below its number, line by line.
    let cells = |text: &str| {
        let table = text.lines().skip(2).take_while(|line| !line.starts_with("string 6:"));
        let mut frets: BTreeMap<u8, Vec<String>> = BTreeMap::new();
        let mut heads = Vec::new();
        for line in table.filter(|line| !line.is_empty() && !line.starts_with('─')) {
            let letters: Vec<char> = line.chars().skip(12).collect();
            let columns = letters.chunks(5).map(|cell| String::from_iter(cell).trim().to_owned());
            let columns: Vec<String> = columns.collect();
            match line.starts_with("string") {
                true => heads = columns,
                false => heads.iter().zip(columns).for_each(|(fret, cents)| {
                    frets.entry(fret.parse().expect("a fret")).or_default().push(cents);
                }),
            }
        }
        frets
    };
    let whole = cells(&told(None));
    assert_eq!(whole.keys().copied().collect::<Vec<_>>(), (0..=12).collect::<Vec<_>>());
    for width in [80, 76, 60, 30, 8] {
        let text = told(Some(width));
        assert_eq!(cells(&text), whole, "\n{text}");
        let head = text.lines().nth(2).expect("a head");
        assert!(head.len() <= width.max(17), "{width}:\n{text}");
    }
}

/// The saddle of a neck that is 3 cents off at the twelfth fret, and a fifth fret that lies wrong.
#[test]
fn the_map_of_the_neck_tells_saddle_nut_and_fret_apart() {
    let [tuning, nut, saddle, fifth] = [-4.0, 1.5, 3.0, 5.0];
    let map = mapped([tuning, nut, saddle, fifth]);
    let (spots, splits) = map.spots();
    assert_eq!(spots.len(), 26, "{:?}", map.refused());
    assert_eq!(map.next(), None);
    let worst =
        frets_alone(&spots).into_iter().max_by(|a, b| a.alone.cents.total_cmp(&b.alone.cents));
    assert_eq!(worst.map(|fret| fret.fret), Some(Fret(5)));
    // The wrong fret pulls a little at the least squares of the rest.
    for split in splits {
        assert!((split.saddle.0 - saddle).abs() < 1.0, "{split:?}");
        assert!((split.tuning.0 - tuning).abs() < 0.1, "{split:?}");
        let nut_found = split.nut.expect("the open string was heard");
        assert!((nut_found.0 - nut).abs() < 1.2, "{split:?}");
    }
}
