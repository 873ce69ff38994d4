//! Green of a colour mosaic, for finding, grading and aligning.
//!
//! Normalised convolution of the green samples with `[1 2 1] x [1 2 1]`: at a green site
//! `(4 g + the four diagonal greens) / 8`, elsewhere the mean of the four greens beside it; at
//! the edges the weights that are there are renormalised. Smoothing is the same at both kinds
//! of site to first order, so no checkerboard is left for a gradient to see.

/// Interpolates green over the whole picture. Green sites are those where
/// `(x + y) % 2 == green_parity`: 1 for RGGB and BGGR, 0 for GRBG and GBRG.
///
/// # Panics
/// Where a slice's length is not `width * height`.
pub fn green_interpolate(mosaic: &[f32], width: usize, height: usize, green_parity: usize, out: &mut [f32]) {
    assert_eq!(mosaic.len(), width * height);
    assert_eq!(out.len(), width * height);
    if width < 3 || height < 3 {
        for y in 0..height {
            for x in 0..width {
                out[y * width + x] = edge(mosaic, width, height, green_parity, x, y);
            }
        }
        return;
    }
    for (y, target) in out.chunks_exact_mut(width).enumerate() {
        if y == 0 || y + 1 == height {
            for (x, value) in target.iter_mut().enumerate() {
                *value = edge(mosaic, width, height, green_parity, x, y);
            }
            continue;
        }
        let above = &mosaic[(y - 1) * width..y * width];
        let here = &mosaic[y * width..(y + 1) * width];
        let below = &mosaic[(y + 1) * width..(y + 2) * width];
        // Parity of the first inner column, x = 1.
        if (1 + y) % 2 == green_parity % 2 {
            inner_row::<0>(above, here, below, &mut target[1..width - 1]);
        } else {
            inner_row::<1>(above, here, below, &mut target[1..width - 1]);
        }
        target[0] = edge(mosaic, width, height, green_parity, 0, y);
        target[width - 1] = edge(mosaic, width, height, green_parity, width - 1, y);
    }
}

/// Columns 1 .. width - 1; green where the offset into `target` has the parity `GREEN`.
fn inner_row<const GREEN: usize>(above: &[f32], here: &[f32], below: &[f32], target: &mut [f32]) {
    const STEP: usize = 8;
    let n = target.len();
    let pick = |a: &[f32], h: &[f32], b: &[f32], green: bool| {
        if green {
            0.125 * ((a[0] + a[2]) + (b[0] + b[2]) + 4.0 * h[1])
        } else {
            0.25 * ((a[1] + b[1]) + (h[0] + h[2]))
        }
    };
    let (blocks, tail) = target.as_chunks_mut::<STEP>();
    for (k, block) in blocks.iter_mut().enumerate() {
        let at = k * STEP;
        let (a, h, b) = (&above[at..at + STEP + 2], &here[at..at + STEP + 2], &below[at..at + STEP + 2]);
        for (i, value) in block.iter_mut().enumerate() {
            let green = 0.125 * ((a[i] + a[i + 2]) + (b[i] + b[i + 2]) + 4.0 * h[i + 1]);
            let other = 0.25 * ((a[i + 1] + b[i + 1]) + (h[i] + h[i + 2]));
            *value = if i % 2 == GREEN { green } else { other };
        }
    }
    let start = n - n % STEP;
    for (i, value) in (start..n).zip(tail) {
        *value = pick(&above[i..i + 3], &here[i..i + 3], &below[i..i + 3], i % 2 == GREEN);
    }
}

/// One pixel by the definition, with the weights that exist.
fn edge(mosaic: &[f32], width: usize, height: usize, green_parity: usize, x: usize, y: usize) -> f32 {
    let (mut total, mut weight) = (0.0, 0.0);
    for v in y.saturating_sub(1)..(y + 2).min(height) {
        for u in x.saturating_sub(1)..(x + 2).min(width) {
            if (u + v) % 2 == green_parity % 2 {
                let w = if u == x { 2.0 } else { 1.0 } * if v == y { 2.0 } else { 1.0 };
                total += w * mosaic[v * width + u];
                weight += w;
            }
        }
    }
    if weight > 0.0 { total / weight } else { mosaic[y * width + x] }
}
