//! The mark of one string in one step: `x`, `7`, `5h7p5`, `7b9`, `<12>`, `8<20>`, `=`.

use std::fmt;
use std::str::FromStr;

use super::fault::Fault;
use crate::theory::fretboard::Fret;

/// What one string does in one step.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Mark {
    /// `x`: not played.
    NotPlayed,
    /// `=`: not struck, still sounding from the step before.
    Held,
    /// `7` or `5h7p5`: struck, then moved on without striking again.
    Fretted {
        /// The fret at the strike.
        fret: Fret,
        /// What the fretting hand does after it, in order.
        moves: Vec<Move>,
    },
    /// `<12>`: natural harmonic, touched over this fret.
    NaturalHarmonic(Fret),
    /// `8<20>`: artificial harmonic.
    ArtificialHarmonic {
        /// The fret that is stopped.
        stopped: Fret,
        /// The fret that is touched.
        touched: Fret,
    },
}

/// A change of pitch on a sounding string.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Move {
    /// How it is done.
    pub kind: MoveKind,
    /// The fret reached (for a bend, the fret it is bent up to the sound of).
    pub to: Fret,
}

/// How a sounding string changes its pitch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MoveKind {
    /// `h`, upwards.
    HammerOn,
    /// `p`, downwards.
    PullOff,
    /// `s`, a slide either way.
    Slide,
    /// `/`, a slide upwards.
    SlideUp,
    /// `\`, a slide downwards.
    SlideDown,
    /// `b`, upwards; the last of its chain.
    Bend,
}

impl MoveKind {
    const SIGNS: [(Self, char); 6] = [
        (Self::HammerOn, 'h'),
        (Self::PullOff, 'p'),
        (Self::Slide, 's'),
        (Self::SlideUp, '/'),
        (Self::SlideDown, '\\'),
        (Self::Bend, 'b'),
    ];

    /// The sign between two frets.
    pub fn sign(self) -> char {
        Self::SIGNS.iter().find(|(kind, _)| *kind == self).expect("all moves are listed").1
    }

    /// Whether the move can lead from one fret to the other.
    pub fn leads(self, from: Fret, to: Fret) -> bool {
        match self {
            Self::HammerOn | Self::SlideUp | Self::Bend => to > from,
            Self::PullOff | Self::SlideDown => to < from,
            Self::Slide => to != from,
        }
    }
}

impl Mark {
    /// A plain fret.
    pub fn fret(fret: u8) -> Self {
        Self::Fretted { fret: Fret(fret), moves: Vec::new() }
    }

    /// True if the string is struck.
    pub fn is_struck(&self) -> bool {
        !matches!(self, Self::NotPlayed | Self::Held)
    }
}

impl fmt::Display for Mark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = match self {
            Self::NotPlayed => "x".to_owned(),
            Self::Held => "=".to_owned(),
            Self::Fretted { fret, moves } => moves.iter().fold(fret.0.to_string(), |text, next| {
                format!("{text}{}{}", next.kind.sign(), next.to.0)
            }),
            Self::NaturalHarmonic(touched) => format!("<{}>", touched.0),
            Self::ArtificialHarmonic { stopped, touched } => {
                format!("{}<{}>", stopped.0, touched.0)
            }
        };
        f.pad(&text)
    }
}

impl FromStr for Mark {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        read(text).ok_or_else(|| Fault::Mark { found: text.to_owned() })
    }
}

fn read(text: &str) -> Option<Mark> {
    match text {
        "x" => return Some(Mark::NotPlayed),
        "=" => return Some(Mark::Held),
        _ => {}
    }
    if let Some(inner) = text.strip_suffix('>') {
        let (stopped, touched) = inner.split_once('<')?;
        let touched = whole_fret(touched)?;
        return match stopped {
            "" => Some(Mark::NaturalHarmonic(touched)),
            _ => Some(Mark::ArtificialHarmonic { stopped: whole_fret(stopped)?, touched }),
        };
    }
    let (fret, mut rest) = leading_fret(text)?;
    let mut moves = Vec::new();
    while let Some(sign) = rest.chars().next() {
        let (kind, _) = *MoveKind::SIGNS.iter().find(|(_, known)| *known == sign)?;
        let (to, after) = leading_fret(&rest[1..])?;
        moves.push(Move { kind, to });
        rest = after;
    }
    Some(Mark::Fretted { fret, moves })
}

/// A fret of one to three digits at the start of `text`, and what follows.
fn leading_fret(text: &str) -> Option<(Fret, &str)> {
    let digits = text.bytes().take_while(u8::is_ascii_digit).count();
    let (number, rest) = text.split_at(digits);
    Some((Fret(number.parse().ok()?), rest))
}

fn whole_fret(text: &str) -> Option<Fret> {
    leading_fret(text).filter(|(_, rest)| rest.is_empty()).map(|(fret, _)| fret)
}
