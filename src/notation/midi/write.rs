//! A lick as a Standard MIDI File.

use midly::Format;
use midly::Header;
use midly::MetaMessage;
use midly::MidiMessage;
use midly::PitchBend;
use midly::Smf;
use midly::Timing;
use midly::TrackEvent;
use midly::TrackEventKind;
use midly::num::u4;
use midly::num::u7;
use midly::num::u15;
use midly::num::u24;
use midly::num::u28;

use super::BEND_RANGE;
use super::PERCUSSION;
use crate::lick::Lick;
use crate::lick::mark::Mark;
use crate::lick::mark::MoveKind;
use crate::notation::ticks::Division;
use crate::notation::ticks::Sound;
use crate::notation::ticks::moves;
use crate::notation::ticks::sounds;
use crate::notation::ticks::written_out;
use crate::theory::key::Mode;
use crate::theory::note::MidiNote;

/// Ticks to the quarter note at least, so that glides are smooth.
const FINE: u64 = 960;

/// The most ticks to the quarter note that a file can have.
const FINEST: u64 = 32_767;

/// The longest time between two events that a file can hold.
const LONGEST_DELTA: u64 = (1 << 28) - 1;

/// How hard a struck string is played, and one that is hammered or pulled.
const STRUCK: u8 = 96;
const LEGATO: u8 = 72;

/// General MIDI program 26, steel-string guitar, counted from 0.
const PROGRAM: u8 = 25;

/// High and low wood block of General MIDI percussion, for the click.
const FIRST_BEAT: u8 = 76;
const OTHER_BEAT: u8 = 77;

/// How far from a whole semitone a slide may be and still be told from a bend: much more than the
/// rounding of 14 bits over [`BEND_RANGE`], less than a step of our bends.
pub(super) const SEMITONE_ERROR: f64 = 0.03;

/// Steps of a glide in a semitone of bend.
const GLIDE_STEPS: u64 = 16;

/// What is played beside the lick, and how fast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Times the lick's own tempo.
    pub speed: f64,
    /// Beats of click before the lick begins.
    pub count_in_beats: u32,
    /// Click along with the lick.
    pub click: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self { speed: 1.0, count_in_beats: 0, click: false }
    }
}

/// Something that a channel does at a tick. At one tick, notes end before pitch goes back and
/// others begin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Action {
    End(u8),
    Bend(i16),
    Begin(u8, u8),
}

/// The lick as a Standard MIDI File.
pub fn write(lick: &Lick, options: &Options) -> Vec<u8> {
    let lick = &written_out(lick);
    let (division, scale) = scale(lick);
    let per_quarter = scale.to;
    let beat = per_quarter * 4 / u64::from(lick.meter.unit);
    let count_in = u64::from(options.count_in_beats) * beat;
    let mut actions: Vec<(u64, u8, Action)> = Vec::new();
    for sound in sounds(lick, division) {
        play(&sound, &scale, count_in, &mut actions);
    }
    let length: u64 = lick.steps.iter().map(|step| division.step(step)).sum();
    let end = count_in + scale.ticks(length);
    let clicked = if options.click { end } else { count_in };
    for index in 0..clicked.div_ceil(beat) {
        // The count-in leads up to the first beat of a bar.
        let count = u64::from(lick.meter.count);
        let from_bar = (index + count - u64::from(options.count_in_beats) % count) % count;
        let key = if from_bar == 0 { FIRST_BEAT } else { OTHER_BEAT };
        actions.push((index * beat, PERCUSSION, Action::Begin(key, STRUCK)));
        actions.push((index * beat + beat / 4, PERCUSSION, Action::End(key)));
    }
    actions.sort_by_key(|&(tick, channel, action)| (tick, action, channel));

    let mut events = head(lick, options);
    let mut now = 0;
    for (tick, channel, action) in actions {
        let message = match action {
            Action::End(key) => MidiMessage::NoteOff { key: u7::new(key), vel: u7::new(64) },
            Action::Bend(value) => MidiMessage::PitchBend { bend: PitchBend::from_int(value) },
            Action::Begin(key, vel) => MidiMessage::NoteOn { key: u7::new(key), vel: u7::new(vel) },
        };
        let kind = TrackEventKind::Midi { channel: u4::new(channel), message };
        wait(&mut events, tick - now, kind);
        now = tick;
    }
    wait(&mut events, end.saturating_sub(now), TrackEventKind::Meta(MetaMessage::EndOfTrack));

    let timing = Timing::Metrical(u15::new(per_quarter as u16));
    let file = Smf { header: Header::new(Format::SingleTrack, timing), tracks: vec![events] };
    let mut bytes = Vec::new();
    file.write_std(&mut bytes).expect("memory can be written to");
    bytes
}

