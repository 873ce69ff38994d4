//! Any text as a session file.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| stillair_fuzz::session(text));
