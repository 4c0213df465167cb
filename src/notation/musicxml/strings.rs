//! From the notes of a part to what each string does: strikes, ties and moves.

use super::TOUCHED;
use super::read::Note;
use super::read::Reader;
use super::xml::Element;
use crate::lick::Lick;
use crate::lick::mark::Mark;
use crate::lick::mark::Move;
use crate::lick::mark::MoveKind;
use crate::notation::error::NotationError;
use crate::notation::hand;
use crate::theory::fretboard::Fret;

/// A string sounding from a strike on, or a pitch where strings are not given.
pub(super) struct Sound {
    pub start: u64,
    pub end: u64,
    pub mark: Mark,
    pub moves: Vec<(u64, Move)>,
}

impl<'a> Reader<'a> {
    /// What each string (by index from the lowest) does; a bar lasts `bar`.
    pub fn sounds(
        &mut self,
        mut notes: Vec<Note<'a>>,
        lick: &Lick,
        bar: u64,
    ) -> Result<Vec<(usize, Sound)>, NotationError> {
        notes.sort_by_key(|note| note.start);
        if !notes.is_empty() && notes.iter().all(|note| note.place.is_none()) {
            return Ok(self.placed(&notes, lick, bar));
        }
        let n_strings = lick.tuning.n_strings();
        let mut by_string: Vec<Vec<Sound>> = (0..n_strings).map(|_| Vec::new()).collect();
        for note in &notes {
            let Some((string, fret)) = note.place else {
                self.remarks.add("", "notes without string and fret were left out");
                continue;
            };
            let index = n_strings.checked_sub(usize::from(string)).filter(|&i| i < n_strings);
            let index = index.ok_or_else(|| {
                self.malformed(note.element, format!("there is no string {string}"))
            })?;
            self.add(&mut by_string[index], note, Fret(fret));
        }
        let indexed = by_string.into_iter().enumerate();
        Ok(indexed.flat_map(|(i, sounds)| sounds.into_iter().map(move |s| (i, s))).collect())
    }

    /// Adds a note to what its string does: as a strike, a move, or the rest of a tie.
    fn add(&mut self, string: &mut Vec<Sound>, note: &Note<'_>, fret: Fret) {
        let mut bends = technical(note.element)
            .filter(|mark| mark.name == "bend")
            .filter_map(|bend| bend.child_text("bend-alter")?.parse::<f64>().ok())
            .filter(|semitones| *semitones > 0.0)
            .map(|semitones| Move {
                kind: MoveKind::Bend,
                to: Fret(fret.0.saturating_add(semitones.round() as u8)),
            })
            .map(|bend| (note.start, bend));
        if let Some(sound) = string.last_mut().filter(|sound| sound.end >= note.start) {
            let from = match (&sound.moves[..], &sound.mark) {
                ([.., (_, last)], _) if last.kind != MoveKind::Bend => last.to,
                ([.., (_, before), _], _) => before.to,
                (_, Mark::Fretted { fret, .. }) => *fret,
                _ => fret,
            };
            let joined = sound.end == note.start;
            if joined && tied_back(note.element) && from == fret {
                sound.end = note.end;
                sound.moves.extend(bends);
                return;
            }
            let kind = if joined { reached_by(note.element) } else { None };
            if let Some(kind) = kind.filter(|kind| kind.leads(from, fret)) {
                sound.end = note.end;
                sound.moves.push((note.start, Move { kind, to: fret }));
                sound.moves.extend(bends);
                return;
            }
            // A string can sound one note at a time.
            sound.end = note.start;
        }
        let mark = self.mark(note, fret);
        let moves = match mark {
            Mark::Fretted { .. } => bends.next().into_iter().collect(),
            _ => Vec::new(),
        };
        string.push(Sound { start: note.start, end: note.end, mark, moves });
    }

