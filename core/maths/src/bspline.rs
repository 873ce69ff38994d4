//! Cubic B-spline: samples to coefficients, and the weights of an evaluation.

/// Weights of the four coefficients around a position with the fraction `t`.
#[inline(always)]
pub(crate) fn bspline_weights(t: f32) -> [f32; 4] {
    let s = 1.0 - t;
    let (t2, s2) = (t * t, s * s);
    let w0 = s2 * s * (1.0 / 6.0);
    let w3 = t2 * t * (1.0 / 6.0);
    let w1 = 2.0 / 3.0 - 0.5 * t2 * (2.0 - t);
    let w2 = 2.0 / 3.0 - 0.5 * s2 * (2.0 - s);
    [w0, w1, w2, w3]
}

const POLE: f64 = -0.267_949_192_431_122_7;

/// Turns samples into cubic B-spline coefficients in place, mirror border
/// (`c b | a b c d | c b`): the exact recursive filter with the pole `sqrt(3) - 2` (Unser,
/// Aldroubi & Eden 1993), start values summed over 24 samples.
///
/// # Panics
/// Where the slice's length is not `width * height`.
pub fn bspline_prefilter(picture: &mut [f32], width: usize, height: usize, scratch: &mut Vec<f32>) {
    assert_eq!(picture.len(), width * height);
    if picture.is_empty() {
        return;
    }
    const ROWS: usize = 8;
    if width > 1 {
        if scratch.len() < width * ROWS {
            scratch.resize(width * ROWS, 0.0);
        }
        for group in picture.chunks_mut(width * ROWS) {
            let rows = group.len() / width;
            let tile = &mut scratch[..width * ROWS];
            if rows == ROWS {
                let lines: [&[f32]; ROWS] = std::array::from_fn(|r| &group[r * width..(r + 1) * width]);
                for (x, cell) in tile.as_chunks_mut::<ROWS>().0.iter_mut().enumerate() {
                    for r in 0..ROWS {
                        cell[r] = lines[r][x];
                    }
                }
            } else {
                for r in 0..rows {
                    for x in 0..width {
                        tile[x * ROWS + r] = group[r * width + x];
                    }
                }
            }
            recurse_columns(tile, ROWS, width);
            for r in 0..rows {
                let line = &mut group[r * width..(r + 1) * width];
                for (value, cell) in line.iter_mut().zip(tile.as_chunks::<ROWS>().0) {
                    *value = cell[r];
                }
            }
        }
    }
    if height > 1 {
        recurse_columns(picture, width, height);
    }
}

/// The recursion along y for every column at once.
fn recurse_columns(data: &mut [f32], width: usize, height: usize) {
    const HORIZON: usize = 24;
    let z = POLE as f32;
    // Start of the causal pass: sum of z^k s(k), mirrored at the far end where it is near.
    if height > HORIZON {
        let mut power = z;
        let (first, rest) = data.split_at_mut(width);
        for row in rest.chunks_exact(width).take(HORIZON) {
            for (f, v) in first.iter_mut().zip(row) {
                *f += power * v;
            }
            power *= z;
        }
    } else {
        let n = height;
        let scale = 1.0 / (1.0 - libm::pow(POLE, (2 * n - 2) as f64)) as f32;
        let (first, rest) = data.split_at_mut(width);
        for (k, row) in rest.chunks_exact(width).enumerate().map(|(k, r)| (k + 1, r)) {
            let mut weight = libm::pow(POLE, k as f64);
            if k + 1 < n {
                weight += libm::pow(POLE, (2 * n - 2 - k) as f64);
            }
            let weight = weight as f32;
            for (f, v) in first.iter_mut().zip(row) {
                *f += weight * v;
            }
        }
        for f in first {
            *f *= scale;
        }
    }
    for y in 1..height {
        let (done, rest) = data.split_at_mut(y * width);
        let previous = &done[(y - 1) * width..];
        for (v, p) in rest[..width].iter_mut().zip(previous) {
            *v += z * p;
        }
    }
    // Gain 6 per dimension is folded into the anticausal pass.
    let start = (6.0 * POLE / (POLE * POLE - 1.0)) as f32;
    {
        let (done, last) = data.split_at_mut((height - 1) * width);
        for (v, p) in last.iter_mut().zip(&done[(height - 2) * width..]) {
            *v = start * (*v + z * p);
        }
    }
    for y in (0..height - 1).rev() {
        let (head, tail) = data.split_at_mut((y + 1) * width);
        for (v, next) in head[y * width..].iter_mut().zip(&tail[..width]) {
            *v = z * (next - 6.0 * *v);
        }
    }
}
