//! Where news of a session go: a screen, lines of text, or lines of JSON.

use std::collections::BTreeMap;
use std::io;
use std::io::Write;
use std::time::Duration;

use ratatui::DefaultTerminal;
use ratatui::crossterm::event;
use ratatui::crossterm::event::Event;
use ratatui::crossterm::event::KeyCode;
use ratatui::crossterm::event::KeyEvent;
use ratatui::crossterm::event::KeyEventKind;
use ratatui::crossterm::event::KeyModifiers;
use serde_json::Value;

use crate::cli::output;
use crate::engine::Stage;
use crate::practice::pass::Pace;
use crate::practice::pass::Told;
use crate::practice::session::News;
use crate::practice::session::Session;
use crate::report::Colour;
use crate::report::Page;
use crate::report::live;
use crate::report::screen;
use crate::report::screen::HeardStep;
use crate::report::screen::Level;
use crate::report::screen::Staff;
use crate::report::screen::View;

/// What the player asks for by a key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wish {
    /// End and report.
    Stop,
    /// Begin this pass anew.
    Again,
    /// Hear the lick, then begin this pass anew.
    Hear,
}

/// What the keyboard has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Keyboard {
    Quiet,
    Pressed,
    Gone,
}

const KEYS: [(&str, &str); 3] =
    [("q", "stop and report"), ("r", "this pass again"), ("p", "hear the lick")];

/// How often an idle screen is drawn: the input level moves.
const REDRAW: Duration = Duration::from_millis(120);

/// A way of showing a session.
#[derive(Debug)]
pub enum Show {
    /// A screen of its own.
    Screen(Box<Screen>),
    /// One line a step.
    Plain(live::Lines),
    /// One line an event.
    Json,
}

impl Show {
    /// Shows some news.
    ///
    /// # Errors
    /// Standard output does not take them.
    pub fn news(&mut self, page: &Page, pass: usize, news: &News) -> io::Result<()> {
        let mut out = io::stdout().lock();
        match self {
            Self::Screen(screen) => {
                screen.take(news);
                return Ok(());
            }
            Self::Plain(lines) => {
                let mut text = Vec::new();
                lines.write(&mut text, page, news)?;
                let text = String::from_utf8_lossy(&text);
                out.write_all(output::fitted(&text, output::width()).as_bytes())?;
            }
            Self::Json => live::event(&mut out, page, pass, news)?,
        }
        out.flush()
    }

    /// Says something beside the news.
    ///
    /// # Errors
    /// Standard output does not take it.
    pub fn say(&mut self, message: &str) -> io::Result<()> {
        match self {
            Self::Screen(screen) => {
                screen.messages.push(message.to_owned());
                screen.stale = true;
            }
            Self::Plain(_) => output::tell(message),
            Self::Json => {
                let mut out = io::stdout().lock();
                live::line(&mut out, "message", serde_json::json!({ "text": message }))?;
                out.flush()?;
            }
        }
        Ok(())
    }

    /// Says something beside the news that is worth reading after the session too.
    ///
    /// # Errors
    /// Standard output does not take it.
    pub fn warn(&mut self, message: &str) -> io::Result<()> {
        if let Self::Screen(screen) = self {
            screen.warnings.push(message.to_owned());
        }
        self.say(message)
    }

    /// Gives the terminal back, and what was said there that is still worth reading.
    pub fn close(self) -> Vec<String> {
        let gone = self.is_gone();
        match self {
            Self::Screen(mut screen) => {
                let warnings = std::mem::take(&mut screen.warnings);
                if gone {
                    // There is nothing to give back; ratatui would want to say so where nobody
                    // reads any more, and panic.
                    std::mem::forget(screen);
                }
                warnings
            }
            Self::Plain(_) | Self::Json => Vec::new(),
        }
    }

    /// Whether the terminal of a screen is gone, and with it whoever read there.
    pub fn is_gone(&self) -> bool {
        matches!(self, Self::Screen(_)) && keyboard().is_ok_and(|keys| keys == Keyboard::Gone)
    }

    /// Tells programs what they need to know before the first event.
    ///
    /// # Errors
    /// Standard output does not take it.
    pub fn begin(&mut self, members: Value) -> io::Result<()> {
        match self {
            Self::Json => live::line(&mut io::stdout().lock(), "begin", members),
            _ => Ok(()),
        }
    }
}

