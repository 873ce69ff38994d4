//! Statistics over rings of equal spatial frequency.
//!
//! The Fourier ring correlation of two half-stacks A and B,
//! `F = Re sum A conj(B) / sqrt(sum |A|^2 sum |B|^2)` per ring (Saxton & Baumeister 1982, J.
//! Microsc. 127, 127), and what follows from it for their sum: coherence with the noiseless
//! picture `C = 2 F / (1 + F)`, spectral signal-to-noise ratio `2 F / (1 - F)` (Unser 1987;
//! Penczek 2010).

use crate::fft::{Complex32, Fft2, Fft2Scratch, frequency};
use crate::window;

/// Which ring each coefficient of a half spectrum belongs to. Ring `i` is centred on
/// `i / size` cycles per pixel, `size` being the shorter side, and one such step wide; rings
/// end at 0.5 cycles per pixel.
#[derive(Clone, Debug)]
pub struct Rings {
    width: usize,
    height: usize,
    index: Vec<u16>,
    multiplicity: Vec<f32>,
    counts: Vec<f64>,
}

const OUTSIDE: u16 = u16::MAX;

impl Rings {
    /// For pictures of `width` x `height` pixels (at most 65 000 on the shorter side).
    pub fn new(width: usize, height: usize) -> Self {
        let half = width / 2 + 1;
        let size = width.min(height);
        let rings = size / 2 + 1;
        let mut index = Vec::with_capacity(half * height);
        let mut multiplicity = Vec::with_capacity(half * height);
        let mut counts = vec![0.0; rings];
        for ky in 0..height {
            for kx in 0..half {
                let r = libm::hypot(frequency(kx, width), frequency(ky, height));
                let ring = libm::round(r * size as f64) as usize;
                let own_mirror = kx == 0 || (width.is_multiple_of(2) && kx == width / 2);
                let times = if own_mirror { 1.0 } else { 2.0 };
                multiplicity.push(times as f32);
                if ring < rings && ring < usize::from(OUTSIDE) {
                    index.push(ring as u16);
                    counts[ring] += times;
                } else {
                    index.push(OUTSIDE);
                }
            }
        }
        Self { width, height, index, multiplicity, counts }
    }

    /// Number of rings.
    pub fn count(&self) -> usize {
        self.counts.len()
    }

    /// Central frequency of a ring in cycles per pixel.
    pub fn frequency(&self, ring: usize) -> f64 {
        ring as f64 / self.width.min(self.height).max(1) as f64
    }

    /// Coefficients of the whole plane in every ring; conjugate pairs count twice, so half of
    /// it is the number of independent complex values.
    pub fn counts(&self) -> &[f64] {
        &self.counts
    }

    /// Ring number of every coefficient of the half spectrum; `u16::MAX` outside all rings.
    pub fn index(&self) -> &[u16] {
        &self.index
    }

    /// Means over rings of `value(i)` for coefficient number `i`; 0 where a ring is empty.
    fn mean(&self, value: impl Fn(usize) -> f64) -> Vec<f64> {
        let mut sums = vec![0.0; self.counts.len()];
        for (i, (&ring, &times)) in self.index.iter().zip(&self.multiplicity).enumerate() {
            if ring != OUTSIDE {
                sums[usize::from(ring)] += f64::from(times) * value(i);
            }
        }
        for (sum, count) in sums.iter_mut().zip(&self.counts) {
            *sum = if *count > 0.0 { *sum / count } else { 0.0 };
        }
        sums
    }

    /// Mean power `|F|^2` in every ring.
    ///
    /// # Panics
    /// Where the spectrum is of another size.
    pub fn power(&self, spectrum: &[Complex32]) -> Vec<f64> {
        assert_eq!(spectrum.len(), self.index.len());
        self.mean(|i| f64::from(spectrum[i].norm_sqr()))
    }

    /// Mean of `Re A conj(B)` in every ring.
    ///
    /// # Panics
    /// Where a spectrum is of another size.
    pub fn cross_power(&self, a: &[Complex32], b: &[Complex32]) -> Vec<f64> {
        assert!(a.len() == self.index.len() && b.len() == self.index.len());
        self.mean(|i| f64::from(a[i].re) * f64::from(b[i].re) + f64::from(a[i].im) * f64::from(b[i].im))
    }

    /// Fourier ring correlation of two half spectra; 0 in rings without power.
    ///
    /// # Panics
    /// Where a spectrum is of another size.
    pub fn correlation(&self, a: &[Complex32], b: &[Complex32]) -> Vec<f64> {
        let cross = self.cross_power(a, b);
        let (pa, pb) = (self.power(a), self.power(b));
        cross
            .iter()
            .zip(pa.iter().zip(&pb))
            .map(|(c, (a, b))| {
                let norm = (a * b).sqrt();
                if norm > 0.0 { (c / norm).clamp(-1.0, 1.0) } else { 0.0 }
            })
            .collect()
    }
}

/// A curve over rings.
#[derive(Clone, Debug, PartialEq)]
pub struct RingCurve {
    /// Ring centres in cycles per pixel.
    pub frequency: Vec<f64>,
    /// The value in each ring.
    pub value: Vec<f64>,
    /// Coefficients of the whole plane in each ring.
    pub count: Vec<f64>,
}

