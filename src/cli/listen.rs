//! `doublecheck listen`: say what sounds, without a lick.

use std::path::PathBuf;

use super::CAUTION;
use super::Common;
use super::devices::Listening;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::recording::Channel;
use super::recording::Progress;
use super::recording::hear;
use super::recording::tell_damage;
use crate::report::finding;
use crate::report::listen;

/// Say what sounds: notes, interval or chord, cents.
///
/// Without a recording it listens to the sound card until it is interrupted (Ctrl-C).
#[derive(Debug, clap::Args)]
#[command(after_help = CAUTION)]
pub struct Args {
    /// A recording; `-` reads it from standard input
    recording: Option<PathBuf>,
    #[command(flatten)]
    card: Listening,
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
    args.card.unused_for_recordings(&[])?;
    let heard = hear(&path, args.channel, &Progress::new())?;
    tell_damage(path.display(), heard.damage.as_deref());
    if heard.take.strikes.is_empty() {
        output::tell(&format!("{}: {}", path.display(), finding(&heard.if_nothing)));
    }
    match common.json {
        true => output::print(|out| listen::json(out, &heard.take, common.a4)),
        false => output::print_text(|out, _| listen::text(out, &heard.take, common.a4)),
    }?;
    Ok(Outcome::Done)
}

#[cfg(not(feature = "live"))]
fn live(_card: &Listening, _channel: Channel, _common: &Common) -> Result<Outcome, Failure> {
    Err(super::devices::no_live())
}

#[cfg(feature = "live")]
use with_sound_card::live;

#[cfg(feature = "live")]
mod with_sound_card {
    use std::io;
    use std::io::Write;
    use std::sync::atomic::Ordering;

    use super::CAUTION;
    use super::Channel;
    use super::Common;
    use super::Failure;
    use super::Listening;
    use super::Outcome;
    use super::listen;
    use super::output;
    use crate::audio::Chunk;
    use crate::cli::live_input::LiveInput;
    use crate::cli::live_input::pause;
    use crate::cli::live_input::stop_flag;
    use crate::engine::Event;
    use crate::engine::Listener;
    use crate::engine::Stage;
    use crate::engine::Strike;
    use crate::report::columns;
    use crate::units::SampleRate;

    /// Clears the line the cursor is on (ECMA-48: carriage return, erase in line).
    const AGAIN: &str = "\r\x1b[K";

