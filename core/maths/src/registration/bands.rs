//! A list of frequencies in a band, laid out for fast sums.

use crate::LANES;
use crate::fft::{Complex32, frequency};

/// One row of the half spectrum inside the band.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Run {
    /// Row of the half spectrum.
    pub ky: usize,
    /// Signed row number, the frequency times the height.
    pub signed_ky: isize,
    /// First column.
    pub kx: usize,
    /// Number of coefficients.
    pub len: usize,
    /// First place in the packed list.
    pub offset: usize,
    /// Places taken in the packed list: `len` rounded up to the lane count.
    pub padded: usize,
}

/// The coefficients of a half spectrum with `low <= |u| <= high` cycles per pixel, packed row
/// by row; each row is padded with zeros to a multiple of [`LANES`]. The lines at the highest
/// representable frequency of an even side are left out: their phase does not tell a shift
/// from its opposite.
#[derive(Clone, Debug)]
pub struct BandSet {
    width: usize,
    height: usize,
    pub(crate) runs: Vec<Run>,
    packed: usize,
    count: usize,
    multiplicity: Vec<f32>,
    pub(crate) column_frequency: Vec<f32>,
}

impl BandSet {
    /// For pictures of `width` x `height` pixels and a band in cycles per pixel; bounds that
    /// hold no frequency give an empty set. The zero frequency belongs to no band.
    pub fn new(width: usize, height: usize, low: f64, high: f64) -> Self {
        let half = width / 2 + 1;
        let mut runs = Vec::new();
        let (mut packed, mut count) = (0, 0);
        let mut multiplicity = Vec::new();
        let mut widest = half;
        for ky in 0..height {
            if height.is_multiple_of(2) && ky == height / 2 {
                continue;
            }
            let fy = frequency(ky, height);
            let inside = |kx: usize| {
                let r = libm::hypot(frequency(kx, width), fy);
                r > 0.0 && r >= low && r <= high && !(width.is_multiple_of(2) && kx == width / 2)
            };
            // On a row the radius grows with kx, so the band is one run.
            let Some(first) = (0..half).find(|&kx| inside(kx)) else { continue };
            let len = (first..half).take_while(|&kx| inside(kx)).count();
            let padded = len.next_multiple_of(LANES);
            let signed_ky = libm::round(fy * height as f64) as isize;
            runs.push(Run { ky, signed_ky, kx: first, len, offset: packed, padded });
            for i in 0..padded {
                multiplicity.push(match () {
                    _ if i >= len => 0.0,
                    _ if first + i == 0 => 1.0,
                    _ => 2.0,
                });
            }
            packed += padded;
            count += len;
            widest = widest.max(first + padded);
        }
        let column_frequency = (0..widest).map(|kx| kx as f32 / width.max(1) as f32).collect();
        Self { width, height, runs, packed, count, multiplicity, column_frequency }
    }

    /// Width of the pictures in pixels.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height of the pictures in pixels.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Length of a packed list, padding included.
    pub fn packed_len(&self) -> usize {
        self.packed
    }

    /// Number of coefficients, padding not counted.
    pub fn count(&self) -> usize {
        self.count
    }

    /// Whether the band holds no coefficient.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// How often each packed coefficient counts in a sum over the whole plane: 2, 1 on the
    /// column that is its own mirror, 0 in the padding.
    pub fn multiplicity(&self) -> &[f32] {
        &self.multiplicity
    }

    /// Frequency `(u, v)` in cycles per pixel of every packed place; padding repeats (0, 0).
    pub fn frequencies(&self) -> Vec<(f64, f64)> {
        let mut out = vec![(0.0, 0.0); self.packed];
        for run in &self.runs {
            let v = run.signed_ky as f64 / self.height as f64;
            for i in 0..run.len {
                out[run.offset + i] = ((run.kx + i) as f64 / self.width as f64, v);
            }
        }
        out
    }

    /// Packs the band of a half spectrum into `out`, which takes the length
    /// [`BandSet::packed_len`].
    ///
    /// # Panics
    /// Where the spectrum is not that of a `width` x `height` picture.
    pub fn gather_into(&self, spectrum: &[Complex32], out: &mut Vec<Complex32>) {
        let half = self.width / 2 + 1;
        assert_eq!(spectrum.len(), half * self.height);
        if out.len() != self.packed {
            out.clear();
            out.resize(self.packed, Complex32::default());
        }
        for run in &self.runs {
            let from = run.ky * half + run.kx;
            let target = &mut out[run.offset..run.offset + run.padded];
            target[..run.len].copy_from_slice(&spectrum[from..from + run.len]);
            target[run.len..].fill(Complex32::default());
        }
    }

    /// Lays a packed list out as a half spectrum, 0 outside the band: the way back of [`BandSet::gather_into`].
    ///
    /// # Panics
    /// Where the list or the spectrum is not of this set's size.
    pub fn scatter_into(&self, packed: &[Complex32], spectrum: &mut [Complex32]) {
        let half = self.width / 2 + 1;
        assert_eq!(packed.len(), self.packed);
        assert_eq!(spectrum.len(), half * self.height);
        spectrum.fill(Complex32::default());
        for run in &self.runs {
            let to = run.ky * half + run.kx;
            spectrum[to..to + run.len].copy_from_slice(&packed[run.offset..run.offset + run.len]);
        }
    }

    /// Packs the band of a half spectrum into a new list.
    ///
    /// # Panics
    /// Where the spectrum is not that of a `width` x `height` picture.
    pub fn gather(&self, spectrum: &[Complex32]) -> Vec<Complex32> {
        let mut out = Vec::new();
        self.gather_into(spectrum, &mut out);
        out
    }
}
