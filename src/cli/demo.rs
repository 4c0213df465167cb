//! `doublecheck demo`: the main job on an embedded lick, with a take whose mistakes are known.
//!
//! The take is synthesised when the command runs, the same every time, and then listened to and
//! judged as any recording is: nothing tells the judge what was planted.

use std::io;
use std::io::Write;

use super::Common;
use super::check;
use super::exit::Failure;
use super::exit::Outcome;
use super::output;
use super::recording::Heard;
use crate::engine::Listener;
use crate::lick::Lick;
use crate::lick::expected::Expected;
use crate::practice::verdict::Finding;
use crate::report::Page;
use crate::report::TakeReport;
use crate::report::json;
use crate::report::sheet::judged;
use crate::report::text;
use crate::synth::Noise;
use crate::synth::PluckedNote;
use crate::synth::Reverb;
use crate::synth::Room;
use crate::synth::guitar::Guitar;
use crate::synth::performance::Manner;
use crate::synth::performance::Performance;
use crate::synth::performance::PlayedNote;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::StringNumber;
use crate::theory::note::Reference;
use crate::units::Cents;
use crate::units::SampleRate;

const LICK: &str = include_str!("demo.toml");
const RATE: u32 = 44_100;
/// Chooses the noise of the room and of the attacks.
const SEED: u64 = 7;
/// A quiet living room, the microphone close by.
const ROOM: Room = Room {
    noise: Some(Noise::BelowSignalDb(40.0)),
    reverb: Some(Reverb { decay_s: 0.35, level: 0.15 }),
};
/// How late each step is struck, in seconds, step 1 first: nobody is a machine.
const LATE_S: [f64; 8] = [0.0, 0.006, -0.004, 0.009, -0.007, 0.003, 0.08, -0.005];

/// What is wrong with the take, by step.
const PLANTED: [(usize, &str); 5] = [
    (2, "the upper note is fretted one fret too low"),
    (4, "the string of the lower note is not struck"),
    (6, "the open first string is struck as well"),
    (7, "both notes come 80 ms late"),
    (8, "the upper note is pushed 22 cents sharp"),
];

/// Judge an embedded take with planted mistakes: no file or sound card needed.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    judging: check::Judging,
}

/// Runs the command.
///
/// # Errors
/// Standard output that cannot be written to.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let lick = Lick::parse(LICK, "embedded lick")?;
    args.judging.drawn.may_be_written()?;
    let expected = lick.expected();
    let judgement = check::judge(&expected, listen(&expected, common.a4), None, common);
    let take = TakeReport { recording: "embedded take".to_owned(), outcome: Ok(judgement) };
    let page = Page::of(&lick, args.judging.tolerance);
    let takes = [take];
    match common.json {
        true => output::print(|out| json::demo(out, &page, &takes, &PLANTED)),
        false => output::print_text(|out, look| {
            introduce(out)?;
            text::check(out, &page, &takes, look)
        }),
    }?;
    args.judging.drawn.save(|| judged(&lick, &page, &takes))?;
    Ok(check::outcome(&takes, &args.judging))
}

fn introduce(out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "A lick of eight steps, and a take of it with these mistakes planted:")?;
    for (step, mistake) in PLANTED {
        writeln!(out, "  step {step}: {mistake}")?;
    }
    writeln!(out, "\nWhat was heard, by ear alone:\n")
}

fn listen(expected: &Expected, reference: Reference) -> Heard {
    let rate = SampleRate::new(RATE).expect("not zero");
    let samples = perform(expected, reference).render(rate, &ROOM, SEED);
    let mut listener = Listener::of_recording(rate);
    listener.push(&samples, |_| {});
    let take = listener.finish(|_| {});
    Heard { take, damage: None, if_nothing: Finding::NoNotes, holds_no_sound: false }
}

/// The lick as it should be played, then the mistakes.
fn perform(expected: &Expected, reference: Reference) -> Performance {
    let manner = Manner { count_in_beats: 1, strum_s: 0.006, reference, ..Manner::default() };
    let mut played = Performance::new(expected, &manner);
    played.notes.retain(|note| (note.step, note.asked.string.0) != (4, 3));
    for note in &mut played.notes {
        note.sound.start_s += LATE_S[note.step - 1];
        let off = match (note.step, note.asked.string.0) {
            (2, 1) => Cents(-100.0),
            (8, 3) => Cents(22.0),
            _ => Cents(0.0),
        };
        note.sound.frequency = note.sound.frequency.raised(off);
    }
    let guitar = Guitar::new(expected.open_strings.clone(), reference);
    let beside = played.notes.iter().rfind(|note| note.step == 6).cloned();
    if let Some(PlayedNote { step, asked, sound }) = beside {
        let open = guitar.note(StringNumber(1), Fret(0), sound.length_s, sound.level);
        played.notes.extend(open.map(|open| {
            let start_s = sound.start_s + manner.strum_s;
            PlayedNote { step, asked, sound: PluckedNote { start_s, ..open } }
        }));
    }
    played
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The list that the user compares with must be what the take really holds.
    #[test]
    fn the_take_holds_what_is_said_to_be_planted() {
        let lick = Lick::parse(LICK, "embedded lick").expect("a lick");
        let expected = lick.expected();
        let reference = Reference::default();
        let clean = Performance::new(&expected, &Manner::default());
        let played = perform(&expected, reference);
        let count = |performance: &Performance, step: usize| {
            performance.notes.iter().filter(|note| note.step == step).count()
        };
        for step in 1..=8 {
            let (asked, struck) = (count(&clean, step), count(&played, step));
            let more = match step {
                4 => -1,
                6 => 1,
                _ => 0,
            };
            assert_eq!(struck as i64 - asked as i64, more, "step {step}");
        }
        let off = |step: usize, number: u8| {
            let on_string = |note: &&PlayedNote| note.step == step && note.asked.string.0 == number;
            let note = played.notes.iter().find(on_string).expect("struck");
            note.sound.frequency.cents_above(reference.frequency(note.asked.note)).0
        };
        assert!((off(2, 1) + 100.0).abs() < 1e-6);
        assert!((off(8, 3) - 22.0).abs() < 1e-6);
        assert!(off(1, 3).abs() < 1e-6);
        let samples = played.render(SampleRate::new(RATE).expect("not zero"), &ROOM, SEED);
        let peak = samples.iter().fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
        assert!((0.05..0.999).contains(&peak), "peak {peak}");
    }
}
