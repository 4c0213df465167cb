//! What programs from outside read in the files: music21, mido and the published schema, through
//! `tests/outside/check_notation.py`.

use std::path::Path;
use std::process::Command;

use doublecheck::lick::Lick;
use doublecheck::notation::midi;
use doublecheck::notation::musicxml;
use proptest::strategy::Strategy;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

use crate::embedded;
use crate::generate::Range;
use crate::generate::any_lick;
use crate::skip::skip;

/// Random licks beside those of the program; the same in every run.
const N_RANDOM: usize = 60;

/// What the script ends with where a package is missing.
const SKIPPED: i32 = 77;

#[test]
fn programs_from_outside_read_every_note() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let own = root.join("target/outside/bin/python3");
    let python = if own.exists() { own } else { "python3".into() };
    let folder = tempfile::tempdir().unwrap();
    let mut runner = TestRunner::deterministic();
    let random = any_lick(Range::All);
    let random = (0..N_RANDOM).map(|_| random.new_tree(&mut runner).unwrap().current());
    for (index, lick) in embedded().chain(random).enumerate() {
        write(&lick, &folder.path().join(format!("lick-{index:03}")));
    }
    let script = root.join("tests/outside/check_notation.py");
    let run = Command::new(&python).arg(script).arg(folder.path()).output();
    let Ok(output) = run else {
        skip(format!("there is no {}", python.display()));
        return;
    };
    let told = String::from_utf8_lossy(&output.stdout);
    let complaint = String::from_utf8_lossy(&output.stderr);
    if output.status.code() == Some(SKIPPED) {
        skip(format!("{} (pip install music21 mido musicxml xmlschema)", told.trim_end()));
        return;
    }
    assert!(output.status.success(), "{told}{complaint}");
    eprintln!("{told}");
}

fn write(lick: &Lick, path: &Path) {
    let save = |extension: &str, bytes: &[u8]| {
        std::fs::write(path.with_extension(extension), bytes).unwrap();
    };
    save("toml", lick.to_toml().as_bytes());
    save("musicxml", musicxml::write(lick).unwrap().as_bytes());
    save("mxl", &musicxml::write_compressed(lick).unwrap());
    save("mid", &midi::write(lick, &midi::Options::default()));
}
