//! What the engine promises whatever it is given: no allocation, the same for every chunking, the
//! same at every level and rate, no panic, no numbers that are none, nothing heard in noise.
//!
//! The sounds are the crate's own strings; the promises are those in DEVELOPERS.md and the contract.

use std::f64::consts::PI;
use std::f64::consts::TAU;

use assert_no_alloc::AllocDisabler;
use assert_no_alloc::assert_no_alloc;
use doublecheck::engine::Engine;
use doublecheck::engine::Event;
use doublecheck::engine::HeardPitch;
use doublecheck::engine::LaterNote;
use doublecheck::engine::Listener;
use doublecheck::engine::Settings;
use doublecheck::engine::Take;
use doublecheck::lick::Lick;
use doublecheck::lick::expected::Expected;
use doublecheck::pitch::tone::Tone;
use doublecheck::practice::judge;
use doublecheck::practice::judge::judge_take;
use doublecheck::practice::verdict::Status;
use doublecheck::synth::Noise;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::synth::random::Random;
use doublecheck::synth::render;
use doublecheck::units::Decibels;
use doublecheck::units::SampleCount;
use doublecheck::units::SampleRate;

/// Aborts on an allocation where none is allowed (that it does: `tests/live_callback.rs`).
#[global_allocator]
static GUARD: AllocDisabler = AllocDisabler;

/// Thirds, sixths, an octave, a chord, a hammer-on and a slide.
const LICK: &str = r#"
title = "Quay stones"
key = "C major"
tempo = 110
meter = "4/4"
steps = [
  { beats = 1, frets = "x x x 5 5 x" },
  { beats = 0.5, frets = "x x 5 x 5 x" },
  { beats = 0.5, frets = "x 3 x 5 x x" },
  { beats = 1, frets = "x x x 5h7 6 x" },
  { beats = 1, frets = "x x 5s7 x 8 x" },
  { beats = 1, frets = "x 3 2 0 1 0" },
]
"#;

/// Nothing in it that could be taken for this or that.
const PLAIN: &str = r#"
title = "Breakwater"
key = "C major"
tempo = 90
meter = "4/4"
steps = [
  { beats = 1, frets = "x x x 5 5 x" },
  { beats = 1, frets = "x x 5 x 5 x" },
  { beats = 1, frets = "x 3 x 4 x x" },
  { beats = 1, frets = "x x x x 8 7" },
]
"#;

fn lick(text: &str) -> Expected {
    Lick::parse(text, "test").expect("a good lick").expected()
}

fn rate(hz: u32) -> SampleRate {
    SampleRate::new(hz).expect("not zero")
}

fn settings(rate: SampleRate) -> Settings {
    Settings { rate }
}

/// The lick as played by the synthesiser, 40 dB over the noise, 0.3 s of that before it.
fn played(text: &str, rate: SampleRate) -> Vec<f32> {
    let mut performance = Performance::new(&lick(text), &Manner::default());
    performance.notes.iter_mut().for_each(|note| note.sound.start_s += 0.3);
    performance.length_s += 0.3;
    performance.render(rate, &Room::noisy(40.0), 5)
}

fn hear(samples: &[f32], rate: SampleRate) -> Take {
    let mut listener = Listener::new(settings(rate));
    listener.push(samples, |_| {});
    listener.finish(|_| {})
}

#[test]
fn push_and_gap_do_not_allocate() {
    let rate = rate(44_100);
    let mut samples = played(LICK, rate);
    // Not numbers in the middle of a note: a gap made by `push` itself.
    samples[60_000..60_100].fill(f32::NAN);
    samples.extend(soft_over_ringing(0.1, 0.02));
    samples.extend(beating([42, 43], 0.5, 0.9));
    let mut engine = Engine::new(settings(rate));
    let (mut strikes, mut gaps) = (0, 0);
    assert_no_alloc(|| {
        let mut on_event = |event: Event<'_>| match event {
            Event::Strike(_) => strikes += 1,
            Event::Gap { .. } => gaps += 1,
            Event::Ended { .. } => {}
        };
        for chunk in samples.chunks(441) {
            engine.push(chunk, &mut on_event);
        }
        engine.gap(SampleCount(10_000), &mut on_event);
        engine.push(&samples, &mut on_event);
    });
    assert!(strikes > 12, "{strikes} events: everything was made to work");
    assert_eq!(gaps, 3);
}