/// From the ticks of a lick to the ticks of a file.
struct Scale {
    from: u64,
    to: u64,
}

impl Scale {
    /// The nearest tick of the file.
    fn ticks(&self, ticks: u64) -> u64 {
        let scaled = (u128::from(ticks) * u128::from(self.to) * 2 + u128::from(self.from))
            / (u128::from(self.from) * 2);
        u64::try_from(scaled).unwrap_or(u64::MAX)
    }
}

/// The division of the lick and how it is told in the file: exactly, if that can be.
fn scale(lick: &Lick) -> (Division, Scale) {
    let division = Division::of(lick).unwrap_or(Division::COARSE);
    let from = division.get();
    let multiple = from * FINE.div_ceil(from);
    let to = if multiple <= FINEST { multiple } else { FINE };
    (division, Scale { from, to })
}

/// Adds an event after `delta` ticks, with empty texts on the way where that is too long for one.
fn wait<'a>(events: &mut Vec<TrackEvent<'a>>, mut delta: u64, kind: TrackEventKind<'a>) {
    while delta > LONGEST_DELTA {
        let filler = TrackEventKind::Meta(MetaMessage::Text(b""));
        events.push(TrackEvent { delta: u28::new(LONGEST_DELTA as u32), kind: filler });
        delta -= LONGEST_DELTA;
    }
    events.push(TrackEvent { delta: u28::new(delta as u32), kind });
}

/// Title, tempo, metre, key, and for each string its sound and the range of its bends.
fn head<'a>(lick: &'a Lick, options: &Options) -> Vec<TrackEvent<'a>> {
    let microseconds = (60e6 / (lick.tempo_bpm * options.speed)).round();
    let (fifths, minor) = signature(lick);
    let mut kinds = vec![
        TrackEventKind::Meta(MetaMessage::TrackName(lick.title.as_bytes())),
        TrackEventKind::Meta(MetaMessage::Tempo(u24::new(
            microseconds.clamp(1.0, f64::from((1 << 24) - 1)) as u32,
        ))),
        TrackEventKind::Meta(MetaMessage::TimeSignature(
            lick.meter.count,
            lick.meter.unit.trailing_zeros() as u8,
            // MIDI clocks to the beat, 24 to the quarter note.
            (96 / lick.meter.unit.max(1)).max(1),
            8,
        )),
        TrackEventKind::Meta(MetaMessage::KeySignature(fifths, minor)),
    ];
    for channel in (0..lick.tuning.n_strings()).map(channel) {
        let mut send = |message| {
            kinds.push(TrackEventKind::Midi { channel: u4::new(channel), message });
        };
        send(MidiMessage::ProgramChange { program: u7::new(PROGRAM) });
        // Registered parameter 0 is the range of pitch bends; 127 closes it again.
        for (controller, value) in
            [(101, 0), (100, 0), (6, BEND_RANGE), (38, 0), (101, 127), (100, 127)]
        {
            let (controller, value) = (u7::new(controller), u7::new(value));
            send(MidiMessage::Controller { controller, value });
        }
    }
    kinds.into_iter().map(|kind| TrackEvent { delta: u28::new(0), kind }).collect()
}

/// Sharps (negative: flats) and whether the third is minor: all that a key is in MIDI.
fn signature(lick: &Lick) -> (i8, bool) {
    let minor = match lick.key.mode() {
        Mode::Major | Mode::Lydian | Mode::Mixolydian => false,
        Mode::Minor | Mode::Dorian | Mode::Phrygian | Mode::Locrian => true,
    };
    (lick.key.fifths(), minor)
}

/// The channel of a string by its index from the highest.
fn channel(from_highest: usize) -> u8 {
    let channel = from_highest as u8;
    if channel >= PERCUSSION { channel + 1 } else { channel }
}

