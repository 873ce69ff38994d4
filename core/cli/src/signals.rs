//! Ctrl-C and a polite kill: the first asks the run to stop, the second ends the program at once.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::flag;
use stillair_engine::run::CancelFlag;

/// Exit code of the signal that came, 0 where none did.
static CODE: AtomicUsize = AtomicUsize::new(0);

/// Exit code after a signal: 128 and the signal's number.
pub fn exit_code() -> u8 {
    match CODE.load(Ordering::SeqCst) {
        0 => 130,
        code => u8::try_from(code).unwrap_or(130),
    }
}

/// A flag that the first signal sets.
pub fn cancel_flag() -> CancelFlag {
    let cancel = CancelFlag::default();
    let came = Arc::new(AtomicBool::new(false));
    let which = Arc::new(AtomicUsize::new(0));
    for signal in [SIGINT, SIGTERM] {
        let code = 128 + signal;
        // In this order, so that the signal which sets the flag does not see it set.
        let watched = flag::register_conditional_shutdown(signal, code, came.clone())
            .and_then(|_| flag::register_usize(signal, which.clone(), code as usize))
            .and_then(|_| flag::register(signal, came.clone()));
        if let Err(error) = watched {
            tracing::warn!("signals are not watched: {error}");
        }
    }
    let setter = cancel.clone();
    std::thread::spawn(move || {
        while !came.load(Ordering::SeqCst) {
            std::thread::sleep(Duration::from_millis(20));
        }
        CODE.store(which.load(Ordering::SeqCst), Ordering::SeqCst);
        setter.set();
    });
    cancel
}
