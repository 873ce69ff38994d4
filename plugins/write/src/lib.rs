//! Writes pictures and tables