/// Every event in full: floating-point numbers are printed so that they read back the same.
fn events(samples: &[f32], rate: SampleRate, mut chunk_len: impl FnMut() -> usize) -> Vec<String> {
    let mut engine = Engine::new(settings(rate));
    let mut told = Vec::new();
    let mut rest = samples;
    while !rest.is_empty() {
        let (now, later) = rest.split_at(chunk_len().clamp(1, rest.len()));
        engine.push(now, |event| told.push(format!("{event:?}")));
        rest = later;
    }
    engine.finish(|event| told.push(format!("{event:?}")));
    told
}

#[test]
fn equal_samples_give_equal_events_however_they_are_chunked() {
    let rate = rate(44_100);
    let mut samples = played(LICK, rate);
    samples.extend(soft_over_ringing(0.1, 0.02));
    samples.extend(beating([42, 43], 0.5, 0.9));
    let whole = events(&samples, rate, || usize::MAX);
    assert!(whole.len() > 12, "{} events", whole.len());
    for chunk in [1, 7, 64, 441, 4096] {
        assert_eq!(events(&samples, rate, || chunk), whole, "chunks of {chunk}");
    }
    let mut random = Random::new(1, 0);
    let length = || (random.bits() >> 52) as usize;
    assert_eq!(events(&samples, rate, length), whole, "chunks of random lengths");
}

#[test]
fn the_level_of_the_recording_does_not_matter() {
    let rate = rate(44_100);
    let samples = played(LICK, rate);
    let peak = samples.iter().fold(0.0_f32, |m, s| m.max(s.abs()));
    let told = |gain_db: f32| {
        let gain = 0.9 / peak * 10_f32.powf(gain_db / 20.0);
        let scaled: Vec<f32> = samples.iter().map(|s| s * gain).collect();
        let judgement = judge_take(&lick(LICK), &hear(&scaled, rate), &judge::Settings::default());
        let notes = |step: &doublecheck::practice::verdict::StepJudgement| {
            let struck = step.heard.iter().filter(|h| h.status != Status::Ringing);
            let notes: Vec<u8> = struck.map(|h| h.pitch.note.0).collect();
            (step.verdict, notes)
        };
        judgement.steps.iter().map(notes).collect::<Vec<_>>()
    };
    let loud = told(0.0);
    assert_eq!(loud.len(), 6);
    for gain_db in [-5.0, -10.0, -15.0, -20.0, -25.0, -30.0] {
        assert_eq!(told(gain_db), loud, "at {gain_db} dB");
    }
}

/// A minor third, E4 (329.63 Hz) and G4 (392.00 Hz; ISO 16), at all rates recordings come in.
#[test]
fn the_same_two_notes_are_heard_at_every_rate() {
    let guitar = doublecheck::synth::guitar::Guitar::default();
    let note = |string: u8, fret: u8| {
        let string = doublecheck::theory::fretboard::StringNumber(string);
        let fret = doublecheck::theory::fretboard::Fret(fret);
        let mut note = guitar.note(string, fret, 1.0, 0.3).expect("a place on the neck");
        note.start_s = 0.25;
        note
    };
    let notes = [note(3, 9), note(2, 8)];
    for hz in [
        8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 64_000, 88_200,
        96_000, 176_400, 192_000,
    ] {
        let rate = rate(hz);
        let take = hear(&render(&notes, 1.5, rate, &Room::noisy(40.0), 3), rate);
        assert_eq!(take.strikes.len(), 1, "strikes at {hz} Hz");
        let strike = &take.strikes[0];
        let heard: Vec<f64> = strike.notes.iter().map(|n| n.frequency.get()).collect();
        assert_eq!(heard.len(), 2, "{heard:?} at {hz} Hz");
        for (heard, truth) in heard.iter().zip([329.628, 391.995]) {
            let off = 1200.0 * (heard / truth).log2();
            assert!(off.abs() < 2.0, "{truth} Hz heard {off:+.2} cents off at {hz} Hz");
        }
        // mir_eval and MIREX allow 50 ms; a strike should be nearer than a listener notices (6 ms,
        // Friberg and Sundberg 1995).
        let late_ms = 1000.0 * (strike.onset.seconds(rate) - 0.25);
        assert!(late_ms.abs() < 6.0, "struck {late_ms:+.1} ms late at {hz} Hz");
    }
}

