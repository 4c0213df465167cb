//! Plain-text tab as a lick.

use std::collections::BTreeMap;
use std::collections::BTreeSet;

use super::page::Page;
use super::page::System;
use super::token;
use super::token::Token;
use super::token::What;
use crate::lick::Lick;
use crate::lick::Meter;
use crate::lick::Step;
use crate::lick::beats::Beats;
use crate::lick::check::LAST_CAPO;
use crate::lick::mark::Mark;
use crate::lick::mark::Move;
use crate::lick::mark::MoveKind;
use crate::lick::swing::Swing;
use crate::notation::MAX_NOTES;
use crate::notation::Reading;
use crate::notation::error::NotationError;
use crate::notation::error::Place;
use crate::notation::remarks::Remarks;
use crate::theory::chord::Chord;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::Tuning;
use crate::theory::key::Key;
use crate::theory::key::Mode;
use crate::theory::note::MidiNote;
use crate::theory::spelling::Spelling;

/// Bytes of a text; a lick of 200 steps needs about 20 000.
const MAX_BYTES: u64 = 1 << 20;

/// Parts of a beat that marks are tried to fall on, where only their spacing tells.
const PARTS: [u64; 8] = [1, 2, 3, 4, 6, 8, 12, 24];

/// Reads plain-text tab.
///
/// # Errors
/// Ragged lines, marks that mean nothing, headings that cannot be, or no tab at all.
pub fn read(text: &str) -> Result<Reading, NotationError> {
    if text.len() as u64 > MAX_BYTES {
        return Err(NotationError::TooBig { place: Place::File, what: "bytes", limit: MAX_BYTES });
    }
    let mut remarks = Remarks::default();
    let page = Page::parse(text, &mut remarks)?;
    if page.systems.is_empty() {
        let problem = "there are no lines of tab in it".to_owned();
        return Err(NotationError::Malformed { place: Place::File, problem });
    }
    let mut lick = head(&page, &mut remarks)?;
    let mut columns = Vec::new();
    let mut now = Time::default();
    for system in &page.systems {
        let n_strings = lick.tuning.n_strings();
        if system.lines.len() != n_strings {
            return Err(NotationError::Malformed {
                place: Place::Text { line: system.line, column: 1 },
                problem: format!("{} lines of tab for {n_strings} strings", system.lines.len()),
            });
        }
        let found = system_columns(system, &mut remarks)?;
        now = set_times(system, found, lick.meter, now, &mut columns, &mut remarks);
        if columns.len() as u64 > MAX_NOTES {
            let (what, limit) = ("steps", MAX_NOTES);
            return Err(NotationError::TooBig { place: Place::File, what, limit });
        }
    }
    lick.steps = steps(columns, now, &lick, &mut remarks);
    crate::notation::checked(lick, remarks)
}

