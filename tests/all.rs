//! The tests of the command that may run beside one another, in one program: it is linked once, and both cores have
//! work until its end. `robust` (how soon a run stops, how much memory it takes) and `plugins` (which builds with
//! cargo) are programs of their own.
//!
//!     cargo test -p stillair --test all schemas::

mod clips;
mod support;

mod bad_input;
mod cache;
mod calibration;
mod check;
mod command;
mod compare;
mod demo;
mod files;
mod limits;
mod mono_colours;
mod outlook;
mod packs;
mod recipes;
mod runs;
mod schemas;
mod serve;
mod session;
mod several_clips;
mod shipped;
mod watch;
