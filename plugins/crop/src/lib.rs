//! Windows on the target

mod fixed;
mod follow;

stillair_api::plugin!(follow::Follow, fixed::Fixed);
