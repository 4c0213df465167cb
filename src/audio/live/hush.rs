//! Keeps libraries that write on standard error by themselves off the screen.

use std::sync::Mutex;
use std::sync::MutexGuard;
use std::sync::PoisonError;

/// While one lives, standard error leads nowhere. Held only around calls into the sound system:
/// libasound and its plugins print there when devices are listed, opened and closed.
///
/// Where there is no such noise (Windows, macOS), or standard error cannot be turned, does nothing.
#[derive(Debug)]
pub struct Hush {
    #[cfg(unix)]
    before: Option<std::os::fd::OwnedFd>,
    _one_at_a_time: MutexGuard<'static, ()>,
}

static TURNED: Mutex<()> = Mutex::new(());

impl Hush {
    /// Waits for its turn; never held by the same thread twice.
    pub fn new() -> Self {
        let turn = TURNED.lock().unwrap_or_else(PoisonError::into_inner);
        #[cfg(unix)]
        {
            use std::os::fd::AsFd;
            let turned = || {
                let before = std::io::stderr().as_fd().try_clone_to_owned().ok()?;
                let nowhere = std::fs::OpenOptions::new().write(true).open("/dev/null").ok()?;
                rustix::stdio::dup2_stderr(nowhere).ok()?;
                Some(before)
            };
            Self { before: turned(), _one_at_a_time: turn }
        }
        #[cfg(not(unix))]
        Self { _one_at_a_time: turn }
    }
}

#[cfg(unix)]
impl Drop for Hush {
    fn drop(&mut self) {
        if let Some(before) = &self.before {
            // If this fails there is nothing left to say it with.
            let _ = rustix::stdio::dup2_stderr(before);
        }
    }
}
