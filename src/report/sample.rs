//! A take made by hand, with one of everything a report has to tell.

use super::Page;
use super::TakeReport;
use super::Unjudged;
use crate::lick::expected::ExpectedNote;
use crate::lick::expected::Technique;
use crate::practice::verdict::HeardNote;
use crate::practice::verdict::Pitch;
use crate::practice::verdict::Status;
use crate::practice::verdict::StepJudgement;
use crate::practice::verdict::TakeJudgement;
use crate::practice::verdict::UnmatchedStrike;
use crate::practice::verdict::Verdict;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::names::Names;
use crate::theory::note::MidiNote;
use crate::theory::note::Reference;
use crate::units::Cents;
use crate::units::Hertz;

pub(super) fn page() -> Page {
    let tabs = [
        "x x x 11 x 10",
        "x x x 11 x 10",
        "x x x 9 x 9",
        "x x x 7h9 7 x",
        "x x x x x x",
        "x x 4 4 x x",
        "x x x 2 3 x",
    ];
    Page {
        title: "Ferry landing sixths".to_owned(),
        names: Vec::new(),
        beside: Names::of(&[], Some("D major".parse().expect("a key")), None),
        tempo_bpm: 84.0,
        tabs: tabs.map(str::to_owned).to_vec(),
        tolerance: Cents(10.0),
    }
}

pub(super) fn report() -> TakeReport {
    TakeReport { recording: "take.wav".to_owned(), outcome: Ok(take()) }
}

pub(super) fn unjudged() -> TakeReport {
    let why = Unjudged {
        error: "broken.wav: no audio in it".to_owned(),
        hint: "record it again".to_owned(),
    };
    TakeReport { recording: "broken.wav".to_owned(), outcome: Err(why) }
}

pub(super) fn take() -> TakeJudgement {
    let (f_sharp, d) = (asked(3, 11, 66), asked(1, 10, 74));
    let (e, c_sharp) = (asked(3, 9, 64), asked(1, 9, 73));
    let (hammered_from, upper, hammered) = (
        asked(3, 7, 62),
        asked(2, 7, 66),
        ExpectedNote { technique: Technique::HammerOn, ..asked(3, 9, 64) },
    );
    let known = Pitch {
        note: MidiNote(66),
        frequency: Hertz::new(370.3).expect("positive"),
        cents: Cents(1.5),
        cents_error: Some(Cents(0.3)),
    };
    TakeJudgement {
        duration_s: 6.1,
        steps: vec![
            StepJudgement {
                timing_ms: Some(2.4),
                start_s: Some(0.512),
                expected: vec![f_sharp, d],
                heard: vec![right(f_sharp, 2.2), right(d, -1.3)],
                ..blank(1, Verdict::Right)
            },
            StepJudgement {
                timing_ms: Some(-8.0),
                start_s: Some(1.226),
                expected: vec![f_sharp, d],
                heard: vec![HeardNote { pitch: known, ..right(f_sharp, 1.5) }],
                missing: vec![d],
                ..blank(2, Verdict::Incomplete)
            },
            StepJudgement {
                timing_ms: Some(31.0),
                start_s: Some(1.98),
                expected: vec![e, c_sharp],
                heard: vec![
                    other(63, 3.0, Status::Wrong { instead_of: e }),
                    HeardNote {
                        played_at: Some((StringNumber(2), Fret(14))),
                        ..right(c_sharp, 4.0)
                    },
                    other(76, 0.2, Status::Extra),
                ],
                ..blank(3, Verdict::Wrong)
            },
            StepJudgement {
                timing_ms: Some(-0.4),
                start_s: Some(2.4),
                expected: vec![hammered_from, upper, hammered],
                heard: vec![
                    other(55, -3.0, Status::Ringing),
                    right(hammered_from, -0.3),
                    HeardNote { start_s: Some(2.65), ..right(hammered, 14.6) },
                    right(upper, -1.6),
                ],
                ..blank(4, Verdict::Right)
            },
            StepJudgement {
                expected: vec![asked(4, 4, 54), asked(3, 4, 59)],
                missing: vec![asked(4, 4, 54), asked(3, 4, 59)],
                ..blank(6, Verdict::NotPlayed)
            },
            StepJudgement {
                start_s: Some(4.31),
                expected: vec![asked(3, 2, 57), asked(2, 3, 62)],
                heard: vec![right(asked(3, 2, 57), 1.0)],
                remarks: vec!["D4 may lie under the partials of D3".to_owned()],
                ..blank(7, Verdict::Unsure)
            },
        ],
        pass: 1,
        tempo_bpm: Some(83.2),
        other_passes: Vec::new(),
        unmatched: vec![UnmatchedStrike { start_s: 5.2, heard: vec![pitch(64, 0.0)], pass: None }],
        findings: Vec::new(),
    }
}

fn blank(step: usize, verdict: Verdict) -> StepJudgement {
    StepJudgement {
        step,
        verdict,
        start_s: None,
        timing_ms: None,
        expected: Vec::new(),
        heard: Vec::new(),
        missing: Vec::new(),
        remarks: Vec::new(),
    }
}

fn asked(string: u8, fret: u8, midi: u8) -> ExpectedNote {
    ExpectedNote {
        string: StringNumber(string),
        fret: Fret(fret),
        note: MidiNote(midi),
        technique: Technique::Struck,
    }
}

fn right(note: ExpectedNote, cents: f64) -> HeardNote {
    HeardNote { expected: Some(note), ..other(note.note.0, cents, Status::Right) }
}

fn other(midi: u8, cents: f64, status: Status) -> HeardNote {
    HeardNote {
        pitch: pitch(midi, cents),
        status,
        expected: None,
        start_s: None,
        confidence: 0.97,
        stiffness: None,
        played_at: None,
    }
}

fn pitch(midi: u8, cents: f64) -> Pitch {
    let note = MidiNote(midi);
    Pitch {
        note,
        frequency: Reference::default().frequency(note).raised(Cents(cents)),
        cents: Cents(cents),
        cents_error: Some(Cents(0.3)),
    }
}
