//! The option `--report`: the result drawn on a page of its own.

use std::path::PathBuf;

use super::exit::Failure;
use super::output;
use super::output::Existing;

/// Whether a page is wanted, and where.
#[derive(Debug, Clone, clap::Args)]
pub struct Drawn {
    /// Draw the result on a page of its own (HTML), to look at or to print
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// Write over a page that is there
    #[arg(long)]
    force: bool,
}

impl Drawn {
    /// Asks before anybody plays whether the page can be written afterwards.
    ///
    /// # Errors
    /// The file is there already, or its name is that of another kind.
    pub fn may_be_written(&self) -> Result<(), Failure> {
        self.report.as_deref().map_or(Ok(()), |path| {
            output::names_a_page(path)?;
            Existing::unless(self.force).allows(path)
        })
    }

    /// Writes the page, if one was asked for.
    ///
    /// # Errors
    /// The file is there already, or cannot be written.
    pub fn save(&self, page: impl FnOnce() -> String) -> Result<(), Failure> {
        let Some(path) = &self.report else { return Ok(()) };
        output::save(path, page().as_bytes(), Existing::unless(self.force))?;
        output::tell(&format!("{} written; a browser shows and prints it", path.display()));
        Ok(())
    }
}
