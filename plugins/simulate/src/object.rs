//! What is looked at: a globe or a surface that fills the frame.

use crate::clip::{Kind, PlanetClip};
use crate::globe::Globe;
use crate::relief::Relief;

/// The object. Lengths in camera pixels.
pub(crate) enum Object {
    Globe(Box<Globe>),
    Relief(Relief),
}

impl Object {
    pub(crate) fn new(clip: &PlanetClip) -> Self {
        if clip.kind == Kind::Terrain {
            Self::Relief(Relief::new(clip, slack_px(clip)))
        } else {
            Self::Globe(Box::new(Globe::new(clip)))
        }
    }

    /// Half the side of a square that holds the object at any instant.
    pub(crate) fn reach_px(&self) -> f64 {
        match self {
            Self::Globe(globe) => globe.reach_px(),
            Self::Relief(relief) => relief.reach_px(),
        }
    }

    /// Fastest motion of any feature, px per second.
    pub(crate) fn fastest_px_per_s(&self) -> f64 {
        match self {
            Self::Globe(globe) => globe.fastest_px_per_s(),
            Self::Relief(_) => 0.0,
        }
    }

    /// Draws the object at time `t` (s): `side_px` camera pixels a side with `factor` points per pixel, each the mean
    /// of a grid of samples. Red, green, blue planes of (side_px factor)^2, centred on the object.
    pub(crate) fn draw(&self, t: f64, side_px: usize, factor: usize, samples: usize) -> [Vec<f32>; 3] {
        match self {
            Self::Globe(globe) => globe.draw(t, side_px, factor, samples),
            Self::Relief(relief) => relief.draw(side_px, factor),
        }
    }

    /// Semi-axes of the disc, equatorial and polar; none of a surface.
    pub(crate) fn radii_px(&self) -> Option<[f64; 2]> {
        match self {
            Self::Globe(globe) => Some([globe.radius_eq_px, globe.radius_polar_px]),
            Self::Relief(_) => None,
        }
    }

    /// Sides of what the truth shows, whole px.
    pub(crate) fn truth_px(&self, canvas_px: usize) -> [usize; 2] {
        match self {
            Self::Globe(_) => [canvas_px; 2],
            Self::Relief(relief) => relief.field_px().map(|n| n.min(canvas_px)),
        }
    }
}

/// How far a surface may move in the frame, and the point spread with it, px.
fn slack_px(clip: &PlanetClip) -> f64 {
    let seconds = clip.frames as f64 / clip.camera.frames_per_s / (1.0 - clip.camera.dropped);
    let mount = &clip.mount;
    let drift = mount.drift_arcsec_per_s.map(|v| v.abs() * (clip.start_s.abs() + seconds));
    let offset = clip.offset_px.map(f64::abs);
    let mount_px = (drift[0].max(drift[1]) + 2.4 * mount.periodic_arcsec.abs()) / clip.arcsec_per_px();
    // The point spread and the tilt of the air.
    let spread = 16.0 / clip.cutoff_cycles_per_px(clip.wavelengths_nm[0]);
    (mount_px + offset[0].max(offset[1]) + spread).ceil()
}
