//! The open strings, one by one and strummed, and how they beat.

use doublecheck::pitch::settled::Meter;
use doublecheck::pitch::tone::Tone;
use doublecheck::practice::intonation;
use doublecheck::practice::intonation::Against;
use doublecheck::practice::pluck::Fault;
use doublecheck::practice::pluck::Pluck;
use doublecheck::practice::pluck::Sounding;
use doublecheck::practice::tuning::TuningCheck;
use doublecheck::practice::tuning::Verdict;
use doublecheck::practice::tuning::beats_hz;
use doublecheck::practice::tuning::pure_target;
use doublecheck::synth::PluckedNote;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::interval::Interval;
use doublecheck::theory::note::MidiNote;
use doublecheck::theory::note::Reference;
use doublecheck::units::Hertz;

use super::OPEN;
use super::intonated;
use super::note;
use super::plan;
use super::support::cents;
use super::take;
use super::tuned;
use super::wanted;

/// B = 1.6e-4 is the stiffest low E of `hearing.md`, section 2, which says that averaging f_n / n over
/// ten partials invents 15 cents at the twelfth fret; the fretted string has four times the B.
#[test]
fn the_stiffness_of_low_e_invents_no_sharpness() {
    const MOST_CENTS: f64 = 0.1;
    for fret in [0, 12] {
        let mut string = note(6, fret, 0.0, 0.0, 2.0);
        string.stiffness = 1.6e-4 * (f64::from(fret) / 6.0).exp2();
        let truth = string.frequency.get();
        let averaged = (1..=10)
            .map(|n| Tone { f1: truth, stiffness: string.stiffness }.partial(n) / n as f64)
            .sum::<f64>()
            / 10.0;
        let samples = take(&[string], 1);
        let mut meter = Meter::new(44_100.0);
        let readings = meter.measure(&samples, &[Tone::at(1.005 * truth)]);
        let reading = readings.expect("two seconds are enough")[0];
        let off = cents(reading.tone.f1, truth);
        assert!(off.abs() < MOST_CENTS, "fret {fret}: off by {off} cents");
        let invented = cents(averaged, truth);
        assert!(invented > 5.0, "fret {fret}: the average is only {invented} cents off");
    }
}

#[test]
fn single_strings_are_measured_within_a_tenth_of_a_cent() {
    for string in 1..=6 {
        for off in [-23.0, 0.0, 11.5] {
            let samples = take(&[note(string, 0, off, 0.2, 2.2)], u64::from(string));
            let strings = tuned(&samples, wanted(None)).strings();
            let heard = &strings[6 - usize::from(string)];
            let mean = heard.measured.unwrap_or_else(|| panic!("string {string} was not heard"));
            let error = mean.cents - off;
            assert!(error.abs() < 0.1, "string {string}, {off} cents: off by {error} cents");
            assert!(mean.error < 0.3, "string {string}: error {}", mean.error);
            let verdict = [Verdict::Flat, Verdict::Good, Verdict::Sharp][if off < 0.0 {
                0
            } else if off == 0.0 {
                1
            } else {
                2
            }];
            assert_eq!(heard.verdict, verdict, "string {string}, {off} cents");
            let others = strings.iter().filter(|other| other.string.0 != string);
            for other in others {
                assert_eq!(other.verdict, Verdict::NotHeard, "{other:?} beside string {string}");
            }
        }
    }
}

#[test]
fn a_strum_gives_what_single_strings_give() {
    strums_are_measured(&[
        (1, 0.0, [0.0; 6]),
        (2, 0.015, [-6.4, 3.0, 0.5, -12.0, 8.0, -2.0]),
        (4, 0.015, [-30.0, -28.0, -31.0, -27.0, -33.0, -29.0]),
    ]);
}

#[test]
fn a_slow_strum_gives_what_single_strings_give() {
    strums_are_measured(&[(3, 0.03, [14.0, -9.0, 6.0, 2.5, -17.0, 21.0])]);
}

/// So slow that every string but the last is a strike of its own, too short to be measured.
#[test]
fn a_strum_of_short_strikes_gives_what_single_strings_give() {
    strums_are_measured(&[(3, 0.08, [14.0, -9.0, 6.0, 2.5, -17.0, 21.0])]);
}