    /// The mark of a struck note: a plain fret or a harmonic.
    fn mark(&mut self, note: &Note<'_>, fret: Fret) -> Mark {
        let Some(harmonic) = technical(note.element).find(|mark| mark.name == "harmonic") else {
            return Mark::Fretted { fret, moves: Vec::new() };
        };
        if harmonic.child("artificial").is_none() {
            return Mark::NaturalHarmonic(fret);
        }
        let touched = technical(note.element)
            .filter(|mark| mark.name == "other-technical")
            .find_map(|mark| mark.text().strip_prefix(TOUCHED)?.parse().ok());
        let touched = touched.unwrap_or_else(|| {
            let problem = "an artificial harmonic is taken to be touched twelve frets up";
            self.remarks.add("", problem);
            fret.0.saturating_add(12)
        });
        Mark::ArtificialHarmonic { stopped: fret, touched: Fret(touched) }
    }

    /// Strings and frets for a part that names none.
    fn placed(&mut self, notes: &[Note<'a>], lick: &Lick, bar: u64) -> Vec<(usize, Sound)> {
        self.remarks.add(
            "",
            "the part names no strings and frets; they are chosen so that the hand keeps still",
        );
        let mut wanted: Vec<hand::Wanted<u64>> = Vec::new();
        for note in notes {
            let Some(pitch) = note.pitch else { continue };
            let tied = wanted
                .iter_mut()
                .rev()
                .take(64)
                .find(|before| before.note == pitch && before.end == note.start);
            match tied.filter(|_| tied_back(note.element)) {
                Some(before) => before.end = note.end,
                None => wanted.push(hand::Wanted {
                    start: note.start,
                    end: note.end,
                    note: pitch,
                    unlikely: Vec::new(),
                    down: 0,
                    up: 0,
                }),
            }
        }
        hand::placed_sounds(&wanted, lick, bar, &mut self.remarks)
            .into_iter()
            .map(|hand::Laid { note, string, fret, end }| {
                let mark = Mark::Fretted { fret, moves: Vec::new() };
                (string, Sound { start: wanted[note].start, end, mark, moves: Vec::new() })
            })
            .collect()
    }
}

/// The elements that say how a note is played.
fn technical(note: &Element) -> impl Iterator<Item = &Element> {
    note.named("notations").flat_map(|n| n.named("technical")).flat_map(|t| &t.children)
}

/// The signs at a note that nothing here reads: fingerings, accents, ornaments.
pub(super) fn unread(note: &Element) -> impl Iterator<Item = &Element> {
    const READ: [&str; 7] =
        ["string", "fret", "hammer-on", "pull-off", "bend", "harmonic", "other-technical"];
    const GROUPS: [&str; 3] = ["technical", "articulations", "ornaments"];
    let notations = || note.named("notations").flat_map(|notations| &notations.children);
    let grouped = notations().filter(|group| GROUPS.contains(&group.name.as_str()));
    let grouped = grouped.flat_map(|group| &group.children);
    let fermatas = notations().filter(|sign| sign.name == "fermata");
    grouped.chain(fermatas).filter(|sign| !READ.contains(&sign.name.as_str()))
}

/// The string and fret that a note names.
pub(super) fn string_and_fret(note: &Element) -> Option<(&Element, &Element)> {
    let find = |name: &str| technical(note).find(|mark| mark.name == name);
    find("string").zip(find("fret"))
}

fn tied_back(note: &Element) -> bool {
    note.named("tie").any(|tie| tie.attribute("type") == Some("stop"))
}

/// The move that ends on this note.
fn reached_by(note: &Element) -> Option<MoveKind> {
    let stops = |mark: &&Element| mark.attribute("type") == Some("stop");
    let technique = technical(note).filter(stops).find_map(|mark| match mark.name.as_str() {
        "hammer-on" => Some(MoveKind::HammerOn),
        "pull-off" => Some(MoveKind::PullOff),
        _ => None,
    });
    let slides = note.named("notations").flat_map(|n| n.named("slide")).find(stops);
    technique.or(slides.map(|slide| match slide.text() {
        "/" => MoveKind::SlideUp,
        "\\" => MoveKind::SlideDown,
        _ => MoveKind::Slide,
    }))
}
