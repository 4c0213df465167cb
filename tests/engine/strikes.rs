//! Where strikes begin and what they hold, over rumble, ringing strings and the noise of the pick.

use std::f64::consts::TAU;
use std::io::Cursor;
use std::num::NonZeroU8;
use std::num::NonZeroU32;

use doublecheck::engine::HeardPitch;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::synth::random::Random;
use vorbis_rs::VorbisBitrateManagementStrategy;
use vorbis_rs::VorbisDecoder;
use vorbis_rs::VorbisEncoderBuilder;
use vorbis_rs::VorbisError;

use super::NOTICED_S;
use super::PLAIN;
use super::SOFT;
use super::beating;
use super::events;
use super::hear;
use super::lick;
use super::played;
use super::rate;
use super::soft_over_ringing;
use super::struck;
use super::support::listened;
use super::support::nearest_midi;

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
    assert_eq!(struck(&listened(&samples, rate)), [60, 64]);
}

#[test]
fn a_constant_offset_cuts_no_strike_short() {
    let rate = rate(44_100);
    let samples = played(PLAIN, rate);
    let errors = |offset: f32| {
        let moved: Vec<f32> = samples.iter().map(|s| 0.1 * s + offset).collect();
        let take = listened(&moved, rate);
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

/// In noise 20 to 14 dB below the soft ones it rises less still over what is foretold, and of its notes only the
/// lower is sure.
#[test]
fn a_soft_strike_is_found_in_noise() {
    let mut random = Random::new(3, 0);
    for (level, swell_s, noise) in [(0.1, 0.02, 0.01), (0.15, 0.02, 0.02)] {
        let soft = soft_over_ringing(level, swell_s).into_iter();
        let samples: Vec<f32> = soft.map(|s| s + (noise * random.normal()) as f32).collect();
        let mut take = hear(&samples, rate(44_100));
        assert_eq!(take.strikes.len(), 2, "{level}");
        take.strikes.remove(0);
        assert!(struck(&take).contains(&SOFT[0]), "{level}: {:?}", take.strikes[0].notes);
    }
}

/// Softer ones rise too little for their notes to make it a strike: whether it was one is left to who knows what
/// was due.
#[test]
fn a_strike_too_soft_for_the_noise_is_unclear() {
    for level in [0.1, 0.07, 0.05] {
        let mut random = Random::new(3, 0);
        let soft = soft_over_ringing(level, 0.001).into_iter();
        let samples: Vec<f32> = soft.map(|s| s + (0.02 * random.normal()) as f32).collect();
        let take = listened(&samples, rate(44_100));
        let ([_], [unclear]) = (&take.strikes[..], &take.unclear[..]) else {
            panic!("{} strikes and {} unclear", take.strikes.len(), take.unclear.len())
        };
        assert!((unclear.onset.seconds(take.rate) - 0.6).abs() < 0.02, "{level}");
        for note in SOFT {
            let hz = 440.0 * (f64::from(note - 69) / 12.0).exp2();
            let is_it = |heard: &HeardPitch| (heard.frequency.get() / hz).ln().abs() < 0.01;
            let mut came = unclear.every_note().filter(|heard| heard.is_struck());
            assert!(came.any(is_it), "{level}: {note}");
        }
    }
}

/// Hardly any bits are left for noise: what a codec makes of it sounds from the first sample on, and like tones.
#[test]
fn noise_that_a_codec_begins_with_is_no_strike() {
    let mut wav = hound::WavReader::open("test-audio/all-right.wav").expect("a take");
    let hz = wav.spec().sample_rate;
    let samples: Vec<f32> =
        wav.samples::<i16>().map(|s| f32::from(s.expect("whole")) / 32_768.0).collect();
    for target_quality in [0.0, 0.1, 0.3, 0.6] {
        let sent = coded(&samples, hz, target_quality).expect("the codec takes any samples");
        let take = listened(&sent, rate(hz));
        let first = take.strikes[0].onset.seconds(take.rate);
        assert!((first - 0.6).abs() < 0.02, "{target_quality}: {first:.3} s");
    }
}

fn coded(samples: &[f32], hz: u32, target_quality: f32) -> Result<Vec<f32>, VorbisError> {
    let rate = NonZeroU32::new(hz).expect("positive");
    let mut builder = VorbisEncoderBuilder::new_with_serial(rate, NonZeroU8::MIN, Vec::new(), 1);
    let quality = VorbisBitrateManagementStrategy::QualityVbr { target_quality };
    let mut encoder = builder.bitrate_management_strategy(quality).build()?;
    samples.chunks(4096).try_for_each(|block| encoder.encode_audio_block([block]))?;
    let mut decoder = VorbisDecoder::new(Cursor::new(encoder.finish()?))?;
    let mut decoded = Vec::new();
    while let Some(block) = decoder.decode_audio_block()? {
        decoded.extend_from_slice(block.samples()[0]);
    }
    Ok(decoded)
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
        assert_eq!(struck(&listened(&samples, rate)), [60, 64], "{before} samples before");
    }
}

/// Sixteenths at 140 a minute, a chromatic run of thirds on two strings: every strike sounds for 0.11 s.
#[test]
fn a_fast_run_is_heard_strike_by_strike() {
    for (strings, lowest) in [("x x F G x x", 54), ("x F G x x x", 49), ("F G x x x x", 44)] {
        let frets = [4, 5, 6, 7, 6, 5, 4, 5];
        let steps: String = frets
            .iter()
            .map(|fret| {
                let marks = strings.replace('F', &fret.to_string());
                let marks = marks.replace('G', &(fret - 1).to_string());
                format!("{{ beats = 0.25, frets = \"{marks}\" }},\n")
            })
            .collect();
        let text = format!(
            "title = \"Sluice\"\nkey = \"C major\"\ntempo = 140\nmeter = \"4/4\"\nsteps = [\n{steps}]\n"
        );
        let take = hear(&played(&text, rate(44_100)), rate(44_100));
        let heard: Vec<Vec<i32>> = take
            .strikes
            .iter()
            .map(|strike| {
                let notes = strike.notes.iter().filter(|note| note.is_struck());
                notes.map(|n| nearest_midi(n.frequency.get())).collect()
            })
            .collect();
        let asked = frets.map(|fret| vec![lowest - 4 + fret, lowest + fret]);
        assert_eq!(heard, asked, "{strings}");
    }
}
