//! A session with a sound card: samples in, news out, until it is over or somebody stops it.

use std::io;
use std::io::IsTerminal;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::sync::atomic::Ordering;

use serde_json::json;

use super::Args;
use super::ear::Ear;
use super::ear::LevelMeter;
use super::setup::folder;
use super::setup::part;
use super::setup::passes;
use super::setup::range;
use super::show::Screen;
use super::show::Show;
use super::show::Wish;
use crate::audio::live::Choice;
use crate::audio::live::ClipNumber;
use crate::audio::live::Input;
use crate::audio::live::Output;
use crate::audio::live::Status;
use crate::audio::live::calibration;
use crate::cli::CAUTION;
use crate::cli::Common;
use crate::cli::check;
use crate::cli::exit::Failure;
use crate::cli::exit::Outcome;
use crate::cli::kept;
use crate::cli::live_input::LiveInput;
use crate::cli::live_input::Notice;
use crate::cli::live_input::pause;
use crate::cli::live_input::sentence;
use crate::cli::live_input::stop_flag;
use crate::cli::output;
use crate::lick;
use crate::lick::Lick;
use crate::lick::error::told_by_system;
use crate::practice::click::Score;
use crate::practice::judge;
use crate::practice::pass::Delay;
use crate::practice::pass::Pace;
use crate::practice::session::News;
use crate::practice::session::PassOver;
use crate::practice::session::Settings;
use crate::report::Page;
use crate::report::TakeReport;
use crate::report::json::SCHEMA;
use crate::report::live;
use crate::report::screen::Staff;
use crate::report::sheet::judged;
use crate::report::tally::Tally;
use crate::report::text;
use crate::synth::Room;
use crate::synth::performance::Manner;
use crate::synth::performance::Performance;
use crate::units::SampleCount;

/// Peak of an ordinary click: beside a guitar, not over it.
const CLICK_LEVEL: f64 = 0.25;
/// Silence between what the program plays and what it listens to, in seconds.
const QUIET_S: f64 = 0.4;
/// Chooses the noise of the attacks in the reference.
const SEED: u64 = 1;

/// Runs the command.
///
/// # Errors
/// A lick that cannot be read, a range that is not in it, a device that cannot be opened or does not
/// come back, a folder that takes no recording.
pub fn run(args: Args, common: &Common) -> Result<Outcome, Failure> {
    let mut rehearsal = Rehearsal::open(&args, common)?;
    let ended = rehearsal.run();
    let alone = rehearsal.show.is_gone();
    let (lick, page, takes, notes) = rehearsal.close();
    notes.iter().for_each(|note| output::tell(note));
    if takes.is_empty() {
        output::tell("Nothing was played.");
    }
    let printed = match common.json {
        true => output::print(|out| live::report(out, &page, &takes)),
        false => output::print_text(|out, look| text::check(out, &page, &takes, look)),
    };
    // Kept even where there is no terminal any more to print on.
    if !args.no_history && !common.json {
        kept::keep(&page, takes.iter().filter(|take| was_played(take)));
    }
    let drawn = match takes.is_empty() {
        true => Ok(()),
        false => args.judging.drawn.save(|| judged(&lick, &page, &takes)),
    };
    ended?;
    drawn?;
    if !alone {
        printed?;
    }
    Ok(check::outcome(&takes, &args.judging))
}

/// Whether any step was struck.
fn was_played(take: &TakeReport) -> bool {
    let steps = take.outcome.iter().flat_map(|judgement| &judgement.steps);
    steps.into_iter().any(|step| step.start_s.is_some())
}

/// What goes on.
enum Phase {
    /// Something the player shall hear is played, or fades; then a pass begins at this sample.
    Quiet { until: Option<u64> },
    /// A pass, perhaps with a click: its clip, and the sample in it on which the pass begins.
    Playing { click: Option<(ClipNumber, SampleCount)> },
}

struct Rehearsal<'a> {
    args: &'a Args,
    common: &'a Common,
    lick: Lick,
    page: Page,
    ear: Ear,
    input: LiveInput,
    output: Option<Output>,
    output_choice: Choice,
    show: Show,
    phase: Phase,
    takes: Vec<TakeReport>,
    stop: Arc<AtomicBool>,
}

