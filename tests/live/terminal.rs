//! Sessions on a terminal.

use std::io::Read;
use std::io::Write;
use std::num::NonZeroU16;
use std::path::Path;
use std::sync::Arc;
use std::sync::Mutex;
use std::thread;
use std::time::Duration;
use std::time::Instant;

use portable_pty::CommandBuilder;
use portable_pty::PtySize;

use crate::card::PATIENCE;
use crate::card::Room;
use crate::card::audio;
use crate::card::check;
use crate::card::json;
use crate::card::kill_server;
use crate::card::play;
use crate::card::takes_folder;
use crate::card::verdicts;
use crate::card::with_card;

/// A terminal made of software, and what stands on it.
struct Terminal {
    master: Box<dyn portable_pty::MasterPty + Send>,
    child: Box<dyn portable_pty::Child + Send + Sync>,
    keys: Box<dyn Write + Send>,
    parser: Arc<Mutex<vt100::Parser>>,
    /// How the terminal was before.
    mode: String,
}

fn some(count: u16) -> NonZeroU16 {
    NonZeroU16::new(count).unwrap()
}

fn size(columns: u16, lines: u16) -> PtySize {
    PtySize { rows: lines, cols: columns, pixel_width: 0, pixel_height: 0 }
}

/// Whether keys come line by line and are shown, and everything else that raw mode changes.
fn mode(master: &(dyn portable_pty::MasterPty + Send)) -> String {
    format!("{:?}", master.get_termios().unwrap())
}

