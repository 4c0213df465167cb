//! `doublecheck convert`: convert between lick files, MusicXML, Standard MIDI Files and plain-text tab, and write down
//! what is played in a recording.

use std::fs::File;
use std::io::Read;
use std::io::Write;
use std::io::stdin;
use std::path::Path;
use std::path::PathBuf;

use clap::ValueEnum;
use clap::builder::PossibleValue;
use clap::builder::PossibleValuesParser;
use clap::builder::TypedValueParser;
use serde_json::json;

mod recording;

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::output::Existing;
use super::output::print;
use super::output::save;
use super::output::tell;
use crate::lick;
use crate::lick::Lick;
use crate::lick::error::is_recording;
use crate::lick::error::told_by_system;
use crate::lick::file::has_remarks;
use crate::lick::file::read_text;
use crate::lick::file::read_text_from;
use crate::notation::Reading;
use crate::notation::error::NotationError;
use crate::notation::midi;
use crate::notation::musicxml;
use crate::notation::tab;
use crate::report::called;
use crate::report::json;
use crate::report::json::SCHEMA;
use crate::theory::fretboard::Tuning;
use recording::Options;

/// Bytes of a file that are read at most; every format has a limit of its own below.
const MAX_BYTES: u64 = 33 << 20;

/// Convert between lick files, MusicXML, Standard MIDI Files and plain-text tab, or write down what is played in a
/// recording.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The file to read, or the name of an embedded lick; `-` for standard input, with --from
    #[arg(value_name = "IN")]
    input: PathBuf,
    /// The file to write; `-` for standard output
    #[arg(short, long, value_name = "OUT")]
    output: PathBuf,
    /// What IN is, where its name does not tell
    #[arg(long, value_name = "FORMAT", value_parser = Source::parser())]
    from: Option<Source>,
    /// What to write, where the name of OUT does not tell
    #[arg(long, value_name = "FORMAT")]
    to: Option<Format>,
    /// Round the times of a MIDI file or a recording to so many parts of a quarter note, such as 4 or 12
    #[arg(long, value_name = "PARTS", value_parser = clap::value_parser!(u64).range(1..=96))]
    grid: Option<u64>,
    /// Open strings to lay the notes of a MIDI file or a recording on, lowest first [default: "E2 A2 D3 G3 B3 E4"]
    #[arg(long, value_name = "NOTES", value_parser = super::plucks::tuning)]
    tuning: Option<Tuning>,
    #[command(flatten)]
    recording: Options,
    /// Write over a file that is there
    #[arg(long)]
    force: bool,
}

/// A way to write a lick down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// A lick file (.toml)
    Lick,
    /// MusicXML (.musicxml, .xml)
    Musicxml,
    /// Compressed MusicXML (.mxl)
    Mxl,
    /// A Standard MIDI File (.mid, .midi)
    Midi,
    /// Plain-text tab (.tab, .txt)
    Tab,
}

/// What is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Source {
    Written(Format),
    Recording,
}

impl Source {
    fn parser() -> impl TypedValueParser<Value = Self> {
        let written = Format::value_variants().iter().filter_map(ValueEnum::to_possible_value);
        let recording = PossibleValue::new("recording").help("A recording, as `check` takes it");
        let names = PossibleValuesParser::new(written.chain([recording]));
        names.map(|name| Format::from_str(&name, false).map_or(Self::Recording, Self::Written))
    }

    fn of(path: &Path) -> Option<Self> {
        let is_embedded = lick::library::names().any(|name| Path::new(name) == path);
        match is_recording(&path.to_string_lossy()) {
            true => Some(Self::Recording),
            false if is_embedded => Some(Self::Written(Format::Lick)),
            false => Format::of(path).map(Self::Written),
        }
    }

    fn told(self) -> &'static str {
        match self {
            Self::Written(format) => format.told(),
            Self::Recording => "a recording",
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Written(format) => format.name(),
            Self::Recording => "recording",
        }
    }
}

impl Format {
    fn of(path: &Path) -> Option<Self> {
        let extension = path.extension()?.to_str()?.to_ascii_lowercase();
        match extension.as_str() {
            "toml" => Some(Self::Lick),
            "musicxml" | "xml" => Some(Self::Musicxml),
            "mxl" => Some(Self::Mxl),
            "mid" | "midi" => Some(Self::Midi),
            "tab" | "txt" => Some(Self::Tab),
            _ => None,
        }
    }

