//! Combines frames into one picture, resampling each once

mod accumulate;
mod bend;
mod bins;
mod clipped;
mod deblur;
mod drizzle;
mod mean;
mod optics;
mod panels;
mod resample;
mod spin;

stillair_api::plugin!(mean::Mean, clipped::Clipped, bins::Bins, deblur::Deblur, panels::Panels, drizzle::Drizzle);