impl<'a> Rehearsal<'a> {
    fn open(args: &'a Args, common: &'a Common) -> Result<Self, Failure> {
        let lick = lick::find(&args.lick)?;
        args.judging.drawn.may_be_written()?;
        let page = Page::of(&lick, args.judging.tolerance);
        let (from, to) = range(args, &lick)?;
        let expected = part(lick.expected(), from, to)?;
        let repeat = passes(args)?;
        let folder = folder(args)?;
        let stop = stop_flag()?;
        let input = LiveInput::open(&args.card.input(args.channel))?;
        let rate = input.input().line().rate;
        let output_choice = args.card.output(rate);
        let output = match args.play || args.pace == Pace::Click {
            true => Some(Output::open(&output_choice)?),
            false => None,
        };
        let delay = delay(input.input(), output.as_ref());
        let settings = Settings {
            rate,
            pace: args.pace,
            speed: args.speed,
            repeat,
            faster: args.faster,
            delay,
            judge: judge::Settings { reference: common.a4, pass: None },
        };
        let stem = args.lick.file_stem().unwrap_or_default().to_string_lossy();
        let ear = Ear::new(expected, settings, &folder, stem.into_owned());
        let show = if common.json {
            Show::Json
        } else if args.plain || !output::obeys_sequences() || !io::stdin().is_terminal() {
            Show::Plain(live::Lines::default())
        } else {
            let staff = Staff::of(&lick, from, to);
            let screen = Screen::open(page.clone(), staff, repeat, output::colour());
            Show::Screen(Box::new(screen.map_err(unwritable)?))
        };
        let phase = Phase::Quiet { until: None };
        Ok(Self {
            args,
            common,
            lick,
            page,
            ear,
            input,
            output,
            output_choice,
            show,
            phase,
            takes: Vec::new(),
            stop,
        })
    }

    fn run(&mut self) -> Result<(), Failure> {
        self.greet()?;
        match self.args.play {
            true => self.sound_lick()?,
            false => self.begin_pass()?,
        }
        while !self.stop.load(Ordering::Relaxed) && !self.ear.session.is_over() {
            self.hear()?;
            self.look_after_output()?;
            self.go_on()?;
            self.look_and_wait()?;
        }
        Ok(())
    }

    fn greet(&mut self) -> Result<(), Failure> {
        let line = self.input.input().line();
        let measured_ms = match delay(self.input.input(), self.output.as_ref()) {
            Delay::Measured(ms) => Some(ms),
            Delay::Estimated => None,
        };
        let begin = self.show.begin(json!({
            "schema": SCHEMA,
            "lick": self.page.title,
            "input": line.id,
            "rate_hz": line.rate.get(),
            "delay_ms": measured_ms,
        }));
        self.told(begin)?;
        if self.args.pace == Pace::Click {
            self.say(&match measured_ms {
                Some(ms) => format!("Timing allows for the measured delay of {ms:.0} ms."),
                None => {
                    "The delay of this set-up is not known: early and late are told against the \
                         middle of your own strikes. `doublecheck calibrate` measures it."
                        .to_owned()
                }
            })?;
        }
        self.say(match self.args.pace {
            Pace::Free => "Begin when you like: the lick waits for you at every step.",
            Pace::Click => "Clicks are counted in first; then play with them.",
        })?;
        self.say(&format!("{CAUTION}."))
    }

    /// Everything that came in since.
    fn hear(&mut self) -> Result<(), Failure> {
        let ear = &mut self.ear;
        let notice = self.input.pump(|chunk| ear.take(chunk))?;
        for news in std::mem::take(&mut self.ear.news) {
            self.tell(&news)?;
        }
        if let Some(trouble) = self.ear.trouble.take() {
            let Failure { error, hint, .. } = trouble.into();
            let hint = sentence(&hint);
            self.warn(&format!("Recording has ended: {error}. {hint}; you can play on."))?;
        }
        let Some(notice) = notice else { return Ok(()) };
        let kept = match self.ear.tape.path() {
            Some(path) => format!("what you played is kept in {}", path.display()),
            None => "nothing was being recorded".to_owned(),
        };
        match &notice {
            Notice::Lost(_) => {
                self.ear.meter = LevelMeter::default();
                self.warn(&notice.text(&kept))
            }
            Notice::Waits | Notice::Back => self.say(&notice.text(&kept)),
        }
    }

    fn tell(&mut self, news: &News) -> Result<(), Failure> {
        let pass = self.ear.session.number();
        let shown = self.show.news(&self.page, pass, news);
        self.told(shown)?;
        if let News::Over(over) = news {
            self.keep(over);
        }
        Ok(())
    }