/// What is told of `samples`, every number of it looked at.
fn told_numbers(samples: &[f32], rate: SampleRate, name: &str) {
    let mut engine = Engine::new(settings(rate));
    let pitch = |pitch: &HeardPitch| {
        let numbers = [
            pitch.frequency.get(),
            pitch.error_cents.unwrap_or(0.0),
            pitch.level.0,
            pitch.struck_odds,
            pitch.confidence,
            pitch.stiffness.map_or(0.0, |stiffness| stiffness.b),
            pitch.stiffness.map_or(0.0, |stiffness| stiffness.error),
        ];
        assert!(numbers.iter().all(|n| n.is_finite()), "{name}: {pitch:?}");
        assert!((0.0..=1.0).contains(&pitch.confidence), "{name}: {pitch:?}");
        assert!(pitch.error_cents.is_none_or(|e| e >= 0.0), "{name}: {pitch:?}");
    };
    let mut look = |event: Event<'_>| {
        if let Event::Strike(strike) = event {
            strike.notes.iter().chain(&strike.doubtful).chain(&strike.faint).for_each(pitch);
            strike.later.iter().for_each(|later| pitch(&later.pitch));
            assert!(strike.end >= strike.onset, "{name}: {strike:?}");
        }
    };
    samples.chunks(1000).for_each(|chunk| engine.push(chunk, &mut look));
    engine.finish(&mut look);
}

#[test]
fn no_input_panics_or_gives_numbers_that_are_none() {
    for hz in [8_000, 44_100, 48_000, 192_000] {
        no_input_panics_at(hz);
    }
}

fn no_input_panics_at(hz: u32) {
    let n = 2 * hz as usize;
    let good = played(LICK, rate(hz));
    let each = |make: &dyn Fn(usize) -> f32| (0..n).map(make).collect::<Vec<f32>>();
    let tone = |i: usize| (TAU * 220.0 * i as f64 / f64::from(hz)).sin() as f32;
    let spoilt = |make: &dyn Fn(usize, f32) -> f32| {
        good.iter().enumerate().map(|(i, &s)| make(i, s)).collect::<Vec<f32>>()
    };
    for (name, samples) in [
        ("nothing", Vec::new()),
        ("one sample", vec![0.5]),
        ("not numbers", each(&|_| f32::NAN)),
        ("infinite", each(&|i| if i % 2 == 0 { f32::INFINITY } else { f32::NEG_INFINITY })),
        // Two samples are fewer than make one of the decimated stream from 48 kHz on.
        ("no number every third time", spoilt(&|i, s| if i % 3 == 2 { f32::NAN } else { s })),
        ("not numbers now and then", spoilt(&|i, s| if i % 997 == 0 { f32::NAN } else { s })),
        ("the largest numbers", each(&|i| if i % 100 < 50 { f32::MAX } else { f32::MIN })),
        ("large tone", each(&|i| 1e30 * tone(i))),
        ("large onset", each(&|i| if i < n / 2 { 0.0 } else { 1e18 * tone(i) })),
        ("denormal", each(&|i| f32::from_bits(1 + (i % 7) as u32))),
        ("denormal tone", each(&|i| 1e-40 * tone(i))),
        ("tiny tone", each(&|i| if i < n / 2 { 0.0 } else { 1e-20 * tone(i) })),
        ("constant", each(&|_| 0.9)),
        ("a step", each(&|i| if i < n / 2 { -1.0 } else { 1.0 })),
        ("one full-scale sample", each(&|i| if i == n / 2 { 1.0 } else { 0.0 })),
        ("square wave", each(&|i| tone(i).signum())),
        ("on a constant", spoilt(&|_, s| s + 0.5)),
        ("clipped hard", spoilt(&|_, s| (100.0 * s).clamp(-1.0, 1.0))),
        ("tone without a beginning", each(&tone)),
        ("tone from nothing", each(&|i| if i < n / 2 { 0.0 } else { tone(i) })),
    ] {
        told_numbers(&samples, rate(hz), &format!("{name} at {hz} Hz"));
    }
}

