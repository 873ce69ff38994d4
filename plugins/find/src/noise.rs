//! Noise of a pixel from the picture itself.
//!
//! The diagonal second difference `d = (a - b - c + e) / 2` of four pixels at the corners of a square takes away any
//! slope; of white noise it keeps the variance. `sigma = sqrt(pi / 2) * mean |d|` (the mean deviation of a normal
//! distribution), with `|d|` limited to 4 sigma in two further rounds so that hot pixels and edges do not count. A
//! mean, unlike a median, still tells the noise where it is below one step of the digitiser. The filter is that of
//! Immerkaer 1996 ("Fast noise variance estimation", CVIU 64, 300) in its smallest form.

use stillair_api::{Frame, Layout};

/// Fewest differences that make an estimate.
const FEWEST: usize = 24;

/// Collects second differences on a lattice of one colour.
#[derive(Debug)]
pub(crate) struct Lattice<'a> {
    plane: &'a [f32],
    width: usize,
    height: usize,
    /// Distance of neighbours of one colour.
    step: usize,
    /// Parity of the green sample's column in even rows, if there is a mosaic.
    green: Option<usize>,
}

impl<'a> Lattice<'a> {
    /// The lattice of the green samples, or of all samples of a plane without a mosaic.
    pub fn of(frame: &'a Frame) -> Self {
        let (plane, step, green) = match frame.layout {
            Layout::Mono => (frame.plane(0), 1, None),
            Layout::Rgb => (frame.plane(1), 1, None),
            Layout::Mosaic(pattern) => (frame.plane(0), 2, Some(usize::from(pattern.colour_at(0, 0) != 1))),
        };
        Self { plane, width: frame.width(), height: frame.height(), step, green }
    }

    /// `|d|` of every `stride`-th lattice square whose top left corner lies in `x0..x1` of row `y`.
    pub fn row(&self, y: usize, x0: usize, x1: usize, stride: usize, out: &mut Vec<f32>) {
        let step = self.step;
        if y + step >= self.height {
            return;
        }
        let first = match self.green {
            Some(parity) => x0 + ((x0 ^ y ^ parity) & 1),
            None => x0,
        };
        let last = x1.min(self.width - step.min(self.width));
        let (upper, lower) = (&self.plane[y * self.width..], &self.plane[(y + step) * self.width..]);
        for x in (first..last).step_by(stride.max(1) * step) {
            out.push(0.5 * (upper[x] - upper[x + step] - lower[x] + lower[x + step]).abs());
        }
    }
}

/// Standard deviation of a pixel from differences collected by [`Lattice::row`]; NaN where there are too few.
pub(crate) fn sigma(differences: &[f32]) -> f64 {
    if differences.len() < FEWEST {
        return f64::NAN;
    }
    // sqrt(pi / 2).
    const DEVIATION: f64 = 1.253_314_137_315_500_3;
    let mut sigma = f64::INFINITY;
    for _ in 0..3 {
        let limit = (4.0 * sigma) as f32;
        let total: f64 = differences.iter().map(|&d| f64::from(d.min(limit))).sum();
        sigma = DEVIATION * total / differences.len() as f64;
    }
    sigma
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use stillair_api::{Pattern, Region};

    /// Sum of twelve uniform numbers less six: variance 1 by definition.
    pub(crate) fn normal(state: &mut u64) -> f32 {
        let mut total = -6.0;
        for _ in 0..12 {
            *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            total += (*state >> 40) as f32 / (1_u64 << 24) as f32;
        }
        total
    }

    #[test]
    fn noise_is_told_from_slope_checkerboard_and_hot_pixels() {
        let mut state = 7;
        let mut frame = Frame::empty();
        frame.reshape(0, Region::whole(96, 80), Layout::Mosaic(Pattern::Grbg));
        for y in 0..80 {
            for x in 0..96 {
                let colour = [0.2, 0.5, 0.1][Pattern::Grbg.colour_at(x, y)];
                frame.data[y * 96 + x] = colour + 0.002 * (x + y) as f32 + 0.01 * normal(&mut state);
            }
        }
        for i in 0..40 {
            frame.data[i * 191] = 1.0;
        }
        let mut differences = Vec::new();
        let lattice = Lattice::of(&frame);
        (0..80).for_each(|y| lattice.row(y, 0, 96, 1, &mut differences));
        assert!((sigma(&differences) - 0.01).abs() < 0.0006, "{}", sigma(&differences));
    }
}
