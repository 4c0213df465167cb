//! A recording in, mono samples out.
//!
//! **Conventions.** [`Recording::next_chunk`] gives samples in order; a part that cannot be decoded
//! comes as [`Chunk::Gap`] of its true length where the format tells it. What was wrong is asked
//! for afterwards: [`Recording::damage`], [`Recording::clipped`], [`Recording::mix_cancels`].
//! **Limits.** Nothing is kept: memory does not grow with length (but for the index some
//! containers hold). Encoder padding that MP4 files declare in an edit list is not cut off, so AAC
//! may begin up to 50 ms late and end later, by the same amount for every note of a recording.
//! **Reference.** Formats by the crate `symphonia`, Opus by `opus-pure`.

use std::fmt;
use std::num::NonZeroU16;
use std::path::Path;

use symphonia::core::codecs::audio::AudioCodecParameters;
use symphonia::core::codecs::audio::AudioDecoder;
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::codecs::audio::well_known::CODEC_ID_OPUS;
use symphonia::core::errors::Error;
use symphonia::core::formats::FormatOptions;
use symphonia::core::formats::FormatReader;
use symphonia::core::formats::TrackType;
use symphonia::core::formats::probe::Hint;
use symphonia::core::io::MediaSource;
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;

use super::ChannelChoice;
use super::Chunk;
use super::HIGHEST_RATE;
use super::LOWEST_RATE;
use super::append_mono;
use super::error::AudioError;
use super::guard::guarded;
use super::ogg::Packets;
use super::opus::Opus;
use super::source;
use crate::units::Clipping;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// A recording this much shorter than it claims is told as damaged; codecs pad by less.
const SHORT_BY_S: f64 = 0.15;

/// The longest hole believed where the length of the whole is not known, in seconds.
const LONGEST_HOLE_S: f64 = 60.0;

/// A mix this far below its channels (power ratio, −30 dB) has cancelled them: even one sounding
/// channel of 64 leaves more.
const CANCELLED: f64 = 1e-3;

/// Channels quieter than this (mean power, −60 dB) are silent, not cancelled.
const SILENT: f64 = 1e-6;

/// What is quieter than this (mean power, −80 dB) and in which nothing was found holds no sound: no room is so
/// still that a microphone gives less.
const NO_SOUND: f64 = 1e-8;

/// A part of a recording that could not be read.
#[derive(Debug, Clone, PartialEq)]
pub struct Damage {
    /// What was wrong, first of all.
    pub cause: String,
    /// Where it began, in seconds.
    pub at_s: f64,
    /// How many places were unreadable.
    pub places: u64,
}

/// An opened recording, read from beginning to end.
pub struct Recording {
    name: String,
    packets: Packets,
    decoder: Box<dyn AudioDecoder>,
    rate: SampleRate,
    channels: usize,
    choice: ChannelChoice,
    expected: Option<SampleCount>,
    /// Whether a tick of the container's clock is one sample, so that holes can be measured.
    ticks_are_samples: bool,
    due: Option<i64>,
    interleaved: Vec<f32>,
    mono: Vec<f32>,
    cut_short: bool,
    /// What was decoded ahead: the beginning, or the block behind a hole.
    ahead: Option<Found>,
    ended: bool,
    position: SampleIndex,
    damage: Option<Damage>,
    levels: Levels,
}

/// What the decoder came to.
enum Found {
    Block,
    Hole { lost: SampleCount, then_block: bool },
    End,
}

