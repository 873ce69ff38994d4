//! Reads captures: files in, frames out.

#![warn(missing_docs)]

mod auto;
mod avi;
mod ffmpeg;
mod file;
mod fits;
mod judge;
mod mosaic;
mod options;
mod picture;
mod png;
mod samples;
mod sequence;
mod ser;
mod stored;
mod tiff;

pub use auto::Auto;
pub use avi::Avi;
pub use ffmpeg::Ffmpeg;
pub use fits::Fits;
pub use png::Png;
pub use ser::Ser;
pub use tiff::Tiff;

stillair_api::plugin!(Auto, Ser, Avi, Fits, Tiff, Png, Ffmpeg);
