//! Small linear and rank filters on whole pictures.
//!
//! Every function reads `source` (`width * height`), writes `out` of the same length and takes
//! a scratch vector that it grows as it needs. Conventions follow scipy.ndimage, which the
//! tests compare with. Pictures without pixels give pictures without pixels.

use crate::border::Border;

/// Half a Gaussian kernel, centre first, normalised so that the whole adds up to 1; radius
/// `floor(4 sigma + 0.5)` as in scipy.ndimage.gaussian_filter. `sigma_px <= 0` gives `[1]`.
pub fn gaussian_half_kernel(sigma_px: f64) -> Vec<f32> {
    if sigma_px.is_nan() || sigma_px <= 0.0 {
        return vec![1.0];
    }
    let radius = libm::floor(4.0 * sigma_px + 0.5) as usize;
    let half: Vec<f64> = (0..=radius).map(|i| libm::exp(-0.5 * (i * i) as f64 / (sigma_px * sigma_px))).collect();
    let total = half[0] + 2.0 * half[1..].iter().sum::<f64>();
    half.iter().map(|v| (v / total) as f32).collect()
}

/// Blurs with a Gaussian of standard deviation `sigma_px`.
///
/// # Panics
/// Where a slice's length is not `width * height`.
pub fn gaussian(
    source: &[f32],
    width: usize,
    height: usize,
    sigma_px: f64,
    border: Border,
    out: &mut [f32],
    scratch: &mut Vec<f32>,
) {
    symmetric(source, width, height, &gaussian_half_kernel(sigma_px), border, out, scratch);
}

/// Convolves rows and columns with a symmetric kernel given as its half, centre first: the
/// separable filter behind [`gaussian`]. Precompute the half kernel for a loop over frames.
///
/// # Panics
/// Where a slice's length is not `width * height` or the kernel is empty.
pub fn symmetric(
    source: &[f32],
    width: usize,
    height: usize,
    half_kernel: &[f32],
    border: Border,
    out: &mut [f32],
    scratch: &mut Vec<f32>,
) {
    assert_eq!(source.len(), width * height);
    assert_eq!(out.len(), width * height);
    if out.is_empty() {
        return;
    }
    let radius = half_kernel.len() - 1;
    let padded_len = width + 2 * radius;
    if scratch.len() < width * height + padded_len {
        scratch.resize(width * height + padded_len, 0.0);
    }
    let (middle, rest) = scratch.split_at_mut(width * height);
    let padded = &mut rest[..padded_len];
    for (row, target) in source.chunks_exact(width).zip(middle.chunks_exact_mut(width)) {
        border.pad_row(row, radius, padded);
        symmetric_row(padded, half_kernel, target);
    }
    symmetric_columns(middle, width, height, half_kernel, 1, border, out);
}

/// One padded row (margin `half_kernel.len() - 1`) convolved into `target`.
fn symmetric_row(padded: &[f32], half_kernel: &[f32], target: &mut [f32]) {
    const STEP: usize = 16;
    let radius = half_kernel.len() - 1;
    let width = target.len();
    let centre = half_kernel[0];
    let (blocks, tail) = target.as_chunks_mut::<STEP>();
    let blocks_len = blocks.len() * STEP;
    for (b, block) in blocks.iter_mut().enumerate() {
        let window = &padded[b * STEP..b * STEP + STEP + 2 * radius];
        let mut sums = [0.0_f32; STEP];
        for (s, v) in sums.iter_mut().zip(&window[radius..]) {
            *s = centre * v;
        }
        for (k, &tap) in half_kernel.iter().enumerate().skip(1) {
            let left: &[f32] = &window[radius - k..radius - k + STEP];
            let right: &[f32] = &window[radius + k..radius + k + STEP];
            for ((s, l), r) in sums.iter_mut().zip(left).zip(right) {
                *s += tap * (l + r);
            }
        }
        *block = sums;
    }
    for (x, value) in (blocks_len..width).zip(tail) {
        let at = x + radius;
        let mut total = centre * padded[at];
        for (k, &tap) in half_kernel.iter().enumerate().skip(1) {
            total += tap * (padded[at - k] + padded[at + k]);
        }
        *value = total;
    }
}