impl Recording {
    /// Opens a recording; `-` is standard input. Decodes its first block, so that a file that
    /// opens has sound in it.
    ///
    /// # Errors
    /// Missing, a directory, unreadable, empty, not audio, no audio track, an unknown codec, a
    /// rate outside [`LOWEST_RATE`]..=[`HIGHEST_RATE`], no such channel.
    pub fn open(path: &Path, choice: ChannelChoice) -> Result<Self, AudioError> {
        let name = source::name(path);
        let source = source::open(path)?;
        let format = probed(source.media, path, &name)?;
        let no_track = || AudioError::NoAudioTrack { recording: name.clone() };
        let track = format.default_track(TrackType::Audio).ok_or_else(no_track)?;
        let parameters = track.codec_params.as_ref().and_then(|parameters| parameters.audio());
        let parameters = parameters.ok_or_else(no_track)?;
        let decoder = decoder(parameters, track.delay, &name)?;
        let claimed_rate = SampleRate::new(parameters.sample_rate.unwrap_or(1).max(1))
            .expect("a rate of at least 1");
        let expected = track.num_frames.filter(|&frames| frames > 0).map(SampleCount);
        let ticks_are_samples = track
            .time_base
            .is_some_and(|base| base.numer.get() == 1 && base.denom.get() == claimed_rate.get());
        let track = track.id;
        let packets = Packets::new(format, track, source.holes);
        let due = packets.lacks_beginning().then_some(0);
        let mut recording = Self {
            name,
            packets,
            decoder,
            rate: claimed_rate,
            channels: 0,
            choice,
            expected,
            ticks_are_samples,
            due,
            interleaved: Vec::new(),
            mono: Vec::new(),
            cut_short: source.cut_short,
            ahead: None,
            ended: false,
            position: SampleIndex(0),
            damage: None,
            levels: Levels::default(),
        };
        // The decoder knows rate and channels better than the container: believe the first block.
        recording.ahead = Some(recording.decode_beginning());
        if recording.channels == 0 {
            let recording_name = recording.name;
            return Err(match recording.damage {
                Some(Damage { cause, .. }) => {
                    AudioError::NotAudio { recording: recording_name, cause }
                }
                None => AudioError::Empty { recording: recording_name },
            });
        }
        recording.checked()
    }

    fn checked(self) -> Result<Self, AudioError> {
        let found = self.rate.get();
        if !(LOWEST_RATE..=HIGHEST_RATE).contains(&found) {
            return Err(AudioError::Rate { recording: self.name, found });
        }
        match self.choice {
            ChannelChoice::One(asked) if usize::from(asked.get()) > self.channels => {
                Err(AudioError::NoChannel {
                    recording: self.name,
                    asked: asked.get(),
                    found: self.channels,
                })
            }
            _ => Ok(self),
        }
    }

