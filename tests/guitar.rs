//! The guitar itself: tuning, the twelfth fret, the whole neck.
//!
//! Synthetic strings have first partials that are known exactly; their stiffness, decay and glide are
//! those of `hearing.md`, section 2. Real strings come from the recordings beside the project.

#![expect(clippy::print_stdout, reason = "figures and skips must be seen")]

mod support;

use std::collections::BTreeMap;

use doublecheck::audio::WavWriter;
use doublecheck::audio::write::SampleFormat;
use doublecheck::engine::Listener;
use doublecheck::engine::Settings;
use doublecheck::pitch::settled::Meter;
use doublecheck::pitch::tone::Tone;
use doublecheck::practice::intonation;
use doublecheck::practice::intonation::Advice;
use doublecheck::practice::intonation::Against;
use doublecheck::practice::intonation::IntonationCheck;
use doublecheck::practice::intonation::Order;
use doublecheck::practice::intonation::saddle_mm;
use doublecheck::practice::neck;
use doublecheck::practice::neck::NeckMap;
use doublecheck::practice::neck::frets_alone;
use doublecheck::practice::pluck::Fault;
use doublecheck::practice::pluck::Mean;
use doublecheck::practice::pluck::Pluck;
use doublecheck::practice::pluck::PluckListener;
use doublecheck::practice::tuning::TuningCheck;
use doublecheck::practice::tuning::Verdict;
use doublecheck::practice::tuning::Wanted;
use doublecheck::practice::tuning::beats_hz;
use doublecheck::practice::tuning::pure_target;
use doublecheck::report;
use doublecheck::synth::PluckedNote;
use doublecheck::synth::Room;
use doublecheck::synth::guitar::Guitar;
use doublecheck::synth::random::Random;
use doublecheck::synth::render;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::fretboard::fret_position;
use doublecheck::theory::interval::Interval;
use doublecheck::theory::note::MidiNote;
use doublecheck::theory::note::Reference;
use doublecheck::units::Cents;
use doublecheck::units::Hertz;
use doublecheck::units::SampleRate;
use serde_json::Value;
use support::cd_rate;
use support::cents;
use support::recorded;

/// A take of `notes`, each begun at its `start_s`.
fn take(notes: &[PluckedNote], seed: u64) -> Vec<f32> {
    let end_s = notes.iter().map(PluckedNote::end_s).fold(0.0, f64::max);
    render(notes, end_s + 0.3, cd_rate(), &Room::noisy(55.0), seed)
}

/// A string of the guitar, so many cents off, struck at `start_s`.
fn note(string: u8, fret: u8, off: f64, start_s: f64, length_s: f64) -> PluckedNote {
    let guitar = Guitar::default();
    let note = guitar.note(StringNumber(string), Fret(fret), length_s, 0.3).expect("six strings");
    PluckedNote { start_s, ..note.detuned(Cents(off)) }
}

/// What hears a recording at `rate`.
fn listener(rate: SampleRate) -> Listener {
    Listener::of_recording(Settings { rate })
}

fn listen(mut listener: PluckListener, samples: &[f32], mut on_pluck: impl FnMut(&Pluck)) {
    // Pieces of no particular size, as they come from a file or a card.
    for piece in samples.chunks(3001) {
        listener.push(piece, &mut on_pluck);
    }
    listener.finish(on_pluck);
}

fn wanted(pure: Option<&str>) -> Wanted {
    Wanted {
        tuning: Tuning::default(),
        reference: Reference::default(),
        pure: pure.map(|chord| chord.parse().expect("a chord")),
        tolerance: Cents(2.0),
    }
}

fn tuned(samples: &[f32], wanted: Wanted) -> TuningCheck {
    let open = wanted.tuning.strings().map(|(_, note)| wanted.reference.frequency(note)).collect();
    let mut check = TuningCheck::new(wanted);
    listen(PluckListener::for_open_strings(listener(cd_rate()), open), samples, |pluck| {
        check.push(pluck);
    });
    check
}

fn plan(against: Against) -> intonation::Plan {
    intonation::Plan {
        tuning: Tuning::default(),
        strings: (1..=6).rev().map(StringNumber).collect(),
        reference: Reference::default(),
        against,
        plucks: 3,
        order: Order::Halves,
        scale_mm: 648.0,
        tolerance: Cents(2.0),
    }
}

fn intonated(samples: &[f32], plan: intonation::Plan) -> IntonationCheck {
    let mut check = IntonationCheck::new(plan);
    listen(PluckListener::new(listener(cd_rate())), samples, |pluck| {
        check.push(pluck);
    });
    check
}

