//! `doublecheck listen`: say what sounds, without a lick.

use std::path::PathBuf;

use super::Common;
use super::devices::SoundCard;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::recording::Channel;
use super::recording::Progress;
use super::recording::hear;
use crate::report::listen;

/// Say what sounds: notes, interval or chord, cents.
///
/// Without a recording it listens to the sound card until it is interrupted (Ctrl-C).
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A recording; `-` reads it from standard input
    recording: Option<PathBuf>,
    #[command(flatten)]
    card: SoundCard,
    #[command(flatten)]
    channel: Channel,
}

/// Runs the command.
///
/// # Errors
/// Whatever keeps the job from being done, with the way out.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let Some(path) = args.recording else {
        return live(&args.card, args.channel, common);
    };
    let heard = hear(&path, args.channel, common.a4, &Progress::new())?;
    if let Some(damage) = &heard.damage {
        output::tell(&format!("{}: damaged {damage}; what could be read is told", path.display()));
    }
    output::print(|out| {
        if common.json {
            listen::json(out, &heard.take, common.a4)
        } else {
            listen::text(out, &heard.take, common.a4)
        }
    })?;
    Ok(Outcome::Done)
}

#[cfg(not(feature = "live"))]
fn live(_card: &SoundCard, _channel: Channel, _common: &Common) -> Result<Outcome, Failure> {
    Err(super::devices::no_live())
}

#[cfg(feature = "live")]
use with_sound_card::live;

#[cfg(feature = "live")]
mod with_sound_card {
    use std::io;
    use std::io::IsTerminal;
    use std::io::Write;
    use std::sync::atomic::Ordering;

    use super::Channel;
    use super::Common;
    use super::Failure;
    use super::Outcome;
    use super::SoundCard;
    use super::listen;
    use super::output;
    use crate::audio::AudioError;
    use crate::audio::Chunk;
    use crate::audio::live::Input;
    use crate::audio::live::Status;
    use crate::cli::practice::pause;
    use crate::cli::practice::stop_flag;
    use crate::engine::Event;
    use crate::engine::Listener;
    use crate::engine::Settings;
    use crate::engine::Stage;
    use crate::engine::Strike;
    use crate::theory::note::Reference;
    use crate::units::SampleRate;

    /// Clears the line the cursor is on (ECMA-48: carriage return, erase in line).
    const AGAIN: &str = "\r\x1b[K";

    /// Listens until somebody interrupts, or the input is lost.
    pub(super) fn live(
        card: &SoundCard,
        channel: Channel,
        common: &Common,
    ) -> Result<Outcome, Failure> {
        let stop = stop_flag()?;
        let mut input = Input::open(&card.input(channel))?;
        let (rate, reference) = (input.rate(), common.a4);
        output::tell(&format!("Listening on {}; Ctrl-C ends.", input.name()));
        let mut listener = Listener::new(Settings { rate, reference });
        let mut lines =
            Lines { rate, reference, rewrites: io::stdout().is_terminal(), open: false };
        if !common.json {
            said(listen::heading(&mut io::stdout()))?;
        }
        let mut told = Ok(true);
        let mut status = Status::Running;
        while !stop.load(Ordering::Relaxed) && status != Status::Lost && matches!(told, Ok(true)) {
            status = input.pump(|chunk| {
                let mut on_event = |event: &Event<'_>| {
                    if let (false, Event::Strike(strike)) = (common.json, event)
                        && matches!(told, Ok(true))
                    {
                        told = said(lines.write(strike));
                    }
                };
                match chunk {
                    Chunk::Samples(samples) => listener.push(samples, &mut on_event),
                    Chunk::Gap(lost) => listener.gap(lost, &mut on_event),
                }
            });
            pause();
        }
        let take = listener.finish(|event| {
            if let (false, Event::Strike(strike), Ok(true)) = (common.json, event, &told) {
                told = said(lines.write(strike));
            }
        });
        if common.json {
            output::print(|out| listen::json(out, &take, reference))?;
        }
        told?;
        if status == Status::Lost {
            let device = input.id().to_owned();
            return Err(input.loss().unwrap_or(AudioError::Gone { device }).into());
        }
        Ok(Outcome::Done)
    }

    /// One line a strike. On a terminal it stands there from the first guess on and is written over
    /// as more is heard.
    struct Lines {
        rate: SampleRate,
        reference: Reference,
        rewrites: bool,
        open: bool,
    }

    impl Lines {
        fn write(&mut self, strike: &Strike) -> io::Result<()> {
            let whole = strike.stage == Stage::Whole;
            if !whole && !self.rewrites {
                return Ok(());
            }
            let mut line = Vec::new();
            listen::line(&mut line, strike, self.rate, self.reference)?;
            let mut line = String::from_utf8_lossy(&line).trim_end().to_owned();
            if !whole {
                // A longer line would wrap, and could not be written over.
                line = line.chars().take(79).collect();
            }
            let mut out = io::stdout().lock();
            let again = if self.open { AGAIN } else { "" };
            let end = if whole { "\n" } else { "" };
            write!(out, "{again}{line}{end}")?;
            self.open = !whole;
            out.flush()
        }
    }

    /// False if whoever closed the pipe has seen enough.
    fn said(written: io::Result<()>) -> Result<bool, Failure> {
        match written {
            Ok(()) => Ok(true),
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(false),
            Err(error) => Err(Failure::new(
                format!("standard output: cannot be written: {error}"),
                "check the disk or the program the result goes to",
            )),
        }
    }
}