    /// The next piece, or `None` at the end. Damage is no end: what can be read is read.
    pub fn next_chunk(&mut self) -> Option<Chunk<'_>> {
        let found = self.ahead.take().unwrap_or_else(|| self.decode());
        match found {
            Found::Block => {
                self.position.0 += self.mono.len() as u64;
                Some(Chunk::Samples(&self.mono))
            }
            Found::Hole { lost, then_block } => {
                self.ahead = then_block.then_some(Found::Block);
                self.position.0 += lost.0;
                Some(Chunk::Gap(lost))
            }
            Found::End => {
                self.compare_length();
                None
            }
        }
    }

    /// How it is called in messages: the path, or «standard input».
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Samples a second.
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// How many channels were recorded.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// The length the file claims, if it does; for progress, not for truth.
    pub fn expected_length(&self) -> Option<SampleCount> {
        self.expected
    }

    /// How much was handed over so far, holes included; at the end, the length.
    pub fn position(&self) -> SampleIndex {
        self.position
    }

    /// What could not be read so far.
    pub fn damage(&self) -> Option<&Damage> {
        self.damage.as_ref()
    }

    /// How many samples so far were cut off at the top of the scale, in the channel that has most.
    pub fn clipped(&self) -> SampleCount {
        let clipped = self.levels.of(self.choice).iter().map(|channel| channel.clipping.count());
        clipped.max().unwrap_or_default()
    }

    /// True if next to nothing sounds in what is listened to.
    pub fn is_silent(&self) -> bool {
        self.levels.is_below(SILENT, self.choice)
    }

    /// True if nothing at all sounds in it, as of a microphone that was switched off.
    pub fn holds_no_sound(&self) -> bool {
        self.levels.is_below(NO_SOUND, self.choice)
    }

    /// The loudest channel, counted from 1, if it sounds and the one listened to does not.
    pub fn sounds_elsewhere(&self) -> Option<NonZeroU16> {
        let channels = (1..=self.channels as u16).filter_map(NonZeroU16::new);
        let power = |channel: &NonZeroU16| self.levels.power(ChannelChoice::One(*channel));
        let loudest = channels.max_by(|one, other| power(one).total_cmp(&power(other)))?;
        let sounds = !self.levels.is_below(SILENT, ChannelChoice::One(loudest));
        (sounds && self.is_silent()).then_some(loudest)
    }

    /// True if the channels sound but their mix all but does not: they are in opposite phase, and
    /// one of them should be chosen.
    pub fn mix_cancels(&self) -> bool {
        self.choice == ChannelChoice::Mix && self.levels.mix_cancels()
    }

    /// Decodes up to the first block that is whole; what is unreadable before it is one hole.
    fn decode_beginning(&mut self) -> Found {
        let mut before = 0;
        loop {
            match self.decode() {
                Found::Hole { lost, .. } => before += lost.0,
                Found::Block if before == 0 => return Found::Block,
                Found::End => return Found::End,
                Found::Block => {}
            }
            if self.channels > 0 {
                return Found::Hole { lost: SampleCount(before), then_block: true };
            }
        }
    }

    /// Decodes up to the next block that is whole, and mixes it into `mono`.
    fn decode(&mut self) -> Found {
        while !self.ended {
            let next = guarded(|| self.packets.next()).unwrap_or(Err(TRIPPED));
            let packet = match next {
                Ok(Some(packet)) => packet,
                Ok(None) => break,
                Err(Error::IoError(error)) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
                    break;
                }
                Err(error) => {
                    self.tell_damage(plain_cause(&error));
                    break;
                }
            };
            let due = self.due;
            let skipped = self.skipped_before(packet.pts.get(), packet.block_dur().get());
            let interleaved = &mut self.interleaved;
            let decoded = guarded(|| {
                let audio = self.decoder.decode(&packet)?;
                audio.copy_to_vec_interleaved(interleaved);
                Ok((audio.spec().rate(), audio.num_planes(), audio.frames()))
            });
            let problem = match decoded {
                Some(Ok((_, _, 0))) => {
                    // What is missing before it is missing before the next one.
                    if skipped.0 > 0 {
                        self.due = due;
                    }
                    continue;
                }
                Some(Ok((rate, channels, _))) => self.take_block(rate, channels),
                Some(Err(error)) => Some(plain_cause(&error)),
                None => {
                    self.ended = true;
                    Some(plain_cause(&TRIPPED))
                }
            };
            if skipped.0 > 0 {
                self.tell_damage("a part is missing".to_owned());
            }
            match problem {
                None if skipped.0 > 0 => return Found::Hole { lost: skipped, then_block: true },
                None => return Found::Block,
                Some(cause) => self.tell_damage(cause),
            }
            let unread = if self.ticks_are_samples && !self.ended { packet.dur.get() } else { 0 };
            let lost = SampleCount(skipped.0 + unread);
            if lost.0 > 0 {
                return Found::Hole { lost, then_block: false };
            }
        }
        self.ended = true;
        Found::End
    }

    /// Takes the decoded block in, or says why the recording ends here.
    fn take_block(&mut self, rate: u32, channels: usize) -> Option<String> {
        if self.channels == 0 {
            self.channels = channels;
            self.rate = SampleRate::new(rate).unwrap_or(self.rate);
        }
        if rate != self.rate.get() || channels != self.channels {
            self.ended = true;
            return Some(format!(
                "it changes to {rate} samples a second and {channels} channels in the middle"
            ));
        }
        self.mono.clear();
        append_mono(&self.interleaved, channels, self.choice, &mut self.mono);
        self.levels.add(&self.interleaved, channels);
        None
    }

    /// How much is missing before a packet that begins at `begins`, both in ticks of the container.
    fn skipped_before(&mut self, begins: i64, lasts: u64) -> SampleCount {
        let due = self.due.replace(begins.saturating_add_unsigned(lasts));
        let Some(due) = due.filter(|&due| self.ticks_are_samples && begins > due) else {
            return SampleCount(0);
        };
        let skipped = begins.abs_diff(due);
        let limit = match self.expected {
            Some(all) => all.0.saturating_sub(self.position.0),
            None => self.rate.samples_in(LONGEST_HOLE_S).0,
        };
        SampleCount(if skipped <= limit { skipped } else { 0 })
    }

    fn tell_damage(&mut self, cause: String) {
        let at_s = self.position.seconds(self.rate);
        self.damage.get_or_insert(Damage { cause, at_s, places: 0 }).places += 1;
    }

    fn compare_length(&mut self) {
        if self.damage.is_some() {
            return;
        }
        if self.cut_short {
            return self.tell_damage("the end is missing".to_owned());
        }
        let Some(expected) = self.expected else { return };
        let (is, claims) = (self.position.seconds(self.rate), expected.seconds(self.rate));
        if claims - is > SHORT_BY_S {
            self.tell_damage(format!("it ends after {is:.1} s of {claims:.1} s"));
        }
    }
}

