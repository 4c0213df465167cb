//! The text of a tab taken apart: headings, and systems of lines with what stands above them.

use std::collections::BTreeMap;

use crate::notation::error::NotationError;
use crate::notation::error::Place;
use crate::notation::remarks::Remarks;
use crate::theory::chord::Chord;
use crate::theory::fretboard::Tuning;
use crate::theory::spelling::NoteName;

/// Headings that are read, in small letters.
const HEADINGS: [&str; 7] = ["title", "key", "tempo", "meter", "swing", "tuning", "capo"];

/// Signs that a line of tab may hold beside digits.
const LETTERS: &str = "|-hHpPsS/\\b^<>()=xXrtT~vV";

/// A text in parts.
#[derive(Debug, Default)]
pub(super) struct Page {
    /// Headings with the line they stand on.
    pub headings: BTreeMap<&'static str, (usize, String)>,
    /// The systems in order.
    pub systems: Vec<System>,
}

/// Lines of tab that belong together, highest string first.
#[derive(Debug)]
pub(super) struct System {
    /// Number of the first line in the text, 1 for the top.
    pub line: usize,
    /// The characters of each line, all equally many.
    pub lines: Vec<Vec<char>>,
    /// The names before the lines.
    pub names: Vec<String>,
    /// Where the names end.
    pub body: usize,
    /// Columns and numbers of the beat line.
    pub beats: Vec<(usize, u64)>,
    /// Columns and chord symbols.
    pub chords: Vec<(usize, Chord)>,
}

impl Page {
    /// Takes a text apart.
    ///
    /// # Errors
    /// Lines of a system that are not equally long or do not share their bar lines.
    pub fn parse(text: &str, remarks: &mut Remarks) -> Result<Self, NotationError> {
        let lines: Vec<Vec<char>> = text
            .lines()
            .map(|line| line.trim_end().replace('\t', "        ").chars().collect())
            .collect();
        let mut page = Self::default();
        let mut index = 0;
        // Lines that may belong to the system below.
        let mut above: Vec<usize> = Vec::new();
        while index < lines.len() {
            let count = lines[index..].iter().take_while(|line| body_of(line).is_some()).count();
            // A single line of strokes is a rule across the page.
            if count > 1 || (count == 1 && lines[index].iter().any(|c| !matches!(c, '-' | '|'))) {
                let mut system = System::parse(index + 1, &lines[index..index + count])?;
                for line in above.drain(..) {
                    if !system.take(&lines[line]) {
                        remarks.add(format!("line {}", line + 1), "text was left out");
                    }
                }
                page.systems.push(system);
                index += count;
                continue;
            }
            let line: String = lines[index].iter().collect();
            if let Some((name, value)) = heading(&line) {
                page.headings.entry(name).or_insert((index + 1, value));
            } else if line.trim().is_empty() || above.len() == 2 {
                for line in above.drain(..) {
                    remarks.add(format!("line {}", line + 1), "text was left out");
                }
            }
            if !line.trim().is_empty() && heading(&line).is_none() {
                above.push(index);
            }
            index += 1;
        }
        for line in above {
            remarks.add(format!("line {}", line + 1), "text was left out");
        }
        Ok(page)
    }

    /// The tuning that the names before the lines tell; `None` if they tell none.
    pub fn tuning_by_names(&self) -> Option<Tuning> {
        let names = &self.systems.first()?.names;
        let classes: Option<Vec<u8>> = names.iter().rev().map(|name| class(name)).collect();
        Tuning::nearest_usual(&classes?)
    }
}

/// The pitch class of a string's name.
fn class(name: &str) -> Option<u8> {
    let mut chars = name.chars();
    let first = chars.next()?.to_ascii_uppercase();
    let rest = chars.as_str().trim_end_matches(|c: char| c.is_ascii_digit());
    format!("{first}{rest}").parse::<NoteName>().ok().map(NoteName::pitch_class)
}

/// Where the strokes of a line of tab begin; `None` if it is no line of tab.
fn body_of(line: &[char]) -> Option<usize> {
    let body = line.iter().position(|c| matches!(c, '|' | '-'))?;
    let name: String = line[..body].iter().collect();
    let strokes = line[body..].iter().filter(|c| matches!(c, '|' | '-')).count();
    let named = name.trim().is_empty() || (name.trim().len() <= 4 && class(name.trim()).is_some());
    // Mostly strokes, or between bar lines nothing that has no meaning in tab.
    let framed = line[body] == '|'
        && strokes >= 2
        && line[body..].iter().all(|c| c.is_ascii_digit() || LETTERS.contains(*c));
    let stroked = strokes >= 3 && 2 * strokes >= line.len() - body;
    (named && (framed || stroked)).then_some(body)
}

fn heading(line: &str) -> Option<(&'static str, String)> {
    let (name, value) = line.split_once(':')?;
    let name = name.trim().to_ascii_lowercase();
    let name = HEADINGS.into_iter().find(|known| *known == name)?;
    Some((name, value.strip_prefix(' ').unwrap_or(value).to_owned()))
}

impl System {
    fn parse(line: usize, lines: &[Vec<char>]) -> Result<Self, NotationError> {
        let malformed = |line: usize, column: usize, problem: String| NotationError::Malformed {
            place: Place::Text { line, column },
            problem,
        };
        let length = lines[0].len();
        let body = body_of(&lines[0]).unwrap_or(0);
        let mut names = Vec::new();
        for (index, chars) in lines.iter().enumerate() {
            if chars.len() != length {
                let problem = format!(
                    "the lines of a system are equally long: this one ends at column {}, the first at {length}",
                    chars.len()
                );
                return Err(malformed(line + index, chars.len().min(length) + 1, problem));
            }
            let differs = |column: &usize| (chars[*column] == '|') != (lines[0][*column] == '|');
            if let Some(column) = (body..length).find(differs) {
                let problem =
                    "bar lines go through all strings: here only some have one".to_owned();
                return Err(malformed(line + index, column + 1, problem));
            }
            if body_of(chars) != Some(body) {
                let problem = "the strings of a system begin in one column".to_owned();
                return Err(malformed(line + index, body + 1, problem));
            }
            names.push(chars[..body].iter().collect::<String>().trim().to_owned());
        }
        let (beats, chords) = (Vec::new(), Vec::new());
        Ok(Self { line, lines: lines.to_vec(), names, body, beats, chords })
    }

    /// Takes a line above the system as its beats or chords; false if it is neither.
    fn take(&mut self, line: &[char]) -> bool {
        let words = words(line);
        let counts = |word: &str| word.chars().all(|c| c.is_ascii_digit() || "&+ea.".contains(c));
        let beats: Vec<_> =
            words.iter().filter_map(|(column, word)| Some((*column, word.parse().ok()?))).collect();
        if !beats.is_empty() && words.iter().all(|(_, word)| counts(word)) {
            self.beats = beats;
            return true;
        }
        let chords: Option<Vec<_>> =
            words.iter().map(|(column, word)| Some((*column, word.parse().ok()?))).collect();
        if let Some(chords) = chords {
            self.chords = chords;
            return true;
        }
        false
    }
}

/// The words of a line and their columns.
fn words(line: &[char]) -> Vec<(usize, String)> {
    let mut words: Vec<(usize, String)> = Vec::new();
    for (column, &c) in line.iter().enumerate() {
        if c.is_whitespace() {
            continue;
        }
        match words.last_mut() {
            Some((start, word)) if *start + word.chars().count() == column => word.push(c),
            _ => words.push((column, c.to_string())),
        }
    }
    words
}
