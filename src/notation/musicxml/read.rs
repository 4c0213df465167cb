//! MusicXML as a lick.

use std::collections::BTreeMap;

use super::CLAIM;
use super::NEW_STEP;
use super::SAME_STEP;
use super::archive;
use super::harmony;
use super::strings::string_and_fret;
use super::strings::unread;
use super::xml;
use super::xml::Element;
use crate::lick::Lick;
use crate::lick::Meter;
use crate::lick::check::LAST_CAPO;
use crate::lick::swing::Swing;
use crate::notation::MAX_NOTES;
use crate::notation::MAX_QUARTERS;
use crate::notation::Reading;
use crate::notation::error::NotationError;
use crate::notation::error::Place;
use crate::notation::remarks::Remarks;
use crate::notation::steps::Cutter;
use crate::notation::steps::Happening;
use crate::notation::ticks;
use crate::notation::ticks::lcm;
use crate::theory::fretboard::LAST_FRET;
use crate::theory::fretboard::Tuning;
use crate::theory::interval::Interval;
use crate::theory::key::Key;
use crate::theory::key::Mode;
use crate::theory::note::MidiNote;
use crate::theory::spelling::NoteName;
use crate::theory::spelling::Spelling;

/// The finest division of a quarter note that is read.
const FINEST: u64 = 1 << 32;

/// Reads a document, compressed or not.
///
/// # Errors
/// A document that is not well-formed, declares entities, swells, is not a MusicXML score, or
/// holds nothing that strings could play.
pub fn read(bytes: &[u8]) -> Result<Reading, NotationError> {
    if bytes.starts_with(b"PK") {
        return read_document(&archive::unpack(bytes)?);
    }
    if bytes.len() as u64 > archive::MAX_BYTES {
        let (what, limit) = ("bytes", archive::MAX_BYTES);
        return Err(NotationError::TooBig { place: Place::File, what, limit });
    }
    read_document(bytes)
}

fn read_document(bytes: &[u8]) -> Result<Reading, NotationError> {
    let text = decode(bytes)?;
    let root = xml::parse(&text)?;
    Reader { text: &text, remarks: Remarks::default() }.score(&root)
}

/// UTF-8 or UTF-16 as its byte order mark tells (XML 1.0, appendix F).
fn decode(bytes: &[u8]) -> Result<String, NotationError> {
    let utf16 = |rest: &[u8], unit: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = rest.chunks_exact(2).map(|pair| unit([pair[0], pair[1]])).collect();
        String::from_utf16(&units).map_err(|_| NotationError::Malformed {
            place: Place::File,
            problem: "not UTF-16 as its byte order mark says".to_owned(),
        })
    };
    match bytes {
        [0xFF, 0xFE, rest @ ..] => utf16(rest, u16::from_le_bytes),
        [0xFE, 0xFF, rest @ ..] => utf16(rest, u16::from_be_bytes),
        [0xEF, 0xBB, 0xBF, rest @ ..] | rest => {
            let text = std::str::from_utf8(rest).map_err(|error| NotationError::Malformed {
                place: Place::Byte(bytes.len() - rest.len() + error.valid_up_to()),
                problem: "not UTF-8".to_owned(),
            })?;
            Ok(text.to_owned())
        }
    }
}

pub(super) struct Reader<'a> {
    text: &'a str,
    pub remarks: Remarks,
}

/// What the head of the part says; the first of each counts.
#[derive(Default)]
struct Head {
    key: Option<Key>,
    meter: Option<Meter>,
    tempo: Option<f64>,
    /// `Some(None)` where even eighths are asked for.
    swing: Option<Option<Swing>>,
    tuning: BTreeMap<u8, MidiNote>,
    capo: Option<u8>,
    /// Semitones from the written to the sounding pitch.
    transpose: i16,
}

/// A note as the document has it.
pub(super) struct Note<'a> {
    pub element: &'a Element,
    pub start: u64,
    pub end: u64,
    /// String and fret, if they are given.
    pub place: Option<(u8, u8)>,
    /// As it sounds.
    pub pitch: Option<MidiNote>,
}

/// What a walk through the part gathers.
#[derive(Default)]
struct Found<'a> {
    head: Head,
    notes: Vec<Note<'a>>,
    happenings: Vec<(u64, Happening)>,
}

/// How far a walk through the part has come, in ticks, `division` to the quarter note.
struct Clock {
    division: u64,
    /// Ticks to the quarter note as the document counts here.
    counted_in: u64,
    bar_start: u64,
    bar_end: u64,
    now: u64,
    /// When the last note began; those of its chord begin there too.
    last_start: u64,
}

