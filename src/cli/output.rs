//! Standard output and standard error: a closed pipe is no error, colour is for terminals.

use std::io;
use std::io::BufWriter;
use std::io::IsTerminal;
use std::io::StdoutLock;
use std::io::Write;

use super::exit::Failure;
use crate::report::Colour;

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
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(Failure::new(
            format!("standard output: cannot be written: {error}"),
            "check the disk or the program the result goes to",
        )),
        _ => Ok(()),
    }
}

/// Colour if standard output is a terminal and `NO_COLOR` is not set.
pub fn colour() -> Colour {
    let unwanted = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
    if io::stdout().is_terminal() && !unwanted && !dumb { Colour::Ansi } else { Colour::Plain }
}

/// A message beside the result, on standard error. Nothing is lost if nobody reads it.
pub fn tell(message: &str) {
    let _ = writeln!(io::stderr(), "{message}");
}
