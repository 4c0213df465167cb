//! What can be wrong at a place in a lick, and what would be right.

use super::Meter;
use super::beats::Beats;
use super::check::LAST_CAPO;
use super::check::MOST_MOVES;
use super::check::MOST_NOTES;
use super::check::NODES;
use super::mark::MoveKind;
use crate::theory::chord::Chord;
use crate::theory::error::NameError;
use crate::theory::fretboard::LAST_FRET;
use crate::theory::interval::Interval;
use crate::theory::key::Key;

/// What is wrong at a place in a lick.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Fault {
    /// Not TOML.
    #[error("{}", lower_first(message))]
    Syntax {
        /// What the TOML reader said.
        message: String,
    },
    /// A value that TOML takes for nothing, since no straight quotes stand round it.
    #[error("`{value}` without straight quotes")]
    Unquoted {
        /// The value as found, less curly quotes.
        value: String,
    },
    /// A backslash that TOML takes for the beginning of an escape.
    #[error(r"a lone `\` between double quotes")]
    Escape,
    /// A key that means nothing here.
    #[error("unknown key `{found}`")]
    UnknownKey {
        /// The key as found.
        found: String,
        /// The keys that there are.
        known: &'static [&'static str],
    },
    /// A key that must be there is not.
    #[error("`{key}` is missing")]
    Missing {
        /// The key.
        key: &'static str,
    },
    /// A value of another type than the key takes.
    #[error("`{key}` is {found}, expected {expected}")]
    Type {
        /// The key.
        key: &'static str,
        /// What it takes.
        expected: &'static str,
        /// The type found.
        found: &'static str,
    },
    /// A tempo nobody plays.
    #[error("a tempo of {found} beats a minute")]
    Tempo {
        /// The number found.
        found: f64,
    },
    /// Not a metre.
    #[error("`{found}` is not a meter")]
    Meter {
        /// The text found.
        found: String,
    },
    /// Not how eighths are swung.
    #[error("`{found}` is not a swing")]
    Swing {
        /// The text found.
        found: String,
    },
    /// A swing where no eighth is half a beat.
    #[error("swung eighths in {}/{}", meter.count, meter.unit)]
    SwungMeter {
        /// The metre.
        meter: Meter,
    },
    /// A capo off the neck.
    #[error("a capo at fret {found}")]
    Capo {
        /// The number found.
        found: i64,
    },
    /// A tuning of no string, or of too many.
    #[error("a tuning of {found} strings")]
    StringCount {
        /// Strings found.
        found: usize,
    },
    /// Nothing to know the lick by.
    #[error("the title is empty")]
    NoTitle,
    /// Nothing to play.
    #[error("a lick without steps")]
    NoSteps,
    /// A step of no length, of a negative one, or of one that is not a number.
    #[error("`{found}` is not a length")]
    Length {
        /// The length as found.
        found: String,
    },
    /// An open string that may lie in any octave.
    #[error("`{found}` names no octave")]
    NoOctave {
        /// The name as found.
        found: String,
        /// The tuning that is meant, with octaves.
        written_out: String,
    },
    /// A tuning that leads from the highest string down to the lowest.
    #[error("the tuning names the highest string first")]
    HighestFirst {
        /// The names in the order wanted.
        lowest_first: String,
    },
    /// A name that names nothing: note, key, chord or interval.
    #[error(transparent)]
    Name(#[from] NameError),
    /// More or fewer marks than strings.
    #[error("{found} marks for {expected} strings")]
    MarkCount {
        /// Strings of the instrument.
        expected: usize,
        /// Marks found.
        found: usize,
    },
    /// Not a mark.
    #[error("`{found}` is not a mark")]
    Mark {
        /// The mark as found.
        found: String,
    },
    /// A fret beyond the neck.
    #[error("fret {fret} cannot be reached{}", with_capo(*.capo))]
    Fret {
        /// The fret as written.
        fret: u8,
        /// Where the capo is, 0 for none.
        capo: u8,
    },
    /// A note above MIDI 127.
    #[error("this note is higher than MIDI can number")]
    TooHigh,
    /// A hammer-on that leads down, a slide to where it came from, …
    #[error("{} cannot lead from fret {from} to fret {to}", move_name(*.kind))]
    Move {
        /// How it is done.
        kind: MoveKind,
        /// Where it starts.
        from: u8,
        /// Where it should lead.
        to: u8,
    },
    /// A chain that no finger gets through.
    #[error("{found} moves in one chain")]
    LongChain {
        /// Moves found.
        found: usize,
    },
    /// A chain that goes on after a bend.
    #[error("nothing can follow a bend in a chain")]
    AfterBend,
    /// A harmonic where none sounds.
    #[error("no harmonic sounds {} frets above {}", touched.saturating_sub(*.stopped), open(*.stopped))]
    Node {
        /// The fret that is stopped, 0 for the open string.
        stopped: u8,
        /// The fret that is touched.
        touched: u8,
    },
    /// A held string that is silent.
    #[error("nothing sounds on string {string} that could be held")]
    NothingHeld {
        /// The string's number.
        string: u8,
    },
    /// More notes than a step may have.
    #[error("{found} notes in one step")]
    TooManyNotes {
        /// Notes found.
        found: usize,
    },
}

