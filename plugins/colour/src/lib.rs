//! Colour balance, dispersion and stretch of pictures
