//! Any bytes as a folder of pictures, read by `decode.auto`.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| stillair_fuzz::pictures(&stillair_decode::Auto, bytes));
