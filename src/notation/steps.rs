//! From what the strings do over time to the steps of a lick.
//!
//! **Rule.** A new step begins where a string is struck, where one falls silent, where a chord
//! or a claim is noted, and where the source says so. A string that sounds on into a step is
//! held there.

use super::remarks::Remarks;
use super::ticks::gcd;
use super::ticks::parts;
use crate::lick::Step;
use crate::lick::beats::Beats;
use crate::lick::mark::Mark;
use crate::lick::mark::Move;
use crate::lick::mark::MoveKind;
use crate::theory::chord::Chord;
use crate::theory::interval::Interval;

/// Something that happens at one instant.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Happening {
    /// The string of that index (0 for the lowest) falls silent, unless struck at once.
    Silence(usize),
    /// The string is struck.
    Strike(usize, Mark),
    /// The string, already sounding, moves on.
    Move(usize, Move),
    /// A step begins.
    Step,
    /// A step begins if nothing sounds.
    Rest,
    /// The harmony changes.
    Chord(Chord),
    /// The author names an interval.
    Claim(Interval),
}

impl Happening {
    /// Whether a step begins here, all strings being `silent` or not.
    fn begins(&self, silent: bool) -> bool {
        match self {
            Self::Silence(_) | Self::Strike(..) | Self::Step => true,
            Self::Chord(_) | Self::Claim(_) => true,
            Self::Rest => silent,
            Self::Move(..) => false,
        }
    }
}

/// Cuts happenings into steps.
#[derive(Debug)]
pub(super) struct Cutter {
    /// Ticks to the quarter note.
    pub division: u64,
    /// Ticks to the bar, to tell places.
    pub bar: u64,
    /// Number of strings.
    pub n_strings: usize,
}

/// A step while it is being filled.
struct Open {
    start: u64,
    marks: Vec<Mark>,
    chord: Option<Chord>,
    claim: Option<Interval>,
    /// Strings and when they move, with the order of the move; to see whether it is even.
    moved: Vec<(usize, u64, u64)>,
}

impl Open {
    fn new(start: u64, n_strings: usize) -> Self {
        let marks = vec![Mark::NotPlayed; n_strings];
        Self { start, marks, chord: None, claim: None, moved: Vec::new() }
    }

    /// Whether the string can go on with `next` in this step.
    fn takes(&self, string: usize, next: Move) -> bool {
        let Mark::Fretted { fret, moves } = &self.marks[string] else { return false };
        let from = moves.last().map_or(*fret, |last| last.to);
        let bent = moves.last().is_some_and(|last| last.kind == MoveKind::Bend);
        !bent && next.kind.leads(from, next.to)
    }

    /// Adds `next` to what the string does in this step; false if that cannot be.
    fn extend(&mut self, string: usize, next: Move, time: u64) -> bool {
        let takes = self.takes(string, next);
        if let (true, Mark::Fretted { moves, .. }) = (takes, &mut self.marks[string]) {
            moves.push(next);
            if next.kind != MoveKind::Bend {
                self.moved.push((string, time, moves.len() as u64));
            }
        }
        takes
    }
}

impl Cutter {
    /// Cuts the time from 0 to `end` into steps.
    pub fn cut(
        &self,
        mut happenings: Vec<(u64, Happening)>,
        end: u64,
        remarks: &mut Remarks,
    ) -> Vec<Step> {
        happenings.sort_by_key(|(time, _)| *time);
        let open = Open::new(0, self.n_strings);
        let sounding = vec![false; self.n_strings];
        let mut cut = Cut { cutter: self, open, sounding, steps: Vec::new(), remarks };
        for now in happenings.chunk_by(|a, b| a.0 == b.0) {
            cut.take(now[0].0.min(end), now);
        }
        cut.close(end);
        cut.steps
    }

    fn beats(&self, ticks: u64) -> Option<Beats> {
        let divisor = gcd(ticks, self.division);
        let (n, d) = (ticks / divisor, self.division / divisor);
        Beats::new(u32::try_from(n).ok()?, u32::try_from(d).ok()?)
    }

    fn place(&self, time: u64) -> String {
        format!("bar {}", time / self.bar.max(1) + 1)
    }
}

/// Steps in the making.
struct Cut<'a> {
    cutter: &'a Cutter,
    open: Open,
    /// Which strings sound.
    sounding: Vec<bool>,
    steps: Vec<Step>,
    remarks: &'a mut Remarks,
}