impl<'a> Reader<'a> {
    fn at(&self, element: &Element) -> Place {
        Place::in_text(self.text, element.offset)
    }

    pub fn malformed(&self, element: &Element, problem: impl Into<String>) -> NotationError {
        NotationError::Malformed { place: self.at(element), problem: problem.into() }
    }

    /// The number that an element holds.
    fn number<T: std::str::FromStr>(&self, element: &Element) -> Result<T, NotationError> {
        element.text().parse().map_err(|_| {
            self.malformed(element, format!("<{}> is {:?}", element.name, element.text()))
        })
    }

    fn child_number<T: std::str::FromStr>(
        &self,
        element: &Element,
        name: &str,
    ) -> Result<T, NotationError> {
        let child = element.child(name).ok_or_else(|| {
            self.malformed(element, format!("<{}> has no <{name}>", element.name))
        })?;
        self.number(child)
    }

    fn score(mut self, root: &'a Element) -> Result<Reading, NotationError> {
        let measures = self.measures(root)?;
        let titles = [root.path(&["work", "work-title"]), root.child("movement-title")];
        let mut titles = titles.iter().flatten().map(|title| title.raw_text());
        let title = titles.find(|title| !title.trim().is_empty());
        let title = title.map(str::to_owned).unwrap_or_else(|| {
            self.remarks.add("", "the score has no title");
            "Untitled".to_owned()
        });
        let staff = self.staff(&measures);
        let division = self.division(&measures)?;
        let mut found = Found::default();
        let end = self.walk(&measures, staff.as_deref(), division, &mut found)?;
        let Found { head, notes, mut happenings } = found;
        let open: Vec<MidiNote> = head.tuning.values().copied().collect();
        let tuning = Tuning::new(open).unwrap_or_default();
        let capo = head.capo.unwrap_or(0);
        let key = head.key.unwrap_or_else(|| {
            self.remarks.add("", "the part names no key; C major is taken");
            Key::from_fifths(0, Mode::Major).expect("no sharps")
        });
        let meter = head.meter.unwrap_or_else(|| {
            self.remarks.add("", "the part names no metre; 4/4 is taken");
            Meter::new(4, 4).expect("a metre")
        });
        let tempo_bpm = head.tempo.filter(|tempo| (10.0..=400.0).contains(tempo));
        let tempo_bpm = tempo_bpm.unwrap_or_else(|| {
            self.remarks.add("", "the part names no tempo from 10 to 400; 90 is taken");
            90.0
        });
        let swing = head.swing.flatten();
        let mut lick =
            Lick { title, key, tempo_bpm, meter, swing, tuning, capo, steps: Vec::new() };

        let bar = ticks::bar(division, meter);
        let sounds = self.sounds(notes, &lick, bar)?;
        for (string, sound) in sounds {
            happenings.push((sound.start, Happening::Strike(string, sound.mark)));
            happenings.push((sound.end, Happening::Silence(string)));
            let moves = sound.moves.into_iter();
            happenings.extend(moves.map(|(time, next)| (time, Happening::Move(string, next))));
        }
        let cutter = Cutter { division, bar, n_strings: lick.tuning.n_strings() };
        lick.steps = cutter.cut(happenings, end, &mut self.remarks);
        super::super::checked(lick, self.remarks)
    }

