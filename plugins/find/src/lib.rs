//! Finds the target in a frame.

mod components;
mod disc;
mod mask;
mod noise;
mod sky;
mod terrain;

stillair_api::plugin!(disc::Disc, terrain::Terrain);
