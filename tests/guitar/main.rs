//! The guitar itself: tuning, the twelfth fret, the whole neck.
//!
//! Synthetic strings have first partials that are known exactly; their stiffness, decay and glide are
//! those of `hearing.md`, section 2. Real strings come from the recordings beside the project.

#![expect(clippy::print_stdout, reason = "figures must be seen")]

mod neck;
mod printed;
mod saddle;
#[path = "../support/mod.rs"]
mod support;
mod tuning;

use doublecheck::audio::WavWriter;
use doublecheck::audio::write::SampleFormat;
use doublecheck::engine::Listener;
use doublecheck::practice::intonation;
use doublecheck::practice::intonation::Against;
use doublecheck::practice::intonation::IntonationCheck;
use doublecheck::practice::intonation::Order;
use doublecheck::practice::pluck::Pluck;
use doublecheck::practice::pluck::PluckListener;
use doublecheck::practice::tuning::TuningCheck;
use doublecheck::practice::tuning::Wanted;
use doublecheck::synth::PluckedNote;
use doublecheck::synth::Room;
use doublecheck::synth::guitar::Guitar;
use doublecheck::synth::render;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use doublecheck::theory::fretboard::Tuning;
use doublecheck::theory::note::Reference;
use doublecheck::units::Cents;
use doublecheck::units::SampleRate;
use support::cd_rate;

/// A take of `notes`, each begun at its `start_s`.
fn take(notes: &[PluckedNote], seed: u64) -> Vec<f32> {
    let end_s = notes.iter().map(PluckedNote::end_s).fold(0.0, f64::max);
    render(notes, end_s + 0.3, cd_rate(), &Room::noisy(55.0), seed)
}

/// A string of the guitar, so many cents off, struck at `start_s`.
fn note(string: u8, fret: u8, off: f64, start_s: f64, length_s: f64) -> PluckedNote {
    let guitar = Guitar::default();
    let note = guitar.note(StringNumber(string), Fret(fret), length_s, 0.3).expect("six strings");
    PluckedNote { start_s, ..note.detuned(Cents(off)) }
}

/// What hears a recording at `rate`.
fn listener(rate: SampleRate) -> Listener {
    Listener::of_recording(rate)
}

fn listen(mut listener: PluckListener, samples: &[f32], mut on_pluck: impl FnMut(&Pluck)) {
    // Pieces of no particular size, as they come from a file or a card.
    for piece in samples.chunks(3001) {
        listener.push(piece, &mut on_pluck);
    }
    listener.finish(on_pluck);
}

fn wanted(pure: Option<&str>) -> Wanted {
    Wanted {
        tuning: Tuning::default(),
        reference: Reference::default(),
        pure: pure.map(|chord| chord.parse().expect("a chord")),
        tolerance: Cents(2.0),
    }
}

fn tuned(samples: &[f32], wanted: Wanted) -> TuningCheck {
    let open = wanted.tuning.strings().map(|(_, note)| wanted.reference.frequency(note)).collect();
    let mut check = TuningCheck::new(wanted);
    listen(PluckListener::for_open_strings(listener(cd_rate()), open), samples, |pluck| {
        check.push(pluck);
    });
    check
}

fn plan(against: Against) -> intonation::Plan {
    intonation::Plan {
        tuning: Tuning::default(),
        strings: (1..=6).rev().map(StringNumber).collect(),
        reference: Reference::default(),
        against,
        plucks: 3,
        order: Order::Halves,
        scale_mm: 648.0,
        tolerance: Cents(2.0),
    }
}

fn intonated(samples: &[f32], plan: intonation::Plan) -> IntonationCheck {
    let mut check = IntonationCheck::new(plan);
    listen(PluckListener::new(listener(cd_rate())), samples, |pluck| {
        check.push(pluck);
    });
    check
}

const OPEN: Against = Against::Stopped(Fret(0));

fn written(name: &str, notes: &[PluckedNote]) -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join(name);
    let mut wav = WavWriter::create(&path, cd_rate(), SampleFormat::Float32).expect("a new file");
    wav.write(&take(notes, 8)).expect("room on the disk");
    wav.finish(false).expect("room on the disk");
    (folder, path)
}

fn run(args: &[&str]) -> String {
    let mut command = assert_cmd::Command::new(assert_cmd::cargo::cargo_bin!("doublecheck"));
    let output = command.args(args).output().expect("the program runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}
