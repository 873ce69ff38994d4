//! Windows on the target
