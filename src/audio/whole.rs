//! A file that appears under its name only once it is whole.
//!
//! **Conventions.** It is written beside its place and renamed in the end: until then nobody sees it,
//! and whatever was there before is there still. A link stays a link, what it leads to is replaced.

use std::fs;
use std::fs::File;
use std::io;
use std::io::Write;
use std::path::Path;
use std::path::PathBuf;

use tempfile::NamedTempFile;

/// A file that is being written. Dropped before its end, it leaves nothing behind.
#[derive(Debug)]
pub struct Whole {
    target: PathBuf,
    temporary: NamedTempFile,
}

impl Whole {
    /// Writes `bytes` to `path`; what has that name stays if nobody says `replace`.
    ///
    /// # Errors
    /// As [`Self::create`] and [`Self::finish`].
    pub fn write(path: &Path, bytes: &[u8], replace: bool) -> io::Result<()> {
        let mut whole = Self::create(path)?;
        whole.file().write_all(bytes)?;
        whole.finish(replace)
    }

    /// Begins a file beside `path`.
    ///
    /// # Errors
    /// The folder is missing or may not be written to.
    pub fn create(path: &Path) -> io::Result<Self> {
        let target = path.canonicalize().unwrap_or_else(|_| path.to_owned());
        let folder = match target.parent() {
            Some(folder) if folder != Path::new("") => folder,
            _ => Path::new("."),
        };
        let mut builder = tempfile::Builder::new();
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // No more open than what it replaces, or as any new file; less what the user's umask takes away.
            let mode = fs::metadata(&target).map_or(0o666, |found| found.permissions().mode());
            builder.permissions(fs::Permissions::from_mode(mode & 0o777));
        }
        let temporary = builder.prefix(".doublecheck-").suffix(".part").tempfile_in(folder)?;
        Ok(Self { target, temporary })
    }

    /// What is to be written to.
    pub fn file(&mut self) -> &mut File {
        self.temporary.as_file_mut()
    }

    /// Makes the file safe on disk and gives it its name. One that has that name by now is replaced by one
    /// that is as open to others as it was, or stays if nobody said `replace`.
    ///
    /// # Errors
    /// [`io::ErrorKind::AlreadyExists`]; the disk is full or gone. Nothing is left behind then.
    pub fn finish(self, replace: bool) -> io::Result<()> {
        let Self { target, temporary } = self;
        if let Ok(replaced) = fs::metadata(&target) {
            temporary.as_file().set_permissions(replaced.permissions())?;
        }
        temporary.as_file().sync_all()?;
        match replace {
            true => temporary.persist(target)?,
            false => temporary.persist_noclobber(target)?,
        };
        Ok(())
    }
}
