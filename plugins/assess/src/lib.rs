//! Measures resolution, noise and sampling
