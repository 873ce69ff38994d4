//! Two-dimensional Fourier transforms of real pictures.
//!
//! Forward, unnormalised: `F(kx, ky) = sum f(x, y) e^{-2 pi i (kx x / w + ky y / h)}`; inverse
//! divides by `w h`. A half spectrum has `height` rows of `width / 2 + 1` coefficients; row
//! `ky` holds frequency `ky / h` for `ky <= h / 2` and `(ky - h) / h` above, in cycles per
//! pixel. Lines are transformed by the `realfft` and `rustfft` crates.

use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};

/// Complex number of two f32.
pub type Complex32 = rustfft::num_complex::Complex<f32>;

/// The instruction set that the transforms use on this processor, for the record: `"avx+fma"`,
/// `"sse4.1"`, `"neon"`, `"simd128"` or `"scalar"`. Follows the choice made by `rustfft`'s
/// planner.
pub fn fft_instruction_set() -> &'static str {
    #[cfg(any(target_arch = "x86_64", target_arch = "x86"))]
    {
        if std::arch::is_x86_feature_detected!("avx") && std::arch::is_x86_feature_detected!("fma") {
            return "avx+fma";
        }
        if std::arch::is_x86_feature_detected!("sse4.1") {
            return "sse4.1";
        }
    }
    #[cfg(target_arch = "aarch64")]
    {
        if std::arch::is_aarch64_feature_detected!("neon") {
            return "neon";
        }
    }
    "scalar"
}

/// The smallest even length of the form `2^a 3^b 5^c` that is at least `n` (2 for `n < 2`).
pub fn good_size(n: usize) -> usize {
    let smooth = |mut m: usize| {
        for prime in [2, 3, 5] {
            while m.is_multiple_of(prime) {
                m /= prime;
            }
        }
        m == 1
    };
    let mut size = n.max(2).next_multiple_of(2);
    while !smooth(size) {
        size += 2;
    }
    size
}

/// Signed frequency in cycles per sample of index `k` in a line of `n`: `k / n` for
/// `k <= n / 2`, `(k - n) / n` above.
pub fn frequency(k: usize, n: usize) -> f64 {
    if 2 * k <= n { k as f64 / n as f64 } else { k as f64 / n as f64 - 1.0 }
}

/// Buffers of one caller (one per thread), made by [`Fft2::scratch`].
#[derive(Clone, Debug, Default)]
pub struct Fft2Scratch {
    line: Vec<f32>,
    turned: Vec<Complex32>,
    work: Vec<Complex32>,
}

/// A plan for pictures of one size; cheap to clone, shared between threads.
#[derive(Clone)]
pub struct Fft2 {
    width: usize,
    height: usize,
    row_forward: Arc<dyn RealToComplex<f32>>,
    row_inverse: Arc<dyn ComplexToReal<f32>>,
    column_forward: Arc<dyn Fft<f32>>,
    column_inverse: Arc<dyn Fft<f32>>,
}

impl std::fmt::Debug for Fft2 {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Fft2({} x {})", self.width, self.height)
    }
}

impl Fft2 {
    /// Plans transforms of `width` x `height` pixels, each at least 1; any size works, those
    /// of [`good_size`] are fast.
    ///
    /// # Panics
    /// Where a side is 0.
    pub fn new(width: usize, height: usize) -> Self {
        assert!(width > 0 && height > 0, "a transform needs at least one pixel");
        let mut rows = RealFftPlanner::<f32>::new();
        let mut columns = FftPlanner::<f32>::new();
        Self {
            width,
            height,
            row_forward: rows.plan_fft_forward(width),
            row_inverse: rows.plan_fft_inverse(width),
            column_forward: columns.plan_fft_forward(height),
            column_inverse: columns.plan_fft_inverse(height),
        }
    }

    /// Width of the pictures in pixels.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height of the pictures in pixels.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Coefficients in a row of the half spectrum, `width / 2 + 1`.
    pub fn half_width(&self) -> usize {
        self.width / 2 + 1
    }

    /// Coefficients in the half spectrum.
    pub fn spectrum_len(&self) -> usize {
        self.half_width() * self.height
    }

    /// Buffers for [`Fft2::forward`] and [`Fft2::inverse`].
    pub fn scratch(&self) -> Fft2Scratch {
        let zero = Complex32::default();
        let work = self
            .row_forward
            .get_scratch_len()
            .max(self.row_inverse.get_scratch_len())
            .max(self.column_forward.get_inplace_scratch_len())
            .max(self.column_inverse.get_inplace_scratch_len());
        Fft2Scratch { line: vec![0.0; self.width], turned: vec![zero; self.spectrum_len()], work: vec![zero; work] }
    }

    /// A zeroed half spectrum.
    pub fn spectrum(&self) -> Vec<Complex32> {
        vec![Complex32::default(); self.spectrum_len()]
    }

    fn fit(&self, scratch: &mut Fft2Scratch) {
        if scratch.line.len() != self.width || scratch.turned.len() != self.spectrum_len() {
            *scratch = self.scratch();
        }
    }

