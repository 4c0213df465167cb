//! What an engine tells: strikes, the notes in them, holes in the stream.

use super::unasked;
use crate::pitch::tone::Stiffness;
use crate::pitch::tone::Tone;
use crate::units::Decibels;
use crate::units::Hertz;
use crate::units::SampleCount;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// How much of a strike had been heard when it was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// The first guess, from some 60 ms.
    Early,
    /// Enough for a verdict in most cases.
    Settled,
    /// All of it, up to the next strike or until it faded.
    Whole,
}

/// One note as heard, blind to what was expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeardPitch {
    /// The first partial.
    pub frequency: Hertz,
    /// One standard error of `frequency`, in cents; `None` where it could not be measured.
    pub error_cents: Option<f64>,
    /// How stiff its string is; `None` where it could not be measured.
    pub stiffness: Option<Stiffness>,
    /// Level of the note over all its partials; of a faint one, or one in the shadow of others, that of
    /// what is loudest near its first.
    pub level: Decibels,
    /// Natural logarithm of the odds that it was struck now, against having rung on.
    pub struck_odds: f64,
    /// How likely it sounds, were it asked for in half of the cases: 0.5 is a guess.
    pub confidence: f64,
    /// Whether it counts for itself where nobody asked for it: what hides in the shadow of others does not, nor what
    /// dies away as the air in a guitar's body does.
    pub likely: bool,
    /// Whether it sounded already at the end of the strike before.
    pub rang: bool,
    /// Whether it came with this strike and rang on at the next, or was gone by then; `None` where no
    /// next strike tells.
    pub lasting: Option<bool>,
    /// What its string sounded at first, where that seems to have been another note.
    pub grace: Option<Grace>,
    /// The two strings that seem to sound it, 8 to 60 cents apart, the lower first: what counts where a step asks
    /// for both. A lone string looks like two in one case of 500, and in one of 15 where it has a vibrato.
    pub unison: Option<[Unison; 2]>,
}

/// One of two strings on one note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unison {
    /// The first partial.
    pub frequency: Hertz,
    /// One standard error of `frequency`, in cents.
    pub error_cents: f64,
}

/// A grace note: what a string sounded in the first moments of a strike, before it moved on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grace {
    /// The first partial, to half a semitone; `None` where it was not heard clearly.
    pub frequency: Option<Hertz>,
    /// When the string had moved on.
    pub until: SampleIndex,
}

impl HeardPitch {
    /// A tone of ordinary stiffness at its pitch.
    pub fn tone(&self) -> Tone {
        Tone::at(self.frequency.get())
    }

    /// Whether it is likelier that it was struck than that it rings on.
    pub fn is_struck(&self) -> bool {
        self.struck_odds > 0.0
    }

    /// A note nobody doubts, at this MIDI number.
    #[cfg(test)]
    pub(crate) fn sure(midi: f64) -> Self {
        Self {
            frequency: Hertz::new(440.0 * ((midi - 69.0) / 12.0).exp2()).expect("positive"),
            error_cents: Some(0.1),
            stiffness: None,
            level: Decibels(-20.0),
            struck_odds: 10.0,
            confidence: 1.0,
            likely: true,
            rang: false,
            lasting: None,
            grace: None,
            unison: None,
        }
    }

    /// One that is hardly heard, with these log odds of having been struck.
    #[cfg(test)]
    pub(crate) fn faint(midi: f64, struck_odds: f64) -> Self {
        let error_cents = Some(4.0);
        Self { error_cents, struck_odds, confidence: 0.2, likely: false, ..Self::sure(midi) }
    }
}