const OPEN: Against = Against::Stopped(Fret(0));

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

/// One string, three plucks of two seconds each; the finger and the pick vary by 0.1 cents.
#[test]
fn the_offset_of_three_plucks_is_known_within_its_error() {
    const MOST_ERROR: f64 = 0.15;
    let wobble = [0.08, -0.11, 0.02, 0.1, -0.05, -0.06];
    let (mut covered, mut all) = (0, 0);
    for string in 1..=6u8 {
        let truth = 4.1 - f64::from(string);
        let notes: Vec<PluckedNote> = wobble
            .iter()
            .enumerate()
            .map(|(i, wobble)| {
                let (fret, off) = if i < 3 { (0, 1.0) } else { (12, 1.0 + truth) };
                note(string, fret, off + wobble, 0.2 + 2.2 * i as f64, 2.0)
            })
            .collect();
        let check = intonated(&take(&notes, u64::from(string)), plan(OPEN));
        let heard = check.strings().swap_remove(6 - usize::from(string));
        let offset = heard.offset.unwrap_or_else(|| panic!("{string}: {:?}", check.refused()));
        println!("string {string}: {:+.3} ±{:.3} for {truth:+.3}", offset.cents, offset.error);
        assert_eq!((heard.reference_plucks, offset.plucks), (3, 3));
        assert!(offset.error <= MOST_ERROR, "string {string}: error {}", offset.error);
        all += 1;
        covered += usize::from((offset.cents - truth).abs() < 2.0 * offset.error);
        let advice = match truth {
            2.0.. => Advice::Lengthen,
            ..=-2.0 => Advice::Shorten,
            _ => Advice::Good,
        };
        assert_eq!(heard.advice, advice, "string {string}");
    }
    assert!(covered >= all - 1, "only {covered} of {all} lie within two errors");
}

