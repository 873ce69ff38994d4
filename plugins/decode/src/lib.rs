//! Reads captures: files in, frames out.

#![warn(missing_docs)]

mod auto;
mod file;
mod judge;
mod mosaic;
mod options;
mod samples;
mod ser;
mod stored;

pub use auto::Auto;
pub use ser::Ser;

stillair_api::plugin!(Auto, Ser);
