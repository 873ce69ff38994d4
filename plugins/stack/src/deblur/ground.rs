//! The weighted mean that frames are held against, their spectra on its grid, and the sums of least squares.

use stillair_api::Image;
use stillair_maths::fft::{Complex32, Fft2, Fft2Scratch, frequency};
use stillair_maths::rings::{self, Rings};

use super::family::{Operator, OperatorScratch};
use crate::resample::{Canvas, Cover, Resampled, Workspace};

/// Pixels over which a frame's edge runs into the mean.
const EDGE_PX: usize = 8;
/// What is added to the denominator, of its mean.
const EASE: f64 = 1e-3;

/// The weighted mean and what the sweeps after it need.
pub(super) struct Ground {
    pub(super) canvas: Canvas,
    pub(super) plan: Fft2,
    pub(super) rings: Rings,
    pub(super) mean: Image,
    pub(super) operator: Operator,
    /// 1 inside, falling to 0 at the picture's edge.
    pub(super) edge: Vec<f32>,
    /// Coefficients that hold noise alone, and the mean of the noise's shape squared there.
    pub(super) noise_at: Vec<usize>,
    pub(super) noise_shape: f64,
    pub(super) shape: Vec<f32>,
}

/// Sums of a half: numerators of each plane, denominator.
pub(super) struct Sums {
    pub(super) numerator: Vec<Vec<Complex32>>,
    pub(super) denominator: Vec<f32>,
}

/// A frame's share in the sums.
pub(super) struct Share {
    pub(super) planes: Vec<Vec<Complex32>>,
    pub(super) power: Vec<f32>,
}

/// Buffers of one thread.
pub(super) struct Buffers {
    pub(super) work: Workspace,
    pub(super) field: Vec<f32>,
    pub(super) spectrum: Vec<Complex32>,
    pub(super) transfer: Vec<Complex32>,
    pub(super) fft: Fft2Scratch,
    pub(super) operator: OperatorScratch,
}

/// 0 at the border, 1 from [`EDGE_PX`] on, of a line of `n` samples.
pub(super) fn ramp(at: usize, n: usize) -> f32 {
    let depth = (at.min(n - 1 - at) as f32 + 0.5) / EDGE_PX as f32;
    if depth >= 1.0 { 1.0 } else { 0.5 - 0.5 * libm::cosf(std::f32::consts::PI * depth) }
}

impl Ground {
    pub(super) fn new(mean: Image, cutoff: f64, sampling: f64, interpolated: bool) -> Self {
        let canvas = Canvas::new(mean.width, mean.height, mean.channels);
        let plan = Fft2::new(canvas.width, canvas.height);
        let frequencies = |i: usize| {
            (frequency(i % plan.half_width(), plan.width()), frequency(i / plan.half_width(), plan.height()))
        };
        // Filling in the green of a mosaic averages neighbours: (2 + cos 2 pi u + cos 2 pi v) / 4.
        let shape: Vec<f32> = (0..plan.spectrum_len())
            .map(|i| {
                let (u, v) = frequencies(i);
                let turn = |f: f64| libm::cos(std::f64::consts::TAU * f);
                if interpolated { ((2.0 + turn(u) + turn(v)) / 4.0) as f32 } else { 1.0 }
            })
            .collect();
        // Beyond the cut-off there is no light; where the grid ends before, its corners serve.
        let from = (1.05 * cutoff).min(0.5);
        let noise_at: Vec<usize> = (0..plan.spectrum_len())
            .filter(|&i| {
                let (u, v) = frequencies(i);
                libm::hypot(u, v) > from && shape[i] > 0.15
            })
            .collect();
        let squares: f64 = noise_at.iter().map(|&i| f64::from(shape[i] * shape[i])).sum();
        let noise_shape = squares / noise_at.len().max(1) as f64;
        let (mut spectrum, mut scratch) = (plan.spectrum(), plan.scratch());
        plan.forward(mean.channel(mean.channels / 2), &mut spectrum, &mut scratch);
        let own = mean_power(&spectrum, &noise_at);
        let operator = Operator::new(&plan, &spectrum, cutoff, sampling, own);
        let edge = (0..canvas.area())
            .map(|i| ramp(i % canvas.width, canvas.width) * ramp(i / canvas.width, canvas.height))
            .collect();
        let rings = Rings::new(canvas.width, canvas.height);
        Self { canvas, plan, rings, mean, operator, edge, noise_at, noise_shape, shape }
    }

