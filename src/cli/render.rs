//! `doublecheck render`: synthesise a reference performance of a lick.

use std::path::Path;
use std::path::PathBuf;

use clap::ValueEnum;
use serde::Serialize;

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::output::Existing;
use crate::audio::AudioError;
use crate::audio::HIGHEST_RATE;
use crate::audio::LOWEST_RATE;
use crate::audio::WavWriter;
use crate::audio::write::SampleFormat;
use crate::lick::Lick;
use crate::lick::library;
use crate::notation::midi;
use crate::report::json;
use crate::report::json::SCHEMA;
use crate::synth::Reverb;
use crate::synth::Room;
use crate::synth::loudness;
use crate::synth::performance::ClickWhen;
use crate::synth::performance::Manner;
use crate::synth::performance::Performance;
use crate::theory::fretboard::StringNumber;
use crate::units::SampleRate;

/// No peak comes nearer to full scale, so that no converter or codec clips (EBU R 128: −1 dBTP).
const HIGHEST_PEAK_DBTP: f64 = -1.0;
/// A small furnished room.
const ROOM: Room = Room { noise: None, reverb: Some(Reverb { decay_s: 0.4, level: 0.25 }) };
/// Chooses the noise of the attacks.
const SEED: u64 = 1;
/// Nobody plays along to more than an hour, and the sound is held in memory: at higher rates there is less.
const MOST_SAMPLES: f64 = 60.0 * 60.0 * 48_000.0;

/// Synthesise a reference performance of a lick.
#[derive(Debug, clap::Args)]
#[command(after_help = "Turn the volume down before you listen, on headphones above all.")]
pub struct Args {
    /// The lick file, or the name of an embedded lick
    lick: PathBuf,
    /// The file to write, ending in .wav (.mid with --midi)
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Write over a file that is there
    #[arg(long)]
    force: bool,
    /// Write a Standard MIDI File for another instrument to sound
    #[arg(long, conflicts_with_all = ["level", "loudness", "rate"])]
    midi: bool,
    /// Share of the lick's tempo, as a percentage or a factor: 60% or 0.6
    #[arg(long, value_name = "SPEED", default_value = "100%", value_parser = super::speed)]
    speed: f64,
    /// Quarter notes before the lick begins [default: one bar]
    #[arg(long, value_name = "BEATS", value_parser = clap::value_parser!(u32).range(0..=32))]
    count_in: Option<u32>,
    /// When the click sounds
    #[arg(long, value_name = "WHEN", default_value = "count-in")]
    click: When,
    /// Level of one string, as STRING=DB (`3=-6`; string 1 is the highest); may be repeated
    #[arg(long, value_name = "STRING=DB", value_parser = string_level)]
    level: Vec<(StringNumber, f64)>,
    /// Loudness in LUFS (ITU-R BS.1770); never so loud that a peak would clip
    #[arg(
        long,
        value_name = "LUFS",
        default_value = "-20",
        allow_negative_numbers = true,
        value_parser = loudness_lufs
    )]
    loudness: f64,
    /// Samples a second
    #[arg(long, value_name = "HZ", default_value = "48000", value_parser = sample_rate)]
    rate: SampleRate,
}

/// As typed; see [`ClickWhen`].
#[derive(Debug, Clone, Copy, ValueEnum)]
enum When {
    /// In the count-in and on every quarter note
    Throughout,
    /// In the count-in only
    CountIn,
    /// Not at all; the count-in is silent
    Never,
}

/// What was written, for `--json`.
#[derive(Debug, Serialize)]
struct Rendered<'a> {
    schema: u32,
    lick: &'a str,
    file: String,
    duration_s: f64,
    /// When the first step begins.
    start_s: f64,
    loudness_lufs: Option<f64>,
    peak_dbtp: Option<f64>,
}

