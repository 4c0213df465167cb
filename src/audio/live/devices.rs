//! Which inputs and outputs there are, and which of them is meant.
//!
//! **Conventions.** An id is the sound system's name, a colon, and the device's own id. Devices
//! that cannot carry sound (null devices, conversion plug-ins, a server's dummy) are left out.
//! **Limits.** ALSA's plug-ins are known by name only.
//!
//! **Who loses samples.** Measured with noise of which every sample is known (PulseAudio 16, cpal 0.18.2,
//! two busy loops on two cores): through ALSA none, with any buffer. Straight from the server bursts are
//! lost with short buffers. That is not our ring, which holds four seconds and counts what does not fit,
//! but the library's request: cpal's PulseAudio host asks for a `max_length` of one fragment, so that the
//! server throws away what comes while one fragment waits, and tells nobody. `BufferSize::Default` is no
//! way out (two seconds at a time). So ALSA is taken first, the direct way is asked for 4096 samples, and
//! whoever asks for fewer there is told.

use cpal::SampleFormat;
use cpal::StreamConfig;
use cpal::SupportedBufferSize;
use cpal::SupportedStreamConfigRange;
use cpal::traits::DeviceTrait;
use cpal::traits::HostTrait;

use super::Choice;
use super::Line;
use super::hush::Hush;
use super::stream;
use crate::audio::AudioError;
use crate::audio::ChannelChoice;
use crate::audio::HIGHEST_RATE;
use crate::audio::LOWEST_RATE;
use crate::units::SampleRate;

/// What is asked of an input if nobody chooses: some 10 ms at the usual rates.
const INPUT_BUFFER: u32 = 512;

/// What is asked of an input of a sound server spoken to directly: cpal's host lets PulseAudio keep
/// this much and no more (`max_length` is the fragment), and what comes while the server itself is
/// late is lost there. Beside two busy loops 512 lost a sample in 230 and 2048 once a hundred, 4096
/// none in 36 s.
const SERVER_INPUT_BUFFER: u32 = 4096;

/// What is asked of an output: its delay is known and harms nothing, a gap in it would. With 512 and
/// a busy computer, a sound server played a second in nine with gaps; with 1024, none.
const OUTPUT_BUFFER: u32 = 2048;

/// The rates worth listing, in samples a second.
const USUAL_RATES: [u32; 11] =
    [8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000];

/// ALSA definitions that are no devices: they convert, route to nowhere, or are one aspect of a
/// card that is listed as a whole (alsa-lib's `alsa.conf`).
const NOT_DEVICES: [&str; 26] = [
    "null",
    "lavrate",
    "samplerate",
    "speexrate",
    "speex",
    "upmix",
    "vdownmix",
    "jack",
    "oss",
    "dmix",
    "dsnoop",
    "dshare",
    "front",
    "rear",
    "side",
    "center_lfe",
    "surround21",
    "surround40",
    "surround41",
    "surround50",
    "surround51",
    "surround71",
    "iec958",
    "spdif",
    "usbstream",
    "modem",
];

/// Whether sound comes in or goes out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// A microphone, an instrument.
    Input,
    /// Loudspeakers, headphones.
    Output,
}

impl Direction {
    /// «input» or «output».
    pub fn word(self) -> &'static str {
        match self {
            Self::Input => "input",
            Self::Output => "output",
        }
    }
}

/// A device as listed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// What to give to `--input` or `--output`.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// In or out.
    pub direction: Direction,
    /// What it can do, or why it does not say so.
    pub abilities: Result<Abilities, Refusal>,
    /// True for the one that is taken if nobody chooses.
    pub default: bool,
}

/// What a device can do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Abilities {
    /// How many channels it has.
    pub channels: u16,
    /// Samples a second it runs at unless asked otherwise.
    pub usual_rate: u32,
    /// Usual rates it can run at, rising.
    pub rates: Vec<u32>,
}

/// Why a device that is there does not even say what it can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Another program has it.
    Busy,
    /// The system does not permit its use.
    Denied,
}

impl Refusal {
    /// In a few words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Busy => "in use by another program",
            Self::Denied => "the system does not permit its use",
        }
    }

    /// `None` for a device that cannot work at all.
    fn of(error: &cpal::Error) -> Option<Self> {
        match error.kind() {
            cpal::ErrorKind::DeviceBusy => Some(Self::Busy),
            cpal::ErrorKind::PermissionDenied => Some(Self::Denied),
            _ => None,
        }
    }
}

/// A device, and what is known of it.
pub(super) struct Found {
    pub device: cpal::Device,
    /// True for the default of its sound system.
    own_default: bool,
    pub listed: Listed,
}

/// How a device will be opened.
#[derive(Debug, Clone, Copy)]
pub(super) struct Plan {
    pub config: StreamConfig,
    pub format: SampleFormat,
}

/// All devices that can work, inputs first; of each direction, the one first that is taken if nobody
/// chooses.
pub fn list() -> Vec<Listed> {
    let _hush = Hush::new();
    [Direction::Input, Direction::Output]
        .into_iter()
        .flat_map(all)
        .map(|found| found.listed)
        .collect()
}

