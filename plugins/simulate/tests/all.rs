//! The simulation against what it is told. One program, so that it is linked once:
//! `cargo test -p stillair-simulate --test all clip::`.

mod clip;
mod nights;
