//! Any text as a recipe, checked against all methods.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| stillair_fuzz::recipe(text));