/// The devices that `wanted` can mean, best first. More than one only if nothing was asked for.
fn find(direction: Direction, choice: &Choice) -> Result<Vec<Found>, AudioError> {
    let mut found = all(direction);
    let known = |found: &[Found]| found.iter().map(|found| found.listed.id.clone()).collect();
    let missing = |found: &[Found]| AudioError::NoDevice {
        direction: direction.word(),
        asked: choice.device.clone(),
        known: known(found),
    };
    let Some(asked) = &choice.device else {
        found.retain(|found| found.own_default);
        return if found.is_empty() { Err(missing(&found)) } else { Ok(found) };
    };
    let lower = asked.to_lowercase();
    let tests: [&dyn Fn(&Found) -> bool; 4] = [
        &|Found { listed, .. }| listed.id == *asked,
        &|Found { listed, .. }| listed.name == *asked,
        &|found| found.own_default && system(&found.listed.id) == lower,
        &|Found { listed, .. }| {
            listed.id.to_lowercase().contains(&lower) || listed.name.to_lowercase().contains(&lower)
        },
    ];
    for test in tests {
        let n = found.iter().filter(|found| test(found)).count();
        if n > 0 {
            found.retain(|found| test(found));
            return match n {
                1 => Ok(found),
                _ => Err(AudioError::ManyDevices {
                    direction: direction.word(),
                    asked: asked.clone(),
                    known: known(&found),
                }),
            };
        }
    }
    Err(missing(&found))
}

/// Opens the first of the devices that `choice` can mean that lets itself be opened.
pub(super) fn open<T>(
    direction: Direction,
    choice: &Choice,
    mut open: impl FnMut(&Found, Plan) -> Result<T, AudioError>,
) -> Result<T, AudioError> {
    let _hush = Hush::new();
    let mut refused = None;
    for found in find(direction, choice)? {
        match plan(&found, direction, choice).and_then(|plan| open(&found, plan)) {
            Ok(opened) => return Ok(opened),
            Err(error) => refused = refused.or(Some(error)),
        }
    }
    Err(refused.expect("find gives at least one device"))
}

/// The first part of an id.
fn system(id: &str) -> &str {
    id.split(':').next().unwrap_or(id)
}

/// Sound servers spoken to directly convert to any rate and number of channels.
fn is_server(system: &str) -> bool {
    matches!(system, "pulseaudio" | "pipewire")
}

/// Whether a busy sound server may lose samples of an input that runs like this.
pub fn may_lose(input: &Line) -> bool {
    is_server(system(&input.id)) && input.buffer.0 < u64::from(SERVER_INPUT_BUFFER)
}

/// Every device of a direction; each sound system's default before its others.
///
/// ALSA comes before the servers themselves. On a desktop it leads to the server as well, through a
/// plug-in that keeps a second of samples where the direct way keeps one buffer (see
/// [`SERVER_INPUT_BUFFER`]), and its round trip stays within 0.1 ms where the direct way slips by
/// tens under load (measured with PulseAudio 16 and cpal 0.18.2).
fn all(direction: Direction) -> Vec<Found> {
    let mut defaults = Vec::new();
    let mut others = Vec::new();
    let mut hosts = cpal::available_hosts();
    hosts.sort_by_key(|id| is_server(&id.name().to_lowercase()));
    for id in hosts {
        let Ok(host) = cpal::host_from_id(id) else { continue };
        let default = match direction {
            Direction::Input => host.default_input_device(),
            Direction::Output => host.default_output_device(),
        };
        let default_id = default.as_ref().and_then(|device| device.id().ok());
        let devices = host.devices().map(|devices| devices.collect()).unwrap_or_default();
        let mut seen: Vec<String> = Vec::new();
        for device in default.into_iter().chain::<Vec<_>>(devices) {
            let Some(listed) = describe(&device, direction) else { continue };
            if seen.contains(&listed.id) {
                continue;
            }
            seen.push(listed.id.clone());
            let own_default = device.id().ok() == default_id;
            let kind = if own_default { &mut defaults } else { &mut others };
            kind.push(Found { device, own_default, listed });
        }
    }
    if let Some(first) = defaults.iter_mut().find(|found| found.listed.abilities.is_ok()) {
        first.listed.default = true;
    }
    defaults.append(&mut others);
    defaults
}

/// `None` for what cannot work.
fn describe(device: &cpal::Device, direction: Direction) -> Option<Listed> {
    let id = device.id().ok()?;
    let own = id.id();
    let system = id.host().name().to_lowercase();
    let family = own.split(':').next().unwrap_or(own);
    let plug_in = system == "alsa" && !matches!(family, "hw" | "plughw" | "sysdefault");
    let hardware = !plug_in && !is_server(&system);
    let dummy = own.trim_end_matches(".monitor") == "auto_null";
    if dummy || (system == "alsa" && NOT_DEVICES.contains(&family)) {
        return None;
    }
    let abilities = match usual(device, direction) {
        Ok(usual) => Ok(abilities(&usual, &ranges(device, direction), hardware)),
        // Of plug-ins that refuse, only the default is worth a message.
        Err(error) => Err(Refusal::of(&error).filter(|_| hardware || family == "default")?),
    };
    let description = device.description().ok();
    Some(Listed {
        id: format!("{system}:{own}"),
        name: description.map_or_else(|| own.to_owned(), |found| one_line(found.name())),
        direction,
        abilities,
        default: false,
    })
}

