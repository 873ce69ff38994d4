//! Shift and small rotation together, by Gauss-Newton on smoothed pictures.
//!
//! The frame, blurred and sampled through the current map, is modelled as
//! `a ref + b + a grad(ref) . (e + e_angle (-y, x))`: the inverse compositional scheme of
//! Baker & Matthews 2004 (Int. J. Comput. Vis. 56, 221). The matrix depends on the reference
//! alone, so a step costs one resampling and five dot products.

use crate::border::Border;
use crate::dot;
use crate::filters;
use crate::fit;
use crate::resample::{Kernel, Prepared, Similarity, affine_window};

/// Buffers of one caller.
#[derive(Clone, Debug)]
pub struct RigidScratch {
    blurred: Vec<f32>,
    sampled: Vec<f32>,
    work: Vec<f32>,
    prepared: Prepared,
}

impl Default for RigidScratch {
    fn default() -> Self {
        Self {
            blurred: Vec::new(),
            sampled: Vec::new(),
            work: Vec::new(),
            prepared: Prepared::new(Kernel::CubicBSpline),
        }
    }
}

/// The outcome of [`RigidReference::refine`]: `frame(centre + d + R(angle) (x - centre)) =
/// gain ref(x) + offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RigidFit {
    /// Displacement of the centre along x in pixels.
    pub dx: f64,
    /// Displacement of the centre along y in pixels.
    pub dy: f64,
    /// Rotation of the frame's content in radians, positive from +x towards +y.
    pub angle_rad: f64,
    /// Brightness factor.
    pub gain: f64,
    /// Brightness offset in the picture's units.
    pub offset: f64,
    /// Root mean square of what the model leaves, in the picture's units.
    pub residual_rms: f64,
}

/// A smoothed reference with its gradients and the inverse of its normal matrix.
#[derive(Clone, Debug)]
pub struct RigidReference {
    width: usize,
    height: usize,
    sigma_px: f64,
    centre: (f64, f64),
    columns: [Vec<f32>; 5],
    normal: [[f64; 5]; 5],
    pixels: f64,
}

impl RigidReference {
    /// From a picture of `width` x `height` pixels, blurred by `sigma_px`, turning about
    /// `centre` (x, y); pixels nearer than `margin_px` to the edge are not compared. `None`
    /// where the picture does not constrain shift and rotation (no structure, or a bare round
    /// disc about its own centre).
    ///
    /// # Panics
    /// Where the slice's length is not `width * height`.
    pub fn new(
        picture: &[f32],
        width: usize,
        height: usize,
        sigma_px: f64,
        centre: (f64, f64),
        margin_px: usize,
    ) -> Option<Self> {
        assert_eq!(picture.len(), width * height);
        if width <= 2 * margin_px || height <= 2 * margin_px {
            return None;
        }
        let n = width * height;
        let mut columns: [Vec<f32>; 5] = std::array::from_fn(|_| vec![0.0; n]);
        let mut work = Vec::new();
        let [smooth, gx, gy, turn, ones] = &mut columns;
        filters::gaussian(picture, width, height, sigma_px, Border::Reflect, smooth, &mut work);
        filters::gradient(smooth, width, height, gx, gy);
        let mut pixels = 0.0;
        for y in 0..height {
            for x in 0..width {
                let i = y * width + x;
                let inside = x >= margin_px && y >= margin_px && x + margin_px < width && y + margin_px < height;
                if inside {
                    let (u, v) = (x as f64 - centre.0, y as f64 - centre.1);
                    turn[i] = (-v * f64::from(gx[i]) + u * f64::from(gy[i])) as f32;
                    ones[i] = 1.0;
                    pixels += 1.0;
                } else {
                    smooth[i] = 0.0;
                    gx[i] = 0.0;
                    gy[i] = 0.0;
                }
            }
        }
        let mut normal = [[0.0; 5]; 5];
        for i in 0..5 {
            for j in 0..=i {
                normal[i][j] = dot(&columns[i], &columns[j]);
                normal[j][i] = normal[i][j];
            }
        }
        let reference = Self { width, height, sigma_px, centre, columns, normal, pixels };
        fit::solve(&reference.normal, &[1.0; 5])?;
        Some(reference)
    }

    /// Fits `frame` (same size) from `start = (dx, dy, angle_rad)`, at most `steps` steps of at
    /// most one pixel. `None` where the frame holds no trace of the reference.
    ///
    /// # Panics
    /// Where the slice's length is not `width * height`.
    pub fn refine(
        &self,
        frame: &[f32],
        start: (f64, f64, f64),
        steps: usize,
        scratch: &mut RigidScratch,
    ) -> Option<RigidFit> {
        let n = self.width * self.height;
        assert_eq!(frame.len(), n);
        scratch.blurred.resize(n, 0.0);
        scratch.sampled.resize(n, 0.0);
        filters::gaussian(
            frame,
            self.width,
            self.height,
            self.sigma_px,
            Border::Reflect,
            &mut scratch.blurred,
            &mut scratch.work,
        );
        scratch.prepared.load(&scratch.blurred, self.width, self.height);
        let (mut dx, mut dy, mut angle_rad) = start;
        let mut found = None;
        for _ in 0..steps.max(1) {
            let map = Similarity {
                centre: self.centre,
                target: (self.centre.0 + dx, self.centre.1 + dy),
                angle_rad,
                scale: 1.0,
            };
            affine_window(&mut scratch.prepared, &map, None, self.width, self.height, &mut scratch.sampled);
            let right: [f64; 5] = std::array::from_fn(|i| dot(&self.columns[i], &scratch.sampled));
            let p = fit::solve(&self.normal, &right)?;
            let gain = p[0];
            if !gain.is_finite() || gain <= 0.0 {
                return None;
            }
            let (ex, ey, ea) = (p[1] / gain, p[2] / gain, p[3] / gain);
            let size = libm::hypot(ex, ey);
            let limit = if size > 1.0 { 1.0 / size } else { 1.0 };
            let (sin, cos) = libm::sincos(angle_rad);
            dx -= limit * (cos * ex - sin * ey);
            dy -= limit * (sin * ex + cos * ey);
            angle_rad -= limit * ea;
            let mut squares = 0.0;
            for ((s, r), inside) in scratch.sampled.iter().zip(&self.columns[0]).zip(&self.columns[4]) {
                let left = f64::from(*s) - gain * f64::from(*r) - p[4];
                squares += f64::from(*inside) * left * left;
            }
            let residual_rms = (squares / self.pixels).sqrt();
            found = Some(RigidFit { dx, dy, angle_rad, gain, offset: p[4], residual_rms });
            let reach = 0.5 * self.width.max(self.height) as f64;
            if size < 1e-4 && ea.abs() * reach < 1e-4 {
                break;
            }
        }
        found
    }
}
