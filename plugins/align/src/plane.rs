//! The one plane that registration looks at, and its way into a transform.

use stillair_api::{Frame, Layout};
use stillair_maths::fft::{Complex32, Fft2, Fft2Scratch, good_size};

/// Share of each side over which the window's edge is faded in.
const TAPER_SHARE: f64 = 0.06;

/// Writes the plane to be registered: the only one of a frame without colours, the green one of a colour frame, and of
/// a mosaic interpolated green ([`stillair_maths::mosaic::green_interpolate`]).
pub fn registration_plane(frame: &Frame, out: &mut Vec<f32>) {
    let (w, h) = (frame.width(), frame.height());
    out.resize(w * h, 0.0);
    match frame.layout {
        Layout::Mono => out.copy_from_slice(frame.plane(0)),
        Layout::Rgb => out.copy_from_slice(frame.plane(1)),
        Layout::Mosaic(pattern) => {
            let parity = usize::from(pattern.colour_at(0, 0) != 1);
            stillair_maths::mosaic::green_interpolate(frame.plane(0), w, h, parity, out);
        }
    }
}

/// Sky level of a plane: the median of its outermost pixels.
pub fn border_level(plane: &[f32], width: usize, height: usize, ring: &mut Vec<f32>) -> f32 {
    ring.clear();
    if width == 0 || height == 0 {
        return 0.0;
    }
    ring.extend_from_slice(&plane[..width]);
    ring.extend_from_slice(&plane[(height - 1) * width..]);
    ring.extend(plane.chunks_exact(width).flat_map(|row| [row[0], row[width - 1]]));
    let middle = ring.len() / 2;
    *ring.select_nth_unstable_by(middle, f32::total_cmp).1
}

/// The way from a plane to its spectrum: sky taken off, edges faded, padded to a size that transforms fast.
#[derive(Debug, Clone)]
pub struct Transformer {
    /// Columns of the plane.
    pub width: usize,
    /// Rows of the plane.
    pub height: usize,
    /// The transform, at least as large.
    pub plan: Fft2,
    taper_x: Vec<f32>,
    taper_y: Vec<f32>,
}

/// Buffers of one thread.
#[derive(Debug, Default)]
pub struct TransformScratch {
    padded: Vec<f32>,
    fft: Fft2Scratch,
    /// The half spectrum of the last plane.
    pub spectrum: Vec<Complex32>,
}

impl Transformer {
    /// For planes of one size, at least one pixel.
    pub fn new(width: usize, height: usize) -> Self {
        Self::with_room(width, height, 1.0)
    }

    /// As [`Transformer::new`], with the transform `room` times as large, so that the ends of the plane do not meet.
    pub fn with_room(width: usize, height: usize, room: f64) -> Self {
        let size = |n: usize| good_size(libm::ceil(n as f64 * room) as usize);
        let plan = Fft2::new(size(width), size(height));
        Self { width, height, plan, taper_x: taper(width), taper_y: taper(height) }
    }

    /// Transforms a plane minus `level` into `scratch.spectrum`.
    pub fn transform(&self, plane: &[f32], level: f32, scratch: &mut TransformScratch) {
        let padded_width = self.plan.width();
        scratch.padded.resize(padded_width * self.plan.height(), 0.0);
        scratch.spectrum.resize(self.plan.spectrum_len(), Complex32::default());
        let rows = scratch.padded.chunks_exact_mut(padded_width);
        for ((to, from), fade) in rows.zip(plane.chunks_exact(self.width)).zip(&self.taper_y) {
            for ((t, f), x) in to.iter_mut().zip(from).zip(&self.taper_x) {
                *t = (f - level) * (fade * x);
            }
        }
        self.plan.forward(&scratch.padded, &mut scratch.spectrum, &mut scratch.fft);
    }
}

/// 1, falling to 0 over the outermost [`TAPER_SHARE`] by a raised cosine.
fn taper(n: usize) -> Vec<f32> {
    let edge = (TAPER_SHARE * n as f64).max(2.0);
    let value = |i: usize| {
        let d = (i.min(n - 1 - i) as f64 + 0.5) / edge;
        if d >= 1.0 { 1.0 } else { 0.5 - 0.5 * libm::cos(std::f64::consts::PI * d) }
    };
    (0..n).map(|i| value(i) as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::{Pattern, Region};

    #[test]
    fn green_comes_from_the_green_samples_alone() {
        // Worked by hand: red and blue samples hold 9, green ones 0.25, so that any other value shows a wrong phase.
        for pattern in Pattern::ALL {
            let (w, h) = (8, 6);
            let mut frame = Frame::empty();
            frame.reshape(0, Region::whole(w, h), Layout::Mosaic(pattern));
            for (i, v) in frame.data.iter_mut().enumerate() {
                *v = if pattern.colour_at(i % w, i / w) == 1 { 0.25 } else { 9.0 };
            }
            let mut out = Vec::new();
            registration_plane(&frame, &mut out);
            assert!(out.iter().all(|v| *v == 0.25), "{pattern:?}");
        }
    }

    #[test]
    fn the_border_level_is_the_median_of_the_outermost_pixels() {
        let plane = [1.0, 2.0, 3.0, 1.0, 99.0, 3.0, 2.0, 3.0, 2.0];
        assert_eq!(border_level(&plane, 3, 3, &mut Vec::new()), 2.0);
    }
}
