//! Grades the sharpness of frames
