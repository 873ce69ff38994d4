//! Measures where each frame belongs

mod centroid;
mod correlate;
mod dispersion;
mod patches;
mod plane;
mod rounds;
mod running;
mod sampling;
mod turning;

stillair_api::plugin!(
    patches::bends::Bends,
    centroid::Centroid,
    correlate::Correlate,
    dispersion::Dispersion,
    patches::Patches
);