/// Columns convolved with a symmetric kernel whose taps lie `dilation` rows apart.
pub(crate) fn symmetric_columns(
    source: &[f32],
    width: usize,
    height: usize,
    half_kernel: &[f32],
    dilation: usize,
    border: Border,
    out: &mut [f32],
) {
    let row = |y: isize| {
        let y = border.resolve(y, height);
        &source[y * width..(y + 1) * width]
    };
    for (y, target) in out.chunks_exact_mut(width).enumerate() {
        let y = y as isize;
        let centre = half_kernel[0];
        for (t, v) in target.iter_mut().zip(row(y)) {
            *t = centre * v;
        }
        for (k, &tap) in half_kernel.iter().enumerate().skip(1) {
            let offset = (k * dilation) as isize;
            for ((t, above), below) in target.iter_mut().zip(row(y - offset)).zip(row(y + offset)) {
                *t += tap * (above + below);
            }
        }
    }
}

/// Mean over a square of `2 * radius_px + 1` pixels on a side.
///
/// # Panics
/// Where a slice's length is not `width * height`.
pub fn box_mean(
    source: &[f32],
    width: usize,
    height: usize,
    radius_px: usize,
    border: Border,
    out: &mut [f32],
    scratch: &mut Vec<f32>,
) {
    let half = vec![1.0 / (2 * radius_px + 1) as f32; radius_px + 1];
    symmetric(source, width, height, &half, border, out, scratch);
}

/// Rows `y - 1`, `y`, `y + 1`, each padded by one pixel, passed to `each` with the target row.
fn three_rows(
    source: &[f32],
    width: usize,
    height: usize,
    border: Border,
    out: &mut [f32],
    scratch: &mut Vec<f32>,
    mut each: impl FnMut(&[f32], &[f32], &[f32], &mut [f32]),
) {
    assert_eq!(source.len(), width * height);
    assert_eq!(out.len(), width * height);
    if out.is_empty() {
        return;
    }
    let padded = width + 2;
    if scratch.len() < 3 * padded {
        scratch.resize(3 * padded, 0.0);
    }
    let pad = |y: isize, scratch: &mut Vec<f32>| {
        let slot = y.rem_euclid(3) as usize * padded;
        let y = border.resolve(y, height);
        border.pad_row(&source[y * width..][..width], 1, &mut scratch[slot..slot + padded]);
    };
    pad(-1, scratch);
    pad(0, scratch);
    for (y, target) in out.chunks_exact_mut(width).enumerate() {
        pad(y as isize + 1, scratch);
        let slot = |r: usize| &scratch[(r % 3) * padded..(r % 3) * padded + padded];
        each(slot(y + 2), slot(y), slot(y + 1), target);
    }
}

#[inline(always)]
fn order(a: &mut f32, b: &mut f32) {
    let (low, high) = (if *b < *a { *b } else { *a }, if *b < *a { *a } else { *b });
    *a = low;
    *b = high;
}

/// Median of nine values by the exchange network of Paeth (Graphics Gems, 1990, p. 171).
#[inline(always)]
fn median9(mut v: [f32; 9]) -> f32 {
    macro_rules! sort {
        ($($i:literal $j:literal),*) => {$({
            let (mut a, mut b) = (v[$i], v[$j]);
            order(&mut a, &mut b);
            v[$i] = a;
            v[$j] = b;
        })*};
    }
    sort!(1 2, 4 5, 7 8, 0 1, 3 4, 6 7, 1 2, 4 5, 7 8, 0 3, 5 8, 4 7, 3 6, 1 4, 2 5, 4 7, 4 2, 6 4, 4 2);
    v[4]
}

