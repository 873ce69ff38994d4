//! Finds the target in a frame.

mod components;
mod disc;
mod mask;
mod noise;
mod sky;

stillair_api::plugin!(disc::Disc);
