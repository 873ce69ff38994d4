//! Chooses and weights frames
