//! A Standard MIDI File as a lick.

use std::collections::BTreeMap;

use midly::EventIter;
use midly::MetaMessage;
use midly::MidiMessage;
use midly::Timing;
use midly::TrackEventKind;

use super::PERCUSSION;
use super::write::SEMITONE_ERROR;
use crate::lick::Lick;
use crate::lick::Meter;
use crate::lick::mark::Mark;
use crate::lick::mark::Move;
use crate::lick::mark::MoveKind;
use crate::notation::MAX_NOTES;
use crate::notation::MAX_QUARTERS;
use crate::notation::Reading;
use crate::notation::error::NotationError;
use crate::notation::error::Place;
use crate::notation::hand;
use crate::notation::remarks::Remarks;
use crate::notation::steps::Cutter;
use crate::notation::steps::Happening;
use crate::notation::ticks;
use crate::notation::ticks::gcd;
use crate::theory::fretboard::Fret;
use crate::theory::fretboard::Tuning;
use crate::theory::key::Key;
use crate::theory::key::Mode;
use crate::theory::note::MidiNote;

/// Bytes of a file; ten minutes of guitar need about 100 000.
const MAX_BYTES: u64 = 8 << 20;

/// Semitones that a pitch bend reaches unless the file says otherwise (General MIDI 1).
const DEFAULT_RANGE: f64 = 2.0;

/// Parts of a quarter note finer than which lengths look played rather than written.
const FINEST_WRITTEN: u64 = 48;

/// A note as the file has it.
struct Note {
    start: u64,
    end: u64,
    channel: u8,
    key: u8,
    /// The part of its channel's bends that falls into it.
    bends: std::ops::Range<usize>,
}

/// What one track says.
#[derive(Default)]
struct Track {
    name: Option<String>,
    notes: Vec<Note>,
    /// When the pitch of each channel changes, and to how many semitones off.
    bends: [Vec<(u64, f64)>; 16],
    end: u64,
}

impl Track {
    fn end_note(&mut self, note: Note, now: u64) {
        let bends = note.bends.start..self.bends[usize::from(note.channel)].len();
        self.notes.push(Note { end: now, bends, ..note });
    }
}

/// What the file says once for all tracks; the first of each counts.
#[derive(Default)]
struct Head {
    tempo: Option<u32>,
    meter: Option<(u8, u8)>,
    key: Option<(i8, bool)>,
}

/// Reads a Standard MIDI File; `grid` rounds every time to so many parts of a quarter note.
///
/// # Errors
/// A file that is malformed, larger or longer than any lick, counts in film frames, or holds no
/// notes that a guitar could play.
pub fn read(bytes: &[u8], grid: Option<u64>) -> Result<Reading, NotationError> {
    read_tuned(bytes, grid, None)
}

/// The same for strings of `tuning`; without one for a guitar, whose sixth string may be tuned down.
///
/// # Errors
/// As [`read`] has them.
pub fn read_tuned(
    bytes: &[u8],
    grid: Option<u64>,
    tuning: Option<Tuning>,
) -> Result<Reading, NotationError> {
    if bytes.len() as u64 > MAX_BYTES {
        return Err(NotationError::TooBig { place: Place::File, what: "bytes", limit: MAX_BYTES });
    }
    let malformed = |problem: String| NotationError::Malformed { place: Place::Byte(0), problem };
    let film_frames = || {
        let problem = "it counts in film frames instead of beats".to_owned();
        NotationError::Unsupported { place: Place::Byte(12), problem }
    };
    // midly 0.5 overflows where the first byte of the division is 0x80.
    let counts_frames = |head: usize| bytes.get(head + 12).is_some_and(|byte| byte & 0x80 != 0);
    if bytes.windows(4).position(|id| id == b"MThd").is_some_and(counts_frames) {
        return Err(film_frames());
    }
    let (header, mut chunks) = midly::parse(bytes).map_err(|error| malformed(error.to_string()))?;
    let Timing::Metrical(per_quarter) = header.timing else { return Err(film_frames()) };
    let division = u64::from(per_quarter.as_int());
    if division == 0 {
        let problem = "no ticks to the quarter note".to_owned();
        return Err(NotationError::Malformed { place: Place::Byte(12), problem });
    }
    let mut remarks = Remarks::default();
    let mut head = Head::default();
    let mut tracks: Vec<Track> = Vec::new();
    while let Some(events) = chunks.next() {
        let events = events.map_err(|error| malformed(error.to_string()))?;
        let chunk_end = bytes.len() - chunks.unread().len();
        let number = tracks.len() + 1;
        let mut reader = TrackReader { number, chunk_end, division, remarks: &mut remarks };
        tracks.push(reader.track(events, &mut head)?);
    }
    let playable = |track: &Track| track.notes.iter().any(|note| note.channel != PERCUSSION);
    let n_playable = tracks.iter().filter(|track| playable(track)).count();
    let first_name = tracks.first().and_then(|track| track.name.clone());
    let Some(chosen) = tracks.iter().position(playable) else {
        let problem = "there are no notes in it".to_owned();
        return Err(NotationError::Unsupported { place: Place::File, problem });
    };
    if n_playable > 1 {
        let what = format!("of {n_playable} tracks with notes only track {} is read", chosen + 1);
        remarks.add("", what);
    }
    let mut track = tracks.swap_remove(chosen);
    if track.notes.iter().any(|note| note.channel == PERCUSSION) {
        remarks.add("", "percussion was left out");
        track.notes.retain(|note| note.channel != PERCUSSION);
    }
    let title = track.name.take().or(first_name).filter(|name| !name.trim().is_empty());
    let mut lick = head.lick(title, &mut remarks);
    fill(&mut lick, tuning, track, division, grid, &mut remarks);
    crate::notation::checked(lick, remarks)
}

