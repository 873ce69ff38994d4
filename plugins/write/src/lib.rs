//! Writes pictures and tables.

#![warn(missing_docs)]

mod canvas;
mod csv_table;
mod fits_picture;
mod globe_view;
mod jpeg;
mod labelled;
mod labels;
mod levels;
mod map;
mod output;
mod png_picture;
mod ser_clip;
mod tiff_picture;
mod turned;

pub use csv_table::Csv;
pub use fits_picture::Fits;
pub use jpeg::Jpeg;
pub use labelled::Labelled;
pub use map::Map;
pub use png_picture::Png;
pub use ser_clip::Ser;
pub use tiff_picture::Tiff;
pub use turned::Turned;

stillair_api::plugin!(Png, Tiff, Jpeg, Csv, Fits, Ser, Map, Turned, Labelled);
