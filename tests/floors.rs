//! The floors of the crate: who may use whom, read from the source itself.
//!
//! The table is the one in DEVELOPERS.md. Test modules are not counted: a test may stand on any
//! floor to look at its own.

use std::fs;
use std::path::Path;
use std::path::PathBuf;

/// Every floor with the floors it may use, lowest first.
const FLOORS: [(&str, &[&str]); 12] = [
    ("units", &[]),
    ("theory", &["units"]),
    ("dsp", &[]),
    ("audio", &["units"]),
    ("lick", &["units", "theory"]),
    ("pitch", &["dsp"]),
    ("engine", &["units", "dsp", "pitch"]),
    ("practice", &["units", "theory", "lick", "pitch", "engine"]),
    ("synth", &["units", "theory", "lick"]),
    ("notation", &["theory", "lick"]),
    ("report", &["units", "theory", "lick", "engine", "practice"]),
    (
        "cli",
        &["units", "theory", "audio", "lick", "engine", "practice", "synth", "notation", "report"],
    ),
];

/// A file this long holds two ideas.
const MOST_LINES: usize = 600;

/// Printing belongs to `cli`, which may use all but the last three.
const MACROS: [&str; 7] =
    ["println!", "print!", "eprintln!", "eprint!", "dbg!", "todo!", "unimplemented!"];
const NOWHERE: [&str; 3] = ["dbg!", "todo!", "unimplemented!"];

#[test]
fn no_floor_uses_a_higher_one() {
    let faults: Vec<String> = sources()
        .iter()
        .filter(|(path, _)| !is_root(path))
        .flat_map(|(path, text)| forbidden_uses(path, text))
        .collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// A licence that nobody uses would let in what nobody meant.
#[test]
fn every_floor_uses_all_it_may() {
    let sources = sources();
    for (floor, allowed) in FLOORS {
        let of_floor = sources.iter().filter(|(path, _)| floor_of(path) == floor);
        let used: Vec<String> =
            of_floor.flat_map(|(_, text)| used_floors(text)).map(|(_, used)| used).collect();
        for lower in allowed {
            assert!(used.iter().any(|used| used == lower), "{floor} does not use {lower}");
        }
    }
}

#[test]
fn every_folder_of_the_source_is_a_floor() {
    for (path, _) in sources() {
        let floor = floor_of(&path);
        assert!(
            is_root(&path) || FLOORS.iter().any(|(name, _)| *name == floor),
            "{} stands on no floor",
            path.display()
        );
    }
}

#[test]
fn no_file_is_longer_than_one_idea() {
    for (path, text) in sources() {
        let n_lines = text.lines().count();
        assert!(n_lines <= MOST_LINES, "{}: {n_lines} lines", path.display());
    }
}

#[test]
fn printing_macros_stay_in_cli_and_unfinished_ones_out() {
    let faults: Vec<String> =
        sources().iter().flat_map(|(path, text)| forbidden_macros(path, text)).collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// The checks above pass on an empty list of faults: here they meet faults.
#[test]
fn the_checks_find_what_they_look_for() {
    let up = "use crate::units::Hertz;\nuse crate::engine::Strike;\n";
    assert_eq!(forbidden_uses(Path::new("theory/note.rs"), up).len(), 1);
    assert_eq!(forbidden_uses(Path::new("practice/judge.rs"), up).len(), 0);
    let in_a_path = "fn f() -> crate::cli::Common { todo() }\n";
    assert_eq!(forbidden_uses(Path::new("report/text.rs"), in_a_path).len(), 1);
    let group = "use crate::{units::Hertz, cli::Common};\n";
    assert_eq!(forbidden_uses(Path::new("cli/check.rs"), group).len(), 1);
    let in_a_test = "#[cfg(test)]\nmod tests {\n    use crate::cli::Common;\n}\n";
    assert_eq!(forbidden_uses(Path::new("report/text.rs"), in_a_test).len(), 0);
    let prints = "fn f() { println!(\"x\"); }\n";
    assert_eq!(forbidden_macros(Path::new("engine.rs"), prints).len(), 1);
    assert_eq!(forbidden_macros(Path::new("cli/check.rs"), prints).len(), 0);
    assert_eq!(forbidden_macros(Path::new("cli/check.rs"), "todo!()\n").len(), 1);
}

fn forbidden_uses(path: &Path, text: &str) -> Vec<String> {
    let floor = floor_of(path);
    let allowed: &[&str] =
        FLOORS.iter().find(|(name, _)| *name == floor).map_or(&[], |(_, allowed)| allowed);
    used_floors(text)
        .into_iter()
        .filter(|(_, used)| *used != floor && !allowed.contains(&used.as_str()))
        .map(|(number, used)| {
            let used = if used.is_empty() { "a group of paths" } else { &used };
            format!("{}:{number}: {floor} must not use {used}", path.display())
        })
        .collect()
}

/// What follows `crate::`, line by line; nothing where a group does.
fn used_floors(text: &str) -> Vec<(usize, String)> {
    let in_name = |c: char| c.is_alphanumeric() || c == '_';
    let mut used = Vec::new();
    for (number, line) in code_lines(text) {
        let paths = line.match_indices("crate::").filter(|(at, _)| !line[..*at].ends_with(in_name));
        used.extend(paths.map(|(at, found)| {
            (number, line[at + found.len()..].chars().take_while(|&c| in_name(c)).collect())
        }));
    }
    used
}

fn forbidden_macros(path: &Path, text: &str) -> Vec<String> {
    let forbidden: &[&str] = if floor_of(path) == "cli" { &NOWHERE } else { &MACROS };
    let mut faults = Vec::new();
    for (number, line) in code_lines(text) {
        for name in forbidden {
            let found = line
                .match_indices(name)
                .any(|(at, _)| !line[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_'));
            if found {
                faults.push(format!("{}:{number}: {name}", path.display()));
            }
        }
    }
    faults
}

/// Lines that are shipped code, with their numbers: no comments, and nothing from the test
/// module on, which stands last in every file.
fn code_lines(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let shipped = text.find("#[cfg(test)]\nmod tests {").map_or(text, |end| &text[..end]);
    shipped
        .lines()
        .enumerate()
        .filter(|(_, line)| !line.trim_start().starts_with("//"))
        .map(|(index, line)| (index + 1, line))
}

/// `theory/note.rs` and `theory.rs` both stand on `theory`.
fn floor_of(path: &Path) -> String {
    let first = path.components().next().expect("a source file has a path");
    first.as_os_str().to_string_lossy().trim_end_matches(".rs").to_owned()
}

/// The two files that tie the floors together.
fn is_root(path: &Path) -> bool {
    ["lib.rs", "main.rs"].iter().any(|name| path == Path::new(name))
}

/// All of `src`, paths relative to it. Files that are test modules as a whole are left out.
fn sources() -> Vec<(PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut folders = vec![root.clone()];
    let mut found = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).expect("src can be read") {
            let path = entry.expect("src can be read").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs")
                && path.file_name().is_some_and(|name| name != "tests.rs")
            {
                let text = fs::read_to_string(&path).expect("source is UTF-8");
                let inside = path.strip_prefix(&root).expect("found below src").to_owned();
                found.push((inside, text));
            }
        }
    }
    assert!(found.len() > FLOORS.len(), "only {} source files found", found.len());
    found.sort();
    found
}
