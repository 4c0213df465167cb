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

/// Collects happenings and cuts them into steps.
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
        let mut steps = Vec::new();
        let mut open = Open::new(0, self.n_strings);
        let mut sounding = vec![false; self.n_strings];
        for now in happenings.chunk_by(|a, b| a.0 == b.0) {
            let time = now[0].0.min(end);
            let place = || format!("bar {}", time / self.bar.max(1) + 1);
            let struck: Vec<usize> = now
                .iter()
                .filter_map(|(_, what)| match what {
                    Happening::Strike(string, _) => Some(*string),
                    _ => None,
                })
                .collect();
            for (_, what) in now {
                if let Happening::Silence(string) = what {
                    sounding[*string] = false;
                }
            }
            let silent = sounding.iter().all(|sounds| !sounds) && struck.is_empty();
            let mut begins = now.iter().any(|(_, what)| match what {
                Happening::Silence(_) | Happening::Strike(..) | Happening::Step => true,
                Happening::Chord(_) | Happening::Claim(_) => true,
                Happening::Rest => silent,
                Happening::Move(..) => false,
            });
            let moves = now.iter().filter_map(|(_, what)| match what {
                Happening::Move(string, next) if !struck.contains(string) => Some((*string, *next)),
                _ => None,
            });
            // A move that meets the start of a step cannot be part of the step before.
            begins |= moves
                .clone()
                .any(|(string, next)| next.kind != MoveKind::Bend && !open.takes(string, next));
            let mut restruck = Vec::new();
            for (string, next) in moves {
                if !begins && open.extend(string, next, time) {
                    continue;
                }
                if next.kind == MoveKind::Bend {
                    remarks.add(place(), "a bend of a note that rings on cannot be kept");
                } else {
                    remarks.add(place(), "a move that no step can hold is written as a strike");
                    restruck.push((string, Mark::fret(next.to.0)));
                }
            }
            if begins && time > open.start {
                let next = Open::new(time, self.n_strings);
                self.close(std::mem::replace(&mut open, next), time, &mut steps, remarks);
            }
            if begins {
                for (string, &sounds) in sounding.iter().enumerate() {
                    open.marks[string] = if sounds { Mark::Held } else { Mark::NotPlayed };
                }
            }
            for (string, mark) in restruck {
                sounding[string] = true;
                open.marks[string] = mark;
            }
            for (_, what) in now {
                match what {
                    Happening::Strike(string, mark) => {
                        sounding[*string] = true;
                        open.marks[*string] = mark.clone();
                    }
                    Happening::Chord(chord) => open.chord = Some(chord.clone()),
                    Happening::Claim(claim) => open.claim = Some(*claim),
                    _ => {}
                }
            }
            for (_, what) in now {
                if let Happening::Move(string, next) = what
                    && struck.contains(string)
                    && !open.extend(*string, *next, time)
                {
                    remarks.add(place(), "a move that leads nowhere was left out");
                }
            }
        }
        if end > open.start {
            self.close(open, end, &mut steps, remarks);
        }
        steps
    }

    fn close(&self, open: Open, end: u64, steps: &mut Vec<Step>, remarks: &mut Remarks) {
        let length = end - open.start;
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
        let place = || format!("bar {}", open.start / self.bar.max(1) + 1);
        if !open.moved.iter().all(even) {
            remarks.add(place(), "moves inside a step are spread evenly over it");
        }
        // What is longer than a step may be goes on in held ones.
        let longest = u64::from(Beats::LONGEST) * self.division;
        let mut left = length;
        while left > 0 {
            let part = left.min(longest);
            step.beats = self.beats(part).unwrap_or_else(|| {
                remarks.add(place(), "a length too fine for a lick was rounded");
                Beats::from_number((part as f64 / self.division as f64).max(1e-6))
                    .expect("within a millionth and a thousand")
            });
            let held = Step {
                marks: step.marks.iter().map(held).collect(),
                chord: None,
                interval: None,
                ..step
            };
            steps.push(std::mem::replace(&mut step, held));
            left -= part;
        }
    }

    fn beats(&self, ticks: u64) -> Option<Beats> {
        let divisor = gcd(ticks, self.division);
        let (n, d) = (ticks / divisor, self.division / divisor);
        Beats::new(u32::try_from(n).ok()?, u32::try_from(d).ok()?)
    }
}

/// What a string does while nothing new is done to it.
fn held(mark: &Mark) -> Mark {
    match mark {
        Mark::NotPlayed => Mark::NotPlayed,
        _ => Mark::Held,
    }
}