/// A lick without steps, from the headings.
fn head(page: &Page, remarks: &mut Remarks) -> Result<Lick, NotationError> {
    let get = |name: &str| page.headings.get(name).map(|(line, value)| (*line, value.trim()));
    let wrong = |line: usize, problem: String| NotationError::Malformed {
        place: Place::Text { line, column: 1 },
        problem,
    };
    let title = page.headings.get("title").map(|(_, title)| title.clone());
    let title = title.filter(|title| !title.trim().is_empty());
    let key = match get("key") {
        Some((line, key)) => {
            Some(key.parse::<Key>().map_err(|error| wrong(line, error.to_string()))?)
        }
        None => None,
    };
    let tempo = match get("tempo") {
        Some((line, tempo)) => {
            let number: Option<f64> = tempo.parse().ok().filter(|t| (10.0..=400.0).contains(t));
            Some(
                number
                    .ok_or_else(|| wrong(line, format!("{tempo:?} is no tempo from 10 to 400")))?,
            )
        }
        None => None,
    };
    let meter = match get("meter") {
        Some((line, meter)) => {
            let parts = meter.split_once('/');
            let parts = parts.and_then(|(count, unit)| {
                Meter::new(count.trim().parse().ok()?, unit.trim().parse().ok()?)
            });
            Some(parts.ok_or_else(|| wrong(line, format!("{meter:?} is no metre")))?)
        }
        None => None,
    };
    let swing = match get("swing") {
        Some((line, swing)) => {
            let found = swing.parse::<Swing>().ok();
            Some(found.ok_or_else(|| {
                wrong(line, format!("{swing:?} is no swing above 1:1 and below 3:1"))
            })?)
        }
        None => None,
    };
    let tuning = match get("tuning") {
        Some((line, names)) => {
            let open: Option<Vec<MidiNote>> = names
                .split_whitespace()
                .map(|name| name.parse::<Spelling>().ok().and_then(Spelling::midi))
                .collect();
            let tuning = open.and_then(Tuning::new);
            let place = Place::Text { line, column: 1 };
            let found = names.to_string();
            Some(tuning.ok_or(NotationError::Tuning { place, found })?)
        }
        None => page.tuning_by_names(),
    };
    let capo = match get("capo") {
        Some((line, capo)) => {
            let fret = capo.parse().ok().filter(|&fret| fret <= LAST_CAPO);
            fret.ok_or_else(|| wrong(line, format!("{capo:?} is no fret for a capo")))?
        }
        None => 0,
    };
    let mut or_default = |missing: bool, what: &str| {
        if missing {
            remarks.add("", what);
        }
    };
    or_default(title.is_none(), "no heading `Title:` names the lick");
    or_default(key.is_none(), "there is no heading `Key:`; C major is taken");
    or_default(tempo.is_none(), "there is no heading `Tempo:`; 90 is taken");
    or_default(meter.is_none(), "there is no heading `Meter:`; 4/4 is taken");
    or_default(
        tuning.is_none(),
        "neither a heading nor names tell the tuning; the usual one is taken",
    );
    Ok(Lick {
        title: title.unwrap_or_else(|| "Untitled".to_owned()),
        key: key.unwrap_or_else(|| Key::from_fifths(0, Mode::Major).expect("no sharps")),
        tempo_bpm: tempo.unwrap_or(90.0),
        meter: meter.unwrap_or_else(|| Meter::new(4, 4).expect("a metre")),
        swing,
        tuning: tuning.unwrap_or_default(),
        capo,
        steps: Vec::new(),
    })
}

/// What stands in one column: the token of each string (0 for the lowest).
#[derive(Debug, Default)]
struct Column {
    tokens: BTreeMap<usize, Token>,
    chord: Option<Chord>,
    start: Time,
    place: String,
}

/// A time in whole beats of the metre and a part of one.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Time {
    beats: u64,
    part: u64,
    /// Parts to the beat; 0 for none, which is read as one.
    parts: u64,
}

impl Time {
    fn parts(self) -> u64 {
        self.parts.max(1)
    }

    /// The time from `self` to `later`, beats of `unit` each; `None` for no time.
    fn until(self, later: Self, unit: u8) -> Option<(u64, u64)> {
        let (a, b) = (self.parts(), later.parts());
        let total = |time: Self| time.beats * a * b + time.part * (a * b / time.parts());
        let numerator = 4 * total(later).checked_sub(total(self)).filter(|&length| length > 0)?;
        Some((numerator, a * b * u64::from(unit)))
    }
}

