//! What stands on one line of tab in one place: `7`, `5h7p5`, `7b9`, `<12>`, `(7)`, `5/`, …

use crate::lick::mark::Mark;
use crate::lick::mark::Move;
use crate::lick::mark::MoveKind;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::LAST_FRET;

/// Told of a note that wavers.
pub(super) const VIBRATO: &str = "vibrato was left out";

/// A mark of one string with what leads to it and on from it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Token {
    /// A move that begins before it: `/7`.
    pub arrives: Option<MoveKind>,
    /// What is played.
    pub what: What,
    /// A move that goes on after it: `5h`.
    pub leaves: Option<MoveKind>,
    /// What was decided or left out, for the player to know.
    pub remarks: Vec<&'static str>,
}

/// What a token asks for.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum What {
    /// A mark as in a lick file.
    Mark(Mark),
    /// `(7)`: held, if it sounds already.
    Tied(Fret),
    /// `r`: nothing sounds from here on.
    Rest,
    /// Nothing that has a pitch: a dead note.
    Dead,
}

/// Reads a token. The error is the column (from its first) and the problem.
pub(super) fn parse(text: &str) -> Result<Token, (usize, String)> {
    let chars: Vec<char> = text.chars().collect();
    let mut scan = Scan { chars: &chars, at: 0, remarks: Vec::new() };
    let arrives = scan.arrival();
    let what = match scan.peek() {
        Some('r') if chars.len() == 1 => {
            scan.at += 1;
            What::Rest
        }
        Some('=') => {
            scan.at += 1;
            What::Mark(Mark::Held)
        }
        Some('x' | 'X') => {
            scan.at += 1;
            scan.remarks.push("a dead note has no pitch: left out");
            What::Dead
        }
        Some('(') => {
            scan.at += 1;
            let fret = scan.fret()?;
            scan.expect(')')?;
            What::Tied(fret)
        }
        Some('<') => {
            scan.at += 1;
            let fret = scan.fret()?;
            scan.expect('>')?;
            What::Mark(Mark::NaturalHarmonic(fret))
        }
        Some('[') => {
            scan.at += 1;
            let fret = scan.fret()?;
            scan.expect(']')?;
            scan.remarks.push("a fret in square brackets is read as a harmonic");
            What::Mark(Mark::NaturalHarmonic(fret))
        }
        _ => scan.fretted()?,
    };
    let leaves = scan.ornaments_and_leave(&what)?;
    Ok(Token { arrives, what, leaves, remarks: scan.remarks })
}

struct Scan<'a> {
    chars: &'a [char],
    at: usize,
    remarks: Vec<&'static str>,
}