/// Common practice: saddles travel some millimetres; 60 cents would be more than 20.
#[test]
fn what_no_saddle_mends_is_not_advised() {
    for (off, advice) in [(60.0, Advice::Unsure), (-45.0, Advice::Unsure), (20.0, Advice::Lengthen)]
    {
        let notes = [note(6, 0, 0.0, 0.2, 2.0), note(6, 12, off, 2.4, 2.0)];
        let heard = intonated(&take(&notes, 12), plan(OPEN)).strings().swap_remove(0);
        assert!(heard.offset.is_some_and(|offset| (offset.cents - off).abs() < 0.5), "{heard:?}");
        assert_eq!((heard.advice, heard.saddle_mm.is_some()), (advice, off == 20.0), "{heard:?}");
    }
    let (_folder, path) =
        written("octave.wav", &[note(6, 0, 0.0, 0.2, 2.0), note(6, 12, 60.0, 2.4, 2.0)]);
    let text = run(&["intonation", path.to_str().expect("UTF-8"), "--string", "6"]);
    assert!(text.contains("more than a saddle can mend; was the right fret played?"), "{text}");
    assert!(!text.contains("mm away"), "{text}");
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

/// The spread of the mean of three normal values, widened as GUM table G.2 has it, covers 68 %.
#[test]
fn the_error_of_few_plucks_is_honest() {
    let mut random = Random::new(12_345, 0);
    for n in [2, 3, 5] {
        let trials = 20_000;
        let covered = (0..trials)
            .filter(|_| {
                let plucks: Vec<(f64, f64)> = (0..n).map(|_| (random.normal(), 0.0)).collect();
                let mean = Mean::of(&plucks).expect("some plucks");
                mean.cents.abs() < mean.error
            })
            .count();
        let share = covered as f64 / f64::from(trials);
        assert!((share - 0.6827).abs() < 0.02, "{n} plucks: {share} covered");
    }
}

#[test]
fn harmonics_come_before_fretted_notes() {
    let guitar = Guitar::default();
    let mut notes = Vec::new();
    let mut truth = 0.0;
    for i in 0..6 {
        let start_s = 0.2 + 2.2 * f64::from(i);
        if i < 3 {
            let harmonic = guitar.harmonic(StringNumber(5), Fret(0), MidiNote(57), 2.0, 0.3);
            let harmonic = harmonic.expect("there is a fifth string");
            truth = 5.0 - cents(harmonic.frequency.get(), 220.0);
            notes.push(PluckedNote { start_s, ..harmonic });
        } else {
            notes.push(note(5, 12, 5.0, start_s, 2.0));
        }
    }
    let check = intonated(&take(&notes, 3), plan(Against::Harmonic));
    let heard = check.strings().swap_remove(1);
    let offset = heard.offset.expect("both were heard");
    assert!((offset.cents - truth).abs() < 0.1, "{} for {truth}", offset.cents);
    assert_eq!(heard.advice, Advice::Lengthen);
}

fn faults(notes: &[PluckedNote], spoil: impl Fn(&mut [f32])) -> Vec<Fault> {
    let mut samples = take(notes, 2);
    spoil(&mut samples);
    let check = intonated(&samples, plan(OPEN));
    check.refused().iter().map(|refused| refused.fault).collect()
}

#[test]
fn plucks_that_say_nothing_are_refused() {
    let good: Vec<PluckedNote> =
        (0..3).map(|i| note(5, 12, 1.0, 0.2 + 2.2 * f64::from(i), 2.0)).collect();
    let with = |last: PluckedNote| [&good[..], &[last]].concat();
    let found = faults(&good, |_| {});
    assert!(found.is_empty(), "clean plucks: {found:?}");
    let found = faults(&with(note(5, 12, 12.0, 7.0, 2.0)), |_| {});
    assert!(matches!(found[..], [Fault::Pressed { .. }]), "pressed: {found:?}");
    let found = faults(&with(note(5, 11, 0.0, 7.0, 2.0)), |_| {});
    assert!(matches!(found[..], [Fault::Wrong { .. }]), "wrong fret: {found:?}");
    let mut slipping = note(5, 12, 0.0, 7.0, 2.0);
    slipping.path = vec![doublecheck::synth::PitchPoint {
        at_s: 0.3,
        lasting_s: 1.6,
        cents: -9.0,
        excitation: 0.0,
    }];
    let found = faults(&with(slipping), |_| {});
    assert!(matches!(found[..], [Fault::Drifting { .. }]), "drifting: {found:?}");
    let found = faults(&with(note(5, 12, 1.0, 7.0, 0.4)), |_| {});
    assert!(matches!(found[..], [Fault::Short { .. }]), "short: {found:?}");
    // A string that hits a fret at every swing: a burst of noise each time it comes near.
    let found = faults(&with(note(5, 12, 1.0, 7.0, 2.0)), |samples| {
        let rate = f64::from(cd_rate().get());
        let mut state = 1_u32;
        for (i, sample) in samples.iter_mut().enumerate().skip((7.0 * rate) as usize) {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = f64::from(state >> 8) / f64::from(1 << 24) - 0.5;
            let phase = (i as f64 / rate * 220.0).fract();
            let age = i as f64 / rate - 7.0;
            if phase < 0.3 && age < 2.0 {
                *sample += (1.0 * noise * (-1.5 * age).exp()) as f32;
            }
        }
    });
    assert!(matches!(found[..], [Fault::Buzzing]), "buzzing: {found:?}");
}

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

/// `hearing.md`, section 4: 2.663 cents a millimetre at 650 mm, 0.374 mm a cent at 647.7 mm; at
/// 650 mm the frets lie at 36.482, 70.916, 103.417, 163.050, 216.177, 325.000 and 433.089 mm.
#[test]
fn saddle_and_frets_agree_with_published_figures() {
    let octave = (Fret(0), Fret(12));
    assert!((1.0 / saddle_mm(Cents(1.0), 650.0, octave) - 2.663).abs() < 5e-4);
    assert!((saddle_mm(Cents(1.0), 647.7, octave) - 0.374).abs() < 5e-4);
    for (fret, mm) in [
        (1, 36.482),
        (2, 70.916),
        (3, 103.417),
        (5, 163.050),
        (7, 216.177),
        (12, 325.000),
        (19, 433.089),
    ] {
        let found = 650.0 * fret_position(Fret(fret));
        assert!((found - mm).abs() < 5e-4, "fret {fret}: {found}");
    }
}

/// The formula against the geometry it comes from: a string of L + dL, stopped at its frets, with the
/// open string tuned back.
#[test]
fn the_saddle_moves_as_geometry_says() {
    let (scale, offset) = (648.0, 4.1);
    for base in [0, 3, 5] {
        let frets = (Fret(base), Fret(base + 12));
        let moved = saddle_mm(Cents(offset), scale, frets);
        let sounding = |fret: Fret| scale * (1.0 - fret_position(fret)) + moved;
        let octave = cents(sounding(frets.0), sounding(frets.1));
        assert!((1200.0 - octave - offset).abs() < 0.05, "fret {base}: {octave}");
    }
}

/// The first partial of the note near `nominal` in a recording of one pluck.
fn played(samples: &[f32], rate: SampleRate, nominal: Hertz) -> Option<f64> {
    let mut listener = PluckListener::new(listener(rate));
    let mut found = None;
    let mut on_pluck = |pluck: &Pluck| {
        let near = |hz: Hertz| hz.cents_above(nominal).0.abs() < 80.0;
        let sounding = pluck.strings.iter().find(|s| near(s.frequency) && s.reading.is_some());
        found = found.or(sounding.map(|sounding| sounding.frequency.get()));
    };
    listener.push(&vec![0.0; rate.samples_in(0.2).0 as usize], &mut on_pluck);
    listener.push(samples, &mut on_pluck);
    listener.finish(on_pluck);
    found
}

/// Fret n against n + 12 of one string of a real guitar. The octave errors to compare with come from
/// `f0_hz` in the manifest beside the recordings, measured by other means; the nominal pitch is all
/// that the measurement is told.
#[test]
fn octaves_of_a_real_guitar_are_as_wide_as_the_manifest_says() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data/notes");
    let Ok(manifest) = std::fs::read_to_string(folder.join("manifest.csv")) else {
        println!("SKIPPED: no recordings at {}", folder.display());
        return;
    };
    struct Line {
        string: String,
        fret: u32,
        f0_hz: f64,
        found_hz: f64,
    }
    let mut lines = Vec::new();
    for line in manifest.lines().filter(|line| line.contains(",solid-body,")) {
        let cells: Vec<&str> = line.split(',').collect();
        let words: Vec<&str> = cells[12].split(' ').collect();
        let ["string", string, "fret", fret, ..] = words[..] else { continue };
        let midi: u8 = cells[5].parse().expect("a MIDI number");
        let f0_hz: f64 = cells[6].parse().expect("a frequency");
        let (samples, rate) =
            recorded(&folder.join(cells[0])).expect("the manifest lists what is there");
        let nominal = Reference::default().frequency(MidiNote(midi));
        let Some(found_hz) = played(&samples, rate, nominal) else {
            println!("{}: not measured", cells[0]);
            continue;
        };
        let fret = fret.parse().expect("a fret");
        lines.push(Line { string: string.to_owned(), fret, f0_hz, found_hz });
    }
    let mut errors = Vec::new();
    for low in &lines {
        let octave = lines.iter().filter(|l| l.string == low.string && l.fret == low.fret + 12);
        for high in octave {
            let (found, truth) = (cents(high.found_hz, low.found_hz), cents(high.f0_hz, low.f0_hz));
            if (found - truth).abs() > 1.0 {
                println!("{} {}: {found:.2} for {truth:.2}", low.string, low.fret);
            }
            errors.push((found - truth).abs());
        }
    }
    errors.sort_by(f64::total_cmp);
    assert!(errors.len() >= 30, "only {} octaves", errors.len());
    let (median, most) = (errors[errors.len() / 2], errors[errors.len() * 95 / 100]);
    println!("{} octaves: median {median:.2}, 95 % within {most:.2} cents", errors.len());
    assert!(median <= 1.0, "median {median} cents");
    // Three cents are the aim. Partials of this guitar's low strings beat by ten cents over its
    // pickups, and where the pitch lies then is a matter of definition; see LINE_CENTS.
    assert!(most <= 4.5, "95 % within {most} cents");
}

