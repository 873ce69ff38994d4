//! Stacking against values from outside. One program, so that it is linked once:
//! `cargo test -p stillair-stack --test all deblur::`.

mod deblur;
mod drizzle;
mod spin;
mod stack;
