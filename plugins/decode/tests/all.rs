//! Captures of every format: read, refused, spoilt. One program, so that it is linked once:
//! `cargo test -p stillair-decode --test all avi::`.

mod common;

mod avi;
mod ffmpeg;
mod malformed;
mod mutations;
mod pictures;
mod ser;