/// Runs the command.
///
/// # Errors
/// A lick that cannot be read, a string it does not have, a sound too long, a file that cannot be
/// written.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let lick = library::find(&args.lick)?;
    may_be_written(&args)?;
    let manner = manner(&args, &lick, common)?;
    not_too_long(&args, &lick, &manner)?;
    let performance = Performance::new(&lick.expected(), &manner);
    let mut rendered = Rendered {
        schema: SCHEMA,
        lick: &lick.title,
        file: args.output.display().to_string(),
        duration_s: performance.length_s,
        start_s: performance.start_s,
        loudness_lufs: None,
        peak_dbtp: None,
    };
    if args.midi {
        write_midi(&args, &lick, &manner, &mut rendered)?;
    } else {
        write_wav(&args, &performance, &mut rendered)?;
    }
    tell(&rendered, &args, common)?;
    Ok(Outcome::Done)
}

fn write_wav(
    args: &Args,
    performance: &Performance,
    rendered: &mut Rendered<'_>,
) -> Result<(), Failure> {
    let mut samples = performance.render(args.rate, &ROOM, SEED);
    let reached = loudness::normalise(&mut samples, args.rate, args.loudness, HIGHEST_PEAK_DBTP);
    let mut wav = WavWriter::create(&args.output, args.rate, SampleFormat::Int24)?;
    wav.write(&samples)?;
    wav.finish(args.force).map_err(|error| match error {
        AudioError::Exists { path } => Existing::unless(args.force).refusal(&path),
        error => error.into(),
    })?;
    rendered.duration_s = samples.len() as f64 / f64::from(args.rate.get());
    rendered.loudness_lufs = reached.loudness_lufs;
    rendered.peak_dbtp = reached.peak_dbtp;
    Ok(())
}

fn write_midi(
    args: &Args,
    lick: &Lick,
    manner: &Manner,
    rendered: &mut Rendered<'_>,
) -> Result<(), Failure> {
    // A file without a click has nothing to count in with, and beats there are those of the metre.
    let counted = if manner.click == ClickWhen::Never { 0 } else { manner.count_in_beats };
    let options = midi::Options {
        speed: manner.speed,
        count_in_beats: (counted * u32::from(lick.meter.unit)).div_ceil(4),
        click: manner.click == ClickWhen::Throughout,
    };
    let existing = Existing::unless(args.force);
    output::save(&args.output, &midi::write(lick, &options), existing)?;
    for loss in midi::losses(lick) {
        output::tell(&format!("note: {loss}"));
    }
    let lick_beats: f64 = lick.steps.iter().map(|step| step.beats.get()).sum();
    let beat_s = 60.0 / (lick.tempo_bpm * manner.speed);
    let count_in_beats = 4.0 * f64::from(options.count_in_beats) / f64::from(lick.meter.unit);
    rendered.start_s = count_in_beats * beat_s;
    rendered.duration_s = (count_in_beats + lick_beats) * beat_s;
    Ok(())
}

fn tell(rendered: &Rendered<'_>, args: &Args, common: &Common) -> Result<(), Failure> {
    if common.json {
        return output::print(|out| json::document(out, rendered));
    }
    let Rendered { file, duration_s, start_s, loudness_lufs, .. } = rendered;
    let loudness = match loudness_lufs {
        Some(lufs) => format!(", {lufs:.1} LUFS"),
        None if args.midi => String::new(),
        None => ", silent".to_owned(),
    };
    output::tell(&format!(
        "{file}: {duration_s:.1} s, the lick begins at {start_s:.1} s{loudness}"
    ));
    if loudness_lufs.is_some_and(|lufs| lufs < args.loudness - 0.05) {
        output::tell(&format!("not louder, so that no peak comes above {HIGHEST_PEAK_DBTP} dBTP"));
    }
    Ok(())
}

