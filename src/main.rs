//! The program: everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    doublecheck::cli::main()
}