/// The screen and what is on it. Dropping it gives the terminal back as it was.
#[derive(Debug)]
pub struct Screen {
    terminal: DefaultTerminal,
    staff: Staff,
    page: Page,
    colour: Colour,
    repeat: usize,
    heard: BTreeMap<usize, Option<HeardStep>>,
    /// The pass, or the one before, goes by a click.
    timed: bool,
    /// `heard` is of the pass before: it stays to be read until something is struck.
    past: bool,
    passes: Vec<String>,
    /// Since the last strike.
    messages: Vec<String>,
    warnings: Vec<String>,
    drawn: Option<std::time::Instant>,
    stale: bool,
    /// Keys were read, and there may be more of them.
    pressed: bool,
}

impl Screen {
    /// Takes the terminal; a panic gives it back before it is told.
    ///
    /// # Errors
    /// The terminal does not do what a screen needs.
    pub fn open(page: Page, staff: Staff, repeat: usize, colour: Colour) -> io::Result<Self> {
        Ok(Self {
            terminal: ratatui::try_init()?,
            staff,
            page,
            colour,
            repeat,
            heard: BTreeMap::new(),
            timed: false,
            past: false,
            passes: Vec::new(),
            messages: Vec::new(),
            warnings: Vec::new(),
            drawn: None,
            stale: true,
            pressed: false,
        })
    }

    fn take(&mut self, news: &News) {
        self.stale = true;
        if let News::Pass(Told::Step(_) | Told::Missed(_) | Told::Stray { .. }) = news
            && std::mem::take(&mut self.past)
        {
            self.heard.clear();
        }
        match news {
            News::Pass(Told::Step(found)) => {
                if found.stage == Stage::Early {
                    self.messages.clear();
                }
                let heard = HeardStep { stage: found.stage, judgement: found.judgement.clone() };
                self.heard.insert(found.judgement.step, Some(heard));
            }
            News::Pass(Told::Missed(number)) => {
                self.heard.entry(*number).or_insert(None);
            }
            News::Pass(Told::TakenBack(number)) => {
                self.heard.remove(number);
                self.messages.push(format!("That was no clear strike: step {number} waits again."));
            }
            News::Pass(Told::Meant { step, instead }) => {
                self.heard.remove(step);
                if instead < step {
                    // These are to be played once more.
                    self.heard.retain(|number, _| number <= instead);
                }
                self.messages.push(format!("That was step {instead}, not {step}."));
            }
            News::Pass(Told::Stray { .. }) => {
                self.messages.push("That strike belongs to no step.".to_owned());
            }
            News::Pass(Told::Due(_) | Told::Over(_)) => {}
            News::Hole { length_s, .. } => {
                self.messages.push(format!("{length_s:.2} s of sound were lost."));
            }
            News::Over(over) => {
                // Judged as a whole a step may look otherwise: a slide that stayed behind, say.
                for judgement in over.judgement.steps.iter().cloned() {
                    let struck = judgement.start_s.is_some();
                    let heard = HeardStep { stage: Stage::Whole, judgement };
                    self.heard.insert(heard.judgement.step, struck.then_some(heard));
                }
                self.passes.push(live::pass_line(over));
                self.messages.extend(live::lateness_of(over));
            }
        }
    }

    /// A pass begins.
    pub fn begin_pass(&mut self) {
        (self.past, self.stale) = (true, true);
    }

    /// Draws what has changed, the level now and then.
    ///
    /// # Errors
    /// The terminal is gone.
    #[expect(clippy::disallowed_methods, reason = "a screen is drawn for human eyes, in time")]
    pub fn draw(&mut self, session: &Session, level: Level) -> io::Result<()> {
        let now = std::time::Instant::now();
        if !self.stale && self.drawn.is_some_and(|drawn| now - drawn < REDRAW) {
            return Ok(());
        }
        (self.stale, self.drawn) = (false, Some(now));
        if let Some(pass) = session.pass() {
            self.timed = pass.manner().pace == Pace::Click;
        }
        let speed = session.speed();
        let view = View {
            page: &self.page,
            staff: &self.staff,
            place: format!("pass {} of {}", session.number().max(1), self.repeat),
            pace: format!(
                "{:.0} % = {:.0} beats a minute",
                100.0 * speed,
                self.page.tempo_bpm * speed
            ),
            due: session.pass().and_then(|pass| pass.due()),
            timed: self.timed,
            heard: &self.heard,
            passes: &self.passes,
            level,
            messages: &self.messages,
            keys: &KEYS,
            colour: self.colour,
        };
        match self.terminal.draw(|frame| screen::draw(frame, &view)) {
            // Told by `wish`.
            Err(_) if keyboard()? == Keyboard::Gone => Ok(()),
            drawn => drawn.map(|_| ()),
        }
    }

