//! Reference projection: how much of a stack's fine structure one frame carries.
//!
//! `q = sum W Re(F e^{2 pi i u.s} conj(R)) / sum W |R|^2` with `W = 1 / (|R|^2 + nv)`: the
//! signal-weighted mean of the frame's transfer relative to the average frame. Linear in the
//! frame, hence without noise bias; 1 for a frame like the reference.

use crate::fft::Complex32;
use crate::registration::{BandSet, NewtonScratch, correlation_at};

/// A packed reference with its weights.
#[derive(Clone, Debug)]
pub struct Projection {
    reference: Vec<Complex32>,
    weights: Vec<f32>,
    norm: f64,
}

impl Projection {
    /// From the packed coefficients of a reference stack and the noise power `nv` of one frame
    /// per coefficient (sum of the pixel variances, in the picture's units squared).
    ///
    /// # Panics
    /// Where the list has not the set's packed length.
    pub fn new(bands: &BandSet, reference: Vec<Complex32>, noise_power: f64) -> Self {
        assert_eq!(reference.len(), bands.packed_len());
        let mut norm = 0.0;
        let weights = bands
            .multiplicity()
            .iter()
            .zip(&reference)
            .map(|(&times, r)| {
                let power = f64::from(r.norm_sqr());
                let total = power + noise_power.max(0.0);
                let weight = if total > 0.0 { f64::from(times) / total } else { 0.0 };
                norm += weight * power;
                weight as f32
            })
            .collect();
        Self { reference, weights, norm }
    }

    /// The grade `q` of a packed frame displaced by `shift = (dx, dy)` pixels against the
    /// reference; frames must share one brightness scale. 0 where the reference is empty.
    ///
    /// # Panics
    /// Where the list has not the set's packed length.
    pub fn grade(&self, bands: &BandSet, frame: &[Complex32], shift: (f64, f64), scratch: &mut NewtonScratch) -> f64 {
        if self.norm <= 0.0 {
            return 0.0;
        }
        let c = correlation_at(bands, frame, &self.reference, &self.weights, shift, scratch);
        c / self.norm
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fft::Fft2;

    // By the definition: a frame that is 0.6 of the reference, moved, grades 0.6.
    #[test]
    fn a_fainter_moved_copy_grades_its_factor() {
        let n = 32;
        let blob = |cx: f64, cy: f64, a: f64| -> Vec<f32> {
            (0..n * n)
                .map(|i| {
                    let (x, y) = ((i % n) as f64 - cx, (i / n) as f64 - cy);
                    (a * libm::exp(-(x * x + y * y) / 18.0)) as f32
                })
                .collect()
        };
        let plan = Fft2::new(n, n);
        let bands = BandSet::new(n, n, 0.02, 0.3);
        let pack = |p: &[f32]| {
            let mut s = plan.spectrum();
            plan.forward(p, &mut s, &mut plan.scratch());
            bands.gather(&s)
        };
        let projection = Projection::new(&bands, pack(&blob(15.0, 16.0, 100.0)), 5.0);
        let frame = pack(&blob(15.7, 14.8, 60.0));
        let q = projection.grade(&bands, &frame, (0.7, -1.2), &mut NewtonScratch::default());
        assert!((q - 0.6).abs() < 1e-3, "{q}");
    }
}
