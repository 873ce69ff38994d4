//! Ephemeris, disc geometry, optics and atmosphere: pure, no I/O
