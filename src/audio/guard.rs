//! A damaged file may trip a decoder over its own assumptions; that ends the decoding, not the program.

use std::cell::Cell;
use std::panic;
use std::sync::Once;

thread_local! {
    static DECODING: Cell<bool> = const { Cell::new(false) };
}

/// Runs `decode`; a panic in it is caught, kept off the screen, and gives `None`. What `decode`
/// worked on must not be used again then.
pub fn guarded<T>(decode: impl FnOnce() -> T) -> Option<T> {
    static QUIET: Once = Once::new();
    QUIET.call_once(|| {
        let loud = panic::take_hook();
        panic::set_hook(Box::new(move |told| {
            if !DECODING.get() {
                loud(told);
            }
        }));
    });
    let before = DECODING.replace(true);
    let done = panic::catch_unwind(panic::AssertUnwindSafe(decode));
    DECODING.set(before);
    done.ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_is_caught_and_the_next_run_is_sound() {
        assert_eq!(guarded(|| -> u8 { panic!("tripped") }), None);
        assert_eq!(guarded(|| 7), Some(7));
    }
}