/// A constant under the strings, as sound cards add it, changes nothing that is heard.
#[test]
fn a_constant_offset_is_not_heard() {
    let rate = rate(44_100);
    let notes = |samples: &[f32]| {
        let take = hear(samples, rate);
        let strikes = take.strikes.iter().map(|strike| {
            let struck = strike.notes.iter().filter(|n| n.is_struck());
            let cents = |hz: f64| (1200.0 * (hz / 440.0).log2() / 100.0).round() as i32;
            struck.map(|n| cents(n.frequency.get())).collect::<Vec<_>>()
        });
        strikes.collect::<Vec<_>>()
    };
    let samples = played(PLAIN, rate);
    assert_eq!(notes(&samples).len(), 4);
    for offset in [-0.02, 0.001, 0.02, 0.1] {
        let raised: Vec<f32> = samples.iter().map(|s| s + offset).collect();
        assert_eq!(notes(&raised), notes(&samples), "raised by {offset}");
    }
}

/// Noise of a quiet room and of a loud one, a minute each.
#[test]
fn nothing_is_heard_in_silence_and_next_to_nothing_in_noise() {
    let rate = rate(44_100);
    let silence = vec![0.0; 60 * 44_100];
    assert!(hear(&silence, rate).strikes.is_empty());
    for level_db in [-70.0, -45.0, -20.0] {
        let room = Room { noise: Some(Noise::Absolute(Decibels(level_db))), reverb: None };
        let take = hear(&render(&[], 60.0, rate, &room, 7), rate);
        let strikes = take.strikes.len();
        assert!(strikes <= 1, "{strikes} strikes in a minute of noise at {level_db} dB");
    }
}

/// After a hole the engine hears what a fresh one hears.
#[test]
fn what_was_heard_before_a_hole_is_forgotten() {
    let rate = rate(44_100);
    let samples = played(LICK, rate);
    let notes = |take: &Take, from: u64| {
        let strikes = take.strikes.iter().filter(|s| s.onset.0 >= from);
        let told = strikes.map(|strike| {
            let struck = strike.notes.iter().filter(|n| n.is_struck());
            let number = |hz: f64| (12.0 * (hz / 440.0).log2()).round() as i32;
            struck.map(|n| number(n.frequency.get())).collect::<Vec<_>>()
        });
        told.collect::<Vec<_>>()
    };
    let fresh = notes(&hear(&samples, rate), 0);
    let mut listener = Listener::new(settings(rate));
    let before = &samples[..100_000];
    listener.push(before, |_| {});
    listener.gap(SampleCount(20_000), |_| {});
    listener.push(&samples, |_| {});
    let take = listener.finish(|_| {});
    assert_eq!(notes(&take, 120_000), fresh);
    assert_eq!(take.holes.len(), 1);
}

/// Holes of a single sample, fewer than make one of the decimated stream, leave the clock alone.
#[test]
fn many_small_holes_shift_no_strike() {
    for hz in [44_100, 48_000, 192_000] {
        let rate = rate(hz);
        let samples = played(PLAIN, rate);
        let onsets = |take: &Take| {
            take.strikes.iter().map(|strike| strike.onset.seconds(rate)).collect::<Vec<f64>>()
        };
        let whole = onsets(&hear(&samples, rate));
        assert_eq!(whole.len(), 4);
        for holes in [2, 3, 7] {
            let mut listener = Listener::new(settings(rate));
            let n = hz as usize - 1;
            let spoilt = (0..n).map(|i| if i % holes == 1 { f32::NAN } else { 0.0 });
            listener.push(&spoilt.collect::<Vec<f32>>(), |_| {});
            listener.push(&samples, |_| {});
            let after = onsets(&listener.finish(|_| {}));
            assert_eq!(after.len(), 4, "{hz} Hz, every {holes} samples");
            for (whole, after) in whole.iter().zip(&after) {
                let off_s = after - n as f64 / f64::from(hz) - whole;
                assert!(off_s.abs() < 0.001, "{hz} Hz, every {holes} samples: {off_s} s");
            }
        }
    }
}

/// MIDI numbers of the notes struck in the only strike of `take`.
fn struck(take: &Take) -> Vec<i32> {
    assert_eq!(take.strikes.len(), 1, "one strike");
    let notes = take.strikes[0].notes.iter().filter(|note| note.is_struck());
    notes.map(|n| (69.0 + 12.0 * (n.frequency.get() / 440.0).log2()).round() as i32).collect()
}

