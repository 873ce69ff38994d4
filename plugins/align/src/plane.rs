//! The one plane that registration looks at, and its way into a transform.

use stillair_api::{Frame, Layout};
use stillair_maths::border::Border;
use stillair_maths::fft::{Complex32, Fft2, Fft2Scratch, good_size};

/// Share of each side over which the window's edge is faded in.
const TAPER_SHARE: f64 = 0.06;

/// Buffers of [`registration_plane`].
#[derive(Debug, Default)]
pub struct PlaneScratch {
    rows: [Vec<f32>; 3],
    sum: Vec<f32>,
}

/// Writes the plane to be registered: the only one of a frame without colours, the green one of a colour frame, and of
/// a mosaic the green samples interpolated by normalised convolution with `[1 2 1] x [1 2 1]`: at green samples
/// `(4 g + its four green neighbours) / 8`, elsewhere the mean of the four around.
pub fn registration_plane(frame: &Frame, out: &mut Vec<f32>, scratch: &mut PlaneScratch) {
    let (w, h) = (frame.width(), frame.height());
    out.resize(w * h, 0.0);
    match frame.layout {
        Layout::Mono => out.copy_from_slice(frame.plane(0)),
        Layout::Rgb => out.copy_from_slice(frame.plane(1)),
        Layout::Mosaic(pattern) => {
            let green_first = |y: usize| pattern.colour_at(0, y) == 1;
            let source = frame.plane(0);
            for row in &mut scratch.rows {
                row.resize(w, 0.0);
            }
            scratch.sum.resize(w + 2, 0.0);
            // Only the green samples of a row; the mirrored border keeps the pattern.
            let load = |y: isize, row: &mut [f32]| {
                let y = Border::Mirror.resolve(y, h);
                let skip = usize::from(!green_first(y));
                row.fill(0.0);
                for (to, from) in row.iter_mut().zip(&source[y * w..]).skip(skip).step_by(2) {
                    *to = *from;
                }
            };
            load(-1, &mut scratch.rows[0]);
            load(0, &mut scratch.rows[1]);
            for (y, target) in out.chunks_exact_mut(w.max(1)).enumerate() {
                load(y as isize + 1, &mut scratch.rows[2]);
                let [above, here, below] = &scratch.rows;
                let sum = &mut scratch.sum[..w + 2];
                for (x, s) in sum[1..=w].iter_mut().enumerate() {
                    *s = above[x] + 2.0 * here[x] + below[x];
                }
                sum[0] = sum[if w > 1 { 2 } else { 1 }];
                sum[w + 1] = sum[if w > 1 { w - 1 } else { w }];
                for (x, t) in target.iter_mut().enumerate() {
                    *t = (sum[x] + 2.0 * sum[x + 1] + sum[x + 2]) * 0.125;
                }
                scratch.rows.rotate_left(1);
            }
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
    fn interpolated_green_is_the_normalised_convolution_of_the_green_samples() {
        // The definition: sum of kernel * mask * sample over sum of kernel * mask, evaluated directly.
        for pattern in Pattern::ALL {
            let (w, h) = (8, 6);
            let mut frame = Frame::empty();
            frame.reshape(0, Region::whole(w, h), Layout::Mosaic(pattern));
            for (i, v) in frame.data.iter_mut().enumerate() {
                *v = ((i * 37 + 11) % 64) as f32 / 64.0;
            }
            let mut out = Vec::new();
            registration_plane(&frame, &mut out, &mut PlaneScratch::default());
            for y in 0..h as isize {
                for x in 0..w as isize {
                    let (mut sum, mut norm) = (0.0, 0.0);
                    for (dy, ky) in [(-1, 1.0), (0, 2.0), (1, 1.0)] {
                        for (dx, kx) in [(-1, 1.0), (0, 2.0), (1, 1.0)] {
                            let (u, v) = (Border::Mirror.resolve(x + dx, w), Border::Mirror.resolve(y + dy, h));
                            if pattern.colour_at(u, v) == 1 {
                                sum += kx * ky * frame.data[v * w + u];
                                norm += kx * ky;
                            }
                        }
                    }
                    assert!((out[y as usize * w + x as usize] - sum / norm).abs() < 1e-6, "{pattern:?} {x} {y}");
                }
            }
        }
    }
}
