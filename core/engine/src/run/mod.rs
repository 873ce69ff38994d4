//! Plan to pictures.
