//! A lick as MusicXML.

use super::CLAIM;
use super::NEW_STEP;
use super::SAME_STEP;
use super::TOUCHED;
use super::archive;
use super::harmony;
use super::tuplets;
use super::value::Value;
use super::value::values;
use super::xml;
use super::xml::Element;
use crate::lick::Lick;
use crate::lick::Step;
use crate::lick::mark::Mark;
use crate::lick::mark::Move;
use crate::lick::mark::MoveKind;
use crate::notation::error::NotationError;
use crate::notation::error::Place;
use crate::notation::ticks::Division;
use crate::notation::ticks::moves;
use crate::notation::ticks::note_at;
use crate::notation::ticks::parts;
use crate::notation::ticks::struck_note;
use crate::theory::names::Names;
use crate::theory::note::MidiNote;
use crate::theory::spelling::Spelling;

const DOCTYPE: &str = "score-partwise PUBLIC \"-//Recordare//DTD MusicXML 4.0 Partwise//EN\" \
                       \"http://www.musicxml.org/dtds/partwise.dtd\"";

/// Bars of one document; a lick has about ten.
const MAX_BARS: u64 = 20_000;

/// The lowest note that MusicXML has an octave for: C0.
const LOWEST: MidiNote = MidiNote(12);

/// The lick as an uncompressed document.
///
/// # Errors
/// A lick with notes below C0, with steps that no common division fits, or of more bars than
/// anyone plays.
pub fn write(lick: &Lick) -> Result<String, NotationError> {
    let unsupported = |problem: String| NotationError::Unsupported { place: Place::File, problem };
    let division = Division::of(lick).ok_or_else(|| {
        unsupported("the steps have no common division that MusicXML could count in".to_owned())
    })?;
    if let Some((string, _)) = lick.tuning.strings().find(|&(_, open)| open < LOWEST) {
        let string = string.0;
        return Err(unsupported(format!("string {string} is tuned below C0, where MusicXML ends")));
    }
    let length: u64 = lick.steps.iter().map(|step| division.step(step)).sum();
    if length / division.bar(lick) > MAX_BARS {
        return Err(NotationError::TooBig { place: Place::File, what: "bars", limit: MAX_BARS });
    }
    let title: String = lick.title.chars().filter(|&c| xml::can_hold(c)).collect();
    let root = Element::new("score-partwise")
        .with("version", "4.0")
        .add(Element::new("work").text_child("work-title", title))
        .add(
            Element::new("identification").add(
                Element::new("encoding")
                    .text_child("software", concat!("doublecheck ", env!("CARGO_PKG_VERSION"))),
            ),
        )
        .add(
            Element::new("part-list")
                .add(Element::new("score-part").with("id", "P1").text_child("part-name", "Guitar")),
        )
        .add(Element::new("part").with("id", "P1").add_all(Staff::new(lick, division).bars()));
    Ok(xml::print(&root, DOCTYPE))
}

/// The lick as a compressed document.
///
/// # Errors
/// As [`write()`].
pub fn write_compressed(lick: &Lick) -> Result<Vec<u8>, NotationError> {
    Ok(archive::pack(&write(lick)?))
}

/// What MusicXML cannot hold of the lick: nothing, but for control characters in the title.
pub fn losses(lick: &Lick) -> Vec<String> {
    let lost = lick.title.chars().any(|c| !xml::can_hold(c));
    lost.then(|| "XML cannot hold the control characters of the title".to_owned())
        .into_iter()
        .collect()
}

/// What a string sounds like now, as it is written.
#[derive(Debug, Clone)]
struct Tone {
    fret: u8,
    pitch: MidiNote,
    /// The mark, if it is a harmonic.
    harmonic: Option<Mark>,
}

/// Notes being written: where in the bar, and what sounds.
struct Staff<'a> {
    lick: &'a Lick,
    division: Division,
    /// How the step that is written spells its notes.
    names: Names,
    bars: Vec<Element>,
    bar: Vec<Element>,
    /// Ticks since the bar began.
    filled: u64,
    tones: Vec<Option<Tone>>,
}

/// One string in one piece of a step.
struct Piece<'a> {
    string: usize,
    tone: Tone,
    /// Tied to the piece before.
    before: bool,
    /// Tied to the piece after.
    after: bool,
    /// The move that leads here.
    reached: Option<&'a Move>,
    /// The move that leads on from here.
    leaves: Option<&'a Move>,
    /// Semitones it is bent up.
    bend: Option<u8>,
}