impl Cut<'_> {
    /// Takes all that happens at `time`.
    fn take(&mut self, time: u64, now: &[(u64, Happening)]) {
        let now = || now.iter().map(|(_, what)| what);
        let mut struck = Vec::new();
        for what in now() {
            match what {
                Happening::Silence(string) => self.sounding[*string] = false,
                Happening::Strike(string, _) => struck.push(*string),
                _ => {}
            }
        }
        let moves = now().filter_map(|what| match what {
            Happening::Move(string, next) => Some((*string, *next)),
            _ => None,
        });
        let (fresh, onward): (Vec<_>, Vec<_>) =
            moves.partition(|(string, _)| struck.contains(string));
        let silent = struck.is_empty() && !self.sounding.contains(&true);
        // A move that meets the start of a step cannot be part of the step before.
        let begins = now().any(|what| what.begins(silent))
            || onward.iter().any(|&(string, next)| {
                next.kind != MoveKind::Bend && !self.open.takes(string, next)
            });
        let restruck = self.go_on(time, onward, begins);
        if begins {
            self.begin(time);
        }
        let strikes = now().filter_map(|what| match what {
            Happening::Strike(string, mark) => Some((*string, mark.clone())),
            _ => None,
        });
        for (string, mark) in restruck.into_iter().chain(strikes) {
            self.sounding[string] = true;
            self.open.marks[string] = mark;
        }
        for what in now() {
            match what {
                Happening::Chord(chord) => self.open.chord = Some(chord.clone()),
                Happening::Claim(claim) => self.open.claim = Some(*claim),
                _ => {}
            }
        }
        for (string, next) in fresh {
            if !self.open.extend(string, next, time) {
                self.remarks.add(self.cutter.place(time), "a move that leads nowhere was left out");
            }
        }
    }

    /// Lets strings that sound move on in the open step, unless another begins; what it cannot hold is
    /// struck anew.
    fn go_on(&mut self, time: u64, moves: Vec<(usize, Move)>, begins: bool) -> Vec<(usize, Mark)> {
        let mut restruck = Vec::new();
        for (string, next) in moves {
            let place = self.cutter.place(time);
            if !begins && self.open.extend(string, next, time) {
                continue;
            }
            if next.kind == MoveKind::Bend {
                self.remarks.add(place, "a bend of a note that rings on cannot be kept");
            } else {
                self.remarks.add(place, "a move that no step can hold is written as a strike");
                restruck.push((string, Mark::fret(next.to.0)));
            }
        }
        restruck
    }

    /// Begins a step in which what sounds is held.
    fn begin(&mut self, time: u64) {
        self.close(time);
        for (mark, &sounds) in self.open.marks.iter_mut().zip(&self.sounding) {
            *mark = if sounds { Mark::Held } else { Mark::NotPlayed };
        }
    }

    /// Ends the open step at `end`, if it began before, and opens the next.
    fn close(&mut self, end: u64) {
        let length = end.saturating_sub(self.open.start);
        if length == 0 {
            return;
        }
        let open = std::mem::replace(&mut self.open, Open::new(end, self.cutter.n_strings));
        let mut step = Step {
            beats: Beats::new(1, 1).expect("one beat is a length"),
            marks: open.marks,
            chord: open.chord,
            interval: open.claim,
        };
        let even = |&(string, time, order): &(usize, u64, u64)| {
            u128::from(time - open.start) * u128::from(parts(&step.marks[string]))
                == u128::from(order) * u128::from(length)
        };
        let place = self.cutter.place(open.start);
        if !open.moved.iter().all(even) {
            self.remarks.add(place.as_str(), "moves inside a step are spread evenly over it");
        }
        // What is longer than a step may be goes on in held ones.
        let longest = u64::from(Beats::LONGEST) * self.cutter.division;
        let mut left = length;
        while left > 0 {
            let part = left.min(longest);
            step.beats = self.cutter.beats(part).unwrap_or_else(|| {
                self.remarks.add(place.as_str(), "a length too fine for a lick was rounded");
                Beats::from_number((part as f64 / self.cutter.division as f64).max(1e-6))
                    .expect("within a millionth and a thousand")
            });
            let held = Step {
                marks: step.marks.iter().map(held).collect(),
                chord: None,
                interval: None,
                ..step
            };
            self.steps.push(std::mem::replace(&mut step, held));
            left -= part;
        }
    }
}

/// What a string does while nothing new is done to it.
fn held(mark: &Mark) -> Mark {
    match mark {
        Mark::NotPlayed => Mark::NotPlayed,
        _ => Mark::Held,
    }
}
