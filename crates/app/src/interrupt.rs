//! Ctrl-C: the first asks the work to stop where nothing is left half-done, the second ends the program at once.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

static ASKED: AtomicBool = AtomicBool::new(false);
static TELL: OnceLock<Mutex<Vec<Arc<AtomicBool>>>> = OnceLock::new();

/// Waits for Ctrl-C from now on; `stop` is set when it comes.
pub(crate) fn on_interrupt(stop: Arc<AtomicBool>) {
    listen();
    if let Some(tell) = TELL.get() {
        tell.lock().unwrap_or_else(PoisonError::into_inner).push(stop);
    }
}

/// Whether Ctrl-C has come since the work began to look for it.
pub(crate) fn asked() -> bool {
    ASKED.load(Ordering::Relaxed)
}

/// Begins to look for Ctrl-C. Where no signal can be waited for, it ends the program as ever.
pub(crate) fn listen() {
    if TELL.set(Mutex::default()).is_err() {
        return;
    }
    let wait = || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
        runtime.block_on(async {
            if tokio::signal::ctrl_c().await.is_err() {
                return;
            }
            ASKED.store(true, Ordering::Relaxed);
            if let Some(tell) = TELL.get() {
                for stop in tell.lock().unwrap_or_else(PoisonError::into_inner).iter() {
                    stop.store(true, Ordering::Relaxed);
                }
            }
            if tokio::signal::ctrl_c().await.is_ok() {
                std::process::exit(2);
            }
        });
    };
    let _ = std::thread::Builder::new().name("interrupt".into()).spawn(wait);
}