impl Terminal {
    fn start(arguments: &[&str], folder: &Path, no_colour: bool) -> Self {
        let pair = portable_pty::native_pty_system().openpty(size(80, 24)).unwrap();
        let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_doublecheck"));
        command.args(arguments);
        command.args(["--keep-in".as_ref(), folder.as_os_str()]);
        command.env("TERM", "xterm-256color");
        if no_colour {
            command.env("NO_COLOR", "1");
        }
        let mode = mode(&*pair.master);
        let child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let parser = Arc::new(Mutex::new(vt100::Parser::new(some(24), some(80), 100)));
        let mut output = pair.master.try_clone_reader().unwrap();
        let screen = parser.clone();
        thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(n @ 1..) = output.read(&mut bytes) {
                screen.lock().unwrap().process(&bytes[..n]);
            }
        });
        let keys = pair.master.take_writer().unwrap();
        Self { master: pair.master, child, keys, parser, mode }
    }

    fn text(&self) -> String {
        self.parser.lock().unwrap().screen().contents()
    }

    fn wait_for(&self, part: &str) -> String {
        let until = Instant::now() + PATIENCE;
        loop {
            let text = self.text();
            if text.contains(part) {
                return text;
            }
            assert!(Instant::now() < until, "no {part:?} on\n{text}");
            thread::sleep(Duration::from_millis(20));
        }
    }

    /// The program is over, and the terminal is as it was.
    fn ended(&mut self) -> portable_pty::ExitStatus {
        let status = self.child.wait().unwrap();
        assert_eq!(mode(&*self.master), self.mode, "the mode of the terminal");
        status
    }

    fn is_given_back(&self) {
        let parser = self.parser.lock().unwrap();
        let screen = parser.screen();
        assert!(!screen.alternate_screen() && !screen.hide_cursor(), "{}", screen.contents());
    }

    fn resize(&self, columns: u16, lines: u16) {
        self.parser.lock().unwrap().screen_mut().set_size(some(lines), some(columns));
        self.master.resize(size(columns, lines)).unwrap();
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn the_screen_shows_a_session_at_two_sizes_and_gives_the_terminal_back() {
    if !with_card("terminal::the_screen_shows_a_session_at_two_sizes_and_gives_the_terminal_back") {
        return;
    }
    let (lick, folder) = (audio("semitone-off", "toml"), takes_folder("screen"));
    let mut terminal = Terminal::start(&["practice", &lick, "--repeat", "2"], &folder, false);
    let text = terminal.wait_for("q stop and report");
    for part in ["Stone bridge", "pass 1 of 2", "100 % = 100 beats a minute", ">1", "E|-7-"] {
        assert!(text.contains(part), "no {part:?} on\n{text}");
    }
    let caution = "Keep headphones at a moderate level, rest your hands, stop if it hurts";
    assert!(text.contains(caution), "{text}");
    let rule = |columns: usize| "─".repeat(columns);
    assert!(text.lines().any(|line| line == rule(80)), "{text}");
    assert!(terminal.parser.lock().unwrap().screen().alternate_screen());
    assert_ne!(mode(&*terminal.master), terminal.mode, "keys come one by one");
    let mut player = play(audio("semitone-off", "wav"));
    let text = terminal.wait_for(">4");
    assert!(text.contains("C4     C#4") && text.contains("not C4"), "{text}");
    player.wait().unwrap();
    terminal.wait_for("Pass 1: 2 of 4 steps right");
    terminal.resize(100, 30);
    terminal.wait_for(&rule(100));
    // The bottom line is the last to be drawn again.
    let text = terminal.wait_for("q stop and report");
    assert!(text.contains("pass 2 of 2"), "{text}");
    terminal.keys.write_all(b"q").unwrap();
    assert!(terminal.ended().success());
    let text = terminal.wait_for("2 of 4 steps right; 2 wrong.");
    assert!(text.contains("wrong: C#4 instead of C4"), "{text}");
    terminal.is_given_back();
}

#[test]
fn no_colour_is_shown_where_none_is_wanted_and_ctrl_c_ends_it() {
    if !with_card("terminal::no_colour_is_shown_where_none_is_wanted_and_ctrl_c_ends_it") {
        return;
    }
    let (lick, folder) = (audio("semitone-off", "toml"), takes_folder("plain"));
    let mut terminal = Terminal::start(&["practice", &lick], &folder, true);
    terminal.wait_for("q stop and report");
    let mut player = play(audio("semitone-off", "wav"));
    terminal.wait_for("not C4");
    {
        let parser = terminal.parser.lock().unwrap();
        for (line, column) in (0..24).flat_map(|line| (0..80).map(move |column| (line, column))) {
            let cell = parser.screen().cell(line, column).unwrap();
            let colours = (cell.fgcolor(), cell.bgcolor());
            assert_eq!(colours, (vt100::Color::Default, vt100::Color::Default));
        }
    }
    // As the terminal sends Ctrl-C to a program that reads keys.
    terminal.keys.write_all(b"\x03").unwrap();
    assert!(terminal.ended().success());
    terminal.wait_for("of 4 steps right");
    let _ = player.wait();
    terminal.is_given_back();
}

#[test]
fn a_dead_device_leaves_a_terminal_and_a_report_to_read() {
    if !with_card("terminal::a_dead_device_leaves_a_terminal_and_a_report_to_read") {
        return;
    }
    let (lick, folder) = (audio("all-right", "toml"), takes_folder("dead"));
    let mut terminal = Terminal::start(&["practice", &lick], &folder, false);
    terminal.wait_for("q stop and report");
    let mut player = play(audio("all-right", "wav"));
    terminal.wait_for(">3");
    kill_server();
    let text = terminal.wait_for("it is looked for again");
    // The message is longer than a line, and whole.
    let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words(&text).contains("what you played is kept in"), "{text}");
    assert!(text.contains("q stop and report"), "{text}");
    let _ = player.wait();
    terminal.keys.write_all(b"q").unwrap();
    assert!(terminal.ended().success());
    let text = terminal.wait_for("of 4 steps right");
    terminal.is_given_back();
    let message = words(&text);
    assert!(message.contains("what you played is kept in"), "what was said is still there: {text}");
}

/// `p` stops the click, sounds the lick, and begins the pass anew.
#[test]
fn the_lick_can_be_heard_in_the_middle_of_a_pass() {
    if !with_card("terminal::the_lick_can_be_heard_in_the_middle_of_a_pass") {
        return;
    }
    let (lick, folder) = (audio("all-right", "toml"), takes_folder("hear"));
    let mut terminal = Terminal::start(&["practice", &lick, "--pace", "click"], &folder, false);
    terminal.wait_for(">1");
    thread::sleep(Duration::from_millis(700));
    terminal.keys.write_all(b"p").unwrap();
    let room = Room::open();
    terminal.wait_for("your turn follows");
    let room = room.record(|| terminal.text().contains(">1"));
    let sounded = check(&lick, &room);
    assert!(verdicts(&sounded).iter().all(|(_, verdict)| verdict == "right"), "{sounded}");
    terminal.keys.write_all(b"q").unwrap();
    assert!(terminal.ended().success());
    terminal.is_given_back();
}

