//! Reads captures: files in, frames out.

#![warn(missing_docs)]

mod auto;
mod avi;
mod file;
mod judge;
mod mosaic;
mod options;
mod samples;
mod ser;
mod stored;

pub use auto::Auto;
pub use avi::Avi;
pub use ser::Ser;

stillair_api::plugin!(Auto, Ser, Avi);
