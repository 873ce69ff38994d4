//! Colour mosaics to colour frames
