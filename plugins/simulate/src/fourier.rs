//! Two-dimensional transforms on square grids, as rows and columns of one-dimensional ones.

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftDirection, FftPlanner};
use std::sync::Arc;

/// The next size from `n` upwards that is even and whose prime factors are 2, 3 and 5.
pub(crate) fn friendly_size(n: usize) -> usize {
    let mut size = n.max(2).next_multiple_of(2);
    loop {
        let mut rest = size;
        for prime in [2, 3, 5] {
            while rest.is_multiple_of(prime) {
                rest /= prime;
            }
        }
        if rest == 1 {
            return size;
        }
        size += 2;
    }
}

/// Transposes a `rows` x `columns` matrix into `out`.
pub(crate) fn transpose(input: &[Complex32], out: &mut [Complex32], rows: usize, columns: usize) {
    const BLOCK: usize = 16;
    for r0 in (0..rows).step_by(BLOCK) {
        for c0 in (0..columns).step_by(BLOCK) {
            for r in r0..(r0 + BLOCK).min(rows) {
                for c in c0..(c0 + BLOCK).min(columns) {
                    out[c * rows + r] = input[r * columns + c];
                }
            }
        }
    }
}

/// Complex transform of a square grid, in place; the result is *transposed* (first index = x frequency).
pub(crate) struct Square {
    pub(crate) size: usize,
    fft: Arc<dyn Fft<f32>>,
}

impl Square {
    pub(crate) fn new(size: usize, direction: FftDirection) -> Self {
        Self { size, fft: FftPlanner::new().plan_fft(size, direction) }
    }

    /// Transforms `grid`; only its first `filled_rows` rows are read (the rest counts as zero), and the
    /// result is written to `out`, transposed.
    pub(crate) fn run(&self, grid: &mut [Complex32], filled_rows: usize, out: &mut [Complex32]) {
        let n = self.size;
        let rows = filled_rows.min(n);
        let mut scratch = vec![Complex32::default(); self.fft.get_inplace_scratch_len()];
        self.fft.process_with_scratch(&mut grid[..rows * n], &mut scratch);
        grid[rows * n..].fill(Complex32::default());
        transpose(grid, out, n, n);
        self.fft.process_with_scratch(out, &mut scratch);
    }
}

/// Real transform of a square grid to the half plane of non-negative x frequencies.
pub(crate) struct RealForward {
    pub(crate) size: usize,
    rows: Arc<dyn RealToComplex<f32>>,
    columns: Arc<dyn Fft<f32>>,
}

impl RealForward {
    pub(crate) fn new(size: usize) -> Self {
        Self {
            size,
            rows: RealFftPlanner::new().plan_fft_forward(size),
            columns: FftPlanner::new().plan_fft_forward(size),
        }
    }

    /// Half spectrum, stored by x frequency: `out[kx * size + ky]`, kx in 0..=size/2, ky wrapped.
    /// `grid` is used as scratch.
    pub(crate) fn run(&self, grid: &mut [f32]) -> Vec<Complex32> {
        let n = self.size;
        let half = n / 2 + 1;
        let mut by_row = vec![Complex32::default(); n * half];
        let mut scratch = self.rows.make_scratch_vec();
        for (row, out) in grid.chunks_exact_mut(n).zip(by_row.chunks_exact_mut(half)) {
            // The lengths are those of the plan, the only thing that can be wrong here.
            let _ = self.rows.process_with_scratch(row, out, &mut scratch);
        }
        let mut out = vec![Complex32::default(); n * half];
        transpose(&by_row, &mut out, n, half);
        let mut scratch = vec![Complex32::default(); self.columns.get_inplace_scratch_len()];
        self.columns.process_with_scratch(&mut out, &mut scratch);
        out
    }
}

/// Inverse of [`RealForward`], unnormalised.
pub(crate) struct RealInverse {
    pub(crate) size: usize,
    rows: Arc<dyn ComplexToReal<f32>>,
    columns: Arc<dyn Fft<f32>>,
}

impl RealInverse {
    pub(crate) fn new(size: usize) -> Self {
        Self {
            size,
            rows: RealFftPlanner::new().plan_fft_inverse(size),
            columns: FftPlanner::new().plan_fft_inverse(size),
        }
    }