fn written(name: &str, notes: &[PluckedNote]) -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join(name);
    let mut wav = WavWriter::create(&path, cd_rate(), SampleFormat::Float32).expect("a new file");
    wav.write(&take(notes, 8)).expect("room on the disk");
    wav.finish().expect("room on the disk");
    (folder, path)
}

fn run(args: &[&str]) -> String {
    let mut command = assert_cmd::Command::new(assert_cmd::cargo::cargo_bin!("doublecheck"));
    let output = command.args(args).output().expect("the program runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

#[test]
fn tuning_prints_what_the_contract_promises() {
    let notes = [note(6, 0, -6.4, 0.2, 2.0), note(5, 0, 0.0, 2.4, 2.0)];
    let (_folder, path) = written("open.wav", &notes);
    let path = path.to_str().expect("UTF-8");
    let found: Value = serde_json::from_str(&run(&["tuning", path, "--json"])).expect("JSON");
    assert_eq!(found["schema"], 1);
    let low = &found["strings"][0];
    assert_eq!(
        (&low["string"], &low["note"], &low["verdict"]),
        (&6.into(), &"E2".into(), &"flat".into())
    );
    assert!(low["hz"].as_f64().is_some_and(|hz| (hz - 82.103).abs() < 0.01), "{low}");
    assert!(low["cents"].as_f64().is_some_and(|cents| (cents + 6.4).abs() < 0.1), "{low}");
    assert!(low["cents_error"].as_f64().is_some_and(|error| error > 0.0 && error < 0.5), "{low}");
    assert_eq!(found["strings"][5]["hz"], Value::Null);
    assert_eq!(found["strings"][5]["verdict"], "not heard");
    let text = run(&["tuning", path]);
    assert!(text.contains("flat") && text.contains("Not heard: string 4 (D3)"), "{text}");
    assert!(text.contains("keep your eyes away"), "{text}");
}

#[test]
fn a_string_a_semitone_off_is_told_with_the_way_to_turn_its_peg() {
    let (_folder, path) = written("open.wav", &[note(6, 0, -100.0, 0.2, 2.0)]);
    let path = path.to_str().expect("UTF-8");
    let text = run(&["tuning", path]);
    let row = text.lines().find(|line| line.trim_start().starts_with("6 ")).expect("a row");
    assert!(row.contains("-100.0") && row.contains("flat, sounds D#2: tune up"), "{text}");
    assert!(text.contains("make sure that it is"), "{text}");
    assert!(!text.contains("no note asked for"), "{text}");
    let found: Value = serde_json::from_str(&run(&["tuning", path, "--json"])).expect("JSON");
    let low = &found["strings"][0];
    // D#2 of ISO 16.
    assert!(low["hz"].as_f64().is_some_and(|hz| (hz - 77.782).abs() < 0.02), "{low}");
    assert!(low["cents"].as_f64().is_some_and(|cents| (cents + 100.0).abs() < 0.5), "{low}");
    assert_eq!((&low["note"], &low["verdict"]), (&"E2".into(), &"flat".into()));
}

#[test]
fn intonation_prints_what_the_contract_promises() {
    let notes: Vec<PluckedNote> = (0..4)
        .map(|i| {
            let (fret, off) = if i % 2 == 0 { (0, 0.0) } else { (12, 4.1) };
            note(6, fret, off, 0.2 + 2.2 * f64::from(i), 2.0)
        })
        .collect();
    let (folder, path) = written("low.wav", &notes);
    let path = path.to_str().expect("UTF-8");
    let page = folder.path().join("page.html");
    let page = page.to_str().expect("UTF-8");
    let json = run(&["intonation", path, "--json", "--report", page, "--string", "6"]);
    let found: Value = serde_json::from_str(&json).expect("JSON");
    let low = &found["strings"][0];
    assert_eq!(
        (&low["string"], &low["fret"], &low["advice"]),
        (&6.into(), &12.into(), &"lengthen".into())
    );
    assert_eq!(low["harmonic_hz"], Value::Null);
    // 4.1 cents of 648 mm, by the formula of the contract's section on the saddle: 1.535 mm.
    assert!(low["saddle_mm"].as_f64().is_some_and(|mm| (mm - 1.535).abs() < 0.06), "{low}");
    assert!(low["offset_error"].as_f64().is_some_and(|error| error > 0.0 && error < 0.3), "{low}");
    for name in ["open_hz", "fretted_hz", "offset_cents"] {
        assert!(low[name].is_number(), "{name}: {low}");
    }
    let drawn = std::fs::read_to_string(page).expect("a page");
    assert!(drawn.contains("<svg") && drawn.contains("luthier"), "{drawn}");
    let text = run(&["intonation", path, "--string", "6"]);
    assert!(text.contains("1.5 mm away from the nut") && text.contains("Slacken"), "{text}");
}

/// Two frets do not tell tuning, nut and saddle apart; a hundredth of a cent flat is no `-0`.
#[test]
fn a_map_announces_nothing_that_does_not_follow() {
    let notes = [note(6, 0, 0.0, 0.2, 2.0), note(6, 1, 0.0, 2.4, 2.0), note(4, 7, -0.3, 4.6, 2.0)];
    let (_folder, path) = written("neck.wav", &notes);
    let path = path.to_str().expect("UTF-8");
    let text = run(&["intonation", path, "--frets", "1-2", "--string", "6"]);
    assert!(text.contains("Cents from equal temperament\n"), "{text}");
    assert!(text.contains("A3 +0 cents is no note asked for"), "{text}");
}
