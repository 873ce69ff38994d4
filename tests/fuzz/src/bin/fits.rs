//! Any bytes as a file of `decode.fits`.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| stillair_fuzz::file(&stillair_decode::Fits, bytes));