/// Fourier ring correlation of two pictures of `width` x `height` pixels, both freed of their
/// mean and tapered over `taper_fraction` (0 for a disc with dark sky around, 1 for a Hann
/// window on a frame-filling surface).
///
/// # Panics
/// Where a slice's length is not `width * height` or a side is 0.
pub fn fourier_ring_correlation(a: &[f32], b: &[f32], width: usize, height: usize, taper_fraction: f64) -> RingCurve {
    let plan = Fft2::new(width, height);
    let rings = Rings::new(width, height);
    let columns = window::taper(width, taper_fraction);
    let rows = window::taper(height, taper_fraction);
    let mut scratch: Fft2Scratch = plan.scratch();
    let mut windowed = vec![0.0; width * height];
    let mut spectra = [plan.spectrum(), plan.spectrum()];
    for (picture, spectrum) in [a, b].into_iter().zip(&mut spectra) {
        window::apply(picture, &columns, &rows, &mut windowed);
        plan.forward(&windowed, spectrum, &mut scratch);
    }
    RingCurve {
        frequency: (0..rings.count()).map(|i| rings.frequency(i)).collect(),
        value: rings.correlation(&spectra[0], &spectra[1]),
        count: rings.counts().to_vec(),
    }
}

/// Coherence of the sum of two halves with the noiseless picture, `2 F / (1 + F)`; 0 for
/// `F <= 0`.
pub fn coherence(half_correlation: f64) -> f64 {
    if half_correlation > 0.0 { 2.0 * half_correlation / (1.0 + half_correlation) } else { 0.0 }
}

/// Spectral signal-to-noise power ratio of the sum of two halves, `2 F / (1 - F)`; 0 for
/// `F <= 0`, held at 1e6 as `F` approaches 1.
pub fn signal_to_noise(half_correlation: f64) -> f64 {
    if half_correlation > 0.0 { (2.0 * half_correlation / (1.0 - half_correlation).max(1e-9)).min(1e6) } else { 0.0 }
}

/// Half-bit threshold on the half-stack correlation for a ring of `count` coefficients (van
/// Heel & Schatz 2005, J. Struct. Biol. 151, 250, eq. 17).
pub fn half_bit(count: f64) -> f64 {
    let root = count.max(1.0).sqrt();
    (0.2071 + 1.9102 / root) / (1.2071 + 0.9102 / root)
}

/// Information carried by a curve of half-stack correlations between two frequencies in
/// cycles per pixel: `sum n log2(1 + SSNR)` in bits, `n` being half the ring's count.
pub fn information(curve: &RingCurve, low: f64, high: f64) -> f64 {
    curve
        .frequency
        .iter()
        .zip(&curve.value)
        .zip(&curve.count)
        .filter(|((f, _), _)| (low..=high).contains(*f))
        .map(|((_, v), n)| 0.5 * n * libm::log2(1.0 + signal_to_noise(*v)))
        .sum()
}

/// Where a curve first falls below `level` at or above frequency `from`, interpolated between
/// rings. `None` where it never does; `from`'s ring where it starts below.
pub fn crossing(frequency: &[f64], value: &[f64], level: f64, from: f64) -> Option<f64> {
    let mut previous: Option<(f64, f64)> = None;
    for (&f, &v) in frequency.iter().zip(value) {
        if f < from {
            continue;
        }
        if v < level {
            return Some(match previous {
                Some((pf, pv)) => pf + (f - pf) * (pv - level) / (pv - v),
                None => f,
            });
        }
        previous = Some((f, v));
    }
    None
}

/// Running mean over `2 * radius + 1` rings, fewer at the ends.
pub fn smooth(value: &[f64], radius: usize) -> Vec<f64> {
    (0..value.len())
        .map(|i| {
            let span = &value[i.saturating_sub(radius)..(i + radius + 1).min(value.len())];
            span.iter().sum::<f64>() / span.len() as f64
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Published pairs: half-stack 1/7 is full-stack coherence 1/4 (Rosenthal & Henderson 2003,
    // J. Mol. Biol. 333, 721: 0.143 and C_ref = 0.5 = sqrt(0.25)); one bit half-map
    // information in the limit of many voxels: 0.2071 / 1.2071 = 0.1716 (van Heel & Schatz).
    #[test]
    fn known_thresholds() {
        assert!((coherence(1.0 / 7.0) - 0.25).abs() < 1e-12);
        assert!((signal_to_noise(1.0 / 3.0) - 1.0).abs() < 1e-12);
        assert!((half_bit(1e12) - 0.1716).abs() < 1e-4);
        assert_eq!(coherence(-0.3), 0.0);
    }

    #[test]
    fn crossings_interpolate() {
        let f = [0.0, 0.1, 0.2, 0.3];
        assert_eq!(crossing(&f, &[1.0, 0.8, 0.4, 0.1], 0.6, 0.0), Some(0.15000000000000002));
        assert_eq!(crossing(&f, &[1.0; 4], 0.5, 0.0), None);
        assert_eq!(crossing(&f, &[0.1; 4], 0.5, 0.1), Some(0.1));
    }

    // Parseval: ring sums of power, completed by the corners, add up to N sum f^2.
    #[test]
    fn rings_of_a_line_of_pixels_hold_all_power() {
        let (w, h) = (32, 32);
        let mut picture = vec![0.0; w * h];
        picture[5 * w + 7] = 3.0;
        let plan = Fft2::new(w, h);
        let mut spectrum = plan.spectrum();
        plan.forward(&picture, &mut spectrum, &mut plan.scratch());
        let rings = Rings::new(w, h);
        // One lit pixel has the power 9 everywhere.
        assert!(rings.power(&spectrum).iter().all(|p| (p - 9.0).abs() < 1e-4));
        assert!(rings.correlation(&spectrum, &spectrum).iter().all(|c| (c - 1.0).abs() < 1e-5));
        // Area of the disc of radius 16.5 rings: pi 16.5^2 = 855 lattice points within 3 %.
        let total: f64 = rings.counts().iter().sum();
        assert!((total / 855.3 - 1.0).abs() < 0.03, "{total}");
    }
}
