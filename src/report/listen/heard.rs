//! What sounds in one strike, as `listen` tells it.

use crate::engine::HeardPitch;
use crate::engine::Strike;
use crate::practice::led::Came;
use crate::practice::led::Follower;
use crate::practice::matching::place;
use crate::practice::verdict::Pitch;
use crate::theory::names::Names;
use crate::theory::naming::name_sounding;
use crate::theory::note::MidiNote;
use crate::theory::note::Reference;
use crate::units::Cents;
use crate::units::SampleIndex;
use crate::units::SampleRate;

/// A note that was struck and, if that is sure, how its string went.
pub(super) struct Struck {
    pub(super) pitch: Pitch,
    pub(super) is_sure: bool,
    /// What the string sounded just before, and whether that is sure: what was hammered on softly and what was struck
    /// softly beside a string that rings sound alike.
    pub(super) from: Option<(MidiNote, bool)>,
    /// When the note was reached, if that was not with the strike.
    pub(super) start: Option<SampleIndex>,
    pub(super) later: Vec<(Pitch, SampleIndex)>,
}

/// The notes of a strike, sorted by what they are.
pub(super) struct Heard {
    pub(super) struck: Vec<Struck>,
    pub(super) ringing: Vec<Pitch>,
    /// How they are written.
    pub(super) names: Names,
}

impl Heard {
    /// What sounds in a `strike`; no `follower` is for what was said, of which no moves are told.
    pub(super) fn of(
        strike: &Strike,
        rate: SampleRate,
        reference: Reference,
        follower: Option<&mut Follower>,
    ) -> Self {
        let placed = |pitch: &HeardPitch| place(pitch, reference, Cents(0.0));
        let struck = strike.likely_struck(rate);
        let struck = struck.filter_map(|(heard, is_sure)| Some((placed(heard)?, heard, is_sure)));
        let mut struck: Vec<(Pitch, &HeardPitch, bool)> = struck.collect();
        struck.sort_by_key(|(pitch, ..)| pitch.note);
        let told: Vec<_> = struck.iter().map(|(pitch, heard, _)| (pitch.note, *heard)).collect();
        let came = follower.map(|follower| follower.take(strike, rate, &told, placed));
        let struck = struck.iter().enumerate().map(|(i, &(pitch, _, is_sure))| {
            let unmoved = Struck { pitch, is_sure, from: None, start: None, later: Vec::new() };
            match came.as_ref().filter(|_| is_sure) {
                Some(Came::Struck(led)) => Struck {
                    from: led[i].from.map(|(from, _)| (from, true)),
                    start: led[i].from.map(|(_, at)| at),
                    later: led[i].later.clone(),
                    ..unmoved
                },
                Some(&Came::Hammered { from, to, .. }) if to == pitch.note => {
                    Struck { from: Some((from, false)), ..unmoved }
                }
                _ => unmoved,
            }
        });
        let struck: Vec<Struck> = struck.collect();
        let is_struck = |pitch: &Pitch| struck.iter().any(|other| other.pitch.note == pitch.note);
        let ringing = strike.notes.iter().filter_map(placed);
        let ringing = ringing.filter(|pitch| !is_struck(pitch)).collect();
        let names = Names::of(&[notes(&struck)], None, None);
        Self { struck, ringing, names }
    }

    pub(super) fn name(&self) -> String {
        if self.struck.is_empty() {
            return "no clear note".to_owned();
        }
        name_sounding(&notes(&self.struck), &self.names)
    }
}

fn notes(struck: &[Struck]) -> Vec<MidiNote> {
    struck.iter().map(|note| note.pitch.note).collect()
}
