//! Pure functions on slices: resampling, transforms, ring statistics, point-spread models, robust statistics