    /// The measures of the part that is read: the first in tablature, else the first with notes.
    fn measures(&mut self, root: &'a Element) -> Result<Vec<&'a Element>, NotationError> {
        let mut parts: Vec<(&str, Vec<&Element>)> = Vec::new();
        match root.name.as_str() {
            "score-partwise" => {
                for part in root.named("part") {
                    parts.push((
                        part.attribute("id").unwrap_or(""),
                        part.named("measure").collect(),
                    ));
                }
            }
            "score-timewise" => {
                for part in root.named("measure").flat_map(|measure| measure.named("part")) {
                    let id = part.attribute("id").unwrap_or("");
                    match parts.iter_mut().find(|(known, _)| *known == id) {
                        Some((_, measures)) => measures.push(part),
                        None => parts.push((id, vec![part])),
                    }
                }
            }
            other => {
                let problem = format!("<{other}> is not a MusicXML score");
                return Err(self.malformed(root, problem));
            }
        }
        let has = |measures: &[&Element], test: fn(&Element) -> bool| {
            measures.iter().flat_map(|m| m.named("note")).any(test)
        };
        let chosen = parts
            .iter()
            .position(|(_, m)| has(m, |note| string_and_fret(note).is_some()))
            .or_else(|| {
                parts.iter().position(|(_, m)| has(m, |note| note.child("pitch").is_some()))
            })
            .unwrap_or(0);
        if parts.is_empty() {
            return Err(self.malformed(root, "the score has no parts"));
        }
        if parts.len() > 1 {
            let (id, n) = (parts[chosen].0, parts.len());
            self.remarks.add("", format!("of {n} parts only {id} is read"));
        }
        Ok(parts.swap_remove(chosen).1)
    }

    /// The staff that is read, if there are several: the one with strings and frets.
    fn staff(&mut self, measures: &[&Element]) -> Option<String> {
        let staff_of = |note: &Element| note.child_text("staff").unwrap_or("1").to_owned();
        let notes = || measures.iter().flat_map(|m| m.named("note"));
        let first = notes().next().map(staff_of)?;
        if notes().all(|note| staff_of(note) == first) {
            return None;
        }
        let tab = notes().find(|note| string_and_fret(note).is_some()).map(staff_of);
        let staff = tab.unwrap_or(first);
        self.remarks.add("", format!("of several staves only staff {staff} is read"));
        Some(staff)
    }

    /// The least common multiple of the divisions that are used.
    fn division(&self, measures: &[&Element]) -> Result<u64, NotationError> {
        let mut division = 1;
        for attributes in measures.iter().flat_map(|m| m.named("attributes")) {
            let Some(element) = attributes.child("divisions") else { continue };
            let ticks = self.ticks(element, 1, 1)?;
            division = lcm(division, ticks)
                .filter(|&division| ticks > 0 && division <= FINEST)
                .ok_or_else(|| self.malformed(element, "a division that cannot be counted in"))?;
        }
        Ok(division)
    }

    /// A whole number of ticks, counted in `from` and told in `to` ticks to the quarter note.
    fn ticks(&self, element: &Element, from: u64, to: u64) -> Result<u64, NotationError> {
        let number: f64 = self.number(element)?;
        // Also false for what is not a number.
        let whole = number >= 0.0 && number.fract() == 0.0 && number <= (FINEST * 1000) as f64;
        let scale = to / from.max(1);
        (number as u64).checked_mul(scale).filter(|_| whole).ok_or_else(|| {
            self.malformed(element, format!("<{}> is {:?}", element.name, element.text()))
        })
    }

    /// Goes through the measures and returns when the last one ends.
    fn walk(
        &mut self,
        measures: &[&'a Element],
        staff: Option<&str>,
        division: u64,
        found: &mut Found<'a>,
    ) -> Result<u64, NotationError> {
        let counted_in = division;
        let mut clock =
            Clock { division, counted_in, bar_start: 0, bar_end: 0, now: 0, last_start: 0 };
        for (i, measure) in measures.iter().enumerate() {
            let place = format!("measure {}", measure.attribute("number").unwrap_or("?"));
            for element in &measure.children {
                self.element(element, &place, staff, &mut clock, found)?;
                clock.bar_end = clock.bar_end.max(clock.now);
                if clock.bar_end / division > MAX_QUARTERS {
                    let (what, limit) = ("quarter notes", MAX_QUARTERS);
                    return Err(NotationError::TooBig { place: self.at(element), what, limit });
                }
            }
            let whole = found.head.meter.map(|meter| ticks::bar(division, meter));
            let is_last = i + 1 == measures.len();
            if !is_last && whole.is_some_and(|whole| clock.bar_end - clock.bar_start != whole) {
                // A pickup, mostly.
                self.remarks
                    .add(&place, "it is no whole bar, so the bars of the lick begin elsewhere");
            }
            let end = clock.bar_end;
            clock = Clock { bar_start: end, now: end, last_start: end, ..clock };
        }
        Ok(clock.bar_end)
    }

    /// Takes one element of a measure.
    fn element(
        &mut self,
        element: &'a Element,
        place: &str,
        staff: Option<&str>,
        clock: &mut Clock,
        found: &mut Found<'a>,
    ) -> Result<(), NotationError> {
        match element.name.as_str() {
            "attributes" => {
                if let Some(divisions) = element.child("divisions") {
                    clock.counted_in = self.ticks(divisions, 1, 1)?;
                }
                self.attributes(element, &mut found.head, place, staff)?;
            }
            "note" => {
                let Some(duration) = element.child("duration") else {
                    self.remarks.add(place, "a grace note was left out");
                    return Ok(());
                };
                let length = self.ticks(duration, clock.counted_in, clock.division)?;
                if element.child("chord").is_none() {
                    clock.last_start = clock.now;
                    clock.now = clock.now.saturating_add(length);
                }
                let its_staff = element.child_text("staff").unwrap_or("1");
                if staff.is_none_or(|staff| staff == its_staff) {
                    for sign in unread(element) {
                        let sign = sign.name.replace('-', " ");
                        self.remarks.add(place, format!("a lick has no sign for {sign}: left out"));
                    }
                    let span = (clock.last_start, clock.last_start.saturating_add(length));
                    self.note(element, span, found)?;
                }
                if found.notes.len() as u64 > MAX_NOTES {
                    let (what, limit) = ("notes", MAX_NOTES);
                    return Err(NotationError::TooBig { place: self.at(element), what, limit });
                }
            }
            "backup" => {
                let back = clock.now.checked_sub(self.move_by(element, clock)?);
                clock.now = back
                    .filter(|&now| now >= clock.bar_start)
                    .ok_or_else(|| self.malformed(element, "<backup> goes beyond its measure"))?;
            }
            "forward" => clock.now = clock.now.saturating_add(self.move_by(element, clock)?),
            "harmony" => match harmony::chord(element) {
                Some(chord) => found.happenings.push((clock.now, Happening::Chord(chord))),
                None => {
                    self.remarks.add(place, "a chord symbol that no lick knows was left out");
                }
            },
            "direction" | "sound" => self.tempo(element, &mut found.head, place)?,
            "barline" if element.child("repeat").is_some() => {
                self.remarks.add(place, "repeats are not unfolded");
            }
            _ => {}
        }
        Ok(())
    }

    fn move_by(&self, element: &Element, clock: &Clock) -> Result<u64, NotationError> {
        let duration = element.child("duration").ok_or_else(|| {
            self.malformed(element, format!("<{}> has no <duration>", element.name))
        })?;
        self.ticks(duration, clock.counted_in, clock.division)
    }

    fn tempo(
        &mut self,
        element: &Element,
        head: &mut Head,
        place: &str,
    ) -> Result<(), NotationError> {
        let sound = if element.name == "sound" { Some(element) } else { element.child("sound") };
        let Some(sound) = sound else { return Ok(()) };
        if let Some(swing) = sound.child("swing") {
            self.swing(swing, head, place)?;
        }
        let Some(tempo) = sound.attribute("tempo") else { return Ok(()) };
        let tempo: f64 = tempo
            .trim()
            .parse()
            .map_err(|_| self.malformed(element, format!("a tempo of {tempo:?}")))?;
        match head.tempo {
            None => head.tempo = Some(tempo),
            Some(first) if first == tempo => {}
            Some(_) => self.remarks.add(place, "a lick has one tempo; the first is kept"),
        }
        Ok(())
    }

    fn swing(
        &mut self,
        element: &Element,
        head: &mut Head,
        place: &str,
    ) -> Result<(), NotationError> {
        let kind = element.child("swing-type").map(|kind| kind.text());
        let swing = match element.child("straight") {
            Some(_) => None,
            None if kind.is_some_and(|kind| kind != "eighth") => {
                self.remarks.add(place, "a lick knows no swung sixteenths; they are taken as even");
                return Ok(());
            }
            None => {
                let (first, second) =
                    (self.child_number(element, "first")?, self.child_number(element, "second")?);
                let swing = Swing::new(first, second);
                if swing.is_none() && first != second {
                    let what =
                        format!("a swing of {first}:{second}, which no lick has, is taken as even");
                    self.remarks.add(place, what);
                }
                swing
            }
        };
        match head.swing {
            None => head.swing = Some(swing),
            Some(first) if first == swing => {}
            Some(_) => self.remarks.add(place, "a lick has one swing; the first is kept"),
        }
        Ok(())
    }

    fn attributes(
        &mut self,
        element: &Element,
        head: &mut Head,
        place: &str,
        staff: Option<&str>,
    ) -> Result<(), NotationError> {
        // Without a number, what is said holds for every staff.
        let ours = |child: &&Element| {
            let number = child.attribute("number");
            staff.is_none() || number.is_none() || number == staff
        };
        if let Some(key) = element.named("key").find(ours)
            && let Some(fifths) = key.child("fifths")
        {
            let mode = Mode::from_name(key.child_text("mode").unwrap_or("major"));
            let read = mode.and_then(|mode| Key::from_fifths(self.number(fifths).ok()?, mode));
            let read = read.ok_or_else(|| self.malformed(key, "a key that no lick can be in"))?;
            if head.key.is_some_and(|first| first != read) {
                self.remarks.add(place, "a lick has one key; the first is kept");
            }
            head.key.get_or_insert(read);
        }
        if let Some(time) = element.named("time").find(ours)
            && time.child("beats").is_some()
        {
            let read = Meter::new(
                self.child_number(time, "beats")?,
                self.child_number(time, "beat-type")?,
            );
            let read = read.ok_or_else(|| self.malformed(time, "a metre that no lick can have"))?;
            if head.meter.is_some_and(|first| first != read) {
                self.remarks.add(place, "a lick has one metre; the first is kept");
            }
            head.meter.get_or_insert(read);
        }
        if let Some(details) = element.named("staff-details").find(ours) {
            for tuning in details.named("staff-tuning") {
                let line = tuning.attribute("line").and_then(|line| line.parse().ok());
                let line =
                    line.ok_or_else(|| self.malformed(tuning, "<staff-tuning> of no line"))?;
                head.tuning.entry(line).or_insert(self.pitch(tuning, "tuning-", 0)?);
            }
            if let Some(capo) = details.child("capo") {
                let capo = Some(self.number(capo)?).filter(|&capo: &u8| capo <= LAST_CAPO);
                let read = capo.ok_or_else(|| self.malformed(details, "a capo beyond the neck"))?;
                head.capo.get_or_insert(read);
            }
        }
        if let Some(transpose) = element.named("transpose").find(ours) {
            let octaves: i16 = match transpose.child("octave-change") {
                Some(octaves) => self.number(octaves)?,
                None => 0,
            };
            let semitones: i16 = self.child_number(transpose, "chromatic")?;
            head.transpose = octaves.saturating_mul(12).saturating_add(semitones);
        }
        Ok(())
    }

    /// The sounding note of step, alter and octave.
    fn pitch(&self, element: &Element, prefix: &str, up: i16) -> Result<MidiNote, NotationError> {
        let part = |name: &str| element.child_text(&format!("{prefix}{name}"));
        let alter: f64 = part("alter").unwrap_or("0").parse().unwrap_or(f64::NAN);
        let name = part("step").and_then(|step| step.parse::<NoteName>().ok());
        let octave = part("octave").and_then(|octave| octave.parse().ok());
        let natural = name.zip(octave).and_then(|(name, octave)| Spelling { name, octave }.midi());
        natural
            .filter(|_| alter.fract() == 0.0 && alter.abs() <= 3.0)
            .and_then(|note| i16::from(note.0).checked_add(alter as i16)?.checked_add(up))
            .and_then(|midi| u8::try_from(midi).ok())
            .filter(|&midi| midi <= 127)
            .map(MidiNote)
            .ok_or_else(|| self.malformed(element, format!("<{}> is no note", element.name)))
    }

    fn note(
        &mut self,
        element: &'a Element,
        (start, end): (u64, u64),
        Found { head, notes, happenings }: &mut Found<'a>,
    ) -> Result<(), NotationError> {
        let marks = |text: &str| {
            let notations = element.named("notations");
            notations.flat_map(|n| n.named("other-notation")).any(|mark| mark.text() == text)
        };
        if marks(NEW_STEP) {
            happenings.push((start, Happening::Step));
        }
        for lyric in element.named("lyric").filter(|lyric| lyric.attribute("name") == Some(CLAIM)) {
            let claim: Option<Interval> = lyric.child_text("text").and_then(|t| t.parse().ok());
            let claim = claim.ok_or_else(|| self.malformed(lyric, "this names no interval"))?;
            happenings.push((start, Happening::Claim(claim)));
        }
        if element.child("rest").is_some() {
            if !marks(SAME_STEP) {
                happenings.push((start, Happening::Rest));
            }
            return Ok(());
        }
        let place = match string_and_fret(element) {
            Some((string, fret)) => {
                let (string, fret): (u8, u8) = (self.number(string)?, self.number(fret)?);
                if fret > LAST_FRET.0 {
                    return Err(self.malformed(element, format!("fret {fret} is beyond the neck")));
                }
                Some((string, fret))
            }
            None => None,
        };
        let pitch = match element.child("pitch") {
            Some(pitch) => Some(self.pitch(pitch, "", head.transpose)?),
            None => None,
        };
        if start < end && (place.is_some() || pitch.is_some()) {
            notes.push(Note { element, start, end, place, pitch });
        }
        Ok(())
    }
}
