//! Files as other programs read them. One program, so that it is linked once:
//! `cargo test -p stillair-write --test all files::`.

mod common;

mod files;
mod globe;
