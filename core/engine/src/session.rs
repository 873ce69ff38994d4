//! What the observer knows.
