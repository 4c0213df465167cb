//! Plucks from a recording or from the sound card, for the commands that measure the guitar itself.

use std::path::PathBuf;

use super::devices::Listening;
use super::drawn::Drawn;
use super::exit::Failure;
use super::output;
use super::recording::Channel;
use super::recording::Progress;
use super::recording::feed;
use super::recording::nothing_struck;
use super::recording::read_once;
use super::recording::tell_damage;
use crate::audio::Chunk;
use crate::audio::Recording;
use crate::engine::Listener;
use crate::lick;
use crate::practice::pluck::Pluck;
use crate::practice::pluck::PluckListener;
use crate::report;
use crate::theory::fretboard::Tuning;
use crate::theory::key::Key;
use crate::theory::spelling::Spelling;
use crate::units::Cents;

/// Options of both commands.
#[derive(Debug, clap::Args)]
pub struct Guitar {
    /// Open strings, lowest first [default: "E2 A2 D3 G3 B3 E4"]
    #[arg(long, value_name = "NOTES", value_parser = tuning, conflicts_with = "lick")]
    tuning: Option<Tuning>,
    /// Take the tuning of this lick, capo counted
    #[arg(long, value_name = "LICK")]
    lick: Option<PathBuf>,
    /// How far off may still be called good, in cents
    #[arg(long, value_name = "CENTS", default_value = "2", value_parser = tolerance)]
    pub tolerance: Cents,
    /// Whether a page is drawn.
    #[command(flatten)]
    pub drawn: Drawn,
    /// When listening live, keep what was played in this file (WAV)
    #[arg(long, value_name = "FILE")]
    keep: Option<PathBuf>,
    #[command(flatten)]
    channel: Channel,
    #[command(flatten)]
    card: Listening,
}

/// Whether to go on listening.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// There is more to play.
    GoOn,
    /// All was heard.
    Done,
}

impl Guitar {
    /// The open strings as they sound, and the key they are spelled in.
    ///
    /// # Errors
    /// A lick that cannot be read, or that a capo pushes beyond all notes.
    pub fn strings(&self) -> Result<(Tuning, Option<Key>), Failure> {
        if let Some(name) = &self.lick {
            let lick = lick::find(name)?;
            let capo = crate::theory::fretboard::Fret(lick.capo);
            let open: Option<Vec<_>> = lick
                .tuning
                .strings()
                .map(|(string, _)| lick.tuning.note_at(string, capo))
                .collect();
            let tuning = open.and_then(Tuning::new).ok_or_else(|| {
                let name = name.display();
                Failure::new(format!("{name}: its capo is too high"), "use a lower capo")
            })?;
            return Ok((tuning, Some(lick.key)));
        }
        Ok((self.tuning.clone().unwrap_or_default(), None))
    }

    /// Listens to the recordings one after the other, and gives what kept it from listening to some.
    ///
    /// # Errors
    /// Options for listening live; no recording that can be opened and holds sound.
    pub fn hear(
        &self,
        recordings: &[PathBuf],
        listener: impl Fn(Listener) -> PluckListener,
        mut on_pluck: impl FnMut(&Pluck),
    ) -> Result<Option<Failure>, Failure> {
        self.card.unused_for_recordings(&[("--keep", self.keep.is_some())])?;
        read_once(recordings)?;
        let progress = Progress::new();
        let mut failures = Vec::new();
        for path in recordings {
            let mut recording = match Recording::open(path, self.channel.choice()) {
                Ok(recording) => recording,
                Err(error) => {
                    failures.push(error.into());
                    continue;
                }
            };
            let mut listener = listener(Listener::of_recording(recording.rate()));
            let mut count = 0;
            let mut counted = |pluck: &Pluck| {
                count += 1;
                on_pluck(pluck);
            };
            let damage = feed(&mut recording, &progress, |chunk| match chunk {
                Chunk::Samples(samples) => listener.push(samples, &mut counted),
                Chunk::Gap(lost) => listener.gap(lost, &mut counted),
            });
            listener.finish(&mut counted);
            let name = recording.name();
            tell_damage(name, damage.as_deref());
            if count == 0 {
                let why = report::finding(&nothing_struck(&recording, self.channel));
                output::tell(&format!("{name}: no pluck was heard. {why}"));
            }
            if recordings.len() > 1 {
                let noun = if count == 1 { "pluck" } else { "plucks" };
                output::tell(&format!("{name}: {count} {noun}"));
            }
        }
        let some = failures.len() < recordings.len();
        match Failure::of_recordings(failures, recordings.len()) {
            Some(failure) if !some => Err(failure),
            failure => Ok(failure),
        }
    }

