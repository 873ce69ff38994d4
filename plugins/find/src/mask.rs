//! The target's soft mask: its centroid, its box, and what lies about it.

use crate::components::Run;

/// The target's mask on the binned grid.
#[derive(Debug, Default)]
pub(crate) struct Mask {
    /// Sum of the soft mask.
    pub weight: f64,
    /// Centroid.
    pub x: f64,
    pub y: f64,
    /// Box of the pixels at half mask or more: first and last column and row.
    pub solid: [usize; 4],
    /// Box of all pixels of the mask.
    pub soft: [usize; 4],
    /// Pixels at half mask or more, and those of them on the frame's edge.
    pub solid_pixels: usize,
    pub edge_pixels: usize,
}

fn grow(bounds: &mut [usize; 4], x0: usize, x1: usize, y: usize) {
    *bounds = [bounds[0].min(x0), bounds[1].max(x1), bounds[2].min(y), bounds[3].max(y)];
}

/// Sums the soft mask over the target's runs.
pub(crate) fn mask_of(smooth: &[f32], width: usize, height: usize, low: f32, full: f32, runs: &[Run]) -> Mask {
    let nowhere = [usize::MAX, 0, usize::MAX, 0];
    let mut mask = Mask { solid: nowhere, soft: nowhere, ..Mask::default() };
    let scale = 1.0 / (full - low);
    for run in runs {
        let row = &smooth[run.y * width..][..width];
        let (mut sum, mut first_moment) = (0.0_f32, 0.0_f32);
        let (mut first, mut last) = (usize::MAX, 0);
        for (step, &value) in row[run.x0..run.x1].iter().enumerate() {
            let w = ((value - low) * scale).clamp(0.0, 1.0);
            sum += w;
            first_moment += w * step as f32;
            if w >= 0.5 {
                first = first.min(run.x0 + step);
                last = run.x0 + step;
                mask.solid_pixels += 1;
                let x = run.x0 + step;
                mask.edge_pixels += usize::from(x == 0 || x + 1 == width || run.y == 0 || run.y + 1 == height);
            }
        }
        mask.weight += f64::from(sum);
        mask.x += f64::from(first_moment) + f64::from(sum) * run.x0 as f64;
        mask.y += f64::from(sum) * run.y as f64;
        grow(&mut mask.soft, run.x0, run.x1 - 1, run.y);
        if first != usize::MAX {
            grow(&mut mask.solid, first, last, run.y);
        }
    }
    if mask.weight > 0.0 {
        mask.x /= mask.weight;
        mask.y /= mask.weight;
    }
    mask
}

/// Half width and half height of the box about (`x`, `y`) that holds all of `smooth` above `threshold` within
/// `limit` pixels.
pub(crate) fn reach_of(
    smooth: &[f32],
    width: usize,
    height: usize,
    centre: [f64; 2],
    threshold: f32,
    limit: f64,
) -> [f64; 2] {
    let [x, y] = centre;
    let bound = |v: f64, n: usize| (v.max(0.0) as usize).min(n - 1);
    let (mut reach_x, mut reach_y) = (0.0_f64, 0.0_f64);
    for row in bound(y - limit, height)..=bound(y + limit, height) {
        let dy = row as f64 - y;
        let half = (limit * limit - dy * dy).max(0.0).sqrt();
        let (x0, x1) = (bound(x - half, width), bound(x + half, width));
        let line = &smooth[row * width + x0..=row * width + x1];
        if let Some(first) = line.iter().position(|&v| v > threshold) {
            let last = line.iter().rposition(|&v| v > threshold).unwrap_or(first);
            reach_x = reach_x.max(x - (x0 + first) as f64).max((x0 + last) as f64 - x);
            reach_y = reach_y.max(dy.abs());
        }
    }
    [reach_x + 0.5, reach_y + 0.5]
}
