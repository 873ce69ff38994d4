//! Derotation against painted globes. One program, so that it is linked once:
//! `cargo test -p stillair-derotate --test all colours::`.

mod common;

mod colours;
mod geometry;
mod merge;
mod sense;