    /// Takes a pass that is over into the report; a clean one makes the next faster.
    fn keep(&mut self, over: &PassOver) {
        // Who struck a step again, or went back, was not through with it at this speed.
        let is_straight = over.judgement.unmatched.iter().all(|strike| strike.heard.is_empty());
        if is_straight && !Tally::of(&over.judgement, self.args.judging.tolerance).has_fault() {
            self.ear.session.speed_up();
        }
        let path = self.ear.kept.get(self.takes.len()).cloned().flatten();
        let recording = match path {
            Some(path) => path.display().to_string(),
            None => format!("pass {}, not recorded", over.number),
        };
        self.takes.push(TakeReport { recording, outcome: Ok(over.judgement.clone()) });
    }

    fn look_after_output(&mut self) -> Result<(), Failure> {
        let Some(player) = &mut self.output else { return Ok(()) };
        if player.poll() != Status::Lost {
            return Ok(());
        }
        let loss =
            player.loss().map_or_else(|| "the output was lost".to_owned(), |e| e.to_string());
        self.output = None;
        self.ear.session.lose_click();
        self.warn(&format!("{loss}; listening goes on, and the lick waits for you."))
    }

    /// The next thing when it is time for it.
    fn go_on(&mut self) -> Result<(), Failure> {
        let position = self.ear.session.position().0;
        match &mut self.phase {
            Phase::Quiet { until } => {
                if self.output.as_mut().is_some_and(Output::plays) {
                    return Ok(());
                }
                let quiet = self.input.input().line().rate.samples_in(QUIET_S).0;
                if position >= *until.get_or_insert(position + quiet) {
                    self.begin_pass()?;
                }
            }
            Phase::Playing { click } => {
                if let (Some((clip, origin)), Some(player)) = (*click, &self.output)
                    && let Some(at) = player.heard_at(clip, origin, self.input.input())
                {
                    self.ear.session.click_begins(at);
                }
                if self.ear.session.pass().is_none() && !self.ear.session.is_over() {
                    self.begin_pass()?;
                }
            }
        }
        Ok(())
    }

    /// Draws, and waits for a key or the next samples.
    fn look_and_wait(&mut self) -> Result<(), Failure> {
        pause();
        let Show::Screen(screen) = &mut self.show else { return Ok(()) };
        let level = self.ear.meter.level();
        let wish = screen.draw(&self.ear.session, level).and_then(|()| screen.wish());
        match wish.map_err(unwritable)? {
            None => Ok(()),
            Some(Wish::Stop) => {
                self.stop.store(true, Ordering::Relaxed);
                Ok(())
            }
            Some(Wish::Again) => self.drop_pass(),
            Some(Wish::Hear) => {
                self.drop_pass()?;
                self.sound_lick()
            }
        }
    }

    /// Ends the present pass without counting it; its recording stays.
    fn drop_pass(&mut self) -> Result<(), Failure> {
        if self.ear.session.pass().is_some() {
            self.ear.session.again();
            let end = self.ear.session.position();
            match self.ear.tape.cut(&self.ear.session, end) {
                Ok(Some(path)) => {
                    self.say(&format!("Not counted, but kept: {}.", path.display()))?;
                }
                Ok(None) => {}
                Err(error) => {
                    let error = Failure::from(error).error;
                    self.warn(&format!("Not counted, nor kept to its end: {error}."))?;
                }
            }
        }
        if let Some(player) = &mut self.output {
            player.stop();
        }
        self.phase = Phase::Quiet { until: None };
        Ok(())
    }

    fn sound_lick(&mut self) -> Result<(), Failure> {
        self.phase = Phase::Quiet { until: None };
        let session = &self.ear.session;
        let first = session.expected().steps.first().map_or(0.0, |step| step.start_beats);
        let mut lick = session.expected().clone();
        lick.steps.iter_mut().for_each(|step| step.start_beats -= first);
        let manner =
            Manner { speed: session.speed(), reference: self.common.a4, ..Manner::default() };
        let sound = Performance::new(&lick, &manner);
        let samples = sound.render(self.input.input().line().rate, &Room::default(), SEED);
        if self.find_output() && self.output.as_mut().is_some_and(|o| o.play(samples).is_some()) {
            return self.say("This is how it goes; your turn follows.");
        }
        self.warn("The lick cannot be sounded: there is no output.")
    }

    /// True if there is an output, opened again if it had to be.
    fn find_output(&mut self) -> bool {
        if self.output.is_none() {
            self.output = Output::open(&self.output_choice).ok();
        }
        self.output.is_some()
    }

