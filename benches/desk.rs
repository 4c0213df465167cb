//! How long the desk takes: a lick of 200 steps explained and converted, three minutes rendered.
//!
//! Times are those of the whole program from start to exit, files read and written, as whoever
//! types the command waits for them; the median of several runs beside the target. Under
//! `cargo test --benches` every command runs once and nothing is timed.

#![allow(clippy::print_stdout, reason = "a bench prints its figures")]
#![expect(clippy::disallowed_methods, reason = "a bench reads the clock")]

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;
use std::time::Instant;

/// Steps of the lick that is explained and converted.
const STEPS: usize = 200;
const RUNS: usize = 9;
const FEW_RUNS: usize = 3;

const AT_ONCE: Duration = Duration::from_millis(50);
const RENDERED: Duration = Duration::from_secs(2);

fn main() {
    // Cargo passes `--bench` when it measures, and nothing when it only tests.
    let measures = std::env::args().any(|argument| argument == "--bench");
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: String| {
        fs::write(folder.path().join(name), text).expect("a file");
    };
    write("lick.toml", lick(STEPS));
    // 400 beats at 133 a minute: three minutes.
    write("long.toml", lick(if measures { 533 } else { 8 }));
    let time = |what: &str, arguments: &[&str], runs: usize, target: Duration| {
        let runs = if measures { runs } else { 1 };
        let took = median(folder.path(), arguments, runs);
        if measures {
            let met = if took < target { "met" } else { "MISSED" };
            let (took, target) = (1e3 * took.as_secs_f64(), target.as_millis());
            println!("{what:<28} {took:>8.1} ms   target {target:>5} ms   {met}");
        }
    };
    time("explain", &["explain", "lick.toml"], RUNS, AT_ONCE);
    time("explain --json", &["explain", "lick.toml", "--json"], RUNS, AT_ONCE);
    for format in ["musicxml", "mxl", "mid", "txt"] {
        let file = format!("lick.{format}");
        let there = ["convert", "lick.toml", "-o", &file, "--force"];
        time(&format!("lick to {format}"), &there, RUNS, AT_ONCE);
        let back = ["convert", &file, "-o", "back.toml", "--force"];
        time(&format!("{format} to lick"), &back, RUNS, AT_ONCE);
    }
    time("sheet", &["sheet", "lick.toml", "-o", "lick.html", "--force"], RUNS, AT_ONCE);
    let render = ["render", "long.toml", "-o", "long.wav", "--force"];
    time("render, three minutes", &render, FEW_RUNS, RENDERED);
}

/// Double stops, hammer-ons, triplets, bends and chords up and down the neck, three quarters of a
/// beat each on average.
fn lick(steps: usize) -> String {
    let mut text = String::from("title = \"Long way round\"\nkey = \"C major\"\ntempo = 133\n");
    text += "meter = \"4/4\"\nsteps = [\n";
    for step in 0..steps {
        let fret = 1 + step * 5 % 11;
        let (next, far) = (fret + 1, fret + 2);
        let (beats, frets) = match step % 8 {
            0 => ("1", format!("x x x {next} x {fret}")),
            1 => ("0.5", format!("x x x {fret} x {fret}")),
            2 => ("0.5", format!("x x x {fret}h{far} {fret} x")),
            3..=5 => ("\"1/3\"", format!("x x x x {fret} {next}")),
            6 => ("1", format!("x x x {fret}b{far} {next} x")),
            _ => ("2", format!("{fret} {far} {far} {next} {fret} {fret}")),
        };
        let chord = if step % 8 == 0 { ", chord = \"Am7\", interval = \"m6\"" } else { "" };
        text += &format!("  {{ beats = {beats}, frets = \"{frets}\"{chord} }},\n");
    }
    text + "]\n"
}

fn median(folder: &Path, arguments: &[&str], runs: usize) -> Duration {
    let mut took: Vec<Duration> = (0..runs)
        .map(|_| {
            let mut command = Command::new(env!("CARGO_BIN_EXE_doublecheck"));
            command.args(arguments).current_dir(folder);
            let begun = Instant::now();
            let done = command.output().expect("the program starts");
            let took = begun.elapsed();
            assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
            took
        })
        .collect();
    took.sort();
    took[runs / 2]
}
