//! Undoes the rotation of the globe
