//! Strings strummed slowly are heard as several strikes, which here are joined to one.
//!
//! **Conventions.** What is joined begins with its first string, ends with its last strike, and holds what
//! sounds there; a note was struck if any of these strikes struck it.
//! **Limits.** Spread wider than the steps of the lick leave room for, a chord stays in pieces. Live, strikes are
//! joined by their time alone, for the first guess comes before it is known what rings on.

use crate::engine::HeardPitch;
use crate::engine::Strike;
use crate::lick::expected::ExpectedStep;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// The next of a strum's strikes follows within this, in seconds, and within this share of the shortest way from
/// step to step: two strings a tenth of a second apart may share a strike.
const NEXT: (f64, f64) = (0.2, 0.4);
/// The same of the first and the last.
const ALL: (f64, f64) = (0.7, 0.7);
/// The same in seconds, where it is not known which steps there are: sixteenths at 160 a minute are longer.
const UNASKED: (f64, f64) = (0.08, 0.3);
/// What is cut off within this is hardly heard, in seconds.
const SHORT_S: f64 = 0.1;
/// A hand reaches so many cents on one string (common practice): what is heard no more beside a new note that near
/// has moved to it.
const REACH_CENTS: f64 = 500.0;

/// Log odds of having been struck, of what did not sound before its strike: it counts where it was asked for and
/// in the place of what was …
const LIKELY: f64 = 1.0;
/// … and beside all that was asked for, where nothing sounded before.
const SURELY: f64 = 4.0;

/// How wide a strum may be.
#[derive(Debug, Clone, Copy)]
pub(super) struct Strum {
    /// From one strike to the next, in samples.
    next: u64,
    /// From the first to the last.
    all: u64,
    /// What is cut off sooner is heard too badly to tell whether it goes on.
    short: u64,
    /// Whether strings move between strikes.
    moves: bool,
}

impl Strum {
    /// What leaves `steps` and their moves apart, a beat of which lasts `beat_s`.
    pub(super) fn of<'a>(
        steps: impl IntoIterator<Item = &'a ExpectedStep>,
        beat_s: f64,
        rate: SampleRate,
    ) -> Self {
        let (mut shortest_s, mut moves) = (f64::INFINITY, false);
        for step in steps {
            let moves_after = step.stages.iter().map(|stage| step.due_beats(stage));
            shortest_s = shortest_s.min(beat_s * moves_after.fold(step.length_beats, f64::min));
            moves |= !step.stages.is_empty();
        }
        let within =
            |(most_s, share): (f64, f64)| rate.samples_in(most_s.min(share * shortest_s)).0;
        Self { next: within(NEXT), all: within(ALL), short: rate.samples_in(SHORT_S).0, moves }
    }

    /// Where nothing is known of the steps: as wide as leaves quick ones apart.
    pub(super) fn unasked(rate: SampleRate) -> Self {
        let [next, all, short] = [UNASKED.0, UNASKED.1, SHORT_S].map(|s| rate.samples_in(s).0);
        Self { next, all, short, moves: true }
    }

    /// Whether a strike at `onset` may go on with the strum from `first` to `last`.
    pub(super) fn reaches(
        &self,
        first: SampleIndex,
        last: SampleIndex,
        onset: SampleIndex,
    ) -> bool {
        onset.0 <= last.0 + self.next && onset.0 <= first.0 + self.all
    }

    /// The strikes of a take, those of one strum joined.
    pub(super) fn join(&self, strikes: &[Strike]) -> Vec<Strike> {
        let mut strums: Vec<Strike> = Vec::with_capacity(strikes.len());
        let mut last = SampleIndex(0);
        for strike in strikes {
            let goes_on = |strum: &Strike| {
                self.reaches(strum.onset, last, strike.onset) && self.goes_on(strum, strike)
            };
            let strum = strums.pop_if(|strum| goes_on(strum));
            let mut now = strum.as_ref().map_or_else(|| strike.clone(), |s| joined(s, strike));
            match (strums.last().filter(|before| before.end >= now.onset), &strum) {
                (Some(before), Some(_)) => came_with(&mut now, Some(before), LIKELY),
                (Some(_), None) => {}
                (None, Some(_)) => came_with(&mut now, None, SURELY),
                (None, None) => came_with(&mut now, None, LIKELY),
            }
            strums.push(now);
            last = strike.onset;
        }
        strums
    }

    /// Whether `strike` struck other strings beside those of `strum`: some of these sound on, and none moved.
    fn goes_on(&self, strum: &Strike, strike: &Strike) -> bool {
        let sounds = |note: &HeardPitch| find(strike, note).is_some();
        let moved = |note: &HeardPitch| {
            let is_near =
                |new: &HeardPitch| new.tone().cents_from(&note.tone()).abs() < REACH_CENTS;
            !sounds(note) && struck(strike).any(is_near)
        };
        let is_short = strike.end.0 < strike.onset.0 + self.short;
        (is_short || struck(strum).any(sounds)) && !(self.moves && struck(strum).any(moved))
    }
}