#[test]
fn a_double_stop_damped_at_once_is_heard_over_the_rumble_of_the_room() {
    let rate = rate(44_100);
    let mut samples = played(PLAIN, rate);
    let (onset, damped) = (13_230, 13_230 + 7_000);
    samples.truncate(onset + 32_000);
    let mut random = Random::new(1, 0);
    for (i, sample) in samples.iter_mut().enumerate() {
        let damping = 1.0 - (i as f32 - damped as f32) / 900.0;
        let rumble = (TAU * 17.0 * i as f64 / 44_100.0).sin() as f32;
        let hiss = random.uniform() as f32 - 0.5;
        *sample = *sample * damping.clamp(0.0, 1.0) + 0.03 * rumble + 0.1 * hiss;
    }
    let mut listener = Listener::of_recording(settings(rate));
    listener.push(&samples, |_| {});
    assert_eq!(struck(&listener.finish(|_| {})), [60, 64]);
}

#[test]
fn a_constant_offset_cuts_no_strike_short() {
    let rate = rate(44_100);
    let samples = played(PLAIN, rate);
    let errors = |offset: f32| {
        let moved: Vec<f32> = samples.iter().map(|s| 0.1 * s + offset).collect();
        let mut listener = Listener::of_recording(settings(rate));
        listener.push(&moved, |_| {});
        let take = listener.finish(|_| {});
        let notes = take.strikes.iter().flat_map(|strike| strike.notes.clone());
        notes.map(|note| note.error_cents.expect("measured")).collect::<Vec<f64>>()
    };
    let (without, with) = (errors(0.0), errors(0.5));
    assert_eq!((without.len(), with.len()), (8, 8));
    for (without, with) in without.iter().zip(&with) {
        assert!(*with < 1.5 * without + 0.05, "{with} cents, {without} without it");
    }
}

#[test]
fn a_pitch_that_moves_is_told_less_surely() {
    let rate = rate(44_100);
    // Twelve partials of A3 that rise by so many cents in a second, after 0.3 s of silence.
    let told = |cents: f64| {
        let mut phase = 0.0;
        let tone = (0..57_330).map(|i| {
            let t = f64::from(i) / 44_100.0 - 0.3;
            phase += 220.0 * (cents * t / 1200.0).exp2() / 44_100.0;
            let partials = (1..=12).map(|n| (TAU * f64::from(n) * phase).sin() / f64::from(n));
            if t < 0.0 { 0.0 } else { (0.2 * (-t).exp() * partials.sum::<f64>()) as f32 }
        });
        let take = hear(&tone.collect::<Vec<f32>>(), rate);
        assert_eq!(struck(&take), [57]);
        take.strikes[0].notes[0].error_cents.expect("it was measured")
    };
    let (steady, rising) = (told(0.0), told(8.0));
    assert!(steady < 0.2, "{steady} cents");
    assert!((0.7..4.0).contains(&rising), "{rising} cents: both halves lie 4 cents apart");
}

/// Players notice about 6 ms (Friberg and Sundberg 1995, `hearing.md`).
const NOTICED_S: f64 = 0.006;

#[test]
fn a_strike_is_placed_over_strings_that_ring_on() {
    let rate = rate(44_100);
    let text = r#"
title = "Low tide"
key = "G major"
tempo = 140
meter = "4/4"
steps = [
  { beats = 0.5, frets = "3 x 0 x x x" },
  { beats = 0.5, frets = "x 2 x x 3 x" },
  { beats = 0.5, frets = "x x 4 x x 3" },
  { beats = 0.5, frets = "3 x x 4 x x" },
  { beats = 0.5, frets = "x 5 x x 5 x" },
]
"#;
    let mut performance = Performance::new(&lick(text), &Manner::default());
    performance.length_s += 0.3;
    for note in &mut performance.notes {
        note.sound.start_s += 0.3;
        note.sound.length_s = 2.0;
    }
    let take = hear(&performance.render(rate, &Room::noisy(40.0), 5), rate);
    let struck: Vec<f64> = take.strikes.iter().map(|s| s.onset.seconds(take.rate)).collect();
    assert_eq!(struck.len(), 5, "{struck:?}");
    for (struck_s, step) in struck.iter().zip(1..) {
        let of_step = performance.notes.iter().filter(|note| note.step == step);
        let first_s = of_step.map(|note| note.sound.start_s).fold(f64::INFINITY, f64::min);
        let off_s = (struck_s - first_s).abs();
        assert!(off_s < NOTICED_S, "step {step}: {off_s:.4} s off");
    }
}