/// Adds what one string does from strike to silence.
fn play(sound: &Sound, scale: &Scale, after: u64, actions: &mut Vec<(u64, u8, Action)>) {
    let channel = channel(sound.from_highest);
    let at = |tick: u64| after + scale.ticks(tick);
    let mut note = sound.note;
    let mut begun = at(sound.start);
    actions.push((begun, channel, Action::Bend(0)));
    actions.push((begun, channel, Action::Begin(note.0, STRUCK)));
    let mut now = begun;
    // The pitch that sounds, once bends have moved the note that began.
    let mut sounding = note;
    for (index, (time, next, to)) in sound.moves.iter().enumerate() {
        let time = at(*time);
        match next.kind {
            MoveKind::HammerOn | MoveKind::PullOff => {
                actions.push((time, channel, Action::End(note.0)));
                actions.push((time, channel, Action::Bend(0)));
                actions.push((time, channel, Action::Begin(to.0, LEGATO)));
                (note, begun) = (*to, time);
            }
            MoveKind::Slide | MoveKind::SlideUp | MoveKind::SlideDown => {
                slide(note, sounding, *to, (now.max(begun), time), scale.to, |tick, value| {
                    actions.push((tick, channel, Action::Bend(value)));
                });
            }
            MoveKind::Bend => {
                let until = sound.moves.get(index + 1).map_or(sound.end, |(time, ..)| *time);
                let longest = time + scale.to / 2;
                bend(note, sounding, *to, (time, at(until).min(longest)), |tick, value| {
                    actions.push((tick, channel, Action::Bend(value)));
                });
            }
        }
        now = time;
        sounding = *to;
    }
    actions.push((at(sound.end), channel, Action::End(note.0)));
}

/// The value of a pitch bend of so many semitones.
fn bend_value(semitones: f64) -> i16 {
    (semitones / f64::from(BEND_RANGE) * 8192.0).round() as i16
}

fn semitones(from: MidiNote, to: MidiNote) -> f64 {
    f64::from(to.0) - f64::from(from.0)
}

/// A slide by semitones that arrives at its time, within half of the time since the last move and
/// never so slowly that a fret on the way would count as a stay.
fn slide(
    note: MidiNote,
    from: MidiNote,
    to: MidiNote,
    (since, time): (u64, u64),
    per_quarter: u64,
    mut send: impl FnMut(u64, i16),
) {
    let distance = u64::from(from.0.abs_diff(to.0));
    let step = ((time - since) / (2 * distance.max(1))).min(per_quarter / 32);
    let direction = if to > from { 1.0 } else { -1.0 };
    for index in 1..=distance {
        let passed = semitones(note, from) + direction * index as f64;
        send(time - (distance - index) * step, bend_value(passed));
    }
}

/// A smooth rise that begins at its time and takes half of the time until it must be done.
fn bend(
    note: MidiNote,
    from: MidiNote,
    to: MidiNote,
    (time, until): (u64, u64),
    mut send: impl FnMut(u64, i16),
) {
    let steps = u64::from(from.0.abs_diff(to.0)).max(1) * GLIDE_STEPS;
    let (first, last) = (semitones(note, from), semitones(note, to));
    for index in 1..=steps {
        let share = index as f64 / steps as f64;
        let tick = time + (until - time) * index / (2 * steps);
        send(tick, bend_value(first + (last - first) * share));
    }
}

/// What a MIDI file cannot hold of the lick.
pub fn losses(lick: &Lick) -> Vec<String> {
    let marks = || lick.steps.iter().flat_map(|step| &step.marks);
    let moves = || marks().flat_map(moves);
    let mut losses = vec!["MIDI has no strings and frets: only the notes are kept".to_owned()];
    let mut tell = |applies: bool, what: &str| losses.extend(applies.then(|| what.to_owned()));
    tell(
        moves().any(|m| matches!(m.kind, MoveKind::HammerOn | MoveKind::PullOff)),
        "MIDI has no hammer-ons and pull-offs: they become softer notes",
    );
    tell(
        marks().any(|m| matches!(m, Mark::NaturalHarmonic(_) | Mark::ArtificialHarmonic { .. })),
        "MIDI has no harmonics: they become notes of their pitch",
    );
    tell(lick.steps.iter().any(|s| s.chord.is_some()), "MIDI has no chord symbols: left out");
    tell(
        lick.steps.iter().any(|s| s.interval.is_some()),
        "MIDI has no place for the author's intervals: left out",
    );
    tell(
        !matches!(lick.key.mode(), Mode::Major | Mode::Minor),
        "MIDI has only major and minor keys: only the signature of the key is kept",
    );
    tell(lick.capo > 0, "MIDI has no capo: the notes are kept as they sound");
    tell(lick.swing.is_some(), "MIDI has no swing: the lengths are kept as they sound");
    let (division, scale) = scale(&written_out(lick));
    tell(
        Division::of(lick).is_none() || !scale.to.is_multiple_of(division.get()),
        "some lengths are too fine for MIDI: rounded to the nearest tick",
    );
    losses
}