/// Median over 3 x 3 pixels. A NaN spoils only the medians whose square holds it.
///
/// # Panics
/// Where a slice's length is not `width * height`.
pub fn median3(source: &[f32], width: usize, height: usize, border: Border, out: &mut [f32], scratch: &mut Vec<f32>) {
    three_rows(source, width, height, border, out, scratch, |above, here, below, target| {
        let n = target.len();
        let (a, h, b) = (&above[..n + 2], &here[..n + 2], &below[..n + 2]);
        for x in 0..n {
            target[x] = median9([a[x], a[x + 1], a[x + 2], h[x], h[x + 1], h[x + 2], b[x], b[x + 1], b[x + 2]]);
        }
    });
}

/// Modulus of the Sobel gradient (kernels `[1 2 1] x [-1 0 1]`, unscaled).
///
/// # Panics
/// Where a slice's length is not `width * height`.
pub fn sobel_magnitude(
    source: &[f32],
    width: usize,
    height: usize,
    border: Border,
    out: &mut [f32],
    scratch: &mut Vec<f32>,
) {
    three_rows(source, width, height, border, out, scratch, |above, here, below, target| {
        let n = target.len();
        let (a, h, b) = (&above[..n + 2], &here[..n + 2], &below[..n + 2]);
        for x in 0..n {
            let gx = (a[x + 2] - a[x]) + 2.0 * (h[x + 2] - h[x]) + (b[x + 2] - b[x]);
            let gy = (b[x] - a[x]) + 2.0 * (b[x + 1] - a[x + 1]) + (b[x + 2] - a[x + 2]);
            target[x] = (gx * gx + gy * gy).sqrt();
        }
    });
}

/// Laplacian with the kernel `0 1 0 / 1 -4 1 / 0 1 0`.
///
/// # Panics
/// Where a slice's length is not `width * height`.
pub fn laplacian(source: &[f32], width: usize, height: usize, border: Border, out: &mut [f32], scratch: &mut Vec<f32>) {
    three_rows(source, width, height, border, out, scratch, |above, here, below, target| {
        let n = target.len();
        let (a, h, b) = (&above[..n + 2], &here[..n + 2], &below[..n + 2]);
        for x in 0..n {
            target[x] = (a[x + 1] + b[x + 1]) + (h[x] + h[x + 2]) - 4.0 * h[x + 1];
        }
    });
}

/// Central differences `(f(x+1) - f(x-1)) / 2` along x into `gx` and along y into `gy`, edges
/// replicated.
///
/// # Panics
/// Where a slice's length is not `width * height`.
pub fn gradient(source: &[f32], width: usize, height: usize, gx: &mut [f32], gy: &mut [f32]) {
    assert_eq!(source.len(), width * height);
    assert_eq!(gx.len(), width * height);
    assert_eq!(gy.len(), width * height);
    if source.is_empty() {
        return;
    }
    for y in 0..height {
        let row = &source[y * width..][..width];
        let above = &source[y.saturating_sub(1) * width..][..width];
        let below = &source[(y + 1).min(height - 1) * width..][..width];
        let out_x = &mut gx[y * width..][..width];
        let out_y = &mut gy[y * width..][..width];
        for ((o, a), b) in out_y.iter_mut().zip(above).zip(below) {
            *o = 0.5 * (b - a);
        }
        if width >= 2 {
            for (o, w) in out_x[1..].iter_mut().zip(row.windows(3)) {
                *o = 0.5 * (w[2] - w[0]);
            }
            out_x[0] = 0.5 * (row[1] - row[0]);
            out_x[width - 1] = 0.5 * (row[width - 1] - row[width - 2]);
        } else {
            out_x.fill(0.0);
        }
    }
}

/// `source + amount * (source - gaussian(source, sigma_px))`.
///
/// # Panics
/// Where a slice's length is not `width * height`.
#[allow(clippy::too_many_arguments)]
pub fn unsharp(
    source: &[f32],
    width: usize,
    height: usize,
    sigma_px: f64,
    amount: f32,
    border: Border,
    out: &mut [f32],
    scratch: &mut Vec<f32>,
) {
    gaussian(source, width, height, sigma_px, border, out, scratch);
    for (o, s) in out.iter_mut().zip(source) {
        *o = s + amount * (s - *o);
    }
}