/// The columns of a system that hold something, in order.
fn system_columns(
    system: &System,
    remarks: &mut Remarks,
) -> Result<BTreeMap<usize, Column>, NotationError> {
    let mut found: Vec<(usize, usize, usize, Token)> = Vec::new();
    for (index, line) in system.lines.iter().enumerate() {
        let string = system.lines.len() - 1 - index;
        let mut at = system.body;
        while at < line.len() {
            let length = line[at..].iter().take_while(|c| !matches!(c, '-' | '|' | ' ')).count();
            if length > 0 {
                let text: String = line[at..at + length].iter().collect();
                let told_at = || format!("line {}, column {}", system.line + index, at + 1);
                // Drawn out to the note's length it stands by itself.
                if text.chars().all(|c| c == '~') {
                    remarks.add(told_at(), token::VIBRATO);
                    at += length;
                    continue;
                }
                let token = token::parse(&text).map_err(|(offset, problem)| {
                    let place = Place::Text { line: system.line + index, column: at + offset + 1 };
                    NotationError::Malformed { place, problem }
                })?;
                token.remarks.iter().for_each(|remark| remarks.add(told_at(), *remark));
                found.push((at, at + length, string, token));
            }
            at += length.max(1);
        }
    }
    let bare: BTreeSet<usize> = found
        .iter()
        .filter(|(.., token)| !matches!(token.what, What::Tied(_)))
        .map(|(at, ..)| *at)
        .collect();
    let mut columns: BTreeMap<usize, Column> = BTreeMap::new();
    let mut ends: BTreeMap<usize, usize> = BTreeMap::new();
    for (at, end, string, token) in found {
        // A mark in brackets stands where its digit does, not where the bracket opens.
        let is_bracketed = matches!(token.what, What::Tied(_)) && !bare.contains(&at);
        let at = at + usize::from(is_bracketed);
        let column = columns.entry(at).or_default();
        column.place = format!("line {}, column {}", system.line, at + 1);
        column.tokens.insert(string, token);
        let last = ends.entry(at).or_default();
        *last = (*last).max(end);
    }
    align(&mut columns, &ends, remarks);
    for (at, chord) in &system.chords {
        let there = columns.range(at..).next().map(|(at, _)| *at);
        let there = there.or(columns.last_key_value().map(|(at, _)| *at));
        if let Some(column) = there.and_then(|at| columns.get_mut(&at)) {
            column.chord = Some(chord.clone());
        }
    }
    Ok(columns)
}

/// Joins columns that overlap by a digit: `10` over `-9` is one strike.
fn align(
    columns: &mut BTreeMap<usize, Column>,
    ends: &BTreeMap<usize, usize>,
    remarks: &mut Remarks,
) {
    let starts: Vec<usize> = columns.keys().copied().collect();
    for pair in starts.windows(2) {
        let [one, next] = *pair else { continue };
        let overlaps = next == one + 1 && ends.get(&one) == Some(&(one + 2));
        let apart = |one: &Column, next: &Column| {
            next.tokens.keys().all(|string| !one.tokens.contains_key(string))
        };
        let plain = |column: &Column| {
            column.tokens.values().all(|t| matches!(&t.what, What::Mark(Mark::Fretted { .. })))
        };
        let joins = overlaps
            && columns
                .get(&one)
                .zip(columns.get(&next))
                .is_some_and(|(one, next)| apart(one, next) && plain(one) && plain(next));
        if let Some(joined) = joins.then(|| columns.remove(&next)).flatten() {
            remarks
                .add(joined.place.clone(), "marks that overlap by a digit are read as one strike");
            if let Some(column) = columns.get_mut(&one) {
                column.tokens.extend(joined.tokens);
            }
        }
    }
}

/// Gives every column its time, appends it to `all` and returns when the system ends.
fn set_times(
    system: &System,
    mut found: BTreeMap<usize, Column>,
    meter: Meter,
    mut now: Time,
    all: &mut Vec<Column>,
    remarks: &mut Remarks,
) -> Time {
    let line = &system.lines[0];
    let mut bars: Vec<usize> = (system.body..line.len()).filter(|&at| line[at] == '|').collect();
    let place = format!("line {}", system.line);
    if bars.is_empty() {
        remarks.add(place, "without bars the closest marks are read as eighths");
        return set_eighths(found, meter, now, all);
    }
    if bars[0] != system.body {
        bars.insert(0, system.body.wrapping_sub(1));
    }
    if bars.last() != Some(&(line.len() - 1)) {
        bars.push(line.len());
    }
    // Before the first mark of a bar comes some space, the same in every bar.
    let lead = |from: usize, to: usize| found.range(from..to).next().map(|(at, _)| at - from);
    let inner = |pair: &[usize]| (pair[0].wrapping_add(1), pair[1]);
    let space = bars.windows(2).filter_map(|p| lead(inner(p).0, inner(p).1)).min().unwrap_or(0);
    for pair in bars.windows(2) {
        let (from, to) = inner(pair);
        let marks: Vec<usize> = found.range(from..to).map(|(at, _)| *at).collect();
        let beats: Vec<usize> =
            system.beats.iter().map(|(at, _)| *at).filter(|at| (from..to).contains(at)).collect();
        // A double bar line.
        if to <= from {
            continue;
        }
        let (times, length) = if beats.is_empty() {
            if !marks.is_empty() {
                let place = format!("line {}, column {}", system.line, from + 1);
                remarks.add(place, "without a beat line, time is read from the spacing");
            }
            let count = u64::from(meter.count);
            (spaced(&marks, (from + space).min(to - 1), to, count), count)
        } else {
            (counted(&marks, &beats, to), beats.len() as u64)
        };
        for (at, time) in marks.iter().zip(times) {
            if let Some(mut column) = found.remove(at) {
                column.start = Time { beats: now.beats + time.beats, ..time };
                all.push(column);
            }
        }
        now = Time { beats: now.beats + length, ..Time::default() };
    }
    now
}

