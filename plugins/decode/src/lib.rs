//! Reads captures: files in, frames out