/// Strums: seed, seconds between strings, and how far off each string is, the sixth first.
fn strums_are_measured(strums: &[(u64, f64, [f64; 6])]) {
    const MOST_CENTS: f64 = 0.5;
    for &(seed, gap_s, offs) in strums {
        let notes: Vec<PluckedNote> = (1..=6u8)
            .rev()
            .zip(offs)
            .enumerate()
            .map(|(i, (string, off))| note(string, 0, off, 0.2 + gap_s * i as f64, 3.4))
            .collect();
        let strings = tuned(&take(&notes, seed), wanted(None)).strings();
        assert_eq!(strings.len(), 6);
        for (heard, off) in strings.iter().zip(offs) {
            let Some(mean) = heard.measured else { panic!("take {seed}: {heard:?} not heard") };
            let error = mean.cents - off;
            println!("take {seed} string {} off {error:+.3} ±{:.3}", heard.string.0, mean.error);
            assert!(error.abs() < MOST_CENTS, "take {seed}, string {}: {error}", heard.string.0);
        }
    }
}

#[test]
fn a_muted_string_of_a_strum_is_named() {
    for muted in 1..=6u8 {
        let notes: Vec<PluckedNote> =
            (1..=6).rev().filter(|s| *s != muted).map(|s| note(s, 0, 0.0, 0.2, 3.2)).collect();
        let strings = tuned(&take(&notes, 5), wanted(None)).strings();
        assert_eq!(strings.len(), 6);
        for heard in strings {
            let silent = heard.verdict == Verdict::NotHeard;
            assert_eq!(silent, heard.string.0 == muted, "{muted} muted: {heard:?}");
        }
    }
}

/// Strings newly put on, semitones off: what was planted comes back for the string it was planted on.
#[test]
fn strings_semitones_off_are_told_as_the_nearest_one() {
    let plucks = |offs: &[(u8, f64)]| {
        let notes: Vec<PluckedNote> = offs
            .iter()
            .enumerate()
            .map(|(i, &(string, off))| note(string, 0, off, 0.2 + 2.2 * i as f64, 2.0))
            .collect();
        tuned(&take(&notes, 11), wanted(None))
    };
    for offs in [
        [(6, -100.0), (5, -100.0), (4, -100.0), (3, -100.0), (2, -100.0), (1, -100.0)],
        [(6, -300.0), (5, -190.0), (4, -215.0), (3, 105.0), (2, -150.0), (1, 0.0)],
    ] {
        let check = plucks(&offs);
        for (heard, (string, off)) in check.strings().iter().zip(offs) {
            let mean = heard.measured.unwrap_or_else(|| panic!("string {string} was not heard"));
            assert!((mean.cents - off).abs() < 0.5, "string {string}: {} for {off}", mean.cents);
            let verdict = match off {
                0.0 => Verdict::Good,
                ..0.0 => Verdict::Flat,
                _ => Verdict::Sharp,
            };
            assert_eq!(heard.verdict, verdict, "string {string}");
        }
        assert!(check.refused().is_empty(), "{:?}", check.refused());
        // A string so far off is no interval with its neighbour.
        assert!(check.pairs().iter().all(|pair| pair.beats_hz.is_none()), "{:?}", check.pairs());
    }
    // A new string stretches while it sounds: its error says so, and the peg is turned all the same.
    let mut stretching = note(6, 0, -150.0, 0.2, 2.0);
    stretching.path = vec![doublecheck::synth::PitchPoint {
        at_s: 0.3,
        lasting_s: 1.6,
        cents: -9.0,
        excitation: 0.0,
    }];
    let strings = tuned(&take(&[stretching], 11), wanted(None)).strings();
    let mean = strings[0].measured.expect("it was heard");
    assert_eq!(strings[0].verdict, Verdict::Flat, "{mean:?}");
    assert!((mean.cents + 154.0).abs() < mean.error && mean.error < 12.0, "{mean:?}");
    // Tuned up in between: what it is now counts.
    let strings = plucks(&[(6, -180.0), (6, -90.0), (6, -1.0)]).strings();
    assert_eq!(strings[0].verdict, Verdict::Good, "{:?}", strings[0]);
    // Half-way between two strings, beyond all, or a string that was heard already: no note asked for.
    for offs in [&[(6, 250.0)][..], &[(6, -390.0)], &[(6, 0.0), (6, 100.0)]] {
        let check = plucks(offs);
        let faults: Vec<Fault> = check.refused().iter().map(|refused| refused.fault).collect();
        assert!(matches!(faults[..], [Fault::Wrong { .. }]), "{offs:?}: {faults:?}");
        let heard = check.strings().iter().filter(|s| s.verdict != Verdict::NotHeard).count();
        assert_eq!(heard, offs.len() - 1, "{offs:?}");
    }
}

