//! The key that notes most likely are in.
//!
//! **Reference.** C. L. Krumhansl, E. J. Kessler, «Tracing the dynamic changes in perceived tonal organization in a
//! spatial representation of musical keys», *Psychological Review* 89 (1982): how well each note of the scale fits a key,
//! by ear; C. L. Krumhansl, *Cognitive Foundations of Musical Pitch* (1990): the key whose profile correlates best.

use super::key::Key;
use super::key::Mode;
use super::note::MidiNote;

/// How well the notes from the tonic up, by semitones, fit a major key and a minor one.
const PROFILES: [(Mode, [f64; 12]); 2] = [
    (Mode::Major, [6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88]),
    (Mode::Minor, [6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17]),
];

/// The major or minor key with at most six sharps or flats that fits `notes` best, each sounding for so long; `None`
/// where nothing speaks for any.
pub fn likeliest(notes: impl IntoIterator<Item = (MidiNote, f64)>) -> Option<Key> {
    let mut sounding = [0.0; 12];
    for (note, length) in notes {
        sounding[usize::from(note.0 % 12)] += length;
    }
    let keys = PROFILES.iter().flat_map(|(mode, profile)| {
        (-6..=6).filter_map(|fifths| Key::from_fifths(fifths, *mode)).map(move |key| (key, profile))
    });
    let fit = |(key, profile): (Key, &[f64; 12])| {
        let tonic = usize::from(key.tonic().pitch_class());
        let rotated: Vec<f64> = (0..12).map(|class| profile[(class + 12 - tonic) % 12]).collect();
        Some((correlation(&sounding, &rotated)?, key))
    };
    // Of keys alike the one with fewer accidentals.
    let rank = |(fit, key): &(f64, Key)| (*fit, -f64::from(key.fifths().abs()));
    let best = keys.filter_map(fit).max_by(|a, b| {
        let (a, b) = (rank(a), rank(b));
        a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1))
    });
    best.map(|(_, key)| key)
}

/// Pearson's; `None` where one of the two is all the same.
fn correlation(a: &[f64], b: &[f64]) -> Option<f64> {
    let mean = |x: &[f64]| x.iter().sum::<f64>() / x.len() as f64;
    let (mean_a, mean_b) = (mean(a), mean(b));
    let product = |x: &[f64], mean_x: f64, y: &[f64], mean_y: f64| {
        x.iter().zip(y).map(|(x, y)| (x - mean_x) * (y - mean_y)).sum::<f64>()
    };
    let spread = product(a, mean_a, a, mean_a) * product(b, mean_b, b, mean_b);
    (spread > 0.0).then(|| product(a, mean_a, b, mean_b) / spread.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key_of(notes: &[u8]) -> Option<String> {
        likeliest(notes.iter().map(|&note| (MidiNote(note), 1.0))).map(|key| key.to_string())
    }

    /// Scales and cadences as any book on harmony has them.
    #[test]
    fn scales_and_cadences_are_in_their_keys() {
        let scale = [60, 62, 64, 65, 67, 69, 71, 72];
        assert_eq!(key_of(&scale).as_deref(), Some("C major"));
        let in_d: Vec<u8> = [55, 59, 62, 57, 61, 64, 50, 54, 57].into();
        assert_eq!(key_of(&in_d).as_deref(), Some("D major"), "IV V I");
        let minor = [57, 60, 64, 62, 65, 69, 64, 68, 71, 57, 60, 64];
        assert_eq!(key_of(&minor).as_deref(), Some("A minor"), "i iv V i");
        let flats = scale.map(|note| note + 3);
        assert_eq!(key_of(&flats).as_deref(), Some("Eb major"));
    }

    #[test]
    fn nothing_and_everything_are_in_no_key() {
        assert_eq!(key_of(&[]), None);
        assert_eq!(key_of(&(60..72).collect::<Vec<u8>>()), None);
    }
}