/// The strum that goes on, live.
#[derive(Debug)]
pub(super) struct Strumming {
    strum: Strum,
    /// All of it up to now, and what of it came before the last strike.
    now: Option<Strike>,
    before: Option<Strike>,
}

impl Strumming {
    pub(super) fn new(strum: Strum) -> Self {
        Self { strum, now: None, before: None }
    }

    /// Whether a strike at `onset` may go on with it, the strike before being that at `last`.
    pub(super) fn reaches(&self, last: SampleIndex, onset: SampleIndex) -> bool {
        self.now.as_ref().is_some_and(|now| self.strum.reaches(now.onset, last, onset))
    }

    /// Takes what is told of a `strike`, a new one or the last once more; all of the strum it is part of.
    pub(super) fn take(&mut self, strike: &Strike, is_new: bool, goes_on: bool) -> Strike {
        if is_new {
            self.before = self.now.take().filter(|_| goes_on);
        }
        let before = self.before.as_ref();
        let now = before.map_or_else(|| strike.clone(), |before| joined(before, strike));
        self.now.insert(now).clone()
    }

    pub(super) fn forget(&mut self) {
        self.now = None;
    }
}

/// What `strum` and the `strike` that goes on with it are together.
fn joined(strum: &Strike, strike: &Strike) -> Strike {
    let mut joined = Strike { onset: strum.onset, ..strike.clone() };
    let Strike { notes, doubtful, faint, .. } = &mut joined;
    for note in notes.iter_mut().chain(doubtful).chain(faint) {
        if let Some(earlier) = find(strum, note) {
            note.struck_odds = note.struck_odds.max(earlier.struck_odds);
            note.rang = earlier.rang;
            note.grace = note.grace.or(earlier.grace);
        }
    }
    // What the strings that followed may hide, or was heard too shortly there.
    let hidden = struck(strum).filter(|note| find(strike, note).is_none());
    joined.doubtful.extend(hidden.map(|note| HeardPitch { likely: false, ..*note }));
    joined
}

/// What sounds in `strike` and did not ring on from `before` came with it, at these log odds: the strings of a strum
/// seem to ring on from one to the next.
fn came_with(strike: &mut Strike, before: Option<&Strike>, log_odds: f64) {
    for note in strike.notes.iter_mut().chain(&mut strike.doubtful) {
        if before.is_none_or(|before| find(before, note).is_none()) {
            note.struck_odds = note.struck_odds.max(log_odds);
        }
    }
}

fn struck(strike: &Strike) -> impl Iterator<Item = &HeardPitch> {
    strike.notes.iter().chain(&strike.doubtful).filter(|note| note.is_struck())
}

