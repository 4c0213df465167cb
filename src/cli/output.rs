//! Standard output and standard error: a closed pipe is no error, colour is for terminals.

use std::borrow::Cow;
use std::io;
use std::io::BufWriter;
use std::io::IsTerminal;
use std::io::StdoutLock;
use std::io::Write;
use std::path::Path;

use super::Common;
use super::exit::Failure;
use crate::audio::Whole;
use crate::lick::error::told_by_system;
use crate::lick::place::escaped;
use crate::report::Colour;
use crate::report::Look;
use crate::report::columns;

/// Hands standard output to `write`, all of it at once at the end. Whoever closed the pipe has
/// seen enough: that is no error.
///
/// # Errors
/// Anything else that keeps the result from being written.
pub fn print(
    write: impl FnOnce(&mut BufWriter<StdoutLock<'static>>) -> io::Result<()>,
) -> Result<(), Failure> {
    let mut out = BufWriter::new(io::stdout().lock());
    match write(&mut out).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(unwritable(&error)),
        _ => Ok(()),
    }
}

/// Standard output does not take the result.
pub fn unwritable(error: &io::Error) -> Failure {
    Failure::new(
        format!("standard output: cannot be written: {}", told_by_system(error)),
        "check the disk or the program the result goes to",
    )
}

/// As [`print()`], text for people: on a terminal its lines are broken where the terminal ends.
///
/// # Errors
/// Whatever keeps the text from being written.
pub fn print_text(write: impl FnOnce(&mut Vec<u8>, Look) -> io::Result<()>) -> Result<(), Failure> {
    let look = Look { colour: colour(), width: width() };
    print(|out| {
        let mut text = Vec::new();
        write(&mut text, look)?;
        out.write_all(fitted(&String::from_utf8_lossy(&text), look.width).as_bytes())
    })
}

/// `text` with its lines broken at `width`, if there is one.
pub fn fitted(text: &str, width: Option<usize>) -> Cow<'_, str> {
    width.map_or(Cow::Borrowed(text), |width| Cow::Owned(columns::folded(text, width)))
}

/// Cells in a line of standard output, if that is a terminal and says so.
pub fn width() -> Option<usize> {
    width_of(&io::stdout())
}

/// Cells in a line of standard error, if that is a terminal and says so.
pub fn message_width() -> Option<usize> {
    width_of(&io::stderr())
}

fn width_of(stream: &impl IsTerminal) -> Option<usize> {
    let size = stream.is_terminal().then(ratatui::crossterm::terminal::size);
    size.and_then(Result::ok).map(|(columns, _)| usize::from(columns)).filter(|&width| width > 0)
}

/// Asks before a file goes to standard output whether nothing else does.
///
/// # Errors
/// JSON was asked for, which goes there too.
pub fn alone(common: &Common) -> Result<(), Failure> {
    if !common.json {
        return Ok(());
    }
    Err(Failure::new(
        "both the JSON and the file would go to standard output",
        "give a file to --output, or leave --json out",
    ))
}

/// Colour if standard output is a terminal and `NO_COLOR` is not set.
pub fn colour() -> Colour {
    let unwanted = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    if obeys_sequences() && !unwanted { Colour::Ansi } else { Colour::Plain }
}

/// Whether standard output is a terminal that does more than print letter after letter.
pub fn obeys_sequences() -> bool {
    io::stdout().is_terminal() && std::env::var_os("TERM").is_none_or(|term| term != "dumb")
}

/// A message of one line beside the result, on standard error; broken where a terminal ends. Nothing is
/// lost if nobody reads it.
pub fn tell(message: &str) {
    let line = escaped(message) + "\n";
    let _ = io::stderr().write_all(fitted(&line, message_width()).as_bytes());
}

/// A message of several lines.
pub fn tell_lines(message: &str) {
    message.lines().for_each(tell);
}

/// Asks whether a browser will take `path` for a page.
///
/// # Errors
/// It ends like a file of another kind.
pub fn names_a_page(path: &Path) -> Result<(), Failure> {
    let Some(ending) = path.extension() else { return Ok(()) };
    if ["html", "htm"].iter().any(|page| ending.eq_ignore_ascii_case(page)) {
        return Ok(());
    }
    let page = path.with_extension("html");
    Err(Failure::new(
        format!("{}: not the name of an HTML file", path.display()),
        format!("name it {}; a browser prints it, on paper or as PDF", page.display()),
    ))
}

/// What becomes of a file that is there already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Existing {
    /// It stays; nothing is written.
    Keep,
    /// It stays, since nobody said `--force`.
    KeepUnlessForced,
    /// It is replaced.
    Replace,
}

impl Existing {
    /// For commands with the option `--force`.
    pub fn unless(force: bool) -> Self {
        if force { Self::Replace } else { Self::KeepUnlessForced }
    }

    /// Asks before the work is done whether `path` can be written to afterwards.
    ///
    /// # Errors
    /// There is such a file, and it is to stay; or such a folder or device; or no folder to hold it.
    pub fn allows(self, path: &Path) -> Result<(), Failure> {
        let folder = path.parent().filter(|folder| *folder != Path::new(""));
        if folder.is_some_and(|folder| !folder.is_dir()) {
            return Err(Failure::new(
                format!("{}: there is no such folder", path.display()),
                "make the folder first, or give another path",
            ));
        }
        let may_go = self == Self::Replace && path.is_file();
        if path.exists() && !may_go { Err(self.refusal(path)) } else { Ok(()) }
    }

    /// What is said where such a file is to stay.
    pub fn refusal(self, path: &Path) -> Failure {
        if path.is_dir() {
            let error = format!("{}: is a folder", path.display());
            return Failure::new(error, "name the file in it that is to be written");
        }
        if path.exists() && !path.is_file() {
            let error = format!("{}: is a device or a pipe, not a file", path.display());
            return Failure::new(error, "name a file that is to be written");
        }
        let error = format!("{}: there is such a file already", path.display());
        Failure::new(
            error,
            match self {
                Self::KeepUnlessForced => "give another name, or say --force to write over it",
                _ => "give another name, or remove the file first",
            },
        )
    }
}

/// Writes a file that appears under its name only once it is whole.
///
/// # Errors
/// The file exists and is to be kept, it is a folder, or the folder or disk does not take it; whatever was there
/// before is still there then.
pub fn save(path: &Path, bytes: &[u8], existing: Existing) -> Result<(), Failure> {
    existing.allows(path)?;
    Whole::write(path, bytes, existing == Existing::Replace).map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => existing.refusal(path),
        kind => Failure::new(
            format!("{}: cannot be written: {kind}", path.display()),
            "check the permissions of the folder and the room on the disk",
        ),
    })
}
