//! What is played in a recording, written down.

use std::path::Path;

use crate::cli::Common;
use crate::cli::exit::Failure;
use crate::cli::recording::Channel;
use crate::cli::recording::Heard;
use crate::cli::recording::Progress;
use crate::cli::recording::hear;
use crate::cli::recording::tell_damage;
use crate::engine::Strike;
use crate::engine::Take;
use crate::lick::Lick;
use crate::lick::check::LAST_CAPO;
use crate::notation::Reading;
use crate::notation::played;
use crate::notation::played::Known;
use crate::practice::judge;
use crate::practice::judge::judge_take;
use crate::practice::played::Played;
use crate::practice::played::Talk;
use crate::practice::verdict::Finding;
use crate::practice::verdict::Verdict;
use crate::report::called;
use crate::report::finding;
use crate::report::plural;
use crate::theory::fretboard::StringNumber;
use crate::theory::fretboard::Tuning;
use crate::theory::note::MidiNote;

/// Options for recordings.
#[derive(Debug, Clone, Copy, clap::Args)]
pub(super) struct Options {
    /// The tempo of a recording, in quarter notes a minute, if you know it
    #[arg(long, value_name = "BPM", value_parser = tempo)]
    tempo: Option<f64>,
    /// Write down only what is struck in a recording between these times, in seconds or minutes and seconds, such as
    /// 12.5-20 or 1:05-1:20; then nothing is taken for talk
    #[arg(long, value_name = "FROM-TO", value_parser = part, allow_hyphen_values = true)]
    part: Option<Part>,
    /// Fret that the capo is clamped at in a recording [default: 0]
    #[arg(long, value_name = "FRET", value_parser = clap::value_parser!(u8).range(..=i64::from(LAST_CAPO)))]
    capo: Option<u8>,
    #[command(flatten)]
    channel: Channel,
}

/// A part of a recording, in seconds.
#[derive(Debug, Clone, Copy)]
struct Part {
    from_s: f64,
    to_s: f64,
}

impl Options {
    /// Every option, whether it was given, and why nothing but a recording needs it.
    pub fn given(&self) -> [(&'static str, bool, &'static str); 4] {
        [
            ("--tempo", self.tempo.is_some(), "the file says how fast it goes"),
            ("--part", self.part.is_some(), "all of it is read"),
            ("--capo", self.capo.is_some(), "what is written says where it is"),
            ("--channel", self.channel.is_one(), "nothing sounds in it"),
        ]
    }

    /// Writes down what is played in the recording at `path`, and tells what is not heard there as it is written.
    pub fn write(
        &self,
        path: &Path,
        grid: Option<u64>,
        tuning: Option<Tuning>,
        common: &Common,
    ) -> Result<Reading, Failure> {
        let named = path.to_string_lossy();
        let name = called(&named);
        let Heard { mut take, damage, if_nothing, .. } =
            hear(path, self.channel, &Progress::new())?;
        tell_damage(name, damage.as_deref());
        let is_silent = take.strikes.is_empty();
        if let Some(part) = self.part {
            part.cut(&mut take);
        }
        let capo = self.capo.unwrap_or(0);
        let strings = tuning.clone().unwrap_or_default();
        let sounding = |(string, open): (StringNumber, MidiNote)| (string, MidiNote(open.0 + capo));
        let open: Vec<_> = strings.strings().map(sounding).collect();
        // Whoever names a part says that all of it was played.
        let talk = if self.part.is_some() { Talk::Never } else { Talk::LeftOut };
        let heard = Played::of(&take, &open, common.a4, talk);
        if heard.strikes.is_empty() {
            let why = match (is_silent, self.part) {
                (true, _) => finding(&if_nothing),
                (false, Some(_)) => "No note is struck in this part of it.".to_owned(),
                (false, None) => "No strike in it holds a note.".to_owned(),
            };
            let hint = match is_silent {
                true => {
                    "hand over another recording, or record it again; `--help` tells of --channel"
                }
                false => &format!("`doublecheck listen {named}` says what sounds when"),
            };
            return Err(Failure::new(format!("{name}: nothing to write down. {why}"), hint));
        }
        let title = path.file_stem().filter(|_| path != Path::new("-"));
        let title =
            title.map_or_else(|| "Untitled".into(), |name| name.to_string_lossy().into_owned());
        let known = Known { title, tempo_bpm: self.tempo, grid, tuning, capo };
        let reading = played::write(&heard.strikes, &known);
        let Reading { lick, mut remarks } = reading.map_err(|error| {
            let hint = "write down less of it with --part, or name its strings with --tuning";
            Failure::new(format!("{name}: {error}"), hint)
        })?;
        if let Some(offset) = heard.offset {
            remarks.push(finding(&Finding::TunedOff { offset }));
        }
        if let [first_s, ..] = heard.talked_s[..] {
            let strikes = plural(heard.talked_s.len(), "strike");
            remarks.push(format!(
                "{strikes} left out as talk, the first at {first_s:.1} s; with --part nothing is"
            ));
        }
        remarks.extend(not_heard_again(&lick, &take, common));
        Ok(Reading { lick, remarks })
    }
}

impl Part {
    /// Leaves of a take what is struck in this part.
    fn cut(self, take: &mut Take) {
        let rate = take.rate;
        // As exact as `listen` tells when something was struck.
        let hundredths = |s: f64| (100.0 * s).round();
        let span = hundredths(self.from_s)..=hundredths(self.to_s);
        let is_in = |strike: &Strike| span.contains(&hundredths(strike.onset.seconds(rate)));
        take.strikes.retain(is_in);
        take.unclear.retain(is_in);
    }
}

/// The steps that `check` would not find right in the very take that they were written from.
fn not_heard_again(lick: &Lick, take: &Take, common: &Common) -> Option<String> {
    let settings = judge::Settings { reference: common.a4, pass: None };
    let judged = judge_take(&lick.expected(), take, &settings);
    let others = judged.steps.iter().filter(|step| step.verdict != Verdict::Right);
    let others: Vec<String> = others.map(|step| step.step.to_string()).collect();
    let steps = if others.len() == 1 { "step" } else { "steps" };
    (!others.is_empty()).then(|| {
        format!(
            "{steps} {}: not heard again as written, listen to the recording",
            others.join(", ")
        )
    })
}

fn tempo(text: &str) -> Result<f64, String> {
    let tempo = text.parse().ok().filter(|tempo| (10.0..=400.0).contains(tempo));
    tempo.ok_or_else(|| "expected quarter notes a minute, from 10 to 400".to_owned())
}

fn part(text: &str) -> Result<Part, String> {
    let number = |text: &str| text.trim().parse().ok().filter(|number: &f64| *number >= 0.0);
    let seconds = |text: &str| {
        text.split(':').try_fold(0.0, |before, part| Some(60.0 * before + number(part)?))
    };
    let part = text.split_once('-').and_then(|(from, to)| Some((seconds(from)?, seconds(to)?)));
    let part = part.filter(|(from_s, to_s)| from_s < to_s);
    let part = part.map(|(from_s, to_s)| Part { from_s, to_s });
    part.ok_or_else(|| {
        "expected two times, the earlier first, such as 12.5-20 or 1:05-1:20".to_owned()
    })
}