fn find<'a>(strike: &'a Strike, note: &HeardPitch) -> Option<&'a HeardPitch> {
    let mut all = strike.notes.iter().chain(&strike.doubtful).chain(&strike.faint);
    all.find(|other| other.tone().is_note_of(&note.tone()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Stage;
    use crate::lick::Lick;

    const RATE: u32 = 48_000;

    fn rings(midi: f64) -> HeardPitch {
        HeardPitch { struck_odds: -6.0, ..HeardPitch::sure(midi) }
    }

    /// Strikes at these milliseconds, each sounding up to the next, the last for a second; joined for a lick
    /// of `steps` a beat of which lasts a second.
    fn strums(steps: &str, strikes: &[(u64, &[HeardPitch])]) -> Vec<Strike> {
        let lick = format!(
            "title = \"Weir\"\nkey = \"C major\"\ntempo = 60\nmeter = \"4/4\"\nsteps = [{steps}]\n"
        );
        let steps = Lick::parse(&lick, "test").expect("a good lick").expected().steps;
        let samples = |ms: u64| SampleIndex(ms * u64::from(RATE) / 1000);
        let ends = strikes.iter().skip(1).map(|strike| strike.0);
        let ends = ends.chain(strikes.last().map(|last| last.0 + 1000));
        let strike = |((at_ms, notes), end_ms): (&(u64, &[HeardPitch]), u64)| Strike {
            onset: samples(*at_ms),
            end: samples(end_ms),
            stage: Stage::Whole,
            notes: notes.to_vec(),
            doubtful: Vec::new(),
            faint: Vec::new(),
            later: Vec::new(),
            combined: Vec::new(),
        };
        let strikes: Vec<Strike> = strikes.iter().zip(ends).map(strike).collect();
        let rate = SampleRate::new(RATE).expect("positive");
        Strum::of(&steps, 1.0, rate).join(&strikes)
    }

    /// MIDI numbers of what was struck, strum by strum.
    fn numbers(strums: &[Strike]) -> Vec<Vec<i32>> {
        let number = |note: &HeardPitch| {
            (69.0 + 12.0 * (note.frequency.get() / 440.0).log2()).round() as i32
        };
        strums.iter().map(|strum| struck(strum).map(number).collect()).collect()
    }

    const CHORD: &str = "{ beats = 1, frets = \"x 3 2 0 1 0\" }";

    #[test]
    fn strings_struck_one_after_the_other_are_one_strum() {
        let sure = HeardPitch::sure;
        let low = [sure(48.0), sure(52.0)];
        let all = [rings(48.0), rings(52.0), sure(55.0), sure(60.0)];
        let one = strums(CHORD, &[(500, &low), (620, &all)]);
        assert_eq!(numbers(&one), [[48, 52, 55, 60]]);
        assert_eq!((one[0].onset.0, one[0].end.0), (24_000, 77_760), "from its first string on");
        let apart = [vec![48, 52], vec![55, 60]];
        assert_eq!(numbers(&strums(CHORD, &[(500, &low), (720, &all)])), apart, "too far apart");
        let eighths = "{ beats = 0.25, frets = \"x 3 2 0 1 0\" }";
        assert_eq!(
            numbers(&strums(eighths, &[(500, &low), (620, &all)])),
            apart,
            "steps are as near"
        );
        let other = [sure(55.0), sure(60.0)];
        assert_eq!(numbers(&strums(CHORD, &[(500, &low), (620, &other)])), apart, "none sounds on");
    }

    #[test]
    fn what_a_later_string_hides_counts_where_it_is_asked_for() {
        let sure = HeardPitch::sure;
        let first = [sure(64.0), sure(55.0)];
        let one = strums(CHORD, &[(500, &first), (580, &[sure(52.0), rings(55.0)])]);
        assert_eq!(numbers(&one), [[52, 55, 64]]);
        let [hidden] = &one[0].doubtful[..] else { panic!("{:?}", one[0].doubtful) };
        assert!(!hidden.likely, "unasked it is not told");
    }

    #[test]
    fn what_did_not_sound_before_was_struck() {
        let sure = HeardPitch::sure;
        let low = [sure(48.0)];
        let all = [rings(48.0), rings(52.0), sure(55.0)];
        let odds = |strums: &[Strike]| strums.last().expect("a strum").notes[1].struck_odds;
        assert!(odds(&strums(CHORD, &[(500, &low), (580, &all)])) >= SURELY, "nothing did");
        let before = [sure(64.0)];
        let after = |before: &[HeardPitch]| {
            odds(&strums(CHORD, &[(500, before), (1500, &low), (1580, &all)]))
        };
        assert_eq!(after(&before), LIKELY, "something else did");
        assert_eq!(after(&[sure(52.0)]), -6.0, "it did");
        let alone = strums(CHORD, &[(500, &before), (1500, &all)]);
        assert_eq!(odds(&alone), -6.0, "no strum");
        assert_eq!(odds(&strums(CHORD, &[(500, &all)])), LIKELY, "after silence");
    }

    #[test]
    fn a_string_that_moved_is_no_other_string() {
        let sure = HeardPitch::sure;
        let hammered = "{ beats = 1, frets = \"x x 5h7 5 x x\" }";
        let first = [sure(55.0), sure(60.0)];
        let second = [sure(57.0), rings(60.0)];
        let strikes: [(u64, &[HeardPitch]); 2] = [(500, &first), (620, &second)];
        assert_eq!(numbers(&strums(hammered, &strikes)), [vec![55, 60], vec![57]]);
        assert_eq!(
            numbers(&strums(CHORD, &strikes)),
            [[57, 60, 55]],
            "no string moves in this lick"
        );
    }
}