    fn told(self) -> &'static str {
        match self {
            Self::Lick => "a lick",
            Self::Musicxml | Self::Mxl => "MusicXML",
            Self::Midi => "MIDI",
            Self::Tab => "tab",
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Lick => "lick",
            Self::Musicxml => "musicxml",
            Self::Mxl => "mxl",
            Self::Midi => "midi",
            Self::Tab => "tab",
        }
    }
}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let from = args.from.or_else(|| Source::of(&args.input));
    let from = from.ok_or_else(|| {
        unknown(&args.input, "standard input", "--from FORMAT; a recording is --from recording")
    })?;
    let is_played = from == Source::Recording;
    let is_unwritten = is_played || from == Source::Written(Format::Midi);
    let both = "MIDI and recordings";
    let mut options = vec![
        (is_unwritten, both, "--grid", args.grid.is_some(), "times written down are exact"),
        (is_unwritten, both, "--tuning", args.tuning.is_some(), "the file names its strings"),
    ];
    let played = args.recording.given().into_iter();
    options.extend(played.map(|(name, given, why)| (is_played, "recordings", name, given, why)));
    for (is_meant, of, option, is_given, why) in options {
        if is_given && !is_meant {
            return Err(Failure::new(
                format!("{option} is for {of}, and {} is {}", args.input.display(), from.told()),
                format!("leave out {option}: {why}"),
            ));
        }
    }
    let to_stdout = args.output == Path::new("-");
    // Whatever --to says: it may be the only copy of a take.
    if is_recording(&args.output.to_string_lossy()) {
        return Err(recorded(&args.output));
    }
    let to = args.to.or_else(|| Format::of(&args.output));
    let to = to.ok_or_else(|| unknown(&args.output, "standard output", "--to FORMAT"))?;
    let existing = Existing::unless(args.force);
    if to_stdout {
        output::alone(common)?;
    } else {
        existing.allows(&args.output)?;
    }

    let Reading { lick, remarks } = match from {
        Source::Written(format) => read(&args.input, format, args.grid, args.tuning)?,
        Source::Recording => args.recording.write(&args.input, args.grid, args.tuning, common)?,
    };
    let (bytes, losses) = write(&lick, to).map_err(|error| failure(&args.input, to, "", &error))?;
    let told: Vec<&String> = remarks.iter().chain(&losses).collect();
    for what in &told {
        tell(&format!("note: {what}"));
    }
    if to_stdout {
        print(|out| out.write_all(&bytes))?;
    } else {
        save(&args.output, &bytes, existing)?;
        tell(&format!("{} written", args.output.display()));
    }
    if common.json {
        let document = json!({
            "schema": SCHEMA,
            "input": args.input.display().to_string(),
            "from": from.name(),
            "output": args.output.display().to_string(),
            "to": to.name(),
            "lick": lick.title,
            "notes": told,
        });
        print(|out| json::document(out, &document))?;
    }
    Ok(Outcome::Done)
}

fn read(
    path: &Path,
    from: Format,
    grid: Option<u64>,
    tuning: Option<Tuning>,
) -> Result<Reading, Failure> {
    let is_stdin = path == Path::new("-");
    if from == Format::Lick {
        let (lick, text) = if is_stdin {
            let text = read_text_from(stdin().lock(), called("-").to_owned())?;
            (Lick::parse(&text, called("-"))?, text)
        } else {
            // An embedded lick is no file, and its remarks are the program's.
            (lick::find(path)?, read_text(path).unwrap_or_default())
        };
        let lost = has_remarks(&text)
            .then(|| "remarks after # are no part of a lick: left out".to_owned());
        return Ok(Reading { lick, remarks: lost.into_iter().collect() });
    }
    let mut bytes = Vec::new();
    let read = match is_stdin {
        true => stdin().lock().take(MAX_BYTES).read_to_end(&mut bytes),
        false => File::open(path).and_then(|file| file.take(MAX_BYTES).read_to_end(&mut bytes)),
    };
    read.map_err(|error| {
        Failure::new(
            format!("{}: {}", path.display(), told_by_system(&error)),
            "check the name of the file",
        )
    })?;
    let text = || String::from_utf8_lossy(&bytes);
    match from {
        Format::Midi => midi::read_tuned(&bytes, grid, tuning),
        Format::Tab => tab::read(&text()),
        _ => musicxml::read(&bytes),
    }
    .map_err(|error| failure(path, from, &text(), &error))
}

fn write(lick: &Lick, to: Format) -> Result<(Vec<u8>, Vec<String>), NotationError> {
    Ok(match to {
        Format::Lick => (lick.to_toml().into_bytes(), Vec::new()),
        Format::Musicxml => (musicxml::write(lick)?.into_bytes(), musicxml::losses(lick)),
        Format::Mxl => (musicxml::write_compressed(lick)?, musicxml::losses(lick)),
        Format::Midi => (midi::write(lick, &midi::Options::default()), midi::losses(lick)),
        Format::Tab => (tab::write(lick)?.into_bytes(), tab::losses(lick)),
    })
}

/// A name that does not tell a format, where `-` is the `stream`; `option` does.
fn unknown(path: &Path, stream: &str, option: &str) -> Failure {
    if path == Path::new("-") {
        return Failure::new(
            format!("{stream}: no name tells the format"),
            format!("say {option}"),
        );
    }
    Failure::new(
        format!("{}: the name does not tell the format", path.display()),
        format!("name it .toml, .musicxml, .mxl, .mid or .tab, or say {option}"),
    )
}

/// Somebody wants a recording made.
fn recorded(path: &Path) -> Failure {
    Failure::new(
        format!("{}: a recording, which is not made by converting", path.display()),
        format!(
            "let the lick be played: doublecheck render LICK -o {}",
            path.with_extension("wav").display()
        ),
    )
}

/// A reading or writing in `format` that failed, with the line it failed at and the way out.
fn failure(path: &Path, format: Format, text: &str, error: &NotationError) -> Failure {
    let hint = match error {
        // Tab is often written by hand.
        NotationError::Malformed { .. } if format == Format::Tab => {
            "write a line for every string, silent ones too, all equally long; other strings than \
             E2 A2 D3 G3 B3 E4 are named in a heading `Tuning:`"
        }
        NotationError::Tuning { found, .. } => {
            let tuning = Tuning::written_out(found);
            &format!("name each string with its octave, lowest first: Tuning: {tuning}")
        }
        NotationError::Malformed { .. } => {
            "export the file again from the program it comes from, or correct this place"
        }
        NotationError::Hostile { .. } => {
            "a score needs no entities: remove the declaration, or do not trust this file"
        }
        NotationError::TooBig { .. } => "cut the lick out of the piece and convert only that",
        NotationError::Unplayable(_) => "correct this step in the source and convert again",
        _ => "write the passage in another way in the source and convert again",
    };
    let name = path.to_string_lossy();
    let mut failure = Failure::new(format!("{}: {error}", called(&name)), hint);
    failure.excerpt = error.excerpt(text, output::message_width());
    failure
}
