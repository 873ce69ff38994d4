//! The sky against published values. One program, so that it is linked once:
//! `cargo test -p stillair-sky --test all atmosphere::`.

mod common;

mod atmosphere;
mod ephemeris;
mod moons;
mod optics;
mod outlook;
mod spheroid;
mod track;