    /// What the next key asks for, if one was pressed; does not wait. A terminal that is gone asks
    /// for the end.
    ///
    /// The system is asked first: of such a terminal crossterm 0.29 would read forever.
    ///
    /// # Errors
    /// The terminal is not to be read.
    pub fn wish(&mut self) -> io::Result<Option<Wish>> {
        match keyboard()? {
            Keyboard::Gone => return Ok(Some(Wish::Stop)),
            Keyboard::Quiet if !self.pressed => return Ok(None),
            Keyboard::Quiet | Keyboard::Pressed => {}
        }
        self.pressed = event::poll(Duration::ZERO)?;
        if !self.pressed {
            return Ok(None);
        }
        match event::read()? {
            Event::Key(key) if key.kind != KeyEventKind::Release => Ok(wish(key)),
            _ => Ok(None),
        }
    }
}

#[cfg(unix)]
fn keyboard() -> io::Result<Keyboard> {
    use rustix::event::PollFd;
    use rustix::event::PollFlags;
    let input = io::stdin();
    let mut asked = [PollFd::new(&input, PollFlags::IN)];
    match rustix::event::poll(&mut asked, Some(&rustix::event::Timespec::default())) {
        Ok(0) | Err(rustix::io::Errno::INTR) => Ok(Keyboard::Quiet),
        Ok(_) if asked[0].revents().intersects(PollFlags::HUP | PollFlags::ERR) => {
            Ok(Keyboard::Gone)
        }
        Ok(_) => Ok(Keyboard::Pressed),
        Err(error) => Err(error.into()),
    }
}

/// A console's window takes the program with it.
#[cfg(not(unix))]
fn keyboard() -> io::Result<Keyboard> {
    Ok(Keyboard::Pressed)
}

fn wish(key: KeyEvent) -> Option<Wish> {
    match key.code {
        KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => Some(Wish::Stop),
        KeyCode::Char('q') | KeyCode::Esc => Some(Wish::Stop),
        KeyCode::Char('r') => Some(Wish::Again),
        KeyCode::Char('p') => Some(Wish::Hear),
        _ => None,
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        // There is nobody left to tell if the terminal is gone.
        let _ = ratatui::try_restore();
    }
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use std::io::Read;

    use portable_pty::CommandBuilder;
    use portable_pty::PtySize;

    use super::*;
    use crate::lick;

    const NAME: &str = "cli::practice::show::tests::a_panic_gives_the_terminal_back";

    /// Runs itself again on a terminal of its own, and panics there while the screen is open.
    #[test]
    fn a_panic_gives_the_terminal_back() {
        if std::env::var_os("ON_A_TERMINAL").is_some() {
            let lick = lick::find("slate-staircase").expect("an embedded lick");
            let staff = Staff::of(&lick, 1, 2);
            let page = Page::of(&lick, crate::units::Cents(10.0));
            let screen = Screen::open(page, staff, 1, Colour::Plain);
            let _screen = screen.expect("a terminal");
            panic!("on purpose");
        }
        let pair = portable_pty::native_pty_system().openpty(PtySize::default()).expect("a pty");
        let before = format!("{:?}", pair.master.get_termios());
        let mut command = CommandBuilder::new(std::env::current_exe().expect("this test"));
        command.args(["--exact", NAME, "--nocapture", "--test-threads=1"]);
        command.env("ON_A_TERMINAL", "1");
        let mut child = pair.slave.spawn_command(command).expect("it starts");
        drop(pair.slave);
        let mut output = pair.master.try_clone_reader().expect("a reader");
        let mut bytes = Vec::new();
        // Linux ends the reading of a terminal that nobody writes to any more with an error.
        let _ = output.read_to_end(&mut bytes);
        assert!(!child.wait().expect("it ends").success());
        assert_eq!(format!("{:?}", pair.master.get_termios()), before, "the mode of the terminal");
        // DEC private mode 1049, the alternate screen (xterm's control sequences).
        let text = String::from_utf8_lossy(&bytes);
        let (open, shut) = (text.find("\x1b[?1049h"), text.find("\x1b[?1049l"));
        let told = text.find("on purpose");
        assert!(open < shut && shut < told && open.is_some(), "{text:?}");
        // Raw mode would leave out the carriage return.
        assert!(!text[told.unwrap_or(0)..].replace("\r\n", "").contains('\n'), "{text:?}");
    }
}