impl Fault {
    /// What would be right.
    pub fn hint(&self) -> String {
        match self {
            Self::Escape => {
                r"write the marks between single quotes, where it stands for itself: frets = 'x x x x 7\5 5'"
                    .to_owned()
            }
            Self::Syntax { message } => syntax_hint(message).to_owned(),
            Self::Unquoted { value } => {
                let number = value.split_once(' ').filter(|(number, _)| number.parse::<f64>().is_ok());
                let alone = number.map_or(String::new(), |(number, _)| {
                    format!("; a number stands alone, without its unit: {number}")
                });
                format!("put straight quotes round it: \"{value}\"{alone}")
            }
            Self::UnknownKey { found, known } => match nearest(found, known) {
                Some(meant) => format!("did you mean `{meant}`? the keys here are {}", list(known)),
                None => format!("the keys here are {}", list(known)),
            },
            Self::Missing { key } => format!("add {}", example(key)),
            Self::Type { key, .. } => format!("write {}", example(key)),
            Self::Tempo { .. } => "a tempo is between 10 and 400 quarter notes a minute".to_owned(),
            Self::Meter { .. } => {
                "write a meter as \"4/4\" or \"6/8\": 1 to 64 notes of length 1, 2, 4, 8, 16 or 32"
                    .to_owned()
            }
            Self::Swing { .. } => {
                "write how long the first eighth of a beat is to the second, more than 1:1 and less than 3:1: \
                 swing = \"2:1\"; leave it out for even eighths"
                    .to_owned()
            }
            Self::SwungMeter { .. } => {
                "eighths are swung where the beat is a quarter note; write the lengths as they sound and leave \
                 swing out"
                    .to_owned()
            }
            Self::Capo { .. } => {
                format!("a capo sits at one of the frets 1 to {LAST_CAPO}; 0 is none")
            }
            Self::StringCount { .. } => {
                "name 1 to 12 open strings, lowest first: tuning = \"E2 A2 D3 G3 B3 E4\"".to_owned()
            }
            Self::NoTitle => format!("name the lick: {}", example("title")),
            Self::NoSteps => {
                "write at least one: steps = [ { beats = 1, frets = \"x x x 9 x 9\" } ]".to_owned()
            }
            Self::Length { found } => match found.parse().ok().and_then(Beats::from_number) {
                Some(beats) => {
                    format!("only fractions stand in quotes: beats = {}", beats.to_toml())
                }
                None => format!(
                    "beats is a number of quarter notes above 0 and up to {}, or a fraction in quotes: \
                     0.5, 1, \"1/3\"",
                    Beats::LONGEST
                ),
            },
            Self::NoOctave { written_out, .. } => format!(
                "name each string with its octave, separated by blanks, lowest first: \
                 tuning = \"{written_out}\""
            ),
            Self::HighestFirst { lowest_first } => format!(
                "the lowest string comes first, here and in frets: tuning = \"{lowest_first}\""
            ),
            Self::Name(error) => name_hint(error),
            Self::MarkCount { expected, .. } => {
                format!("write {expected} marks separated by blanks, lowest string first; x is a string that is not played")
            }
            Self::Mark { found } if found == "X" || found == "-" => {
                "a string that is not played is a small x: frets = \"x x x 9 x 9\"".to_owned()
            }
            Self::Mark { found } if is_run_together(found) => {
                "separate the marks by blanks, a small x for a string that is not played: \
                 frets = \"x x x 9 x 9\""
                    .to_owned()
            }
            Self::Mark { .. } => {
                "a mark is x, a fret (0 is open), 5h7, 7p5, 5s7, 5/7, 7\\5, 7b9, <12>, 8<20> or =; \
                 blanks stand between strings, none within a mark"
                    .to_owned()
            }
            Self::Fret { capo, .. } => {
                format!("the highest fret is {}{}", LAST_FRET.0.saturating_sub(*capo), counted(*capo))
            }
            Self::TooHigh => "use a lower fret or a lower tuning".to_owned(),
            Self::Move { kind, from, to } => match kind {
                MoveKind::HammerOn | MoveKind::SlideUp | MoveKind::Bend if to < from => {
                    let other = if *kind == MoveKind::HammerOn { 'p' } else { '\\' };
                    format!("it leads upwards; downwards is written {from}{other}{to}")
                }
                MoveKind::PullOff | MoveKind::SlideDown if to > from => {
                    let other = if *kind == MoveKind::PullOff { 'h' } else { '/' };
                    format!("it leads downwards; upwards is written {from}{other}{to}")
                }
                _ => "name another fret to move to".to_owned(),
            },
            Self::LongChain { .. } => format!("a chain has up to {MOST_MOVES} moves"),
            Self::AfterBend => "strike again in a step of its own".to_owned(),
            Self::Node { stopped, .. } => {
                let frets: Vec<_> = NODES
                    .iter()
                    .map(|(node, _)| (u16::from(*node) + u16::from(*stopped)).to_string())
                    .collect();
                format!("harmonics lie over frets {}", frets.join(", "))
            }
            Self::NothingHeld { .. } => {
                "= holds what the step before left sounding on that string; write a fret to strike it, or x"
                    .to_owned()
            }
            Self::TooManyNotes { .. } => format!("a step has up to {MOST_NOTES} notes"),
        }
    }
}