/// As [`set_times`], where nothing but the spacing tells the time.
fn set_eighths(
    found: BTreeMap<usize, Column>,
    meter: Meter,
    now: Time,
    all: &mut Vec<Column>,
) -> Time {
    let starts: Vec<usize> = found.keys().copied().collect();
    let closest = starts.windows(2).map(|pair| pair[1] - pair[0]).min().unwrap_or(1) as u64;
    // A beat of the metre is 4/unit quarter notes, so an eighth is unit/8 of it.
    let parts = closest * 8;
    let first = starts.first().copied().unwrap_or(0);
    let at = |column: usize| {
        let eighths = (column - first) as u64 * u64::from(meter.unit);
        Time { beats: now.beats + eighths / parts, part: eighths % parts, parts }
    };
    let last = starts.last().map_or(first, |last| last + closest as usize);
    let end = at(last);
    all.extend(found.into_iter().map(|(column, what)| Column { start: at(column), ..what }));
    Time { beats: end.beats + u64::from(end.part > 0), ..Time::default() }
}

/// Times of marks between the numbers of a beat line.
fn counted(marks: &[usize], beats: &[usize], end: usize) -> Vec<Time> {
    marks
        .iter()
        .map(|&at| {
            let beat = beats.iter().rposition(|&beat| beat <= at).unwrap_or(0);
            let from = beats[beat];
            let to = beats.get(beat + 1).copied().unwrap_or(end);
            let part = at.saturating_sub(from) as u64;
            Time { beats: beat as u64, part, parts: (to - from).max(1) as u64 }
        })
        .collect()
}

/// Times of marks in a bar of `count` beats whose columns share it evenly, on the coarsest parts
/// of a beat that lie within three quarters of a column of every mark and keep them apart.
fn spaced(marks: &[usize], from: usize, to: usize, count: u64) -> Vec<Time> {
    let width = (to - from) as u64;
    let exact = |at: usize| (at.saturating_sub(from)) as u64;
    let on = |parts: u64| -> Option<Vec<u64>> {
        let total = parts * count;
        let mut taken = Vec::new();
        for &at in marks {
            let part = ((2 * exact(at) * total + width) / (2 * width)).min(total - 1);
            let off = (part * width).abs_diff(exact(at) * total);
            if 4 * off > 3 * total || taken.last() == Some(&part) {
                return None;
            }
            taken.push(part);
        }
        Some(taken)
    };
    for parts in PARTS {
        if let Some(taken) = on(parts) {
            return taken
                .into_iter()
                .map(|part| Time { beats: part / parts, part: part % parts, parts })
                .collect();
        }
    }
    let time = |&at: &usize| {
        let total = exact(at) * count;
        Time { beats: total / width, part: total % width, parts: width }
    };
    marks.iter().map(time).collect()
}