/// The pitch wheel of a channel.
#[derive(Clone, Copy)]
struct Wheel {
    /// How far it bends.
    semitones: f64,
    /// The registered parameter that is being set; (0, 0) is how far the wheel bends.
    parameter: (u8, u8),
}

impl Default for Wheel {
    fn default() -> Self {
        Self { semitones: DEFAULT_RANGE, parameter: (127, 127) }
    }
}

impl Wheel {
    fn control(&mut self, controller: u8, value: u8) {
        match controller {
            101 => self.parameter.0 = value,
            100 => self.parameter.1 = value,
            6 if self.parameter == (0, 0) => self.semitones = f64::from(value),
            38 if self.parameter == (0, 0) => {
                self.semitones = self.semitones.trunc() + f64::from(value) / 100.0;
            }
            _ => {}
        }
    }
}

/// A track that is being read.
#[derive(Default)]
struct Playing {
    track: Track,
    /// Notes that sound, by channel and key.
    open: BTreeMap<(u8, u8), Note>,
    /// Of every channel.
    wheels: [Wheel; 16],
}

impl Playing {
    /// Takes what comes on a channel at tick `now`.
    fn take(&mut self, channel: u8, message: MidiMessage, now: u64) {
        let index = usize::from(channel);
        let (bends, wheel) = (&mut self.track.bends[index], &mut self.wheels[index]);
        let (begins, key) = match message {
            MidiMessage::NoteOn { key, vel } => (vel.as_int() > 0, key.as_int()),
            MidiMessage::NoteOff { key, .. } => (false, key.as_int()),
            MidiMessage::PitchBend { bend } => {
                return bends.push((now, bend.as_f64() * wheel.semitones));
            }
            MidiMessage::Controller { controller, value } => {
                return wheel.control(controller.as_int(), value.as_int());
            }
            _ => return,
        };
        let bends = bends.len();
        if let Some(note) = self.open.remove(&(channel, key)) {
            self.track.end_note(note, now);
        }
        if begins {
            let note = Note { start: now, end: now, channel, key, bends: bends..bends };
            self.open.insert((channel, key), note);
        }
    }
}

struct TrackReader<'r> {
    number: usize,
    /// Where the track ends in the file, in bytes.
    chunk_end: usize,
    division: u64,
    remarks: &'r mut Remarks,
}

