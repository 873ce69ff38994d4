//! Pure functions on slices: resampling, transforms, ring statistics, point-spread models,
//! robust statistics.
//!
//! Pictures are row-major `&[f32]` with a width and a height in pixels; pixel centres lie at
//! integers, x runs right, y runs down, and sub-pixel positions are `f64`. Frequencies are in
//! cycles per pixel unless a name says otherwise. Outputs and scratch belong to the caller:
//! a `&mut Vec<f32>` scratch grows on first use and is never shrunk, so a loop over frames
//! allocates once.
//!
//! **The same bits.** Sums run in a fixed order with [`LANES`] partial sums; transcendental
//! functions come from `libm`. The transforms alone depend on the processor:
//! [`fft::fft_instruction_set`] names what was used.
//!
//! **Panics.** A slice whose length disagrees with the width and height passed beside it is a
//! mistake of the caller's code and panics. Nothing that data may hold (NaN, constants, empty
//! or tiny pictures) panics.

pub mod bands;
pub mod border;
pub mod bspline;
pub mod deconvolve;
pub mod fft;
pub mod filters;
pub mod fit;
pub mod globe;
pub mod limb;
pub mod mosaic;
pub mod mtf;
pub mod noise;
pub mod projection;
pub mod registration;
pub mod resample;
pub mod rings;
pub mod robust;
pub mod starlet;
pub mod window;

/// Number of partial sums in every vector reduction, on every instruction set.
pub const LANES: usize = 8;

/// Dot product of two equal-length slices: [`LANES`] partial sums in f32 over blocks of 1024,
/// blocks added in f64 in order.
///
/// # Panics
/// Where the lengths differ.
pub fn dot(a: &[f32], b: &[f32]) -> f64 {
    assert_eq!(a.len(), b.len());
    let mut total = 0.0_f64;
    for (block_a, block_b) in a.chunks(1024).zip(b.chunks(1024)) {
        let (heads_a, tail_a) = block_a.as_chunks::<LANES>();
        let (heads_b, tail_b) = block_b.as_chunks::<LANES>();
        let mut lanes = [0.0_f32; LANES];
        for (x, y) in heads_a.iter().zip(heads_b) {
            for lane in 0..LANES {
                lanes[lane] += x[lane] * y[lane];
            }
        }
        for (lane, (x, y)) in tail_a.iter().zip(tail_b).enumerate() {
            lanes[lane] += x * y;
        }
        total += lanes.iter().map(|&v| f64::from(v)).sum::<f64>();
    }
    total
}

/// Sum of a slice: [`LANES`] partial sums in f32 over blocks of 1024, blocks added in f64 in
/// order.
pub fn sum(values: &[f32]) -> f64 {
    let mut total = 0.0_f64;
    for block in values.chunks(1024) {
        let (heads, tail) = block.as_chunks::<LANES>();
        let mut lanes = [0.0_f32; LANES];
        for head in heads {
            for lane in 0..LANES {
                lanes[lane] += head[lane];
            }
        }
        for (lane, value) in tail.iter().enumerate() {
            lanes[lane] += value;
        }
        total += lanes.iter().map(|&v| f64::from(v)).sum::<f64>();
    }
    total
}
