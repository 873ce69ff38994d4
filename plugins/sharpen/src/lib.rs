//! Sharpens stacks without inventing detail.

mod deblur;
mod report;
mod wiener;

stillair_api::plugin!(wiener::Wiener);
