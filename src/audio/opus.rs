//! Opus packets in, samples out.
//!
//! **Conventions.** Always at 48 000 samples a second, whatever was recorded at. What an encoder put
//! before the first sample (pre-skip) is cut off here, what it put behind the last one where the
//! container tells it (Ogg does, Matroska's is not handed on), so that times are those of the
//! recording.
//! **Limits.** Mono and stereo; what phones and browsers record is no more.
//! **Reference.** J.-M. Valin et al., *Definition of the Opus Audio Codec*, RFC 6716 and RFC 8251, by
//! the crate `opus-pure`; T. Terriberry et al., *Ogg Encapsulation for the Opus Audio Codec*, RFC
//! 7845, sections 4.2 to 5.1; Xiph.Org, *Encapsulation of Opus in ISO Base Media File Format*,
//! section 4.3.2.

use opus_pure::MAX_PACKET_SAMPLES;
use opus_pure::OpusDecoder;
use symphonia::core::audio::AsGenericAudioBufferRef;
use symphonia::core::audio::AudioBuffer;
use symphonia::core::audio::AudioMut;
use symphonia::core::audio::AudioSpec;
use symphonia::core::audio::GenericAudioBufferRef;
use symphonia::core::audio::layouts;
use symphonia::core::codecs::CodecInfo;
use symphonia::core::codecs::audio::AudioCodecParameters;
use symphonia::core::codecs::audio::AudioDecoder;
use symphonia::core::codecs::audio::FinalizeResult;
use symphonia::core::errors::Error;
use symphonia::core::errors::Result;
use symphonia::core::packet::PacketRef;

/// The rate at which Opus counts.
const RATE: u32 = 48_000;

/// How the codec introduces itself.
const INFO: CodecInfo = CodecInfo { short_name: "opus", long_name: "Opus", profiles: &[] };

/// What the identification header tells (RFC 7845, section 5.1).
struct Head {
    channels: usize,
    pre_skip: usize,
    gain_q8: i32,
}

impl Head {
    /// MP4 files write the same fields with the most significant byte first and call themselves
    /// version 0.
    fn read(header: &[u8]) -> Option<Self> {
        let number = |at: usize| {
            let bytes = [*header.get(at)?, *header.get(at + 1)?];
            let mp4 = *header.get(8)? == 0;
            Some(if mp4 { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) })
        };
        // Family 0 is one stream; the others are several.
        (*header.get(18)? == 0).then_some(Self {
            channels: usize::from(*header.get(9)?),
            pre_skip: usize::from(number(10)?),
            gain_q8: i32::from(number(16)?.cast_signed()),
        })
    }
}

/// A decoder as `symphonia` wants one.
pub struct Opus {
    parameters: AudioCodecParameters,
    decoder: OpusDecoder,
    interleaved: Vec<f32>,
    samples: AudioBuffer<f32>,
    /// How much of the pre-skip is still to come: it may be longer than a packet.
    to_skip: usize,
}

impl Opus {
    /// `delay` is the pre-skip where only the container tells it, as CAF does.
    ///
    /// # Errors
    /// More than two channels.
    pub fn new(parameters: &AudioCodecParameters, delay: Option<u32>) -> Result<Self> {
        let head = match &parameters.extra_data {
            Some(header) => Head::read(header),
            None => parameters.channels.as_ref().map(|channels| Head {
                channels: channels.count(),
                pre_skip: delay.unwrap_or(0) as usize,
                gain_q8: 0,
            }),
        };
        let unsupported = || Error::Unsupported("Opus other than mono and stereo");
        let head = head.ok_or_else(unsupported)?;
        let channels = head.channels;
        let layout = match channels {
            1 => layouts::CHANNEL_LAYOUT_MONO,
            2 => layouts::CHANNEL_LAYOUT_STEREO,
            _ => return Err(unsupported()),
        };
        let mut decoder = OpusDecoder::new(RATE as i32, channels).map_err(|_| unsupported())?;
        decoder.gain_q8 = head.gain_q8;
        Ok(Self {
            parameters: parameters.clone(),
            decoder,
            interleaved: vec![0.0; MAX_PACKET_SAMPLES * channels],
            samples: AudioBuffer::new(AudioSpec::new(RATE, layout), MAX_PACKET_SAMPLES),
            to_skip: head.pre_skip,
        })
    }
}

impl AudioDecoder for Opus {
    fn reset(&mut self) {
        // Cannot fail on a decoder that was made.
        let _ = self.decoder.reset_state();
    }

    fn codec_info(&self) -> &CodecInfo {
        &INFO
    }

    fn codec_params(&self) -> &AudioCodecParameters {
        &self.parameters
    }

    fn decode_ref(&mut self, packet: &PacketRef<'_>) -> Result<GenericAudioBufferRef<'_>> {
        self.samples.clear();
        // To the decoder, nothing stands for a lost packet, of which it would invent a likeness.
        if packet.data.is_empty() {
            return Err(Error::DecodeError("an empty packet"));
        }
        let frames = self
            .decoder
            .decode(packet.data, MAX_PACKET_SAMPLES, &mut self.interleaved)
            .map_err(|_| Error::DecodeError("a damaged packet"))?;
        self.samples.render_uninit(Some(frames));
        let channels = self.decoder.channels();
        self.samples.copy_from_slice_interleaved(&&self.interleaved[..frames * channels]);
        let skipped = self.to_skip.min(frames);
        self.to_skip -= skipped;
        self.samples.trim(skipped, packet.trim_end.get() as usize);
        Ok(self.samples.as_generic_audio_buffer_ref())
    }

    fn finalize(&mut self) -> FinalizeResult {
        FinalizeResult::default()
    }

    fn last_decoded(&self) -> GenericAudioBufferRef<'_> {
        self.samples.as_generic_audio_buffer_ref()
    }
}