/// Going by what the TOML reader expected, which its messages end in.
fn syntax_hint(message: &str) -> &'static str {
    if message.starts_with("duplicate key") {
        return "it is there already, further up: keep one of the two";
    }
    match message.rsplit_once("expected ").map(|(_, expected)| expected) {
        Some("`\"`" | "`true`" | "`false`") => {
            "straight quotes stand on both sides of a text: title = \"Ferry landing sixths\""
        }
        Some("`,`") => {
            "a comma stands between two steps, and within a step between its parts; or is a quote missing \
             before this place?"
        }
        Some("`=`" | "literal string") => {
            "write a name, = and a value: beats = 0.5, with a point in the number"
        }
        Some("`'`") => "a text ends with the kind of quote that it begins with",
        Some("`#`" | "newline, `#`") => {
            "a line holds one name, = and a value; a remark begins with #"
        }
        Some("digits" | "nothing") => {
            "write a number with digits on both sides of its point and no 0 too many: 0.5, 1, 1.5"
        }
        Some("`]`" | "`{`" | "`}`" | "key") => {
            "steps stand between [ and ], each between { and }: \
             steps = [ { beats = 1, frets = \"x x x 9 x 9\" } ]"
        }
        _ => "a lick is a TOML 1.0 file; `doublecheck new` writes one to start from",
    }
}

/// Whether these are marks of several strings without blanks between them, as chord shapes are often
/// written.
fn is_run_together(found: &str) -> bool {
    let is_mark = |c: char| c.is_ascii_digit() || matches!(c, 'x' | 'X' | '-' | ',');
    found.len() > 3 && found.chars().all(is_mark)
}