/// A strike and what sounds after it.
#[derive(Debug, Clone)]
pub struct Strike {
    /// When it was struck.
    pub onset: SampleIndex,
    /// Where listening to it ended: the next strike, or where it faded.
    pub end: SampleIndex,
    /// How much had been heard.
    pub stage: Stage,
    /// The blind estimate, rising in frequency; at most six notes and what is clearly in their
    /// shadow, an octave or a twelfth above.
    pub notes: Vec<HeardPitch>,
    /// Notes that may sound in the shadow of others, or be but their partials, and in a [`super::Take`]
    /// those that only the next strike betrays: they count where they were asked for, and elsewhere where
    /// [`Strike::likely_struck`] says so.
    pub doubtful: Vec<HeardPitch>,
    /// Notes less likely there than not, but not by much, below an octave of theirs or on partials of a
    /// string that rings on, and less likely ones that came with the strike while others rang on. They too
    /// count where they were asked for, for most of these are played. What surely came with the strike, and
    /// only that, has odds of having been struck above 0.
    pub faint: Vec<HeardPitch>,
    /// Notes that sound at the end or in between and did not at the beginning, without a strike of their own: where a
    /// slide or a bend led ([`Stage::Whole`] only; see [`Event::Led`]). What is faint is not `likely`, and counts
    /// where the step leads there.
    pub later: Vec<LaterNote>,
    /// Notes of these that may be but what an overdriven amplifier makes of two strings; at most one.
    pub combined: Vec<Combined>,
}

impl Strike {
    /// What was more likely struck than not where nobody asked for anything, each with whether that is sure; `rate`
    /// is that of the samples.
    pub fn likely_struck(&self, rate: SampleRate) -> impl Iterator<Item = (&HeardPitch, bool)> {
        let candidates = unasked::candidates(self, rate).into_iter();
        candidates.filter_map(|candidate| {
            let log_odds = candidate.log_odds();
            (log_odds > 0.0).then_some((candidate.note, log_odds > unasked::SURE))
        })
    }

    /// Whether anything came with it, be it faint.
    pub fn any_struck(&self) -> bool {
        self.every_note().any(HeardPitch::is_struck)
    }

    /// All that sounds, the faint too.
    pub fn every_note(&self) -> impl Iterator<Item = &HeardPitch> {
        self.notes.iter().chain(&self.doubtful).chain(&self.faint)
    }

    /// Whether the pitch of any note that was struck is told to within `cents` (one standard error, which
    /// holds how far the pitch moved): a string's is, a voice's seldom.
    pub fn holds_still(&self, cents: f64) -> bool {
        let mut struck = self.notes.iter().filter(|note| note.is_struck());
        struck.any(|note| note.error_cents.is_some_and(|error| error < cents))
    }
}

/// A note that may be but the combination of two strings, at sums and differences of whose frequencies its
/// partials lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// The first partial of the note.
    pub note: Hertz,
    /// The two strings, the lower first, each as likely as that the note is their combination.
    pub strings: [HeardPitch; 2],
}

/// A note reached without a strike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LaterNote {
    /// What it is.
    pub pitch: HeardPitch,
    /// When it was reached.
    pub start: SampleIndex,
}

/// What an engine tells.
#[derive(Debug)]
pub enum Event<'a> {
    /// A strike, told up to three times with a growing [`Stage`] and the same `onset`. One that was cut off
    /// before any of its notes was sure is told anew, after its end, with what cut it off, if most of that began there.
    Strike(&'a Strike),
    /// Something may have been struck, told once: no note of it is as likely as not, or all rang before, it was cut off
    /// before one was sure, or it hardly rose and what began there is not sure. In a recording another strike may go on
    /// meanwhile. It counts only where a step was due.
    Unclear(&'a Strike),
    /// The strike that was told last led somewhere after it was told as a whole: its `later` tells where, all else is
    /// as before.
    Led(&'a Strike),
    /// A strike that was told has faded, or was cut off by the next.
    Ended {
        /// Onset of that strike.
        onset: SampleIndex,
        /// When it ended.
        end: SampleIndex,
    },
    /// Samples that never arrived, or were not numbers. What comes in pieces is told in pieces.
    Gap {
        /// Where the hole begins.
        at: SampleIndex,
        /// How long it is.
        lost: SampleCount,
    },
}
