//! The judgement of a take: plain data, filled in by the judge and read by the reports.
//!
//! **Conventions.** Times are seconds since the recording began. Cents are measured against the
//! equal-tempered pitch of the expected note (of the nearest note where none is expected), after
//! the offset of the guitar as a whole, if one was told, has been taken off.

use std::num::NonZeroU16;

use crate::lick::expected::ExpectedNote;
use crate::pitch::tone::Stiffness;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::note::MidiNote;
use crate::units::Cents;
use crate::units::Hertz;

/// How a step went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// Every expected note sounded and nothing else was struck.
    Right,
    /// Something was struck that does not belong, or in place of what belongs.
    Wrong,
    /// Nothing wrong, something missing.
    Incomplete,
    /// No strike was found for this step.
    NotPlayed,
    /// The recording does not decide.
    Unsure,
}

/// What a heard note is to the step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// An expected note.
    Right,
    /// Struck in place of an expected note.
    Wrong {
        /// The note that belongs there.
        instead_of: ExpectedNote,
    },
    /// Struck, belongs to nothing.
    Extra,
    /// Left over from before, not struck now; never held against the player.
    Ringing,
}

/// A measured pitch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pitch {
    /// The note it was taken for.
    pub note: MidiNote,
    /// The first partial.
    pub frequency: Hertz,
    /// How far above `note` (negative: below).
    pub cents: Cents,
    /// One standard error of `cents`; `None` where it could not be measured.
    pub cents_error: Option<Cents>,
}

/// A note heard within a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeardNote {
    /// Its pitch.
    pub pitch: Pitch,
    /// What it is to the step.
    pub status: Status,
    /// The expected note it satisfies, with string and fret (`Status::Right` only).
    pub expected: Option<ExpectedNote>,
    /// When it began, where that differs from the strike (hammer-on, slide, …).
    pub start_s: Option<f64>,
    /// How sure the presence of this note is, 0.5 (a guess) to 1; of one that was asked for, given that
    /// it was.
    pub confidence: f64,
    /// How stiff its string is, where that was measured.
    pub stiffness: Option<Stiffness>,
    /// Where it was played, as good as certainly (`Status::Right` only); `None` where that is undecided.
    pub played_at: Option<(StringNumber, Fret)>,
}

impl HeardNote {
    /// Where it was played, if that is not the string on which it was asked for.
    pub fn played_elsewhere(&self) -> Option<(StringNumber, Fret)> {
        let asked = self.expected?;
        self.played_at.filter(|(string, _)| *string != asked.string)
    }
}

/// The judgement of one step.
#[derive(Debug, Clone, PartialEq)]
pub struct StepJudgement {
    /// Number of the step in the lick, 1 for the first.
    pub step: usize,
    /// How it went.
    pub verdict: Verdict,
    /// When it was struck; `None` if it was not played.
    pub start_s: Option<f64>,
    /// How late it was struck against the even tempo of the take (negative: early).
    pub timing_ms: Option<f64>,
    /// What the step asks for: notes struck, then later stages.
    pub expected: Vec<ExpectedNote>,
    /// What sounded with the strike, rising in pitch, then what was reached later, as it came.
    pub heard: Vec<HeardNote>,
    /// Expected notes that did not sound.
    pub missing: Vec<ExpectedNote>,
    /// Why the verdict is [`Verdict::Unsure`], or other remarks, in words.
    pub remarks: Vec<String>,
}

/// A strike that belongs to no step of the pass that was judged (a false start, a repetition, a bump).
#[derive(Debug, Clone, PartialEq)]
pub struct UnmatchedStrike {
    /// When it was struck.
    pub start_s: f64,
    /// What sounded.
    pub heard: Vec<Pitch>,
    /// The pass it belongs to, if that is another one than was judged, 1 for the first.
    pub pass: Option<usize>,
}

/// The judgement of one of several passes through the lick in a take.
#[derive(Debug, Clone, PartialEq)]
pub struct PassJudgement {
    /// 1 for the first in the take.
    pub number: usize,
    /// One entry for every step that is no rest.
    pub steps: Vec<StepJudgement>,
    /// Tempo it was played at, in quarter notes a minute, where it can be told.
    pub tempo_bpm: Option<f64>,
    /// The first eighth of a beat as a share of it, where they were swung otherwise than written.
    pub swing_share: Option<f64>,
}

/// Something about the recording as a whole, told once.
#[derive(Debug, Clone, PartialEq)]
pub enum Finding {
    /// All notes are off by the same amount: the guitar is tuned there. Cents are told against it.
    TunedOff {
        /// How sharp the guitar is as a whole.
        offset: Cents,
    },
    /// Everything lies some semitones from what is written, as with a capo or on other frets.
    Transposed {
        /// How many too high; negative: too low.
        semitones: i32,
    },
    /// No more of the lick was found than chance finds.
    AnotherLick,
    /// All notes are off by the ratio of two sample rates in use.
    PlayedAtWrongRate {
        /// How sharp the recording is as a whole.
        offset: Cents,
    },
    /// Nothing was found, and so much is missing from the recording that all may have been there.
    Lost,
    /// Nothing above the noise was found.
    Silent,
    /// The channel that was listened to is silent, and another one is not. Both are counted from 1.
    SilentChannel {
        /// The one listened to.
        silent: NonZeroU16,
        /// The loudest one.
        sounding: NonZeroU16,
    },
    /// No note was found in what sounds.
    NoNotes,
    /// No note can be told in so short a time.
    TooShort,
    /// Samples at full scale for some of the time.
    Clipped {
        /// Share of the recording, 0–1.
        share: f64,
    },
    /// Eighths were swung otherwise than written, the first of a beat being so much of it. Timing is told against it.
    Swung {
        /// As they were played, a share of 0.5 or more.
        played: f64,
        /// As they are written: 0.5 for even ones.
        written: f64,
    },
    /// Beside a click: nearly every strike was late, in the middle by so much (negative: early).
    LateThroughout {
        /// In milliseconds.
        late_ms: f64,
        /// In beats.
        late_beats: f64,
    },
    /// Beside a click: the strikes came later and later (negative: earlier and earlier).
    Drifted {
        /// From the beginning to the end, in milliseconds.
        later_ms: f64,
    },
    /// The file ends or breaks before it should; what was read has been judged.
    Damaged {
        /// What the decoder said.
        cause: String,
    },
    /// Samples are missing from the recording.
    Hole {
        /// Where, in seconds.
        start_s: f64,
        /// How long, in seconds.
        length_s: f64,
    },
}

/// The judgement of one recorded or live take.
#[derive(Debug, Clone, PartialEq)]
pub struct TakeJudgement {
    /// Length of the recording in seconds.
    pub duration_s: f64,
    /// Which pass through the lick was judged, 1 for the first in the take: the one that fits best.
    pub pass: usize,
    /// One entry for every step that is no rest.
    pub steps: Vec<StepJudgement>,
    /// Tempo the pass was played at, in quarter notes a minute, where it can be told.
    pub tempo_bpm: Option<f64>,
    /// The other passes, as they were played.
    pub other_passes: Vec<PassJudgement>,
    /// Strikes that belong to no step of the pass that was judged.
    pub unmatched: Vec<UnmatchedStrike>,
    /// What there is to say about the recording as a whole.
    pub findings: Vec<Finding>,
}

impl TakeJudgement {
    /// The same of a take that is known to be one pass: others are what was begun in it and given up.
    #[must_use]
    pub fn as_one_pass(mut self) -> Self {
        self.pass = 1;
        self.other_passes.clear();
        self.unmatched.iter_mut().for_each(|strike| strike.pass = None);
        self
    }
}