    /// # Errors
    /// Only of the first pass: a folder that takes no recording. Later ones go on without.
    fn begin_pass(&mut self) -> Result<(), Failure> {
        let first = self.ear.session.number() == 0;
        let mut click = None;
        if self.args.pace == Pace::Click {
            let track = self.score().track(self.input.input().line().rate);
            if self.find_output() {
                let clip = self.output.as_mut().and_then(|player| player.play(track.samples));
                click = clip.map(|clip| (clip, track.origin));
            }
        }
        if let Show::Screen(screen) = &mut self.show {
            screen.begin_pass();
        }
        let mut news = Vec::new();
        let start = self.ear.session.begin(&mut news);
        if self.args.pace == Pace::Click && click.is_none() {
            self.ear.session.lose_click();
            self.warn("No output takes the click: the lick waits for you in this pass.")?;
        }
        match self.ear.tape.begin(start) {
            Err(error) if first => return Err(error.into()),
            Err(error) => {
                let error = Failure::from(error).error;
                self.warn(&format!("This pass is not recorded: {error}."))?;
            }
            Ok(()) => {}
        }
        self.phase = Phase::Playing { click };
        for news in news {
            self.tell(&news)?;
        }
        Ok(())
    }

    fn score(&self) -> Score {
        let steps = &self.ear.session.expected().steps;
        Score {
            from_beats: steps.first().map_or(0.0, |step| step.start_beats),
            to_beats: steps.last().map_or(0.0, |step| step.start_beats + step.length_beats),
            bar_beats: self.lick.meter.bar_beats(),
            beat_s: self.ear.session.beat_s(),
            level: CLICK_LEVEL,
        }
    }

    /// Ends what is still going on and gives the terminal back; what is to be told beside the
    /// report comes last.
    fn close(mut self) -> (Lick, Page, Vec<TakeReport>, Vec<String>) {
        let over = self.ear.session.stop();
        let end = over.as_ref().map_or(self.ear.session.position(), |over| over.end);
        let (kept, trouble) = match self.ear.tape.cut(&self.ear.session, end) {
            Ok(kept) => (kept, None),
            Err(error) => (None, Some(Failure::from(error).error)),
        };
        self.ear.kept.push(kept);
        if let Some(over) = over {
            // Whoever closed the pipe has seen enough.
            let _ = self.tell(&News::Over(Box::new(over)));
        }
        let estimated = self.ear.session.estimated_delay_ms();
        let told = self.args.pace == Pace::Click
            && delay(self.input.input(), self.output.as_ref()) == Delay::Estimated;
        let mut notes = self.show.close();
        notes
            .extend(trouble.map(|error| format!("The last pass is not kept to its end: {error}.")));
        notes.extend(estimated.filter(|_| told).map(|ms| {
            format!(
                "Early and late are told against the middle of your own strikes, {ms:.0} ms after the \
                 click: how much of that is delay and how much was late, `doublecheck calibrate` tells."
            )
        }));
        (self.lick, self.page, self.takes, notes)
    }

    fn say(&mut self, message: &str) -> Result<(), Failure> {
        let said = self.show.say(message);
        self.told(said)
    }

    /// Says what is worth reading after the session too.
    fn warn(&mut self, message: &str) -> Result<(), Failure> {
        let said = self.show.warn(message);
        self.told(said)
    }

    /// Whoever closed the pipe has seen enough: the session ends, and nothing is wrong.
    fn told(&self, told: io::Result<()>) -> Result<(), Failure> {
        match told {
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => {
                self.stop.store(true, Ordering::Relaxed);
                Ok(())
            }
            told => told.map_err(unwritable),
        }
    }
}

/// What was measured for exactly this pair of devices, rate and buffers.
fn delay(input: &Input, output: Option<&Output>) -> Delay {
    let measured = output.and_then(|output| {
        let (input, output) = (input.line(), output.line());
        calibration::lookup(&input.id, &output.id).filter(|delay| {
            delay.rate_hz == input.rate.get()
                && delay.input_buffer_samples == input.buffer.0
                && delay.output_buffer_samples == output.buffer.0
        })
    });
    measured.map_or(Delay::Estimated, |delay| Delay::Measured(delay.delay_ms))
}

fn unwritable(error: io::Error) -> Failure {
    Failure::new(
        format!("the terminal or output cannot be used: {}", told_by_system(error)),
        "use another terminal, or --plain",
    )
}
