//! Starlet transform: the isotropic undecimated wavelet transform with the B3 spline
//! (Starck, Fadili & Murtagh 2007, IEEE Trans. Image Process. 16, 297). Each smoothing uses
//! `[1 4 6 4 1] / 16` along rows and columns with taps `2^j` pixels apart; a plane is the
//! difference of two smoothings, so planes and residual add up to the picture.

use crate::border::Border;
use crate::filters::symmetric_columns;

const HALF: [f32; 3] = [6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];

/// Planes from fine to coarse, and what remains; all of the picture's size.
#[derive(Clone, Debug, PartialEq)]
pub struct Starlet {
    /// Detail at about `2^j` pixels, j = 0, 1, ...
    pub planes: Vec<Vec<f32>>,
    /// The smooth rest.
    pub residual: Vec<f32>,
}

/// Smooths with taps `2^scale` pixels apart.
///
/// # Panics
/// Where a slice's length is not `width * height`.
pub fn smooth(
    source: &[f32],
    width: usize,
    height: usize,
    scale: u32,
    border: Border,
    out: &mut [f32],
    scratch: &mut Vec<f32>,
) {
    assert_eq!(source.len(), width * height);
    assert_eq!(out.len(), width * height);
    if out.is_empty() {
        return;
    }
    let step = 1_usize << scale.min(20);
    let padded_len = width + 4 * step;
    if scratch.len() < width * height + padded_len {
        scratch.resize(width * height + padded_len, 0.0);
    }
    let (middle, rest) = scratch.split_at_mut(width * height);
    let padded = &mut rest[..padded_len];
    for (row, target) in source.chunks_exact(width).zip(middle.chunks_exact_mut(width)) {
        border.pad_row(row, 2 * step, padded);
        let taps: [&[f32]; 5] = std::array::from_fn(|k| &padded[k * step..k * step + width]);
        for (x, value) in target.iter_mut().enumerate() {
            let near = taps[1][x] + taps[3][x];
            let far = taps[0][x] + taps[4][x];
            *value = HALF[0] * taps[2][x] + HALF[1] * near + HALF[2] * far;
        }
    }
    symmetric_columns(middle, width, height, &HALF, step, border, out);
}

/// Splits a picture into `scales` planes and a residual.
///
/// # Panics
/// Where the slice's length is not `width * height`.
pub fn decompose(source: &[f32], width: usize, height: usize, scales: u32, border: Border) -> Starlet {
    assert_eq!(source.len(), width * height);
    let mut residual = source.to_vec();
    let mut scratch = Vec::new();
    let mut planes = Vec::with_capacity(scales as usize);
    for scale in 0..scales {
        let mut smoother = vec![0.0; residual.len()];
        smooth(&residual, width, height, scale, border, &mut smoother, &mut scratch);
        for (fine, coarse) in residual.iter_mut().zip(&smoother) {
            *fine -= coarse;
        }
        planes.push(std::mem::replace(&mut residual, smoother));
    }
    Starlet { planes, residual }
}

/// Adds planes (each times its gain; a missing gain is 1) and residual into `out`.
///
/// # Panics
/// Where `out` has another length than the residual.
pub fn recompose(starlet: &Starlet, gains: &[f32], out: &mut [f32]) {
    out.copy_from_slice(&starlet.residual);
    for (j, plane) in starlet.planes.iter().enumerate() {
        let gain = gains.get(j).copied().unwrap_or(1.0);
        for (o, p) in out.iter_mut().zip(plane) {
            *o += gain * p;
        }
    }
}

/// Standard deviation of every plane for white noise of unit variance far from borders: the
/// L2 norm of the plane's impulse response.
pub fn noise_std(scales: u32) -> Vec<f64> {
    let taps = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];
    let mut line = vec![1.0_f64];
    let product = |a: &[f64], b: &[f64]| {
        // Both centred; the shorter is `a`.
        let offset = (b.len() - a.len()) / 2;
        a.iter().zip(&b[offset..]).map(|(x, y)| x * y).sum::<f64>()
    };
    (0..scales.min(12))
        .map(|scale| {
            let step = 1_usize << scale;
            let mut next = vec![0.0; line.len() + 4 * step];
            for (k, tap) in taps.iter().enumerate() {
                for (i, v) in line.iter().enumerate() {
                    next[i + k * step] += tap * v;
                }
            }
            // Both smoothings separate: the norms are squares of one-dimensional products.
            let fine = product(&line, &line);
            let cross = product(&line, &next);
            let coarse = product(&next, &next);
            line = next;
            (fine * fine - 2.0 * cross * cross + coarse * coarse).max(0.0).sqrt()
        })
        .collect()
}