/// A slide or hammer-on that stays behind is known as one only when the step is over.
#[test]
fn after_a_pass_the_screen_says_what_check_says() {
    if !with_card("terminal::after_a_pass_the_screen_says_what_check_says") {
        return;
    }
    let name = "moves-fall-short";
    let (lick, folder) = (audio(name, "toml"), takes_folder("moves"));
    let mut terminal = Terminal::start(&["practice", &lick, "--repeat", "2"], &folder, true);
    terminal.wait_for("q stop and report");
    terminal.resize(100, 30);
    let mut player = play(audio(name, "wav"));
    terminal.wait_for("pass 2 of 2");
    player.wait().unwrap();
    let text = terminal.wait_for("(1 finished)");
    let checked = check(&lick, folder.join(format!("{name}-1.wav")));
    let words: Vec<&str> = ["right", "wrong", "incomplete", "not played", "unsure"].into();
    let on_screen: Vec<(u64, String)> = text
        .lines()
        .filter_map(|line| {
            let step = line.get(..4)?.trim().parse().ok()?;
            let word = words.iter().find(|word| line.trim_end().ends_with(**word))?;
            Some((step, (*word).to_owned()))
        })
        .collect();
    assert_eq!(on_screen, verdicts(&checked), "{text}");
    terminal.keys.write_all(b"q").unwrap();
    assert!(terminal.ended().success());
}

/// With a hangup signal, and without one: the terminal controls the session, or does not.
#[test]
fn a_terminal_that_vanishes_ends_the_session_and_what_was_played_is_kept() {
    if !with_card("terminal::a_terminal_that_vanishes_ends_the_session_and_what_was_played_is_kept")
    {
        return;
    }
    let lick = audio("semitone-off", "toml");
    for (times, controls) in [(1, false), (2, true)] {
        let folder = takes_folder(&format!("vanished-{times}"));
        let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_doublecheck"));
        command.args(["practice", &lick, "--keep-in", folder.to_str().unwrap()]);
        command.set_controlling_tty(controls);
        let pair = portable_pty::native_pty_system().openpty(size(80, 24)).unwrap();
        let mut child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let mut output = pair.master.try_clone_reader().unwrap();
        let mut parser = vt100::Parser::new(some(24), some(80), 0);
        let mut bytes = [0; 4096];
        let mut wait_for = |part: &str| {
            let until = Instant::now() + PATIENCE;
            while !parser.screen().contents().contains(part) {
                assert!(Instant::now() < until, "no {part:?} on\n{}", parser.screen().contents());
                let n = output.read(&mut bytes).unwrap();
                parser.process(&bytes[..n]);
            }
        };
        wait_for("q stop and report");
        let mut player = play(audio("semitone-off", "wav"));
        wait_for(">3");
        drop((output, pair.master));
        let until = Instant::now() + Duration::from_secs(5);
        let status = loop {
            if let Some(status) = child.try_wait().unwrap() {
                break status;
            }
            let runs = Instant::now() < until;
            if !runs {
                child.kill().unwrap();
            }
            assert!(runs, "it goes on without a terminal");
            thread::sleep(Duration::from_millis(20));
        };
        assert!(status.success(), "{status:?}, controlled: {controls}");
        let _ = player.kill();
        player.wait().unwrap();
        let checked = check(&lick, folder.join("semitone-off-1.wav"));
        assert_eq!(verdicts(&checked)[0].1, "right", "{checked:#}");
        let history = json(&["history", "--json"]);
        let takes = history["licks"][0]["takes"].as_array().unwrap();
        assert_eq!(takes.len(), times, "{history:#}");
    }
}
