//! Finds the target in a frame