impl<'a> Staff<'a> {
    fn new(lick: &'a Lick, division: Division) -> Self {
        let tones = vec![None; lick.tuning.n_strings()];
        let names = Names::of(&[], Some(lick.key), None);
        Self { lick, division, names, bars: Vec::new(), bar: Vec::new(), filled: 0, tones }
    }

    fn bars(mut self) -> Vec<Element> {
        self.bar = vec![self.attributes(), self.tempo()];
        for ((index, step), names) in self.lick.steps.iter().enumerate().zip(self.lick.names()) {
            self.names = names;
            self.step(step, self.lick.steps.get(index + 1));
        }
        if !self.bar.is_empty() {
            self.end_bar();
        }
        self.bars
    }

    fn end_bar(&mut self) {
        let number = self.bars.len() + 1;
        let mut content = std::mem::take(&mut self.bar);
        tuplets::mark(&mut content, self.division.get());
        self.bars.push(Element::new("measure").with("number", number).add_all(content));
        self.filled = 0;
    }

    fn attributes(&self) -> Element {
        let Lick { key, meter, tuning, capo, .. } = self.lick;
        let lines = (1..).zip(self.lick.open_names()).map(|(line, open)| {
            Element::new("staff-tuning").with("line", line).add_all(pitch_parts(open, "tuning-"))
        });
        let staff = Element::new("staff-details")
            .text_child("staff-lines", tuning.n_strings())
            .add_all(lines)
            .add_all((*capo > 0).then(|| Element::new("capo").holding(capo)));
        Element::new("attributes")
            .text_child("divisions", self.division.get())
            .add(
                Element::new("key")
                    .text_child("fifths", key.fifths())
                    .text_child("mode", key.mode().name()),
            )
            .add(
                Element::new("time")
                    .text_child("beats", meter.count)
                    .text_child("beat-type", meter.unit),
            )
            .add(Element::new("clef").text_child("sign", "TAB").text_child("line", 5))
            .add(staff)
    }

    fn tempo(&self) -> Element {
        let tempo = self.lick.tempo_bpm;
        let mark = Element::new("metronome")
            .text_child("beat-unit", "quarter")
            .text_child("per-minute", tempo);
        let mut sound = Element::new("sound").with("tempo", tempo);
        let mut direction = Element::new("direction")
            .with("placement", "above")
            .add(Element::new("direction-type").add(mark));
        if let Some(swing) = self.lick.swing {
            let words = Element::new("words").holding(format!("Swing {swing}"));
            direction = direction.add(Element::new("direction-type").add(words));
            sound = sound.add(
                Element::new("swing")
                    .text_child("first", swing.first())
                    .text_child("second", swing.second())
                    .text_child("swing-type", "eighth"),
            );
        }
        direction.add(sound)
    }

    /// Writes one step, cut where a move begins and at every bar line.
    fn step(&mut self, step: &'a Step, next: Option<&Step>) {
        if let Some(chord) = &step.chord {
            self.bar.push(harmony::element(chord));
        }
        let length = self.division.step(step);
        let mut cuts: Vec<u64> = step
            .marks
            .iter()
            .flat_map(|mark| {
                (1..parts(mark))
                    .filter(|&order| walks(mark, order).is_some())
                    .map(move |order| order * length / parts(mark))
            })
            .collect();
        cuts.push(length);
        cuts.sort_unstable();
        cuts.dedup();
        let mut from = 0;
        for to in cuts {
            let pieces = self.pieces(step, next, (from, to), length);
            self.slice(step, &pieces, to - from, from == 0);
            from = to;
        }
    }