#[test]
fn a_slide_is_told_to_partials_that_the_other_string_has_too() {
    // A fourth: every third partial of the upper string lies on every fourth of what is reached.
    let text = r#"
title = "Two planks"
key = "D major"
tempo = 73
meter = "4/4"
steps = [{ beats = 1, frets = "x x 3s4 4 x x" }]
"#;
    let beat_s = 60.0 / 73.0;
    let take = hear(&played(text, rate(44_100)), rate(44_100));
    let [strike] = take.strikes.as_slice() else { panic!("{} strikes", take.strikes.len()) };
    let reached = |later: &&LaterNote| (later.pitch.frequency.get() / 185.0).log2().abs() < 0.03;
    let reached = strike.later.iter().find(reached).expect("F#3, 185.0 Hz (ISO 16), is reached");
    let after_s = reached.start.seconds(take.rate) - strike.onset.seconds(take.rate);
    assert!((after_s - 0.5 * beat_s).abs() < 0.04, "{after_s:.3} s after the strike");
}

#[test]
fn a_touch_just_before_a_strike_is_not_the_strike() {
    let rate = rate(44_100);
    let mut samples = played(PLAIN, rate);
    let (onset, touch) = (13_230, 13_230 - 2_600);
    samples.truncate(onset + 28_000);
    let mut random = Random::new(1, 0);
    for sample in &mut samples[touch..touch + 130] {
        *sample += 0.02 * (random.uniform() as f32 - 0.5);
    }
    let take = hear(&samples, rate);
    assert_eq!(struck(&take), [60, 64]);
    let off_s = take.strikes[0].onset.seconds(take.rate) - onset as f64 / 44_100.0;
    assert!(off_s.abs() < NOTICED_S, "{off_s:.4} s off");
}

/// A string `t` seconds after it was struck, its partials so much out of step.
fn string(note: i32, phase: f64, t: f64) -> f64 {
    let tone = Tone::at(440.0 * (f64::from(note - 69) / 12.0).exp2());
    let partial = |n: usize| {
        let decay = (-t * (1.0 + 0.4 * n as f64)).exp();
        0.2 / n as f64 * decay * (TAU * tone.partial(n) * t + phase * n as f64).sin()
    };
    if t > 0.0 { (1..12).map(partial).sum() } else { 0.0 }
}

/// `sound` by its seconds, at 44.1 kHz with a little noise.
fn sampled(seconds: f64, sound: impl Fn(f64) -> f64) -> Vec<f32> {
    let mut random = Random::new(1, 0);
    let mut sample = |t: f64| (2e-3 * (random.uniform() - 0.5) + sound(t)) as f32;
    (0..(seconds * 44_100.0) as u32).map(|i| sample(f64::from(i) / 44_100.0)).collect()
}

/// Two strings struck at 0.3 s that sound for `seconds`, one so much of a half-turn behind.
fn beating([first, second]: [i32; 2], turn: f64, seconds: f64) -> Vec<f32> {
    sampled(0.3 + seconds, |t| string(first, 0.0, t - 0.3) + string(second, PI * turn, t - 0.3))
}

/// Low strings that begin out of step swell once more, before either is sure: that is no strike.
#[test]
fn low_strings_that_beat_are_one_strike() {
    for (notes, turn) in
        [([42, 43], 0.5), ([43, 44], 0.5), ([40, 42], 0.125), ([41, 43], 0.25), ([40, 44], 0.375)]
    {
        let take = hear(&beating(notes, turn, 0.9), rate(44_100));
        assert_eq!(struck(&take), notes, "{turn}");
        let off_s = take.strikes[0].onset.seconds(take.rate) - 0.3;
        assert!(off_s.abs() < NOTICED_S, "{notes:?}: {off_s:.4} s off");
    }
}

/// With what cut it off an unsure strike is told; the end of a recording cuts nothing off.
#[test]
fn an_unsure_strike_at_the_end_is_told() {
    for (notes, turn) in [([42, 43], 0.5), ([40, 42], 0.125), ([41, 43], 0.25)] {
        for seconds in [0.08, 0.1, 0.12] {
            let take = hear(&beating(notes, turn, seconds), rate(44_100));
            assert_eq!(take.strikes.len(), 1, "{notes:?} for {seconds} s");
        }
    }
}

