//! Reference projection: how much of a stack's fine structure one frame carries.
//!
//! `q = sum W Re(F e^{2 pi i u.s} conj(R)) / sum W |R|^2` with `W = 1 / (|R|^2 + nv)`: the
//! signal-weighted mean of the frame's transfer relative to the average frame. Linear in the
//! frame, hence without noise bias; 1 for a frame like the reference. With a change `D` of the picture in place of `R` above
//! and below the line, `q` is how much of that change the frame shows.

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

    /// The part of a change of the picture (packed) that no smooth blur feigns, with the same weights: the change less what
    /// the reference times `1`, `f^2` and `f^4` tells of it, `f` the frequency. `None` where less than `least` of its power
    /// is left, 0 to 1.
    ///
    /// # Panics
    /// Where the list has not the set's packed length.
    pub fn of_change(&self, bands: &BandSet, change: &[Complex32], least: f64) -> Option<Self> {
        assert_eq!(change.len(), self.reference.len());
        let product = |a: &[Complex32], b: &[Complex32]| -> f64 {
            let pairs = a.iter().zip(b).zip(&self.weights);
            pairs.map(|((a, b), w)| f64::from(*w) * f64::from(a.re * b.re + a.im * b.im)).sum()
        };
        let take = |from: &mut [Complex32], base: &[Complex32], own: f64| {
            let share = (product(from, base) / own) as f32;
            from.iter_mut().zip(base).for_each(|(f, b)| *f -= b * share);
        };
        let squares: Vec<f32> = bands.frequencies().iter().map(|(u, v)| (u * u + v * v) as f32).collect();
        let mut blurs: Vec<(Vec<Complex32>, f64)> = Vec::with_capacity(3);
        let mut next = self.reference.clone();
        for _ in 0..3 {
            let mut own = next.clone();
            blurs.iter().for_each(|(base, power)| take(&mut own, base, *power));
            let power = product(&own, &own);
            next.iter_mut().zip(&squares).for_each(|(n, f)| *n *= f);
            if power > 0.0 {
                blurs.push((own, power));
            }
        }
        let whole = product(change, change);
        let mut reference = change.to_vec();
        blurs.iter().for_each(|(base, power)| take(&mut reference, base, *power));
        let norm = product(&reference, &reference);
        (norm > least * whole && norm > 0.0).then(|| Self { reference, weights: self.weights.clone(), norm })
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

    // A Gaussian blob of given flux that grows is one that blurs (its transform is `exp(-2 pi^2 s^2 f^2)`, and so is a blur's):
    // nothing of the change is left. Of a ring's growth much is.
    #[test]
    fn growth_is_told_from_blur_where_there_is_an_edge() {
        let n = 64;
        let plan = Fft2::new(n, n);
        let bands = BandSet::new(n, n, 0.02, 0.3);
        let pack = |profile: &dyn Fn(f64) -> f64| {
            let p: Vec<f32> =
                (0..n * n).map(|i| profile(libm::hypot((i % n) as f64 - 31.0, (i / n) as f64 - 32.0)) as f32).collect();
            let mut s = plan.spectrum();
            plan.forward(&p, &mut s, &mut plan.scratch());
            bands.gather(&s)
        };
        let blob = |s: f64| move |r: f64| libm::exp(-r * r / (2.0 * s * s)) / (s * s);
        let ring = |s: f64| move |r: f64| libm::exp(-(r / s - 9.0) * (r / s - 9.0) / 4.0) / (s * s);
        let growth = |small: Vec<Complex32>, large: Vec<Complex32>| -> Vec<Complex32> {
            small.iter().zip(&large).map(|(a, b)| (b - a) / 0.02).collect()
        };
        let projection = Projection::new(&bands, pack(&blob(3.0)), 0.0);
        let change = growth(pack(&blob(2.97)), pack(&blob(3.03)));
        assert!(projection.of_change(&bands, &change, 0.01).is_none());
        let projection = Projection::new(&bands, pack(&ring(1.0)), 1e-4);
        let change = growth(pack(&ring(0.99)), pack(&ring(1.01)));
        let size = projection.of_change(&bands, &change, 0.3).unwrap();
        let told = size.grade(&bands, &pack(&ring(1.03)), (0.0, 0.0), &mut NewtonScratch::default());
        let as_is = size.grade(&bands, &pack(&ring(1.0)), (0.0, 0.0), &mut NewtonScratch::default());
        assert!((told - 0.03).abs() < 0.005 && as_is.abs() < 1e-3, "{told} {as_is}");
    }
}