impl TrackReader<'_> {
    fn track(
        &mut self,
        mut events: EventIter<'_>,
        head: &mut Head,
    ) -> Result<Track, NotationError> {
        let mut playing = Playing::default();
        let mut now = 0u64;
        loop {
            let left = events.unread().len();
            let Some(event) = events.next().and_then(Result::ok) else {
                if left == 0 {
                    break;
                }
                return Err(NotationError::Malformed {
                    place: Place::Byte(self.chunk_end - left),
                    problem: format!("track {} goes wrong at tick {now}", self.number),
                });
            };
            now += u64::from(event.delta.as_int());
            let place = Place::Tick { track: self.number, tick: now };
            if now / self.division > MAX_QUARTERS {
                let (what, limit) = ("quarter notes", MAX_QUARTERS);
                return Err(NotationError::TooBig { place, what, limit });
            }
            match event.kind {
                TrackEventKind::Meta(MetaMessage::EndOfTrack) => break,
                TrackEventKind::Meta(meta) => self.meta(meta, now, &mut playing.track, head),
                TrackEventKind::Midi { channel, message } => {
                    playing.take(channel.as_int(), message, now);
                    if playing.track.notes.len() as u64 > MAX_NOTES {
                        let (what, limit) = ("notes", MAX_NOTES);
                        return Err(NotationError::TooBig { place, what, limit });
                    }
                }
                TrackEventKind::SysEx(_) | TrackEventKind::Escape(_) => {}
            }
        }
        let Playing { mut track, open, .. } = playing;
        for note in open.into_values() {
            self.remarks.add(
                format!("track {}", self.number),
                "a note that never ends was ended with its track",
            );
            track.end_note(note, now);
        }
        track.end = now;
        Ok(track)
    }

    fn meta(&mut self, meta: MetaMessage<'_>, now: u64, track: &mut Track, head: &mut Head) {
        let mut first = |known: bool, what: &str| {
            if known {
                let place = format!("track {}, tick {now}", self.number);
                self.remarks.add(place, format!("a lick has one {what}; the first is kept"));
            }
        };
        match meta {
            MetaMessage::TrackName(name) if track.name.is_none() => {
                track.name = Some(String::from_utf8_lossy(name).into_owned());
            }
            MetaMessage::Tempo(tempo) => {
                first(head.tempo.is_some_and(|known| known != tempo.as_int()), "tempo");
                head.tempo.get_or_insert(tempo.as_int());
            }
            MetaMessage::TimeSignature(count, power, ..) => {
                first(head.meter.is_some_and(|known| known != (count, power)), "metre");
                head.meter.get_or_insert((count, power));
            }
            MetaMessage::KeySignature(fifths, minor) => {
                first(head.key.is_some_and(|known| known != (fifths, minor)), "key");
                head.key.get_or_insert((fifths, minor));
            }
            _ => {}
        }
    }
}

impl Head {
    /// A lick without steps.
    fn lick(&self, title: Option<String>, remarks: &mut Remarks) -> Lick {
        let mut or_default = |missing: bool, what: &str| {
            if missing {
                remarks.add("", what);
            }
        };
        let key = self.key.and_then(|(fifths, minor)| {
            Key::from_fifths(fifths, if minor { Mode::Minor } else { Mode::Major })
        });
        or_default(key.is_none(), "the file names no key; C major is taken");
        let meter = self
            .meter
            .and_then(|(count, power)| Meter::new(count, 1u8.checked_shl(u32::from(power))?));
        or_default(meter.is_none(), "the file names no metre; 4/4 is taken");
        // To a hundredth of a beat a minute: finer is what whole microseconds leave of it.
        let tempo = self.tempo.map(|tempo| (6e9 / f64::from(tempo.max(1))).round() / 100.0);
        let tempo = tempo.filter(|tempo| (10.0..=400.0).contains(tempo));
        or_default(tempo.is_none(), "the file names no tempo from 10 to 400; 120 is taken");
        or_default(title.is_none(), "the file has no title");
        Lick {
            title: title.unwrap_or_else(|| "Untitled".to_owned()),
            key: key.unwrap_or_else(|| Key::from_fifths(0, Mode::Major).expect("no sharps")),
            tempo_bpm: tempo.unwrap_or(120.0),
            meter: meter.unwrap_or_else(|| Meter::new(4, 4).expect("a metre")),
            swing: None,
            tuning: Tuning::default(),
            capo: 0,
            steps: Vec::new(),
        }
    }
}

