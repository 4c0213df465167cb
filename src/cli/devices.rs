//! `doublecheck devices`: list audio inputs and outputs. The options that choose among them.

use super::Common;
use super::exit::Failure;
use super::exit::Outcome;
#[cfg(feature = "live")]
use super::recording::Channel;

/// List audio inputs and outputs.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Options of the commands that listen to the sound card.
#[derive(Debug, Clone, clap::Args)]
pub struct Listening {
    /// Input to listen to: an id or name from `doublecheck devices`, or a part of it
    #[arg(long, value_name = "DEVICE")]
    input: Option<String>,
    /// Samples a second [default: what the input runs at]
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(8_000..=192_000))]
    rate: Option<u32>,
    /// Samples handed over at a time: fewer are quicker, more are safer [default: 512 in, 4096 in
    /// straight from a sound server, 2048 out]
    #[arg(long, value_name = "SAMPLES", value_parser = clap::value_parser!(u32).range(16..=16_384))]
    buffer: Option<u32>,
}

impl Listening {
    /// The options that were given, none of which means anything for a recording.
    ///
    /// # Errors
    /// There are some, or `others` are.
    pub fn unused_for_recordings(&self, others: &[(&str, bool)]) -> Result<(), Failure> {
        let own = [
            ("--input", self.input.is_some()),
            ("--rate", self.rate.is_some()),
            ("--buffer", self.buffer.is_some()),
        ];
        match own.iter().chain(others).find(|(_, given)| *given) {
            None => Ok(()),
            Some((option, _)) => Err(for_live_only(option)),
        }
    }
}

/// Why an option is refused that means nothing for a recording.
pub fn for_live_only(option: &str) -> Failure {
    Failure::new(
        format!("{option} is for listening live, and a recording is given"),
        format!("leave out {option}, or the recording to listen live"),
    )
}

/// Options of the commands that play as well.
#[derive(Debug, Clone, clap::Args)]
pub struct SoundCard {
    #[command(flatten)]
    listening: Listening,
    /// Output to play on: an id or name from `doublecheck devices`, or a part of it
    #[arg(long, value_name = "DEVICE")]
    output: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// No device at all; a program built without sound card support.
#[cfg(not(feature = "live"))]
pub fn run(_args: Args, _common: &Common) -> Result<Outcome, Failure> {
    Err(no_live())
}

/// Why a program built without the feature `live` cannot use the sound card.
#[cfg(not(feature = "live"))]
pub fn no_live() -> Failure {
    Failure::new(
        "this program was built without sound card support",
        "build it with the default features, or hand over a recording instead",
    )
}

#[cfg(feature = "live")]
pub use with_sound_card::run;

#[cfg(feature = "live")]
mod with_sound_card {
    use std::io;
    use std::io::Write;

    use serde::Serialize;

    use super::Args;
    use super::Channel;
    use super::Common;
    use super::Failure;
    use super::Listening;
    use super::Outcome;
    use super::SoundCard;
    use crate::audio::AudioError;
    use crate::audio::ChannelChoice;
    use crate::audio::live::Choice;
    use crate::audio::live::devices;
    use crate::audio::live::devices::Abilities;
    use crate::audio::live::devices::Direction;
    use crate::audio::live::devices::Listed;
    use crate::cli::output;
    use crate::report::columns;
    use crate::report::json;
    use crate::report::json::SCHEMA;
    use crate::units::SampleRate;

    impl Listening {
        /// The input that is meant.
        pub fn choice(&self, channel: Channel) -> Choice {
            let (device, channel) = (self.input.clone(), channel.choice());
            Choice { device, channel, rate: self.rate, buffer: self.buffer }
        }
    }

    impl SoundCard {
        /// The input that is meant.
        pub fn input(&self, channel: Channel) -> Choice {
            self.listening.choice(channel)
        }

        /// The output that is meant, to run at `rate` as its input does.
        pub fn output(&self, rate: SampleRate) -> Choice {
            let (device, channel) = (self.output.clone(), ChannelChoice::Mix);
            Choice { device, channel, rate: Some(rate.get()), buffer: self.listening.buffer }
        }
    }

    #[derive(Serialize)]
    struct Document<'a> {
        schema: u32,
        inputs: Vec<Device<'a>>,
        outputs: Vec<Device<'a>>,
    }

    #[derive(Serialize)]
    struct Device<'a> {
        id: &'a str,
        name: &'a str,
        default: bool,
        channels: Option<u16>,
        rate_hz: Option<u32>,
        rates_hz: &'a [u32],
        /// Why the rest is not known.
        refused: Option<&'static str>,
    }

    /// Runs the command.
    ///
    /// # Errors
    /// No device at all.
    pub fn run(_args: Args, common: &Common) -> Result<Outcome, Failure> {
        let listed = devices::list();
        if listed.is_empty() {
            let direction = "input or output";
            return Err(AudioError::NoDevice { direction, asked: None, known: Vec::new() }.into());
        }
        match common.json {
            true => output::print(|out| document(out, &listed)),
            false => output::print_text(|out, _| text(out, &listed)),
        }?;
        Ok(Outcome::Done)
    }

    fn of(direction: Direction, listed: &[Listed]) -> impl Iterator<Item = &Listed> {
        listed.iter().filter(move |device| device.direction == direction)
    }

    fn document(out: &mut impl Write, listed: &[Listed]) -> io::Result<()> {
        let devices = |direction| {
            of(direction, listed)
                .map(|Listed { id, name, abilities, default, .. }| {
                    let known = abilities.as_ref().ok();
                    Device {
                        id,
                        name,
                        default: *default,
                        channels: known.map(|known| known.channels),
                        rate_hz: known.map(|known| known.usual_rate),
                        rates_hz: known.map_or(&[], |known| &known.rates),
                        refused: abilities.as_ref().err().map(|refusal| refusal.words()),
                    }
                })
                .collect()
        };
        let (inputs, outputs) = (devices(Direction::Input), devices(Direction::Output));
        json::document(out, &Document { schema: SCHEMA, inputs, outputs })
    }

    fn text(out: &mut impl Write, listed: &[Listed]) -> io::Result<()> {
        let id_width = listed.iter().map(|device| columns::width(&device.id)).max().unwrap_or(0);
        for (direction, title) in [(Direction::Input, "Inputs"), (Direction::Output, "Outputs")] {
            let mut devices = of(direction, listed).peekable();
            if direction == Direction::Output {
                writeln!(out)?;
            }
            if devices.peek().is_none() {
                writeln!(out, "{title}: none")?;
                continue;
            }
            writeln!(out, "{title:id_width$}  channels  rate (Hz)  can run at       name")?;
            for device in devices {
                let Listed { id, name, abilities, default, .. } = device;
                let id = columns::padded(id, id_width);
                let mark = if *default { ", the default" } else { "" };
                let (channels, rate, span) = match abilities {
                    Ok(Abilities { channels, usual_rate, rates }) => {
                        (channels.to_string(), usual_rate.to_string(), span(rates))
                    }
                    Err(_) => ["-"; 3].map(str::to_owned).into(),
                };
                let refused = abilities.as_ref().err().map_or("", |refusal| refusal.words());
                let colon = if refused.is_empty() { "" } else { ": " };
                writeln!(
                    out,
                    "{id}  {channels:>8}  {rate:>9}  {span:15}  {name}{mark}{colon}{refused}"
                )?;
            }
        }
        Ok(())
    }

    fn span(rates: &[u32]) -> String {
        match rates {
            [] => "no usual rate".to_owned(),
            [only] => only.to_string(),
            [first, .., last] => format!("{first} to {last}"),
        }
    }
}
