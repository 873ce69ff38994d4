//! Where one picture lies on another: shifts to hundredths of a pixel.
//!
//! All shifts are **displacements of the frame's content relative to the reference**:
//! `frame(x + dx, y + dy) = reference(x, y)`. Sampling the frame from source position
//! (`dx`, `dy`) on puts it onto the reference.
//!
//! The order of use: [`coarse_shift`] where the displacement may be many pixels, then
//! [`newton_shift`] on a band of frequencies, then where the field turns [`RigidReference`]; [`unlike_shift`] between
//! colours.

mod bands;
mod coarse;
mod newton;
mod rigid;
mod shading;
mod unlike;

pub use bands::BandSet;
pub use coarse::{CoarsePeak, CoarseScratch, coarse_shift, parabolic_peak};
pub use newton::{NewtonScratch, ShiftFit, correlation_at, newton_shift, shift_covariance, whitening};
pub use rigid::{RigidFit, RigidReference, RigidScratch};
pub use shading::Shaded;
pub use unlike::{UnlikeShift, undo_shift, unlike_shift};