    /// Transform of a plane of a placed frame, run into the mean where the frame ends.
    pub(super) fn spectrum(&self, frame: &Resampled, plane: usize, buffers: &mut Buffers) {
        let (area, width) = (self.canvas.area(), self.canvas.width);
        let mean = self.mean.channel(plane);
        let own = &frame.data[plane * area..(plane + 1) * area];
        buffers.field.clear();
        match &frame.cover {
            Cover::Rectangles(rectangles) => {
                let [xa, xb, ya, yb] = rectangles[plane];
                buffers.field.extend(own.iter().zip(mean).enumerate().map(|(i, (v, m))| {
                    let (x, y) = (i % width, i / width);
                    if x < xa || x >= xb || y < ya || y >= yb {
                        return *m;
                    }
                    m + (v - m) * ramp(x - xa, xb - xa) * ramp(y - ya, yb - ya)
                }));
            }
            Cover::Factors => {
                let factors = &frame.factors[plane * area..(plane + 1) * area];
                let lines = own.iter().zip(mean).zip(factors.iter().zip(&self.edge));
                buffers.field.extend(lines.map(|((v, m), (f, e))| if *f > 0.0 { m + (v - m) * e } else { *m }));
            }
        }
        buffers.spectrum.resize(self.plan.spectrum_len(), Complex32::default());
        self.plan.forward(&buffers.field, &mut buffers.spectrum, &mut buffers.fft);
    }

    /// Noise power of a frame, white before its shape.
    pub(super) fn noise(&self, spectrum: &[Complex32]) -> f64 {
        mean_power(spectrum, &self.noise_at) / self.noise_shape.max(1e-6)
    }

    /// The picture of sums; the mean where they say nothing, and at the edge.
    pub(super) fn picture(&self, numerator: &[Complex32], denominator: &[f32], plane: usize, gain: &[f64]) -> Vec<f32> {
        let mut spectrum = quotient(numerator, denominator);
        let last = gain.last().copied().unwrap_or(1.0);
        for (value, ring) in spectrum.iter_mut().zip(self.rings.index()) {
            *value *= gain.get(usize::from(*ring)).copied().unwrap_or(last) as f32;
        }
        let mut out = vec![0.0; self.canvas.area()];
        self.plan.inverse(&mut spectrum, &mut out, &mut self.plan.scratch());
        for ((v, m), e) in out.iter_mut().zip(self.mean.channel(plane)).zip(&self.edge) {
            *v = m + (*v - m) * e;
        }
        out
    }

    /// What brings the halves' sums to the transfer of the mean, ring by ring: noise takes no part, as only products of
    /// different halves enter. Rings on which the halves do not agree keep the gain of those before.
    pub(super) fn gain(&self, halves: &[Vec<Complex32>; 2], plane: usize) -> Vec<f64> {
        let means: Vec<Vec<Complex32>> = (0..2)
            .map(|half| {
                let (mut spectrum, whole) = (self.plan.spectrum(), self.mean.channel(plane));
                let own = self.mean.half(half, plane).unwrap_or(whole);
                let field: Vec<f32> =
                    own.iter().zip(whole).zip(&self.edge).map(|((v, m), e)| m + (v - m) * e).collect();
                self.plan.forward(&field, &mut spectrum, &mut self.plan.scratch());
                spectrum
            })
            .collect();
        let cross = self.rings.cross_power(&halves[0], &means[1]);
        let other = self.rings.cross_power(&halves[1], &means[0]);
        let own = self.rings.cross_power(&halves[0], &halves[1]);
        let agreement = rings::smooth(&self.rings.correlation(&halves[0], &halves[1]), 1);
        let both: Vec<f64> = cross.iter().zip(&other).map(|(a, b)| 0.5 * (a + b)).collect();
        let (both, own) = (rings::smooth(&both, 1), rings::smooth(&own, 1));
        let mut last = 1.0;
        (0..own.len())
            .map(|i| {
                if agreement[i] > 0.2 && own[i] > 0.0 && both[i] > 0.0 {
                    last = (both[i] / own[i]).clamp(0.5, 2.0);
                }
                last
            })
            .collect()
    }
}

pub(super) fn mean_power(spectrum: &[Complex32], at: &[usize]) -> f64 {
    at.iter().map(|&i| f64::from(spectrum[i].norm_sqr())).sum::<f64>() / at.len().max(1) as f64
}

pub(super) fn quotient(numerator: &[Complex32], denominator: &[f32]) -> Vec<Complex32> {
    let ease = EASE * denominator.iter().map(|d| f64::from(*d)).sum::<f64>() / denominator.len().max(1) as f64;
    numerator.iter().zip(denominator).map(|(n, d)| n / (d + ease as f32).max(f32::MIN_POSITIVE)).collect()
}

impl Sums {
    pub(super) fn new(planes: usize, coefficients: usize) -> Self {
        Self { numerator: vec![vec![Complex32::default(); coefficients]; planes], denominator: vec![0.0; coefficients] }
    }

    pub(super) fn add(&mut self, share: &Share) {
        for (sum, plane) in self.numerator.iter_mut().zip(&share.planes) {
            sum.iter_mut().zip(plane).for_each(|(s, v)| *s += v);
        }
        self.denominator.iter_mut().zip(&share.power).for_each(|(s, v)| *s += v);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quotient_is_that_of_the_sums() {
        let n = vec![Complex32::new(2.0, 4.0); 5];
        let q = quotient(&n, &[2.0; 5]);
        assert!(q.iter().all(|v| (v.re - 1.0).abs() < 2e-3 && (v.im - 2.0).abs() < 4e-3));
    }
}