/// The columns as steps: each lasts until the next one.
fn steps(columns: Vec<Column>, end: Time, lick: &Lick, remarks: &mut Remarks) -> Vec<Step> {
    let mut steps: Vec<(Time, String, Step)> = Vec::new();
    let mut leaving: Vec<Option<MoveKind>> = vec![None; lick.tuning.n_strings()];
    let one = Beats::new(1, 1).expect("one beat is a length");
    let empty = || vec![Mark::NotPlayed; lick.tuning.n_strings()];
    if columns
        .first()
        .is_some_and(|first| first.start != Time { parts: first.start.parts, ..Time::default() })
    {
        let rest = Step { beats: one, marks: empty(), chord: None, interval: None };
        steps.push((Time::default(), "the beginning".to_owned(), rest));
    }
    for column in columns {
        let mut step = Step { beats: one, marks: empty(), chord: column.chord, interval: None };
        let alone = column.tokens.len() == 1;
        let mut joined = false;
        for (string, token) in column.tokens {
            let arrives = leaving[string].take().or(token.arrives);
            leaving[string] = token.leaves;
            let before = steps.last_mut().map(|(.., step)| &mut step.marks[string]);
            let mark = match token.what {
                What::Mark(mark) => mark,
                What::Tied(fret) if before.as_ref().is_some_and(|mark| sounds(mark, fret)) => {
                    Mark::Held
                }
                What::Tied(fret) => {
                    let what = "a mark in brackets that does not sound yet is a strike";
                    remarks.add(&column.place, what);
                    Mark::fret(fret.0)
                }
                What::Rest | What::Dead => Mark::NotPlayed,
            };
            if let Some(kind) = arrives {
                // A move to a column of its own is part of the step before, if nothing else is struck.
                match (&mark, before) {
                    (
                        Mark::Fretted { fret, moves },
                        Some(Mark::Fretted { fret: first, moves: chain }),
                    ) if alone
                        && step.chord.is_none()
                        && kind.leads(chain.last().map_or(*first, |last| last.to), *fret)
                        && chain.last().is_none_or(|last| last.kind != MoveKind::Bend) =>
                    {
                        chain.push(Move { kind, to: *fret });
                        chain.extend(moves);
                        joined = true;
                    }
                    _ => remarks
                        .add(&column.place, "a move that no step can hold is written as a strike"),
                }
            }
            step.marks[string] = mark;
        }
        if !joined {
            steps.push((column.start, column.place, step));
        }
    }
    for string in leaving.iter().flatten() {
        remarks.add("", format!("a {:?} that leads nowhere was left out", string.sign()));
    }
    lasting(steps, end, lick.meter.unit, remarks)
}

/// The steps with their lengths, from when each begins and where; times are in beats of `unit`.
fn lasting(
    steps: Vec<(Time, String, Step)>,
    end: Time,
    unit: u8,
    remarks: &mut Remarks,
) -> Vec<Step> {
    let ends: Vec<Time> = steps.iter().skip(1).map(|(start, ..)| *start).chain([end]).collect();
    steps
        .into_iter()
        .zip(ends)
        .filter_map(|((start, place, step), end)| {
            let (n, d) = start.until(end, unit)?;
            let divisor = crate::notation::ticks::gcd(n, d);
            let exact = u32::try_from(n / divisor).ok().zip(u32::try_from(d / divisor).ok());
            let beats = exact.and_then(|(n, d)| Beats::new(n, d)).or_else(|| {
                remarks.add(&place, "a length that a lick cannot have was rounded");
                Beats::from_number((n as f64 / d as f64).clamp(1e-6, f64::from(Beats::LONGEST)))
            })?;
            Some(Step { beats, ..step })
        })
        .collect()
}

/// Whether the string may sound at `fret` when the step ends.
fn sounds(mark: &Mark, fret: Fret) -> bool {
    match mark {
        Mark::Fretted { fret: struck, moves } => {
            moves.last().map_or(*struck, |last| last.to) == fret
        }
        Mark::NaturalHarmonic(touched) => *touched == fret,
        Mark::ArtificialHarmonic { stopped, .. } => *stopped == fret,
        Mark::Held => true,
        Mark::NotPlayed => false,
    }
}