pub(super) fn lower_first(message: impl std::fmt::Display) -> String {
    let message = message.to_string();
    let mut chars = message.chars();
    match chars.next() {
        Some(first) => first.to_lowercase().chain(chars).collect::<String>().replace('\n', ", "),
        None => message,
    }
}

fn with_capo(capo: u8) -> String {
    if capo == 0 { String::new() } else { format!(" with a capo at {capo}") }
}

fn counted(capo: u8) -> &'static str {
    if capo == 0 { "" } else { ", counted from the capo" }
}

fn open(stopped: u8) -> String {
    if stopped == 0 { "the open string".to_owned() } else { format!("fret {stopped}") }
}

fn move_name(kind: MoveKind) -> &'static str {
    match kind {
        MoveKind::HammerOn => "a hammer-on",
        MoveKind::PullOff => "a pull-off",
        MoveKind::Slide => "a slide",
        MoveKind::SlideUp => "a slide up",
        MoveKind::SlideDown => "a slide down",
        MoveKind::Bend => "a bend",
    }
}

fn name_hint(error: &NameError) -> String {
    match error {
        NameError::Note { .. } => {
            "write a note as letter, # or b, and octave: E2, Bb3, F#4 (C4 is middle C)".to_owned()
        }
        NameError::Key { found } => match Key::meant_by(found) {
            Some(key) => format!("write \"{key}\""),
            None => {
                "write a key as \"D major\" or \"F# minor\" (or dorian, phrygian, lydian, mixolydian, locrian)"
                    .to_owned()
            }
        },
        NameError::RemoteKey { instead, .. } => format!("write \"{instead}\", which sounds the same"),
        NameError::Interval { found } => {
            let meant = Interval::meant_by(found);
            let told: Vec<String> = meant
                .iter()
                .map(|interval| format!("\"{interval}\" ({})", interval.name()))
                .collect();
            match told.split_last() {
                None => "write an interval as m3, M6, P4, A4, d5 or m10 (m minor, M major, P perfect, \
                         A augmented, d diminished)"
                    .to_owned(),
                Some((only, [])) => format!("write {only}"),
                Some((last, others)) => format!("write {} or {last}", others.join(", ")),
            }
        }
        NameError::Chord { found } => match Chord::meant_by(found) {
            Some(chord) => format!("write \"{chord}\""),
            None => "write a chord as G, Em7, A9, C6/9, F#m7b5 or D/F#".to_owned(),
        },
    }
}

fn example(key: &str) -> &'static str {
    match key {
        "title" => "title = \"Ferry landing sixths\"",
        "key" => "key = \"D major\"",
        "tempo" => "tempo = 84, in quarter notes a minute",
        "meter" => "meter = \"4/4\"",
        "tuning" => "tuning = \"E2 A2 D3 G3 B3 E4\"",
        "capo" => "capo = 2",
        "steps" => "steps = [ { beats = 1, frets = \"x x x 9 x 9\" } ]",
        "beats" => "beats = 0.5 or beats = \"1/3\", in quarter notes",
        "chord" => "chord = \"Em7\"",
        "interval" => "interval = \"m6\"",
        _ => "frets = \"x x x 9 x 9\", one mark for each string, lowest string first",
    }
}

pub(super) fn list(known: &[&str]) -> String {
    match known {
        [] => String::new(),
        [only] => (*only).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// The known word that a slip of the pen may have meant: one or two letters away.
pub(super) fn nearest<'a>(found: &str, known: &[&'a str]) -> Option<&'a str> {
    known
        .iter()
        .map(|word| (letters_apart(found, word), *word))
        .filter(|(distance, word)| *distance <= 2 && *distance <= word.len() / 2)
        .min()
        .map(|(_, word)| word)
}

/// Levenshtein distance: insertions, deletions and replacements between two words.
fn letters_apart(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (i, a) in one.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, &b) in other.iter().enumerate() {
            let replaced = diagonal + usize::from(a != b);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[other.len()]
}