impl fmt::Debug for Recording {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Recording")
            .field("name", &self.name)
            .field("rate", &self.rate)
            .field("channels", &self.channels)
            .field("position", &self.position)
            .finish_non_exhaustive()
    }
}

/// Stands for a panic of a decoder.
const TRIPPED: Error = Error::DecodeError("contradicts itself");

/// What container `media` is, by its name and first bytes.
fn probed(
    media: Box<dyn MediaSource>,
    path: &Path,
    name: &str,
) -> Result<Box<dyn FormatReader>, AudioError> {
    let stream = MediaSourceStream::new(media, Default::default());
    let mut hint = Hint::new();
    if let Some(extension) = path.extension().and_then(|extension| extension.to_str()) {
        hint.with_extension(extension);
    }
    let probe = symphonia::default::get_probe();
    let format = guarded(|| {
        probe.probe(&hint, stream, FormatOptions::default(), MetadataOptions::default())
    });
    format.unwrap_or(Err(TRIPPED)).map_err(|error| match error {
        Error::Unsupported(what) if what.contains("missing moov") => {
            AudioError::Unfinished { recording: name.to_owned() }
        }
        error => AudioError::NotAudio { recording: name.to_owned(), cause: plain_cause(&error) },
    })
}

/// The decoder of a track; the encoder began it `delay` samples early.
fn decoder(
    parameters: &AudioCodecParameters,
    delay: Option<u32>,
    name: &str,
) -> Result<Box<dyn AudioDecoder>, AudioError> {
    let decoder = guarded(|| match parameters.codec {
        CODEC_ID_OPUS => Ok(Box::new(Opus::new(parameters, delay)?) as Box<dyn AudioDecoder>),
        _ => symphonia::default::get_codecs()
            .make_audio_decoder(parameters, &AudioDecoderOptions::default()),
    });
    decoder.unwrap_or(Err(TRIPPED)).map_err(|error| AudioError::UnknownCodec {
        recording: name.to_owned(),
        cause: plain_cause(&error),
    })
}

/// The decoder's words without its own labels.
fn plain_cause(error: &Error) -> String {
    match error {
        Error::IoError(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            "it ends too early".to_owned()
        }
        Error::IoError(error) => error.to_string(),
        Error::Unsupported(what) if what.contains("no suitable format reader") => {
            "of no known kind".to_owned()
        }
        Error::Unsupported(what) => format!("not supported: {what}"),
        Error::ResetRequired => "another recording follows in the same file".to_owned(),
        other => other.to_string(),
    }
}

/// Running measures over all channels.
#[derive(Default)]
struct Levels {
    channels: Vec<ChannelLevel>,
    mix_power: f64,
    frames: u64,
}

#[derive(Clone, Default)]
struct ChannelLevel {
    clipping: Clipping,
    power: f64,
}

impl Levels {
    fn add(&mut self, interleaved: &[f32], channels: usize) {
        self.channels.resize(channels, ChannelLevel::default());
        let share = 1.0 / channels.max(1) as f64;
        for frame in interleaved.chunks_exact(channels.max(1)) {
            let mut sum = 0.0;
            for (&sample, channel) in frame.iter().zip(&mut self.channels) {
                channel.clipping.add(sample);
                channel.power += f64::from(sample) * f64::from(sample);
                sum += f64::from(sample);
            }
            self.mix_power += (sum * share) * (sum * share);
            self.frames += 1;
        }
    }

    /// The channels that are listened to.
    fn of(&self, choice: ChannelChoice) -> &[ChannelLevel] {
        match choice {
            ChannelChoice::Mix => &self.channels,
            ChannelChoice::One(number) => {
                let index = usize::from(number.get()) - 1;
                self.channels.get(index..=index).unwrap_or_default()
            }
        }
    }

    /// Their mean power, summed over all frames.
    fn power(&self, choice: ChannelChoice) -> f64 {
        let channels = self.of(choice);
        channels.iter().map(|channel| channel.power).sum::<f64>() / channels.len().max(1) as f64
    }

    fn is_below(&self, power: f64, choice: ChannelChoice) -> bool {
        self.power(choice) <= power * self.frames as f64
    }

    fn mix_cancels(&self) -> bool {
        let mix = ChannelChoice::Mix;
        !self.is_below(SILENT, mix) && self.mix_power < CANCELLED * self.power(mix)
    }
}
