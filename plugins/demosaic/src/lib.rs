//! Colour mosaics to colour frames

mod bilinear;
mod gradient;
mod rows;

stillair_api::plugin!(bilinear::Bilinear, gradient::Gradient);
