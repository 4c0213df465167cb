//! Sampled guitars sound what MIDI says: the ground under every test that listens to them.

mod support;

use doublecheck::theory::note::MidiNote;
use doublecheck::theory::note::Reference;
use support::cd_rate;
use support::cents;
use support::excerpt;
use support::loudest_near;
use support::mcleod_hz;
use support::soundfont::Key;
use support::soundfont::play;

/// How far the samples themselves are out of tune in their first 100 ms. Measured: −4 to +16.5; they
/// were recorded on real instruments, and a strike starts sharp.
const SAMPLE_TUNING_CENTS: f64 = 20.0;

fn hz(note: u8) -> f64 {
    // MIDI 1.0 with ISO 16:1975, A4 = note 69 = 440 Hz.
    Reference::default().frequency(MidiNote(note)).get()
}

fn held(note: u8) -> Key {
    Key { start_s: 0.0, length_s: 1.0, note, velocity: 90 }
}

#[test]
fn single_notes_have_the_pitch_of_their_midi_number() {
    for program in 24..=28 {
        for note in [40, 45, 50, 55, 59, 64, 71, 76] {
            let Some(samples) = play(program, &[held(note)], 1.0, cd_rate()) else { return };
            let heard = mcleod_hz(excerpt(&samples, cd_rate(), 0.03, 0.1), cd_rate())
                .unwrap_or_else(|| panic!("program {program}, note {note}: no pitch heard"));
            let off = cents(heard, hz(note));
            assert!(
                off.abs() < SAMPLE_TUNING_CENTS,
                "program {program}, note {note}: {off:+.1} cents off"
            );
        }
    }
}

#[test]
fn double_stops_contain_both_notes() {
    for (low, high) in [(55, 59), (55, 64), (52, 60), (50, 55), (57, 62)] {
        let Some(samples) = play(25, &[held(low), held(high)], 1.2, cd_rate()) else { return };
        let steady = excerpt(&samples, cd_rate(), 0.1, 0.9);
        for note in [low, high] {
            let heard = loudest_near(steady, cd_rate(), hz(note), 4.0);
            let off = cents(heard, hz(note));
            assert!(off.abs() < SAMPLE_TUNING_CENTS, "{low}+{high}: {note} is {off:.1} cents off");
        }
    }
}

/// Two notes at a ratio p:q repeat together at the frequency of the lower one divided by q: the
/// residual tone of elementary acoustics.
#[test]
fn consonant_double_stops_repeat_with_their_common_period() {
    for (name, low, high, divisor) in
        [("octave", 52, 64, 1.0), ("fifth", 52, 59, 2.0), ("fourth", 55, 60, 3.0)]
    {
        let Some(samples) = play(25, &[held(low), held(high)], 1.0, cd_rate()) else { return };
        let heard = mcleod_hz(excerpt(&samples, cd_rate(), 0.1, 0.2), cd_rate())
            .unwrap_or_else(|| panic!("{name}: no pitch heard"));
        let off = cents(heard, hz(low) / divisor);
        assert!(off.abs() < SAMPLE_TUNING_CENTS, "{name}: {off:.1} cents off");
    }
}
