//! Bias, dark, flat and hot pixels
