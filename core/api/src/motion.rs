//! Where each frame's pixels belong.
//!
//! A motion maps the picture to be made onto a frame. Let `p` be a position in the picture relative to the
//! target's reference point, in px of the capture. Then colour `c` of frame `k` shows it at
//!
//! `(x_k, y_k) + scale_k * Rot(rotation_k) * (p + spin_k(p)) + local_k(p) + channel_c`
//!
//! in full-frame coordinates. Layers compose by addition; only one motion of a set may carry the global layer.

use std::sync::Arc;

use crate::{Fault, Outcome};

/// The global layer of one frame: where the target's reference point lies, and how the frame is turned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlobalRow {
    /// Column of the reference point in the full frame, px; NaN where unknown.
    pub x_px: f64,
    /// Row of the reference point in the full frame, px; NaN where unknown.
    pub y_px: f64,
    /// Clockwise turn of the frame against the picture, radians.
    pub rotation_rad: f64,
    /// Size in the frame over size in the picture.
    pub scale: f64,
}

impl GlobalRow {
    /// A pure shift.
    pub fn at(x_px: f64, y_px: f64) -> Self {
        Self { x_px, y_px, rotation_rad: 0.0, scale: 1.0 }
    }

    /// A frame whose place is unknown.
    pub fn unknown() -> Self {
        Self::at(f64::NAN, f64::NAN)
    }

    /// Whether the place is known.
    pub fn is_known(&self) -> bool {
        self.x_px.is_finite() && self.y_px.is_finite()
    }
}

/// Local shifts on a regular grid of nodes fixed to the picture.
#[derive(Debug, Clone, PartialEq)]
pub struct LocalLayer {
    /// Position of the first node relative to the reference point, px (x, y).
    pub first_px: [f64; 2],
    /// Distance of neighbouring nodes, px (x, y).
    pub step_px: [f64; 2],
    /// Number of nodes (columns, rows).
    pub nodes: [usize; 2],
    /// Shift (x, y) of each node, px: frame after frame, row after row; `frames * rows * columns` long.
    pub shift_px: Vec<[f32; 2]>,
    /// Covariance (xx, xy, yy) of each shift, px^2; empty or as long as `shift_px`.
    pub covariance_px2: Vec<[f32; 3]>,
    /// Local grade of each node, 1 = the frame's own; empty or as long as `shift_px`.
    pub grade: Vec<f32>,
    /// Local weight of each node relative to the frame's; empty or as long as `shift_px`.
    pub weight: Vec<f32>,
}

impl LocalLayer {
    /// Nodes of a frame.
    pub fn nodes_per_frame(&self) -> usize {
        self.nodes[0] * self.nodes[1]
    }
}

/// The globe's rotation: an oblate spheroid that turns about its pole.
#[derive(Debug, Clone, PartialEq)]
pub struct SpinLayer {
    /// Centre of the globe relative to the reference point, px (x, y).
    pub centre_px: [f64; 2],
    /// Equatorial radius, px.
    pub equatorial_radius_px: f64,
    /// Polar over equatorial radius.
    pub axis_ratio: f64,
    /// Planetocentric latitude of the observer, radians.
    pub latitude_rad: f64,
    /// Direction of the north pole on the picture: clockwise angle from up, radians.
    pub pole_rad: f64,
    /// For each frame, how far features have moved since the common instant, radians of rotation, positive to the right
    /// of the pole (a quarter turn clockwise from it on the picture).
    pub turn_rad: Vec<f64>,
    /// Share by which a parallel turns further than `turn_rad`, against the sine of the planetographic latitude from -1 to
    /// 1 in equal steps. Empty: the globe turns as one.
    pub zonal: Vec<f32>,
    /// Mean brightness of the disc as seen against the distance from the centre in units of the limb, from 0 in equal
    /// steps up to 1; what the limb takes from a feature that nears it is given back. Empty: nothing is.
    pub profile: Vec<f32>,
}

/// A motion: any of four layers.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Motion {
    /// One row per frame.
    pub global: Option<Vec<GlobalRow>>,
    /// Shift (x, y) of each colour against green, px, the same in every frame.
    pub channel_px: Option<[[f64; 2]; 3]>,
    /// Local shifts.
    pub local: Option<Arc<LocalLayer>>,
    /// Rotation of the globe.
    pub spin: Option<Arc<SpinLayer>>,
}

/// The composed motion of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Placement {
    /// Number of the frame.
    pub index: usize,
    /// The global layer.
    pub global: GlobalRow,
    /// Shift of each colour, px.
    pub channel_px: [[f64; 2]; 3],
    /// Local layers, to be added.
    pub local: Vec<Arc<LocalLayer>>,
    /// Rotation of the globe.
    pub spin: Option<Arc<SpinLayer>>,
}

impl Placement {
    /// A placement with nothing but a global row.
    pub fn global(index: usize, global: GlobalRow) -> Self {
        Self { index, global, channel_px: [[0.0; 2]; 3], local: Vec::new(), spin: None }
    }

    /// Whether parts of the frame are shifted each on its own: a layer of one node moves all of it alike.
    pub fn in_parts(&self) -> bool {
        self.local.iter().any(|layer| layer.nodes[0] * layer.nodes[1] > 1)
    }

    /// Adds a finished motion's layers. A second global layer is refused.
    ///
    /// # Errors
    /// If both have a global layer or a spin.
    pub fn compose(index: usize, motions: &[&Motion]) -> Outcome<Self> {
        let mut placement = Self::global(index, GlobalRow::unknown());
        let mut have_global = false;
        for motion in motions {
            if let Some(rows) = &motion.global {
                if have_global {
                    return Err(Fault::request("two motions with a global layer are linked to one step")
                        .remedy("link only one of align.centroid, align.limb and align.correlate"));
                }
                have_global = true;
                placement.global = rows[index];
            }
            placement.add_layers(motion)?;
        }
        if !have_global {
            return Err(Fault::request("no motion with a global layer is linked")
                .remedy("link align.centroid or align.correlate to `motion` as well"));
        }
        Ok(placement)
    }

    /// Adds the channel, local and spin layers of a motion.
    ///
    /// # Errors
    /// If both have a spin.
    pub fn add_layers(&mut self, motion: &Motion) -> Outcome<()> {
        if let Some(channel) = &motion.channel_px {
            for (sum, shift) in self.channel_px.iter_mut().zip(channel) {
                sum[0] += shift[0];
                sum[1] += shift[1];
            }
        }
        self.local.extend(motion.local.clone());
        if let Some(spin) = &motion.spin {
            if self.spin.is_some() {
                return Err(Fault::request("two motions undo the rotation").remedy("link only one derotate.spheroid"));
            }
            self.spin = Some(spin.clone());
        }
        Ok(())
    }

    /// Whether the frame is moved by one shift only (per colour), so that a separable kernel will do.
    pub fn is_shift(&self) -> bool {
        self.local.is_empty() && self.spin.is_none() && self.global.rotation_rad == 0.0 && self.global.scale == 1.0
    }
}
