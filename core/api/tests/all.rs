//! The boundary between core and plugins, from outside the crate. One program, so that it is linked once:
//! `cargo test -p stillair-api --test all boundary::`.

mod boundary;
mod crossing;
