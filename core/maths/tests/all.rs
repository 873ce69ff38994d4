//! The kernels against reference values. One program, so that it is linked once:
//! `cargo test -p stillair-maths --test all filters::`.

mod common;

mod filters;
mod methods;
mod registration;
mod resample;
