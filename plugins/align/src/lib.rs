//! Measures where each frame belongs