fn abilities(
    usual: &cpal::SupportedStreamConfig,
    ranges: &[SupportedStreamConfigRange],
    hardware: bool,
) -> Abilities {
    let runs_at = |rate: &u32| ranges.iter().any(|range| range.contains_rate(*rate));
    // What converts to any number of channels, a server or an ALSA plug-in, is taken at its usual.
    let most = ranges.iter().map(|range| range.channels()).max().filter(|_| hardware);
    Abilities {
        channels: most.unwrap_or(usual.channels()),
        usual_rate: usual.sample_rate(),
        rates: USUAL_RATES.into_iter().filter(runs_at).collect(),
    }
}

fn one_line(name: &str) -> String {
    name.lines().collect::<Vec<_>>().join(", ")
}

fn usual(
    device: &cpal::Device,
    direction: Direction,
) -> Result<cpal::SupportedStreamConfig, cpal::Error> {
    match direction {
        Direction::Input => device.default_input_config(),
        Direction::Output => device.default_output_config(),
    }
}

fn ranges(device: &cpal::Device, direction: Direction) -> Vec<SupportedStreamConfigRange> {
    match direction {
        Direction::Input => device.supported_input_configs().map(Iterator::collect),
        Direction::Output => device.supported_output_configs().map(Iterator::collect),
    }
    .unwrap_or_default()
}

/// Settles rate, channels, format and buffer.
fn plan(found: &Found, direction: Direction, choice: &Choice) -> Result<Plan, AudioError> {
    let id = &found.listed.id;
    let usual = usual(&found.device, direction).map_err(|error| stream::refusal(&error, id))?;
    let rate = choice.rate.unwrap_or(usual.sample_rate());
    if !(LOWEST_RATE..=HIGHEST_RATE).contains(&rate) {
        return Err(AudioError::Rate { recording: id.clone(), found: rate });
    }
    let needed = match choice.channel {
        ChannelChoice::One(number) => number.get(),
        ChannelChoice::Mix => 1,
    };
    if let Ok(Abilities { channels, .. }) = &found.listed.abilities
        && needed > *channels
    {
        return Err(AudioError::NoChannel {
            recording: id.clone(),
            asked: needed,
            found: usize::from(*channels),
        });
    }
    // As many channels as usual if that is enough, else as few as possible; the widest format.
    let best = ranges(&found.device, direction)
        .into_iter()
        .filter(|range| range.contains_rate(rate) && range.channels() >= needed)
        .filter_map(|range| Some((format_rank(range.sample_format())?, range)))
        .min_by_key(|(rank, range)| {
            (range.channels() != usual.channels(), range.channels(), *rank)
        });
    let Some((_, range)) = best else {
        let usual = usual.sample_rate();
        return Err(AudioError::NotAtRate { device: id.clone(), asked: rate, usual });
    };
    let usual_buffer = match direction {
        Direction::Input if is_server(system(id)) => SERVER_INPUT_BUFFER,
        Direction::Input => INPUT_BUFFER,
        Direction::Output => OUTPUT_BUFFER,
    };
    let buffer = choice.buffer.unwrap_or(usual_buffer);
    let buffer_size = match range.buffer_size() {
        SupportedBufferSize::Range { min, max } => {
            cpal::BufferSize::Fixed(buffer.clamp(*min, (*max).max(*min)))
        }
        SupportedBufferSize::Unknown => cpal::BufferSize::Fixed(buffer),
    };
    let config = StreamConfig { channels: range.channels(), sample_rate: rate, buffer_size };
    Ok(Plan { config, format: range.sample_format() })
}

impl Plan {
    pub fn rate(&self) -> SampleRate {
        SampleRate::new(self.config.sample_rate).expect("the lowest rate is above zero")
    }

    /// Samples per channel that are expected at a time.
    pub fn buffer(&self) -> u32 {
        match self.config.buffer_size {
            cpal::BufferSize::Fixed(samples) => samples,
            cpal::BufferSize::Default => OUTPUT_BUFFER,
        }
    }
}

/// The lower, the better; `None` for what is not understood.
fn format_rank(format: SampleFormat) -> Option<u8> {
    use SampleFormat as Format;
    match format {
        Format::F32 => Some(0),
        Format::I32 => Some(1),
        Format::I24 => Some(2),
        Format::F64 => Some(3),
        Format::I16 => Some(4),
        Format::U16 => Some(5),
        Format::U8 => Some(6),
        Format::I8 => Some(7),
        _ => None,
    }
}
