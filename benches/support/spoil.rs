//! What a phone in a kitchen makes of a sound, what an overdriven amplifier does, and a messenger.
//!
//! **What.** The phone: echo of a small room, hum of the mains, a fan; then the microphone: 8 kHz wide, driven
//! into soft clipping; at last Vorbis, 64 kbit/s mono, encoded and decoded again.
//! **Conventions.** Levels are drawn anew for every sound, within the ranges below.
//! **Reference.** Ranges are common practice: 0.3–0.6 s of reverberation in a furnished kitchen, an
//! echo 3–10 dB under the direct sound at arm's length, hum of 50 or 60 Hz 35–45 dB down, a fan
//! 20–26 dB down, falling by 3 dB an octave as household noise does. Phones' voice memos take 32 to
//! 128 kbit/s a channel; messengers make Opus for voice of what the phone hears, at 16 to 24.

use std::f64::consts::TAU;
use std::io::Cursor;
use std::num::NonZeroU8;
use std::num::NonZeroU32;

use opus_pure::Application;
use opus_pure::MAX_PACKET_BYTES;
use opus_pure::OpusDecoder;
use opus_pure::OpusEncoder;
use opus_pure::Signal;
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex32;
use vorbis_rs::VorbisBitrateManagementStrategy;
use vorbis_rs::VorbisDecoder;
use vorbis_rs::VorbisEncoderBuilder;
use vorbis_rs::VorbisError;

use super::cases::Random;
use super::corpus::RATE;

/// The microphone passes from here …
const LOWEST_HZ: f64 = 80.0;
/// … to here.
const HIGHEST_HZ: f64 = 8_000.0;
/// The first echo comes so late.
const FIRST_ECHO_S: f64 = 0.003;

/// What the codec may spend.
const BITS_A_SECOND: NonZeroU32 = NonZeroU32::new(64_000).expect("positive");

/// `samples` as a phone records them.
pub fn phone(mut samples: Vec<f32>, random: &mut Random) -> Vec<f32> {
    let echo = echo(random);
    let loudness = root_mean_square(&samples);
    samples = filtered(&samples, &echo, |_| 1.0);
    let hum_hz = [50.0, 60.0][random.below(2)];
    let hum = loudness * decibels(-random.between(35.0, 45.0));
    for n in 1..=7 {
        let (phase, level) = (random.between(0.0, TAU), hum * 2_f64.sqrt() / f64::from(n));
        let turn = TAU * hum_hz * f64::from(n) / f64::from(RATE);
        for (i, sample) in samples.iter_mut().enumerate() {
            *sample += (level * (turn * i as f64 + phase).sin()) as f32;
        }
    }
    let mut fan = pink(samples.len(), random);
    let gain = loudness * decibels(-random.between(20.0, 26.0)) / root_mean_square(&fan);
    fan.iter_mut().zip(&samples).for_each(|(f, s)| *f = *f * gain as f32 + s);
    let heard = filtered(&fan, &[1.0], |hz| {
        let low = 1.0 / (1.0 + (LOWEST_HZ / hz.max(1.0)).powi(4)).sqrt();
        let high = 1.0 / (1.0 + (hz / HIGHEST_HZ).powi(16)).sqrt();
        low * high
    });
    let peak = heard.iter().fold(0.0_f32, |m, s| m.max(s.abs())).max(1e-9);
    let drive = random.between(0.6, 1.5) as f32 / peak;
    let driven: Vec<f32> = heard.iter().map(|s| 0.7 * (s * drive).tanh()).collect();
    coded(&driven, BITS_A_SECOND).expect("the codec takes any samples")
}

/// `samples` as an amplifier gives them back whose gain lifts their peak `drive_db` above where it would clip,
/// were it straight up to there: the curve of a hyperbolic tangent, its two sides a little unlike, as those of
/// tubes are (common practice).
pub fn amplifier(samples: &[f32], drive_db: f64) -> Vec<f32> {
    const BIAS: f64 = 0.2;
    const COUPLING_HZ: f64 = 20.0;
    let peak = samples.iter().fold(0.0_f32, |m, s| m.max(s.abs())).max(1e-9);
    let gain = decibels(drive_db) / f64::from(peak);
    let mut offset = 0.0;
    let driven = samples.iter().map(|&sample| {
        let bent = (gain * f64::from(sample) + BIAS).tanh() - BIAS.tanh();
        offset += (bent - offset) * TAU * COUPLING_HZ / f64::from(RATE);
        (0.5 * (bent - offset)) as f32
    });
    driven.collect()
}

/// `samples` as a voice message has them, as long as they are.
pub fn message(samples: &[f32], bits_a_second: i32) -> Vec<f32> {
    const OPUS_RATE: usize = 48_000;
    const PACKET: usize = OPUS_RATE / 50;
    let rate = OPUS_RATE as i32;
    let mut encoder = OpusEncoder::new(rate, 1, Application::Voip).expect("one of Opus' rates");
    encoder.bitrate_bps = bits_a_second;
    encoder.signal_type = Some(Signal::Voice);
    let mut decoder = OpusDecoder::new(rate, 1).expect("one of Opus' rates");
    let mut sent = resampled(samples, RATE as usize, OPUS_RATE);
    sent.resize((sent.len() + encoder.lookahead()).next_multiple_of(PACKET), 0.0);
    let (mut packet, mut block) = (vec![0; MAX_PACKET_BYTES], vec![0.0; PACKET]);
    let mut received = Vec::with_capacity(sent.len());
    for part in sent.chunks_exact(PACKET) {
        let n = encoder.encode(part, PACKET, &mut packet).expect("a whole packet");
        decoder.decode(&packet[..n], PACKET, &mut block).expect("what was just encoded");
        received.extend_from_slice(&block);
    }
    let mut heard = resampled(&received[encoder.lookahead()..], OPUS_RATE, RATE as usize);
    heard.resize(samples.len(), 0.0);
    heard
}

