//! Writes pictures and tables.

#![warn(missing_docs)]

mod csv_table;
mod jpeg;
mod levels;
mod output;
mod png_picture;
mod tiff_picture;

pub use csv_table::Csv;
pub use jpeg::Jpeg;
pub use png_picture::Png;
pub use tiff_picture::Tiff;

stillair_api::plugin!(Png, Tiff, Jpeg, Csv);
