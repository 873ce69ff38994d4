//! Bias, dark, flat and hot pixels.

mod dark;
mod defects;
mod flat;
mod hot_pixels;
mod masters;

stillair_api::plugin!(dark::Dark, defects::Defects, flat::Flat, hot_pixels::HotPixels, masters::Master);