    /// Transforms `picture` (`width * height`) into `spectrum` ([`Fft2::spectrum_len`]).
    ///
    /// # Panics
    /// Where a slice has another length.
    pub fn forward(&self, picture: &[f32], spectrum: &mut [Complex32], scratch: &mut Fft2Scratch) {
        assert_eq!(picture.len(), self.width * self.height);
        assert_eq!(spectrum.len(), self.spectrum_len());
        self.fit(scratch);
        let half = self.half_width();
        let Fft2Scratch { line, turned, work } = scratch;
        for (row, coefficients) in picture.chunks_exact(self.width).zip(spectrum.chunks_exact_mut(half)) {
            line.copy_from_slice(row);
            let done = self.row_forward.process_with_scratch(line, coefficients, work);
            debug_assert!(done.is_ok(), "lengths come from the same plan");
        }
        if self.height > 1 {
            transpose(spectrum, half, self.height, turned);
            self.column_forward.process_with_scratch(turned, work);
            transpose(turned, self.height, half, spectrum);
        }
    }

    /// Transforms `spectrum` back into `picture`, divided by `width * height`. The imaginary
    /// parts that a real picture cannot have are ignored. `spectrum` is used as work space:
    /// its content is lost.
    ///
    /// # Panics
    /// Where a slice has another length.
    pub fn inverse(&self, spectrum: &mut [Complex32], picture: &mut [f32], scratch: &mut Fft2Scratch) {
        assert_eq!(picture.len(), self.width * self.height);
        assert_eq!(spectrum.len(), self.spectrum_len());
        self.fit(scratch);
        let half = self.half_width();
        let Fft2Scratch { turned, work, .. } = scratch;
        if self.height > 1 {
            transpose(spectrum, half, self.height, turned);
            self.column_inverse.process_with_scratch(turned, work);
            transpose(turned, self.height, half, spectrum);
        }
        let norm = 1.0 / (self.width as f32 * self.height as f32);
        for (row, coefficients) in picture.chunks_exact_mut(self.width).zip(spectrum.chunks_exact_mut(half)) {
            coefficients[0].im = 0.0;
            if self.width.is_multiple_of(2) {
                coefficients[half - 1].im = 0.0;
            }
            let done = self.row_inverse.process_with_scratch(coefficients, row, work);
            debug_assert!(done.is_ok(), "lengths come from the same plan");
            for value in row {
                *value *= norm;
            }
        }
    }
}

/// `to[x * height + y] = from[y * width + x]`, in blocks that stay in the first-level cache.
fn transpose(from: &[Complex32], width: usize, height: usize, to: &mut [Complex32]) {
    const BLOCK: usize = 8;
    for y0 in (0..height).step_by(BLOCK) {
        let rows = BLOCK.min(height - y0);
        if rows == BLOCK {
            let lines: [&[Complex32]; BLOCK] = std::array::from_fn(|r| &from[(y0 + r) * width..(y0 + r + 1) * width]);
            for x in 0..width {
                let out = &mut to[x * height + y0..x * height + y0 + BLOCK];
                for r in 0..BLOCK {
                    out[r] = lines[r][x];
                }
            }
        } else {
            for y in y0..y0 + rows {
                for x in 0..width {
                    to[x * height + y] = from[y * width + x];
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn good_sizes_are_even_and_smooth() {
        // 5-smooth even numbers, OEIS A051037 doubled.
        for (n, expected) in [(0, 2), (7, 8), (11, 12), (13, 16), (97, 100), (101, 108), (257, 270)] {
            assert_eq!(good_size(n), expected, "{n}");
        }
    }

    // The definition of the discrete Fourier transform, evaluated directly in f64.
    #[test]
    fn forward_matches_the_definition_and_inverse_undoes_it() {
        for (w, h) in [(12, 10), (9, 7), (16, 1), (1, 5), (8, 16)] {
            let picture: Vec<f32> = (0..w * h).map(|i| ((i * i * 7 + i * 3) % 23) as f32 - 9.0).collect();
            let plan = Fft2::new(w, h);
            let mut scratch = plan.scratch();
            let mut spectrum = plan.spectrum();
            plan.forward(&picture, &mut spectrum, &mut scratch);
            for ky in 0..h {
                for kx in 0..plan.half_width() {
                    let (mut re, mut im) = (0.0, 0.0);
                    for y in 0..h {
                        for x in 0..w {
                            let turn = (kx * x) as f64 / w as f64 + (ky * y) as f64 / h as f64;
                            let phase = -2.0 * std::f64::consts::PI * turn;
                            let value = f64::from(picture[y * w + x]);
                            re += value * libm::cos(phase);
                            im += value * libm::sin(phase);
                        }
                    }
                    let got = spectrum[ky * plan.half_width() + kx];
                    assert!((f64::from(got.re) - re).abs() < 2e-3, "{w}x{h} {kx} {ky}");
                    assert!((f64::from(got.im) - im).abs() < 2e-3, "{w}x{h} {kx} {ky}");
                }
            }
            let mut back = vec![0.0; w * h];
            plan.inverse(&mut spectrum, &mut back, &mut scratch);
            for (a, b) in picture.iter().zip(&back) {
                assert!((a - b).abs() < 1e-4);
            }
        }
    }
}