/// Guitars are tuned by the harmonics over the twelfth fret, which lie an octave above the open strings
/// (common practice): E3 and G4 are no strings of a guitar that is two or three semitones sharp.
#[test]
fn octaves_of_strings_not_heard_are_no_strings_far_off() {
    let plucks = |notes: &[(u8, u8, f64)]| {
        let at = |i: usize| 0.2 + 2.2 * i as f64;
        let notes: Vec<PluckedNote> = notes
            .iter()
            .enumerate()
            .map(|(i, &(string, fret, off))| note(string, fret, off, at(i), 2.0))
            .collect();
        tuned(&take(&notes, 15), wanted(None))
    };
    let strings: Vec<(u8, u8, f64)> = (1..=6).rev().map(|string| (string, 12, 3.0)).collect();
    let check = plucks(&strings);
    assert!(check.strings().iter().all(|s| s.verdict == Verdict::NotHeard), "{check:?}");
    let told: Vec<Option<u8>> =
        check.refused().iter().map(|refused| refused.string.map(|string| string.0)).collect();
    assert_eq!(told, [6, 5, 4, 3, 2, 1].map(Some));
    // Open E has the fourth string tuned up to E3: once the sixth was heard it is believed.
    let check = plucks(&[(6, 0, 0.0), (4, 0, 200.0)]);
    assert!(check.refused().is_empty(), "{:?}", check.refused());
    assert_eq!(check.strings()[2].verdict, Verdict::Sharp);
}

/// Open G, and half a step down (common practice), on a guitar that is expected in standard tuning.
#[test]
fn another_tuning_is_named_where_the_strings_lie_on_its_notes() {
    let other = |offs: &[(u8, f64)]| {
        let notes: Vec<PluckedNote> = offs
            .iter()
            .enumerate()
            .map(|(i, &(string, off))| note(string, 0, off, 0.2 + 2.2 * i as f64, 2.0))
            .collect();
        let notes = tuned(&take(&notes, 17), wanted(None)).other_tuning()?;
        Some(notes.iter().map(|note| note.0).collect::<Vec<u8>>())
    };
    let open_g = [(6, -200.0), (5, -195.0), (4, 0.0), (3, 4.0), (2, 0.0), (1, -200.0)];
    assert_eq!(other(&open_g), Some(vec![38, 43, 50, 55, 59, 62]), "D2 G2 D3 G3 B3 D4");
    let half_down = [6, 5, 4, 3, 2, 1].map(|string| (string, -100.0));
    assert_eq!(other(&half_down), Some(vec![39, 44, 49, 54, 58, 63]));
    // One string, the others as they ought to be; and one that lies on no note.
    assert_eq!(other(&[(6, -200.0)]), Some(vec![38, 45, 50, 55, 59, 64]), "D2 A2 D3 G3 B3 E4");
    assert_eq!(other(&[(6, -150.0)]), None);
    assert_eq!(other(&[(6, -20.0), (5, 30.0)]), None);
}

#[test]
fn two_short_sounds_of_one_strike_are_refused_once() {
    let sounding = |hz: f64| Sounding {
        frequency: Hertz::new(hz).expect("positive"),
        struck: true,
        reading: None,
    };
    // Far above all strings, as the overtones of a bump are.
    let strings = vec![sounding(600.0), sounding(700.0)];
    let at = |at_s: f64| Pluck { at_s, lasted_s: 0.2, strings: strings.clone(), rattles: false };
    let mut check = TuningCheck::new(wanted(None));
    for pluck in [at(1.0), at(2.0)] {
        assert_eq!(check.push(&pluck).len(), 1, "at {} s", pluck.at_s);
    }
    assert_eq!(check.refused().iter().map(|refused| refused.at_s).collect::<Vec<_>>(), [1.0, 2.0]);
}

/// Six strings in any order, each ringing on under the next ones.
#[test]
fn strings_may_ring_into_each_other() {
    let offs = [(5, 4.0), (1, -7.0), (6, 2.5), (3, 0.0), (2, -3.0), (4, 9.0)];
    let notes: Vec<PluckedNote> = offs
        .iter()
        .enumerate()
        .map(|(i, &(string, off))| note(string, 0, off, 0.2 + 2.0 * i as f64, 4.0))
        .collect();
    let strings = tuned(&take(&notes, 9), wanted(None)).strings();
    for (string, off) in offs {
        let heard = &strings[6 - usize::from(string)];
        let mean = heard.measured.unwrap_or_else(|| panic!("string {string} was not heard"));
        assert!((mean.cents - off).abs() < 0.5, "string {string}: {} for {off}", mean.cents);
    }
}

/// One recording of all strings, asked about one: what belongs to the others is no mistake.
#[test]
fn a_recording_may_begin_with_a_string() {
    let notes: Vec<PluckedNote> =
        (1..=6).map(|s| note(s, 0, 0.0, 2.0 * f64::from(6 - s), 1.9)).collect();
    let check = tuned(&take(&notes, 5), wanted(None));
    let plucks: Vec<usize> =
        check.strings().iter().map(|s| s.measured.map_or(0, |mean| mean.plucks)).collect();
    assert_eq!(plucks, [1; 6]);
}