fn may_be_written(args: &Args) -> Result<(), Failure> {
    let path = &args.output;
    if path == Path::new("-") {
        return Err(Failure::new(
            "-: a rendering is written to a file, not to standard output",
            "give it a name: --output lick.wav, or lick.mid with --midi",
        ));
    }
    let (endings, kind): (&[&str], _) =
        if args.midi { (&["mid", "midi"], "MIDI") } else { (&["wav"], "WAV") };
    let ends = |ending: &&str| path.extension().is_some_and(|e| e.eq_ignore_ascii_case(ending));
    if !path.is_dir() && !endings.iter().any(ends) {
        let is_midi = ["mid", "midi"].iter().any(ends);
        let or_midi = if is_midi { "add --midi, or " } else { "" };
        return Err(Failure::new(
            format!("{}: not the name of a {kind} file", path.display()),
            format!("{or_midi}name it {}", path.with_extension(endings[0]).display()),
        ));
    }
    Existing::unless(args.force).allows(path)
}

fn manner(args: &Args, lick: &Lick, common: &Common) -> Result<Manner, Failure> {
    let n_strings = lick.tuning.n_strings();
    if let Some((string, _)) =
        args.level.iter().find(|(string, _)| lick.tuning.open(*string).is_none())
    {
        return Err(Failure::new(
            format!("--level: {} has no string {}", args.lick.display(), string.0),
            format!("its strings are 1 (the highest) to {n_strings}"),
        ));
    }
    let bar_beats = lick.meter.bar_beats();
    Ok(Manner {
        speed: args.speed,
        count_in_beats: args.count_in.unwrap_or(bar_beats.ceil() as u32),
        bar_beats,
        click: match args.click {
            When::Throughout => ClickWhen::Throughout,
            When::CountIn => ClickWhen::CountIn,
            When::Never => ClickWhen::Never,
        },
        string_levels_db: args.level.clone(),
        // A double stop struck with one motion: nearly together, low string first.
        strum_s: 0.005,
        reference: common.a4,
    })
}

fn not_too_long(args: &Args, lick: &Lick, manner: &Manner) -> Result<(), Failure> {
    let lick_beats: f64 = lick.steps.iter().map(|step| step.beats.get()).sum();
    let beats = lick_beats + f64::from(manner.count_in_beats);
    let minutes = beats / (lick.tempo_bpm * manner.speed);
    let longest = MOST_SAMPLES / 60.0 / f64::from(args.rate.get().max(48_000));
    if minutes <= longest {
        return Ok(());
    }
    let (at_rate, or_rate) = match args.rate.get() {
        ..=48_000 => (String::new(), ""),
        rate => (format!(" at {rate} samples a second"), "lower --rate, "),
    };
    Err(Failure::new(
        format!(
            "{}: would sound for {minutes:.0} minutes, at most {longest:.0} can be rendered{at_rate}",
            args.lick.display()
        ),
        format!("raise --speed, {or_rate}or cut the lick into shorter ones"),
    ))
}

fn loudness_lufs(text: &str) -> Result<f64, String> {
    number_between(text, -60.0, -6.0).ok_or_else(|| "expected -60 to -6 LUFS".to_owned())
}

fn sample_rate(text: &str) -> Result<SampleRate, String> {
    text.parse()
        .ok()
        .filter(|rate| (LOWEST_RATE..=HIGHEST_RATE).contains(rate))
        .and_then(SampleRate::new)
        .ok_or_else(|| format!("expected {LOWEST_RATE} to {HIGHEST_RATE} samples a second"))
}

fn string_level(text: &str) -> Result<(StringNumber, f64), String> {
    text.split_once('=')
        .and_then(|(string, level_db)| {
            Some((StringNumber(string.parse().ok()?), number_between(level_db, -60.0, 12.0)?))
        })
        .ok_or_else(|| "expected STRING=DB with -60 to 12 dB, for example 3=-6".to_owned())
}

fn number_between(text: &str, lowest: f64, highest: f64) -> Option<f64> {
    text.parse().ok().filter(|number| (lowest..=highest).contains(number))
}
