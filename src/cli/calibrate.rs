//! `doublecheck calibrate`: measure the round-trip delay of this set-up.

use super::Common;
use super::devices::SoundCard;
use super::exit::Failure;
use super::exit::Outcome;
use super::recording::Channel;

/// Measure the round-trip delay of this set-up, by a cable or from loudspeaker to microphone.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    card: SoundCard,
    #[command(flatten)]
    channel: Channel,
    /// How many chirps to play
    #[arg(long, value_name = "N", default_value_t = 8, value_parser = clap::value_parser!(u16).range(3..=50))]
    chirps: u16,
}

/// Runs the command.
///
/// # Errors
/// A program built without sound card support.
#[cfg(not(feature = "live"))]
pub fn run(args: Args, _common: &Common) -> Result<Outcome, Failure> {
    // Understood, so that the message is about the program and not about the options.
    let _ = (args.card, args.channel, args.chirps);
    Err(super::devices::no_live())
}

#[cfg(feature = "live")]
pub use with_sound_card::run;

#[cfg(feature = "live")]
mod with_sound_card {
    use std::io;
    use std::io::Write;
    use std::path::PathBuf;

    use serde::Serialize;

    use super::Args;
    use super::Common;
    use super::Failure;
    use super::Outcome;
    use crate::audio::AudioError;
    use crate::audio::Chunk;
    use crate::audio::live::Input;
    use crate::audio::live::Output;
    use crate::audio::live::Status;
    use crate::audio::live::calibration;
    use crate::audio::live::calibration::MeasuredDelay;
    use crate::audio::live::delay;
    use crate::cli::live_input::pause;
    use crate::cli::output;
    use crate::lick::error::told_by_system;
    use crate::lick::place::escaped;
    use crate::report::json;
    use crate::report::json::SCHEMA;

    /// How long to listen after the last chirp, in seconds: the longest delay looked for.
    const AFTERWARDS_S: f64 = 1.1;

    #[derive(Serialize)]
    struct Document<'a> {
        schema: u32,
        #[serde(flatten)]
        delay: &'a MeasuredDelay,
        chirps_played: usize,
        delays_ms: Vec<f64>,
        kept_in: Option<PathBuf>,
    }

    /// Runs the command.
    ///
    /// # Errors
    /// A device that cannot be opened or is lost, or too few chirps that come back.
    pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
        let mut input = Input::open(&args.card.input(args.channel))?;
        let mut player = Output::open(&args.card.output(input.line().rate))?;
        output::tell_lines(&format!(
            "Chirps will sound on {} and are listened for on {}.\n\
             Connect the two by a cable, or hold the microphone before the loudspeaker.\n\
             Begin with the volume low, and keep headphones off your ears.",
            player.line().name,
            input.line().name,
        ));
        let delays_ms = measure(&mut input, &mut player, usize::from(args.chirps))?;
        let played = usize::from(args.chirps);
        let (delay_ms, spread_ms) = delay::middle_and_spread(&delays_ms)
            .filter(|_| 2 * delays_ms.len() >= played)
            .ok_or_else(|| AudioError::NotHeard {
                device: input.line().id.clone(),
                heard: delays_ms.len(),
                played,
            })?;
        let delay = MeasuredDelay {
            input: input.line().id.clone(),
            output: player.line().id.clone(),
            rate_hz: input.line().rate.get(),
            input_buffer_samples: input.line().buffer.0,
            output_buffer_samples: player.line().buffer.0,
            delay_ms,
            spread_ms,
            chirps_heard: delays_ms.len(),
        };
        let kept_in = match calibration::keep(delay.clone()) {
            Ok(path) => Some(path),
            Err(error) => {
                let why = told_by_system(error);
                output::tell(&format!("The delay is measured but not kept: {why}"));
                None
            }
        };
        let document =
            Document { schema: SCHEMA, delay: &delay, chirps_played: played, delays_ms, kept_in };
        match common.json {
            true => output::print(|out| json::document(out, &document)),
            false => output::print_text(|out, _| text(out, &document)),
        }?;
        Ok(Outcome::Done)
    }

    /// Plays chirps and gives the delay of each that was heard, in milliseconds.
    fn measure(
        input: &mut Input,
        player: &mut Output,
        chirps: usize,
    ) -> Result<Vec<f64>, AudioError> {
        let rate = input.line().rate;
        let chirps = delay::chirps(chirps, rate);
        let (mut heard, mut asked_at) = (Vec::new(), Vec::new());
        let mut clip = None;
        let mut ends_at = u64::MAX;
        while input.position().0 < ends_at {
            let status = input.pump(|chunk| match chunk {
                Chunk::Samples(samples) => heard.extend_from_slice(samples),
                Chunk::Gap(lost) => heard.resize(heard.len() + lost.0 as usize, 0.0),
            });
            let lost = match (status, player.poll()) {
                (Status::Lost, _) => input.loss(),
                (_, Status::Lost) => player.loss(),
                _ => None,
            };
            if let Some(error) = lost {
                return Err(error);
            }
            if clip.is_none() && !heard.is_empty() {
                clip = player.play(chirps.samples.clone());
            }
            // Each chirp is asked about while it plays: the clocks of two cards drift apart.
            if let (Some(clip), Some(&start)) = (clip, chirps.starts.get(asked_at.len()))
                && let Some(at) = player.heard_at(clip, start, input)
                && at <= input.position().0 as f64
            {
                asked_at.push(at);
            }
            if clip.is_some() && ends_at == u64::MAX && !player.plays() {
                ends_at = input.position().0 + rate.samples_in(AFTERWARDS_S).0;
            }
            pause();
        }
        let ms = 1000.0 / f64::from(rate.get());
        Ok(chirps.delays(&heard, &asked_at).into_iter().map(|samples| samples * ms).collect())
    }

    fn text(out: &mut impl Write, document: &Document<'_>) -> io::Result<()> {
        let Document { delay, chirps_played, kept_in, .. } = document;
        writeln!(
            out,
            "Round trip {:.1} ms, no chirp farther than {:.1} ms from it ({} of {chirps_played} heard)",
            delay.delay_ms, delay.spread_ms, delay.chirps_heard
        )?;
        writeln!(out, "  from    {}", delay.output)?;
        writeln!(out, "  to      {}", delay.input)?;
        writeln!(out, "  at      {} samples a second", delay.rate_hz)?;
        if let Some(path) = kept_in {
            writeln!(out, "  kept in {}", escaped(&path.display().to_string()))?;
        }
        Ok(())
    }
}