/// `samples` at another rate, both in samples a second: their spectrum, with more or less of it above.
fn resampled(samples: &[f32], from: usize, to: usize) -> Vec<f32> {
    const BLOCKS_A_SECOND: usize = 100;
    // Half a block of silence at least, for the spectrum's sound goes round in a circle.
    let blocks = (samples.len() / (from / BLOCKS_A_SECOND) + 2).next_multiple_of(64);
    let [before, after] = [from, to].map(|rate| blocks * rate / BLOCKS_A_SECOND);
    let mut planner = RealFftPlanner::<f32>::new();
    let (there, back) = (planner.plan_fft_forward(before), planner.plan_fft_inverse(after));
    let mut input = there.make_input_vec();
    input[..samples.len()].copy_from_slice(samples);
    let mut spectrum = there.make_output_vec();
    there.process(&mut input, &mut spectrum).expect("lengths were taken from the plan");
    spectrum.resize(after / 2 + 1, Complex32::default());
    spectrum[after / 2] = Complex32::default();
    let mut output = back.make_output_vec();
    back.process(&mut spectrum, &mut output).expect("lengths were taken from the plan");
    output.truncate(samples.len() * to / from);
    output.iter_mut().for_each(|sample| *sample /= before as f32);
    output
}

/// What a lossy codec leaves of `samples`, as long as they are.
fn coded(samples: &[f32], bits_a_second: NonZeroU32) -> Result<Vec<f32>, VorbisError> {
    let rate = NonZeroU32::new(RATE).expect("positive");
    let mut builder = VorbisEncoderBuilder::new_with_serial(rate, NonZeroU8::MIN, Vec::new(), 1);
    let target = VorbisBitrateManagementStrategy::Abr { average_bitrate: bits_a_second };
    let mut encoder = builder.bitrate_management_strategy(target).build()?;
    for block in samples.chunks(4096) {
        encoder.encode_audio_block([block])?;
    }
    let mut decoder = VorbisDecoder::new(Cursor::new(encoder.finish()?))?;
    let mut decoded = Vec::with_capacity(samples.len());
    while let Some(block) = decoder.decode_audio_block()? {
        decoded.extend_from_slice(block.samples()[0]);
    }
    decoded.resize(samples.len(), 0.0);
    Ok(decoded)
}

/// White noise made to fall by 3 dB an octave, as long as asked for.
pub fn pink(n: usize, random: &mut Random) -> Vec<f32> {
    let white: Vec<f32> = (0..n).map(|_| random.normal() as f32).collect();
    filtered(&white, &[1.0], |hz| 1.0 / hz.max(20.0).sqrt())
}

/// Impulse response of a small room: the direct sound, then noise that dies away.
fn echo(random: &mut Random) -> Vec<f32> {
    let rate = f64::from(RATE);
    let decay_s = random.between(0.3, 0.6);
    let first = (FIRST_ECHO_S * rate) as usize;
    let mut response: Vec<f32> = (0..(decay_s * rate) as usize)
        .map(|i| {
            let fade = (-1000_f64.ln() * i as f64 / rate / decay_s).exp();
            if i < first { 0.0 } else { (random.normal() * fade) as f32 }
        })
        .collect();
    let energy: f32 = response.iter().map(|s| s * s).sum();
    let gain = decibels(-random.between(3.0, 10.0)) as f32 / energy.sqrt();
    response.iter_mut().for_each(|s| *s *= gain);
    response[0] = 1.0;
    response
}

/// `samples` through `response` and a filter of the given gain, cut to their own length.
fn filtered(samples: &[f32], response: &[f32], gain: impl Fn(f64) -> f64) -> Vec<f32> {
    let size = (samples.len() + response.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let (there, back) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
    let transform = |samples: &[f32]| {
        let mut input = there.make_input_vec();
        input[..samples.len()].copy_from_slice(samples);
        let mut output = there.make_output_vec();
        there.process(&mut input, &mut output).expect("lengths were taken from the plan");
        output
    };
    let mut spectrum = transform(samples);
    for (k, (bin, factor)) in spectrum.iter_mut().zip(transform(response)).enumerate() {
        let hz = k as f64 * f64::from(RATE) / size as f64;
        *bin *= factor * (gain(hz) / size as f64) as f32;
    }
    // Rounding may leave these not quite real.
    spectrum[0].im = 0.0;
    spectrum[size / 2].im = 0.0;
    let mut output = back.make_output_vec();
    back.process(&mut spectrum, &mut output).expect("lengths were taken from the plan");
    output.truncate(samples.len());
    output
}

fn root_mean_square(samples: &[f32]) -> f64 {
    let power: f64 = samples.iter().map(|s| f64::from(s * s)).sum();
    (power / samples.len().max(1) as f64).sqrt().max(1e-9)
}

/// A factor on samples.
pub fn decibels(level_db: f64) -> f64 {
    10_f64.powf(level_db / 20.0)
}