/// Lays the notes of `track` on the strings of `lick`, tuned as named or as the notes need it, and cuts them into
/// steps.
fn fill(
    lick: &mut Lick,
    tuning: Option<Tuning>,
    mut track: Track,
    division: u64,
    grid: Option<u64>,
    remarks: &mut Remarks,
) {
    track.notes.sort_by_key(|note| (note.start, note.key));
    let (to, length) = match grid {
        Some(parts) => (parts, 1),
        None => (division, 0),
    };
    // Half a part rounds up.
    let round = |tick: u64| (tick * to * 2 + division) / (division * 2);
    let played: Vec<(Played, Note)> = track
        .notes
        .into_iter()
        .filter_map(|note| {
            let bends = &track.bends[usize::from(note.channel)];
            let before = bends[..note.bends.start].last().map_or(0.0, |(_, bend)| *bend);
            let played = follow(before, &bends[note.bends.clone()], note.end, division);
            let key = i32::from(note.key) + played.offset;
            (0..=127).contains(&key).then_some((played, Note { key: key as u8, ..note }))
        })
        .filter(|(_, note)| note.end > note.start || grid.is_some())
        .collect();
    let wanted: Vec<hand::Wanted<u64>> = played
        .iter()
        .map(|(played, note)| {
            let start = round(note.start);
            let targets = || played.moves.iter().map(|(_, _, semitones)| *semitones);
            hand::Wanted {
                start,
                end: round(note.end).max(start + length),
                note: MidiNote(note.key),
                unlikely: Vec::new(),
                down: targets().min().unwrap_or(0).min(0).unsigned_abs() as u8,
                up: targets().max().unwrap_or(0).max(0) as u8,
            }
        })
        .collect();
    lick.tuning = hand::tuning(tuning, &wanted, lick.capo, remarks);
    let finest = wanted.iter().flat_map(|w| [w.start, w.end]).map(|t| to / gcd(t, to)).max();
    if finest.is_some_and(|finest| finest > FINEST_WRITTEN) && grid.is_none() {
        remarks.add(
            "",
            "the lengths look played, not written: --grid 4 rounds them to sixteenths, --grid 12 to \
             triplets too",
        );
    }
    let mut happenings = Vec::new();
    let bar = ticks::bar(to, lick.meter);
    let sounds = hand::placed_sounds(&wanted, lick, bar, remarks);
    for hand::Laid { note, string, fret, end } in sounds {
        let start = wanted[note].start;
        let mark = Mark::Fretted { fret, moves: Vec::new() };
        happenings.push((start, Happening::Strike(string, mark)));
        happenings.push((end, Happening::Silence(string)));
        for &(time, kind, semitones) in &played[note].0.moves {
            let to = Fret((i32::from(fret.0) + semitones) as u8);
            let time = round(time).clamp(start, end.saturating_sub(1).max(start));
            happenings.push((time, Happening::Move(string, Move { kind, to })));
        }
    }
    let end = happenings.iter().map(|(time, _)| *time).max().unwrap_or(0).max(round(track.end));
    let cutter = Cutter { division: to, bar, n_strings: lick.tuning.n_strings() };
    lick.steps = cutter.cut(happenings, end, remarks);
}

/// How the pitch of a note moves, in semitones against its key.
struct Played {
    /// Where it begins.
    offset: i32,
    /// When it moves, how, and to how many semitones from where it began.
    moves: Vec<(u64, MoveKind, i32)>,
}

/// Follows the pitch bends of a note: `before` it, then each change, until `end`.
fn follow(before: f64, changes: &[(u64, f64)], end: u64, division: u64) -> Played {
    let offset = before.round() as i32;
    let mut moves: Vec<(u64, MoveKind, i32)> = Vec::new();
    let mut at = 0;
    let (mut last, mut begun, mut between) = (before, None, false);
    for (index, &(time, bend)) in changes.iter().enumerate() {
        let begin = *begun.get_or_insert(time);
        between |= (bend - bend.round()).abs() > SEMITONE_ERROR;
        let next = changes.get(index + 1);
        let stays = next.map_or(end, |(time, _)| *time) - time >= division / 16;
        let turns = next.is_none_or(|(_, next)| (next - bend) * (bend - last) < 0.0);
        last = bend;
        if !stays && !turns {
            continue;
        }
        let reached = bend.round() as i32 - offset;
        if reached != at {
            let bent = between && reached > at;
            match moves.last_mut() {
                // A slow bend is one bend, wherever it rests on the way.
                Some((_, MoveKind::Bend, to)) if bent => *to = reached,
                _ if bent => moves.push((begin, MoveKind::Bend, reached)),
                _ => moves.push((time, MoveKind::Slide, reached)),
            }
            at = reached;
        }
        (begun, between) = (None, false);
    }
    Played { offset, moves }
}