#[test]
fn strings_not_asked_for_are_not_listed() {
    let notes: Vec<PluckedNote> = (1..=6u8)
        .rev()
        .flat_map(|string| [(string, 0), (string, 12)])
        .chain([(3, 13)])
        .enumerate()
        .map(|(i, (string, fret))| note(string, fret, 0.0, 0.2 + 2.2 * i as f64, 2.0))
        .collect();
    let samples = take(&notes, 13);
    for against in [OPEN, Against::Harmonic, Against::Stopped(Fret(5))] {
        let plan = intonation::Plan { strings: vec![StringNumber(3)], ..plan(against) };
        let check = intonated(&samples, plan);
        let wrong: Vec<f64> = check
            .refused()
            .iter()
            .filter_map(|refused| match refused.fault {
                Fault::Wrong { heard } => Some(heard.get()),
                _ => None,
            })
            .collect();
        // Only what is played on the third string itself: fret 13 (G#4 of ISO 16), and what this
        // comparison does not ask for.
        let third = [196.0, 392.0, 415.3];
        let on_third = |hz: &f64| third.iter().any(|place| cents(*hz, *place).abs() < 20.0);
        assert!(wrong.iter().all(on_third), "{against:?}: {wrong:?}");
        assert!(wrong.iter().any(|hz| cents(*hz, 415.3).abs() < 20.0), "{against:?}: {wrong:?}");
    }
}

/// `hearing.md`, section 4: equal-tempered intervals beat at these rates, positive when wide; computed
/// there from ISO 16 and in agreement with Capleton's table as printed in J. Neurosci. 32 (2012)
/// 12251, table 1.
#[test]
fn intervals_beat_as_the_tuners_table_has_it() {
    let reference = Reference::default();
    for (low, high, beats) in [
        (53, 57, 6.929),
        (53, 62, 7.924),
        (53, 60, -0.591),
        (53, 58, 0.789),
        (53, 56, -9.423),
        (53, 61, -11.000),
        (55, 59, 7.778),
        (57, 61, 8.731),
        (57, 64, -0.745),
        (57, 62, 0.994),
        (60, 64, 10.382),
    ] {
        let interval = Interval::from_semitones(high - low).expect("within an octave");
        let hz = |midi| reference.frequency(MidiNote(midi));
        let found = beats_hz(hz(low), hz(high), interval).expect("a just ratio");
        assert!((found - beats).abs() < 6e-4, "{low}–{high}: {found} for {beats}");
    }
}

/// Beats of neighbouring strings, from the definition: 3 · A2 − 4 · E2 = 330 − 329.6276 Hz at ISO 16.
#[test]
fn strings_in_tune_beat_as_tempered_ones_do() {
    let notes: Vec<PluckedNote> = (1..=6u8)
        .rev()
        .enumerate()
        .map(|(i, s)| note(s, 0, 0.0, 0.2 + 2.2 * i as f64, 2.0))
        .collect();
    let check = tuned(&take(&notes, 6), wanted(None));
    let pairs = check.pairs();
    assert_eq!(pairs.len(), 5);
    assert!((pairs[0].target_beats_hz - 0.3724).abs() < 1e-3, "{:?}", pairs[0]);
    for pair in pairs {
        let beats = pair.beats_hz.unwrap_or_else(|| panic!("{pair:?}"));
        assert!((beats - pair.target_beats_hz).abs() < 0.15, "{pair:?}");
    }
}

/// `hearing.md`, section 4: the tempered major third is 13.69 cents wide of 5:4, the fifth 1.955 cents
/// narrow of 3:2.
#[test]
fn pure_strings_lie_where_just_ratios_put_them() {
    let chord = "G".parse().expect("a chord");
    let target = |midi| pure_target(&chord, MidiNote(midi)).map(|cents| cents.0);
    assert_eq!(target(55), Some(0.0));
    assert!(target(59).is_some_and(|cents| (cents + 13.69).abs() < 0.01));
    assert!(target(50).is_some_and(|cents| (cents - 1.955).abs() < 0.001));
    assert_eq!(target(45), None, "A is no tone of G major");
    let notes = [note(3, 0, 0.0, 0.2, 2.0), note(2, 0, -13.69, 2.4, 2.0)];
    let check = tuned(&take(&notes, 7), wanted(Some("G")));
    let strings = check.strings();
    assert_eq!((strings[3].verdict, strings[4].verdict), (Verdict::Good, Verdict::Good));
    let third = &check.pairs()[3];
    assert!(third.target_beats_hz.abs() < 1e-9, "{third:?}");
    assert!(third.beats_hz.is_some_and(|beats| beats.abs() < 0.15), "{third:?}");
}
