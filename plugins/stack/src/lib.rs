//! Adds frames into one picture