impl Scan<'_> {
    fn peek(&self) -> Option<char> {
        self.chars.get(self.at).copied()
    }

    fn arrival(&mut self) -> Option<MoveKind> {
        if self.peek() == Some('t') || self.peek() == Some('T') {
            self.at += 1;
            self.remarks.push("a tap is read as a strike");
            return None;
        }
        let kind = self.peek().and_then(move_of)?;
        self.at += 1;
        Some(kind)
    }

    fn expect(&mut self, wanted: char) -> Result<(), (usize, String)> {
        if self.peek() != Some(wanted) {
            return Err((self.at, format!("expected {wanted:?}")));
        }
        self.at += 1;
        Ok(())
    }

    fn fret(&mut self) -> Result<Fret, (usize, String)> {
        let start = self.at;
        let digits: String =
            self.chars[start..].iter().take_while(|c| c.is_ascii_digit()).collect();
        self.at += digits.len();
        match digits.parse::<u8>() {
            Ok(fret) if fret <= LAST_FRET.0 => Ok(Fret(fret)),
            _ if digits.is_empty() => {
                let found = self.peek().map_or("the end".to_owned(), |c| format!("{c:?}"));
                Err((start, format!("expected a fret, found {found}")))
            }
            _ => Err((start, format!("there is no fret {digits}; put `-` between two strikes"))),
        }
    }

    fn fretted(&mut self) -> Result<What, (usize, String)> {
        let fret = self.fret()?;
        if self.peek() == Some('<') {
            self.at += 1;
            let touched = self.fret()?;
            self.expect('>')?;
            return Ok(What::Mark(Mark::ArtificialHarmonic { stopped: fret, touched }));
        }
        let mut moves: Vec<Move> = Vec::new();
        while let Some(kind) = self.peek().and_then(move_of) {
            let from = moves.last().map_or(fret, |last| last.to);
            let at = self.at;
            // What a bend sounds like stands in brackets often: nobody frets it.
            let bracketed = kind == MoveKind::Bend && self.chars.get(self.at + 1) == Some(&'(');
            if !bracketed && !self.chars.get(self.at + 1).is_some_and(char::is_ascii_digit) {
                if kind != MoveKind::Bend {
                    break;
                }
                self.at += 1;
                self.remarks.push("a bend without a target is taken to go up a whole tone");
                moves.push(Move { kind, to: Fret(from.0.saturating_add(2)) });
                continue;
            }
            self.at += 1 + usize::from(bracketed);
            let to = self.fret()?;
            if bracketed {
                self.expect(')')?;
            }
            if !kind.leads(from, to) {
                let sign = kind.sign();
                return Err((at, format!("{sign:?} cannot lead from {} to {}", from.0, to.0)));
            }
            moves.push(Move { kind, to });
        }
        Ok(What::Mark(Mark::Fretted { fret, moves }))
    }

    /// Letters after the mark: ornaments that a lick has no room for, or a move that goes on.
    fn ornaments_and_leave(&mut self, what: &What) -> Result<Option<MoveKind>, (usize, String)> {
        while let Some(next) = self.peek() {
            match next {
                '~' | 'v' | 'V' if self.remarks.last() == Some(&VIBRATO) => {}
                '~' | 'v' | 'V' => self.remarks.push(VIBRATO),
                'r' => {
                    self.remarks.push("the release of a bend was left out");
                    while self.chars.get(self.at + 1).is_some_and(char::is_ascii_digit) {
                        self.at += 1;
                    }
                }
                _ => match move_of(next) {
                    Some(kind) if self.at + 1 == self.chars.len() && *what != What::Rest => {
                        self.at += 1;
                        return Ok(Some(kind));
                    }
                    _ => return Err((self.at, format!("{next:?} means nothing here"))),
                },
            }
            self.at += 1;
        }
        Ok(None)
    }
}

fn move_of(sign: char) -> Option<MoveKind> {
    match sign {
        'h' | 'H' => Some(MoveKind::HammerOn),
        'p' | 'P' => Some(MoveKind::PullOff),
        's' | 'S' => Some(MoveKind::Slide),
        '/' => Some(MoveKind::SlideUp),
        '\\' => Some(MoveKind::SlideDown),
        'b' | '^' => Some(MoveKind::Bend),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(text: &str) -> Mark {
        match parse(text).unwrap().what {
            What::Mark(mark) => mark,
            other => panic!("{text} is {other:?}"),
        }
    }

    /// The marks of a lick file are tokens too.
    #[test]
    fn marks_read_as_in_a_lick_file() {
        for text in
            ["7", "0", "24", "5h7", "5h7p5", "5s7", "5/7", "7\\5", "7b9", "<12>", "8<20>", "="]
        {
            assert_eq!(mark(text), text.parse().unwrap(), "{text}");
            assert_eq!(parse(text).unwrap().remarks, Vec::<&str>::new(), "{text}");
        }
    }

    /// Letters of plain-text tab, common practice.
    #[test]
    fn what_a_lick_has_no_room_for_is_told() {
        assert_eq!(mark("7~"), Mark::fret(7));
        assert_eq!(mark("7b9r7"), "7b9".parse().unwrap());
        assert_eq!(mark("7b"), "7b9".parse().unwrap());
        assert_eq!(mark("t12"), Mark::fret(12));
        assert_eq!(mark("7b(9)"), "7b9".parse().unwrap());
        assert_eq!(mark("[12]"), "<12>".parse().unwrap());
        for text in ["7~", "7b9r7", "7b", "t12", "x", "[12]"] {
            assert_eq!(parse(text).unwrap().remarks.len(), 1, "{text}");
        }
        assert_eq!(parse("(7)").unwrap().what, What::Tied(Fret(7)));
        assert_eq!(parse("5h").unwrap().leaves, Some(MoveKind::HammerOn));
        assert_eq!(parse("/7").unwrap().arrives, Some(MoveKind::SlideUp));
    }

    #[test]
    fn nonsense_is_refused_with_its_column() {
        for (text, column) in [
            ("57", 0),
            ("7h5", 1),
            ("7q", 1),
            ("<12", 3),
            ("7h7", 1),
            ("(x)", 1),
            ("[12", 3),
            ("7b(9", 4),
            ("7h(9)", 1),
        ] {
            let (found, problem) = parse(text).unwrap_err();
            assert_eq!(found, column, "{text}: {problem}");
        }
    }
}