/// A thicket of strikes that swell, in which one that is found later may have begun sooner.
#[test]
fn strikes_that_swell_into_each_other_come_in_order() {
    let rate = rate(11_025);
    for seed in [9, 10] {
        let mut random = Random::new(seed, 1);
        let mut samples = vec![0.0_f64; 6 * 11_025];
        let mut at = 0;
        while at < samples.len() {
            at += ((0.01 + 0.1 * random.uniform()) * 11_025.0) as usize;
            let hz = 80.0 * (2.5 * random.uniform()).exp();
            let level = 0.3 * random.uniform().powi(3);
            let (swell_s, decay) = (0.05 * random.uniform(), 2.0 + 30.0 * random.uniform());
            for (i, sample) in samples.iter_mut().skip(at).take(11_025).enumerate() {
                let t = i as f64 / 11_025.0;
                let envelope = level * (t / swell_s).min(1.0) * (-decay * t).exp();
                let partial = |n: i32| (TAU * hz * f64::from(n) * t).sin() / f64::from(n);
                *sample += envelope * (1..6).map(partial).sum::<f64>();
            }
        }
        let noisy = samples.iter().map(|s| (s + 1e-3 * (random.uniform() - 0.5)) as f32);
        let samples: Vec<f32> = noisy.collect();
        assert_eq!(events(&samples, rate, || 1), events(&samples, rate, || usize::MAX), "{seed}");
        let take = hear(&samples, rate);
        let onsets: Vec<u64> = take.strikes.iter().map(|s| s.onset.0).collect();
        assert!(onsets.len() > 20 && onsets.is_sorted_by(|a, b| a < b), "{onsets:?}");
    }
}

/// What swells from nothing to `level` at 0.6 s over strings that ring.
const SOFT: [i32; 2] = [47, 50];

fn soft_over_ringing(level: f64, swell_s: f64) -> Vec<f32> {
    sampled(1.36, |t| {
        let ringing: f64 = [57, 60].map(|note| string(note, 0.0, t - 0.3)).iter().sum();
        let soft: f64 = SOFT.map(|note| string(note, 0.0, t - 0.6)).iter().sum();
        ringing + level * ((t - 0.6) / swell_s).clamp(0.0, 1.0) * soft
    })
}

/// Strings that swell from nothing over ringing ones hardly rise in power: that notes begin there which did
/// not sound tells the strike.
#[test]
fn a_soft_strike_is_found_by_its_notes() {
    for (level, swell_s) in [(0.1, 0.02), (0.2, 0.03), (0.3, 0.04), (0.5, 0.06)] {
        let mut take = hear(&soft_over_ringing(level, swell_s), rate(44_100));
        assert_eq!(take.strikes.len(), 2, "{level}");
        let off_s = take.strikes[1].onset.seconds(take.rate) - 0.6;
        assert!(off_s.abs() < NOTICED_S, "{off_s:.4} s off");
        take.strikes.remove(0);
        assert_eq!(struck(&take), SOFT, "{level}");
    }
}

/// 30 to 34 dB below others a note is hardly heard among them, but it came with the strike.
#[test]
fn a_faint_note_that_came_with_the_strike_is_told() {
    for (level, is_told) in [(0.03, true), (0.02, true), (0.0, false)] {
        let samples = sampled(1.0, |t| {
            let ringing: f64 = [45, 52].map(|note| string(note, 0.0, t - 0.3)).iter().sum();
            ringing + string(55, 0.0, t - 0.6) + level * string(63, 0.0, t - 0.6)
        });
        let take = hear(&samples, rate(44_100));
        let [_, strike] = &take.strikes[..] else { panic!("{} strikes", take.strikes.len()) };
        let hz = 440.0 * (-6.0_f64 / 12.0).exp2();
        let is_it = |note: &&HeardPitch| (note.frequency.get() / hz).ln().abs() < 0.005;
        assert!(!strike.notes.iter().any(|note| is_it(&note)), "{level}: loud enough for anybody");
        let faint = strike.faint.iter().find(is_it);
        assert_eq!(faint.is_some_and(HeardPitch::is_struck), is_told, "{level}");
    }
}

#[test]
fn a_recording_may_begin_with_the_noise_of_the_pick() {
    let rate = rate(44_100);
    let played = played(PLAIN, rate);
    let onset = 13_230;
    for before in [0, 220, 441, 882, 1323, 1764] {
        let mut samples = played[onset - before..onset + 28_000].to_vec();
        let mut random = Random::new(1, 0);
        for sample in &mut samples[..before] {
            *sample += 0.05 * (random.uniform() as f32 - 0.5);
        }
        let mut listener = Listener::of_recording(settings(rate));
        listener.push(&samples, |_| {});
        assert_eq!(struck(&listener.finish(|_| {})), [60, 64], "{before} samples before");
    }
}