    /// Picture from the half spectrum `spectrum[kx * size + ky]`, which is used as scratch.
    pub(crate) fn run(&self, spectrum: &mut [Complex32]) -> Vec<f32> {
        let n = self.size;
        let half = n / 2 + 1;
        let mut scratch = vec![Complex32::default(); self.columns.get_inplace_scratch_len()];
        self.columns.process_with_scratch(spectrum, &mut scratch);
        let mut by_row = vec![Complex32::default(); n * half];
        transpose(spectrum, &mut by_row, half, n);
        let mut out = vec![0f32; n * n];
        let mut scratch = self.rows.make_scratch_vec();
        for (row, line) in by_row.chunks_exact_mut(half).zip(out.chunks_exact_mut(n)) {
            // A real picture has real coefficients at zero and at the highest frequency.
            row[0].im = 0.0;
            row[half - 1].im = 0.0;
            let _ = self.rows.process_with_scratch(row, line, &mut scratch);
        }
        out
    }
}

/// The coefficients of a real picture inside the square |kx|, |ky| <= `reach`, half plane kx >= 0:
/// `values[kx * (2 reach + 1) + (ky + reach)]`.
#[derive(Clone)]
pub(crate) struct Band {
    pub(crate) reach: usize,
    pub(crate) values: Vec<Complex32>,
}

impl Band {
    /// Picks the band out of a half spectrum of the given size; `scale` multiplies every value.
    pub(crate) fn from_half(half: &[Complex32], size: usize, reach: usize, scale: f32) -> Self {
        let span = 2 * reach + 1;
        let mut values = Vec::with_capacity((reach + 1) * span);
        for kx in 0..=reach {
            for j in 0..span {
                let ky = (j + size - reach) % size;
                values.push(half[kx * size + ky] * scale);
            }
        }
        Self { reach, values }
    }

    /// Adds the band to a half spectrum of any size, folding frequencies beyond its limit back: what
    /// sampling the picture that coarsely does.
    pub(crate) fn fold_into(&self, half: &mut [Complex32], size: usize) {
        let span = 2 * self.reach + 1;
        for kx in 0..=self.reach {
            let low = kx % size;
            for j in 0..span {
                let value = self.values[kx * span + j];
                // The band may be several times as wide as the grid.
                let ky = (j + self.reach * (size - 1)) % size;
                let mirrored = (size - ky) % size;
                if low <= size / 2 {
                    half[low * size + ky] += value;
                }
                // The conjugate coefficient at (-kx, -ky); on the axis kx = 0 the band holds both already.
                if kx > 0 {
                    let high = (size - low) % size;
                    if high <= size / 2 {
                        half[high * size + mirrored] += value.conj();
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A wave above the limit of the coarse grid must look as its samples do.
    #[test]
    fn folding_is_sampling() {
        let fine = 64usize;
        let wave = |x: f64, y: f64| {
            (core::f64::consts::TAU * (19.0 * x - 5.0 * y)).cos()
                + 0.5 * (core::f64::consts::TAU * (3.0 * x + 18.0 * y)).sin()
        };
        let mut grid: Vec<f32> = (0..fine * fine)
            .map(|i| wave((i % fine) as f64 / fine as f64, (i / fine) as f64 / fine as f64) as f32)
            .collect();
        let half = RealForward::new(fine).run(&mut grid);
        let band = Band::from_half(&half, fine, 20, 1.0 / (fine * fine) as f32);
        // The second grid is so coarse that the band goes round it more than once.
        for coarse in [32, 16] {
            let mut folded = vec![Complex32::default(); coarse * (coarse / 2 + 1)];
            band.fold_into(&mut folded, coarse);
            let got = RealInverse::new(coarse).run(&mut folded);
            for (i, value) in got.iter().enumerate() {
                let expected = wave((i % coarse) as f64 / coarse as f64, (i / coarse) as f64 / coarse as f64);
                assert!((f64::from(*value) - expected).abs() < 1e-5);
            }
        }
    }

    #[test]
    fn friendly_sizes() {
        assert_eq!([1, 7, 118, 122, 337].map(friendly_size), [2, 8, 120, 128, 360]);
    }
}