    /// What the strings do between two ticks of a step that lasts `length`.
    fn pieces(
        &mut self,
        step: &'a Step,
        next: Option<&Step>,
        (from, to): (u64, u64),
        length: u64,
    ) -> Vec<Piece<'a>> {
        let mut pieces = Vec::new();
        for (string, mark) in step.marks.iter().enumerate() {
            let moved_at = |tick: u64| {
                let order = tick * parts(mark) / length;
                walks(mark, order).filter(|_| order * length / parts(mark) == tick)
            };
            let reached = moved_at(from);
            if from == 0 && *mark != Mark::Held {
                self.tones[string] = self.struck(string, mark);
            } else if let Some(reached) = reached {
                self.tones[string] = self.tone(string, reached.to.0);
            }
            let Some(tone) = self.tones[string].clone() else { continue };
            let leaves = moved_at(to);
            let held_on =
                || next.and_then(|next| next.marks.get(string)).is_some_and(|m| *m == Mark::Held);
            // A bend belongs to the note it bends: the one that its fret is reached or struck in.
            let bend = moves(mark).last().filter(|last| {
                let order = moves(mark).len() as u64 - 1;
                last.kind == MoveKind::Bend && order * length / parts(mark) == from
            });
            pieces.push(Piece {
                string,
                before: *mark == Mark::Held || (from > 0 && reached.is_none()),
                after: if to < length { leaves.is_none() } else { held_on() },
                reached,
                leaves,
                bend: bend.map(|bend| bend.to.0.saturating_sub(tone.fret)),
                tone,
            });
        }
        // Lowest note first: programs pair the marks of a chord with its notes in that order.
        pieces.sort_by_key(|piece| piece.tone.pitch);
        pieces
    }

    fn struck(&self, string: usize, mark: &Mark) -> Option<Tone> {
        let pitch = struck_note(self.lick, string, mark)?;
        let (fret, harmonic) = match mark {
            Mark::NotPlayed | Mark::Held => return None,
            Mark::Fretted { fret, .. } => (fret.0, None),
            Mark::NaturalHarmonic(touched) => (touched.0, Some(mark.clone())),
            Mark::ArtificialHarmonic { stopped, .. } => (stopped.0, Some(mark.clone())),
        };
        Some(Tone { fret, pitch, harmonic })
    }

    fn tone(&self, string: usize, fret: u8) -> Option<Tone> {
        let pitch = note_at(self.lick, string, fret)?;
        Some(Tone { fret, pitch, harmonic: None })
    }

    /// Writes `ticks` of what the strings do, in as many tied notes as it takes.
    fn slice(&mut self, step: &Step, pieces: &[Piece<'_>], ticks: u64, first_slice: bool) {
        let bar = self.division.bar(self.lick);
        let mut left = ticks;
        while left > 0 {
            let in_bar = left.min(bar - self.filled);
            let values = values(in_bar, self.division.get());
            for (index, value) in values.iter().enumerate() {
                let first = left == ticks && index == 0;
                let last = left == in_bar && index + 1 == values.len();
                self.column(step, pieces, value, (first, last), first && first_slice);
            }
            left -= in_bar;
            self.filled += in_bar;
            if self.filled == bar {
                self.end_bar();
            }
        }
    }

    /// Writes the notes of one value, or a rest.
    fn column(
        &mut self,
        step: &Step,
        pieces: &[Piece<'_>],
        value: &Value,
        (first, last): (bool, bool),
        begins_step: bool,
    ) {
        let claim = step.interval.filter(|_| begins_step).map(|interval| {
            Element::new("lyric")
                .with("number", 1)
                .with("name", CLAIM)
                .text_child("syllabic", "single")
                .text_child("text", interval)
        });
        if pieces.is_empty() {
            let same = (!begins_step).then(|| Element::new("notations").add(remark(SAME_STEP)));
            let rest = Element::new("note").add(Element::new("rest"));
            self.bar.push(timed(rest, value, &[]).add_all(same).add_all(claim));
            return;
        }
        let struck = step.marks.iter().any(Mark::is_struck);
        let mut claim = claim;
        for (index, piece) in pieces.iter().enumerate() {
            let chord = (index > 0).then(|| Element::new("chord"));
            let note = piece.tone.pitch;
            let spelling = Some(self.names.spell(note)).filter(|spelling| spelling.octave >= 0);
            let spelling = spelling.unwrap_or_else(|| Spelling::sharp(note));
            let pitch = Element::new("pitch").add_all(pitch_parts(spelling, ""));
            let before = piece.before || !first;
            let after = piece.after || !last;
            let ties: Vec<_> = [(before, "stop"), (after, "start")]
                .into_iter()
                .filter_map(|(tied, kind)| tied.then_some(kind))
                .collect();
            let note = timed(Element::new("note").add_all(chord).add(pitch), value, &ties);
            let mut notations = Element::new("notations")
                .add_all(ties.iter().map(|kind| Element::new("tied").with("type", kind)))
                .add_all(slides(piece, first, last))
                .add(self.technical(piece, first, last));
            if index == 0 && begins_step && !struck {
                notations = notations.add(remark(NEW_STEP));
            }
            self.bar.push(note.add(notations).add_all(claim.take()));
        }
    }

    /// String, fret and how the note is made.
    fn technical(&self, piece: &Piece<'_>, first: bool, last: bool) -> Element {
        let n_strings = self.lick.tuning.n_strings();
        let mut technical = Element::new("technical")
            .text_child("string", n_strings - piece.string)
            .text_child("fret", piece.tone.fret);
        for (moved, shown, kind) in [(piece.reached, first, "stop"), (piece.leaves, last, "start")]
        {
            let sign = match moved.filter(|_| shown).map(|moved| moved.kind) {
                Some(MoveKind::HammerOn) => ("hammer-on", "H"),
                Some(MoveKind::PullOff) => ("pull-off", "P"),
                _ => continue,
            };
            let text = if kind == "start" { sign.1 } else { "" };
            technical = technical.add(
                Element::new(sign.0)
                    .with("type", kind)
                    .with("number", n_strings - piece.string)
                    .holding(text),
            );
        }
        if let Some(semitones) = piece.bend.filter(|_| first) {
            technical = technical.add(Element::new("bend").text_child("bend-alter", semitones));
        }
        let kind = match &piece.tone.harmonic {
            Some(Mark::ArtificialHarmonic { touched, .. }) => {
                technical =
                    technical.text_child("other-technical", format!("{TOUCHED}{}", touched.0));
                "artificial"
            }
            Some(_) => "natural",
            None => return technical,
        };
        technical.add(
            Element::new("harmonic").add(Element::new(kind)).add(Element::new("sounding-pitch")),
        )
    }
}

/// The move of that order that a new note is written for: any but a bend.
fn walks(mark: &Mark, order: u64) -> Option<&Move> {
    let index = usize::try_from(order.checked_sub(1)?).ok()?;
    moves(mark).get(index).filter(|next| next.kind != MoveKind::Bend)
}

/// The ends of slides that this note is.
fn slides(piece: &Piece<'_>, first: bool, last: bool) -> Vec<Element> {
    let ends = [(piece.reached, first, "stop"), (piece.leaves, last, "start")];
    ends.into_iter()
        .filter_map(|(moved, shown, kind)| {
            let text = match moved.filter(|_| shown)?.kind {
                MoveKind::Slide => "sl.",
                MoveKind::SlideUp => "/",
                MoveKind::SlideDown => "\\",
                _ => return None,
            };
            // The index of the string tells slides that overlap apart.
            let number = piece.string + 1;
            let slide = Element::new("slide").with("type", kind).with("number", number);
            Some(slide.with("line-type", "solid").holding(text))
        })
        .collect()
}

/// Letter, alteration and octave.
fn pitch_parts(spelling: Spelling, prefix: &str) -> Vec<Element> {
    let part = |name: &str| Element::new(&format!("{prefix}{name}"));
    let alter = spelling.name.accidental();
    let mut parts = vec![part("step").holding(spelling.name.letter())];
    parts.extend((alter != 0).then(|| part("alter").holding(alter)));
    parts.push(part("octave").holding(spelling.octave));
    parts
}

/// A mark for programs that is not printed.
fn remark(text: &str) -> Element {
    Element::new("other-notation").with("type", "single").with("print-object", "no").holding(text)
}

/// Adds length, ties and note value, in the order that the schema asks for.
fn timed(note: Element, value: &Value, ties: &[&str]) -> Element {
    let modification = value.tuplet.map(|(actual, normal)| {
        Element::new("time-modification")
            .text_child("actual-notes", actual)
            .text_child("normal-notes", normal)
    });
    note.text_child("duration", value.ticks)
        .add_all(ties.iter().map(|kind| Element::new("tie").with("type", kind)))
        .text_child("voice", 1)
        .add_all(value.name.map(|name| Element::new("type").holding(name)))
        .add_all((0..value.dots).map(|_| Element::new("dot")))
        .add_all(modification)
}