    /// Listens until somebody interrupts, or the input is lost for good.
    pub(super) fn live(
        card: &Listening,
        channel: Channel,
        common: &Common,
    ) -> Result<Outcome, Failure> {
        let stop = stop_flag()?;
        let mut input = LiveInput::open(&card.choice(channel))?;
        let (rate, reference) = (input.input().line().rate, common.a4);
        output::tell(&format!("Listening on {}; Ctrl-C ends it.", input.input().line().name));
        output::tell(&format!("{CAUTION}."));
        let mut listener = Listener::new(rate);
        let mut lines = Lines {
            lines: listen::Lines::new(rate, reference),
            rate,
            rewrites: output::obeys_sequences(),
            open: false,
            told: Vec::new(),
        };
        let mut told = Ok(true);
        if !common.json {
            told = said(listen::heading(&mut io::stdout()));
        }
        let mut lost = Ok(());
        while !stop.load(Ordering::Relaxed) && lost.is_ok() && matches!(told, Ok(true)) {
            let mut on_event = |event: &Event<'_>| {
                if !common.json && matches!(told, Ok(true)) {
                    told = said(lines.write(event));
                }
            };
            let notice = input.pump(|chunk| match chunk {
                Chunk::Samples(samples) => listener.push(samples, &mut on_event),
                Chunk::Gap(lost) => listener.gap(lost, &mut on_event),
            });
            match notice {
                Ok(None) => {}
                Ok(Some(notice)) => output::tell(&notice.text("what was heard still counts")),
                Err(failure) => lost = Err(failure),
            }
            pause();
        }
        let take = listener.finish(|event| {
            if let (false, Ok(true)) = (common.json, &told) {
                told = said(lines.write(event));
            }
        });
        if common.json {
            output::print(|out| listen::json(out, &take, reference))?;
        }
        told?;
        lost.map(|()| Outcome::Done)
    }

    /// One line a strike, and another where it led after that. On a terminal it stands there from the first guess on
    /// and is written over as more is heard.
    struct Lines {
        lines: listen::Lines,
        rate: SampleRate,
        rewrites: bool,
        open: bool,
        /// The line that was written last.
        told: Vec<u8>,
    }

    impl Lines {
        fn write(&mut self, event: &Event<'_>) -> io::Result<()> {
            match event {
                Event::Strike(strike) => self.strike(strike),
                Event::Gap { at, lost } => {
                    let again = if std::mem::take(&mut self.open) { "\n" } else { "" };
                    let mut out = io::stdout().lock();
                    write!(out, "{again}")?;
                    listen::hole(&mut out, *at, *lost, self.rate)
                }
                Event::Led(strike) => self.strike(strike),
                Event::Unclear(_) | Event::Ended { .. } => Ok(()),
            }
        }

        fn strike(&mut self, strike: &Strike) -> io::Result<()> {
            let mut out = io::stdout().lock();
            write!(out, "{}", self.written(strike, output::width())?)?;
            out.flush()
        }

        /// What is to be written of `strike` on a terminal of `width` cells, nothing if that stands there already.
        fn written(&mut self, strike: &Strike, width: Option<usize>) -> io::Result<String> {
            let whole = strike.stage == Stage::Whole;
            if !whole && !self.rewrites {
                return Ok(String::new());
            }
            let mut line = Vec::new();
            self.lines.write(&mut line, strike)?;
            if !self.open && self.told == line {
                return Ok(String::new());
            }
            let again = if self.open { AGAIN } else { "" };
            let told = shown(&String::from_utf8_lossy(&line), whole, width);
            self.told = line;
            self.open = !whole;
            Ok(format!("{again}{told}"))
        }
    }

    /// `line` as it stands on a terminal of `width` cells: what is written over is part of one line, for
    /// no more can be.
    fn shown(line: &str, whole: bool, width: Option<usize>) -> String {
        match (whole, width) {
            (true, width) => output::fitted(line, width).into_owned(),
            (false, width) => columns::cut(line.trim_end(), width.unwrap_or(80) - 1).to_owned(),
        }
    }

    /// False if whoever closed the pipe has seen enough.
    fn said(written: io::Result<()>) -> Result<bool, Failure> {
        match written {
            Ok(()) => Ok(true),
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(false),
            Err(error) => Err(output::unwritable(&error)),
        }
    }

    #[cfg(test)]
    mod tests {
        use super::Lines;
        use super::listen;
        use super::shown;
        use crate::engine::HeardPitch;
        use crate::engine::LaterNote;
        use crate::engine::Stage;
        use crate::engine::Strike;
        use crate::theory::note::Reference;
        use crate::units::SampleIndex;
        use crate::units::SampleRate;

        /// A strike of C4 and E4 (60 and 64 in MIDI) that leads to F4 after it was told.
        #[test]
        fn where_a_strike_led_is_told_once_it_is_known() {
            let rate = SampleRate::new(1000).expect("positive");
            let mut lines = Lines {
                lines: listen::Lines::new(rate, Reference::default()),
                rate,
                rewrites: false,
                open: false,
                told: Vec::new(),
            };
            let mut strike = Strike {
                onset: SampleIndex(600),
                end: SampleIndex(2100),
                stage: Stage::Settled,
                notes: [60.0, 64.0].map(HeardPitch::sure).to_vec(),
                doubtful: Vec::new(),
                faint: Vec::new(),
                later: Vec::new(),
                combined: Vec::new(),
            };
            let mut written =
                |strike: &Strike| lines.written(strike, None).expect("a string takes all");
            assert_eq!(written(&strike), "", "not whole yet");
            strike.stage = Stage::Whole;
            let plain = "   0.60 s  major third        C4 +0 ±1, E4 +0 ±1\n";
            assert_eq!(written(&strike), plain);
            assert_eq!(written(&strike), "", "as before");
            let pitch = HeardPitch::sure(65.0);
            strike.later = vec![LaterNote { pitch, start: SampleIndex(2600) }];
            let led = plain.replace("E4 +0 ±1", "E4 +0 ±1 (to F4 +0 ±1 after 2.00 s)");
            assert_eq!(written(&strike), led);
        }

        /// A second line on the terminal would stay there for good.
        #[test]
        fn what_is_written_over_takes_one_line() {
            let line = "   0.60 s  major sixth        D4 +0 ±1, B4 +0 ±1\n";
            assert_eq!(shown(line, false, Some(41)), "   0.60 s  major sixth        D4 +0 ±1, ");
            let folded =
                "   0.60 s  major sixth        D4 +0 ±1,\n                              B4 +0 ±1\n";
            assert_eq!(shown(line, true, Some(46)), folded);
            assert_eq!(shown(line, true, None), line);
        }
    }
}