    /// Listens to the sound card until `on_pluck` has heard all, or the player interrupts; `ask` says what
    /// to play first.
    ///
    /// # Errors
    /// A program built without sound card support.
    #[cfg(not(feature = "live"))]
    pub fn hear_live(
        &self,
        _listener: impl Fn(Listener) -> PluckListener,
        _ask: &str,
        _on_pluck: impl FnMut(&Pluck) -> Next,
    ) -> Result<(), Failure> {
        // Understood, so that the message is about the program and not about the options.
        let _ = (&self.keep, &self.card);
        Err(super::devices::no_live())
    }
}

#[cfg(feature = "live")]
mod with_sound_card {
    use std::sync::atomic::Ordering;

    use super::Failure;
    use super::Guitar;
    use super::Listener;
    use super::Next;
    use super::Pluck;
    use super::PluckListener;
    use crate::audio::AudioError;
    use crate::audio::Chunk;
    use crate::audio::TakeRecorder;
    use crate::cli::live_input::LiveInput;
    use crate::cli::live_input::pause;
    use crate::cli::live_input::stop_flag;
    use crate::cli::output;

    impl Guitar {
        /// Listens to the sound card until `on_pluck` has heard all, or the player interrupts; `ask` says
        /// what to play first.
        ///
        /// # Errors
        /// An input that cannot be opened, or is lost for good before anything was heard; a file to
        /// keep the sound in that cannot be written.
        pub fn hear_live(
            &self,
            listener: impl Fn(Listener) -> PluckListener,
            ask: &str,
            mut on_pluck: impl FnMut(&Pluck) -> Next,
        ) -> Result<(), Failure> {
            let stop = stop_flag()?;
            let mut input = LiveInput::open(&self.card.choice(self.channel))?;
            let rate = input.input().line().rate;
            let mut recorder =
                self.keep.as_deref().map(|path| TakeRecorder::create(path, rate)).transpose()?;
            output::tell(&format!("Listening on {}; Ctrl-C ends it.", input.input().line().name));
            output::tell(ask);
            let mut listener = listener(Listener::new(rate));
            let (mut next, mut heard) = (Next::GoOn, false);
            let mut take = |pluck: &Pluck| {
                heard = true;
                if next == Next::GoOn {
                    next = on_pluck(pluck);
                }
                next
            };
            let mut state = Next::GoOn;
            let mut kept: Result<(), AudioError> = Ok(());
            let mut lost = Ok(());
            while state == Next::GoOn && !stop.load(Ordering::Relaxed) && kept.is_ok() {
                let notice = input.pump(|chunk| {
                    let writing = recorder.as_mut().map_or(Ok(()), |recorder| match chunk {
                        Chunk::Samples(samples) => recorder.write(samples),
                        Chunk::Gap(lost) => recorder.gap(lost),
                    });
                    if writing.is_err() {
                        kept = writing;
                    }
                    match chunk {
                        Chunk::Samples(samples) => {
                            listener.push(samples, |pluck| state = take(pluck))
                        }
                        Chunk::Gap(lost) => listener.gap(lost, |pluck| state = take(pluck)),
                    }
                });
                match notice {
                    Ok(None) => {}
                    Ok(Some(notice)) => output::tell(&notice.text("what was heard still counts")),
                    Err(failure) => {
                        lost = Err(failure);
                        break;
                    }
                }
                pause();
            }
            listener.finish(|pluck| state = take(pluck));
            if let Some(recorder) = recorder {
                recorder.finish()?;
            }
            kept?;
            match lost {
                Err(failure) if heard => {
                    output::tell(&format!("{}; what was heard until then is told", failure.error));
                    Ok(())
                }
                lost => lost,
            }
        }
    }
}

pub(super) fn tuning(text: &str) -> Result<Tuning, String> {
    let notes = text.split_whitespace().map(|name| {
        let spelling: Spelling = name.parse().map_err(|error| {
            format!("{error}; expected notes with octaves: {}", Tuning::written_out(text))
        })?;
        spelling.midi().ok_or_else(|| format!("`{name}` is beyond all notes"))
    });
    let notes: Vec<_> = notes.collect::<Result<_, String>>()?;
    Tuning::new(notes)
        .filter(|tuning| !tuning.leads_down())
        .ok_or_else(|| "expected 1 to 12 open strings, lowest first: E2 A2 D3 G3 B3 E4".to_owned())
}

fn tolerance(text: &str) -> Result<Cents, String> {
    match text.parse() {
        Ok(cents) if (0.1..=50.0).contains(&cents) => Ok(Cents(cents)),
        _ => Err("expected cents between 0.1 and 50".to_owned()),
    }
}
