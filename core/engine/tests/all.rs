//! Whole runs of the engine, from outside the crate. One program, so that it is linked once:
//! `cargo test -p stillair-engine --test all host::`.

mod host;
mod run;
mod together;
