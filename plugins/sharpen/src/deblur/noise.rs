//! Signal and noise per ring of frequencies.

use stillair_maths::fft::Complex32;
use stillair_maths::rings::{self, Rings};

/// Noise power of a stack from half the difference of its half-stacks, `|A - B|^2 / 4`, smoothed
/// over five rings.
pub fn of_difference(rings: &Rings, half_difference: &[Complex32]) -> Vec<f64> {
    weighted_smooth(&rings.power(half_difference), rings.counts(), 2)
}

/// Noise power where there are no half-stacks: white, the mean beyond the cut-off or, where the
/// cut-off is beyond the grid, of the highest tenth of the rings.
pub fn noise_beyond(rings: &Rings, spectrum: &[Complex32], cutoff: f64) -> Vec<f64> {
    let power = rings.power(spectrum);
    let from = (1..power.len()).find(|i| rings.frequency(*i) > 1.03 * cutoff).unwrap_or(power.len());
    let from = from.min(power.len() - power.len().div_ceil(10));
    let (mut sum, mut n) = (0.0, 0.0);
    for (p, c) in power[from..].iter().zip(&rings.counts()[from..]) {
        sum += p * c;
        n += c;
    }
    vec![if n > 0.0 { sum / n } else { 0.0 }; power.len()]
}

/// Share of the signal in each ring's power, `C = 1 - N / P`; equal to `2 F / (1 + F)` for a
/// half-stack correlation F. Power is smoothed over three rings. From the first ring on where C
/// is not twice its own uncertainty above 0 it is 0: half-stacks agree no more. `independent`: share of the coefficients
/// that are independent of each other, 1 where the picture fills its field.
pub fn coherence(rings: &Rings, spectrum: &[Complex32], noise: &[f64], independent: f64) -> Vec<f64> {
    let power = rings.power(spectrum);
    let counts = rings.counts();
    let logs: Vec<f64> = power.iter().map(|p| libm::log(p.max(1e-30))).collect();
    let smooth = rings::smooth(&logs, 1);
    let mut agree = true;
    (0..power.len())
        .map(|i| {
            let p = libm::exp(smooth[i]);
            let c = if p > 0.0 { (1.0 - noise[i] / p).clamp(0.0, 1.0) } else { 0.0 };
            // Relative error of a mean of n / 2 exponential variables, three rings together.
            let error = (2.0 / (3.0 * counts[i] * independent).max(1.0)).sqrt();
            if rings.frequency(i) > 0.05 && c < 2.0 * error * (1.0 - c) {
                agree = false;
            }
            if agree { c } else { 0.0 }
        })
        .collect()
}

/// How the object's power falls with the frequency: `e^level f^slope`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Law {
    level: f64,
    slope: f64,
    /// Last ring it was fitted to.
    last: usize,
}

impl Law {
    /// The object's power, `P C / M^2`, falls as a power of the frequency (clouds and relief: about `f^-2` to `f^-4`);
    /// fitted where the stack is sure (C above 0.9 and below half the cut-off). `None` where that is hardly anywhere.
    pub fn of(rings: &Rings, spectrum: &[Complex32], transfer: &[f32], cutoff: f64, coherence: &[f64]) -> Option<Self> {
        let power = rings.power(spectrum);
        let transfer = ring_transfer(rings, transfer);
        let sure = |i: usize| {
            let f = rings.frequency(i);
            f > 0.025 && f < 0.5 * cutoff && coherence[i] > 0.9 && transfer[i] > 1e-6 && power[i] > 0.0
        };
        // Weighted line of log S over log f.
        let (mut n, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let (mut used, mut last) = (0, 0);
        for i in (1..power.len()).take_while(|i| *i < 4 || coherence[*i] > 0.9).filter(|i| sure(*i)) {
            let (x, y) = (libm::log(rings.frequency(i)), libm::log(power[i] * coherence[i] / transfer[i]));
            let w = rings.frequency(i);
            n += w;
            sx += w * x;
            sy += w * y;
            sxx += w * x * x;
            sxy += w * x * y;
            used += 1;
            last = i;
        }
        let spread = n * sxx - sx * sx;
        if used < 5 || spread <= 0.0 {
            return None;
        }
        let slope = ((n * sxy - sx * sy) / spread).clamp(-4.0, -2.0);
        Some(Self { level: (sy - slope * sx) / n, slope, last })
    }

    /// Power of the object at a frequency in cycles per px.
    pub fn at(&self, frequency: f64) -> f64 {
        libm::exp(self.level + self.slope * libm::log(frequency))
    }
}

/// Mean squared transfer of every ring.
fn ring_transfer(rings: &Rings, transfer: &[f32]) -> Vec<f64> {
    let transfer: Vec<Complex32> = transfer.iter().map(|m| Complex32::new(*m, 0.0)).collect();
    rings.power(&transfer)
}

/// Holds a coherence to what markings can have. Half-stacks also share what is not in the object: distortion that
/// outlasts a frame, aliasing of the mosaic, fixed patterns. Beyond the rings to which the object's law was fitted, C is
/// at most `1.5 M^2 S / P`.
fn limited(rings: &Rings, spectrum: &[Complex32], transfer: &[f32], law: &Law, coherence: &[f64]) -> Vec<f64> {
    let power = rings.power(spectrum);
    let transfer = ring_transfer(rings, transfer);
    (0..power.len())
        .map(|i| {
            if i <= law.last || power[i] <= 0.0 {
                return coherence[i];
            }
            coherence[i].min(1.5 * transfer[i] * law.at(rings.frequency(i)) / power[i])
        })
        .collect()
}

/// Coherence of markings, and the law of their power: [`coherence`], then [`limited`] where there is a law.
pub fn markings(
    rings: &Rings,
    spectrum: &[Complex32],
    noise: &[f64],
    transfer: &[f32],
    cutoff: f64,
    independent: f64,
) -> (Vec<f64>, Option<Law>) {
    let coherence = coherence(rings, spectrum, noise, independent);
    match Law::of(rings, spectrum, transfer, cutoff, &coherence) {
        Some(law) => (limited(rings, spectrum, transfer, &law, &coherence), Some(law)),
        None => (coherence, None),
    }
}

fn weighted_smooth(value: &[f64], weight: &[f64], radius: usize) -> Vec<f64> {
    (0..value.len())
        .map(|i| {
            let span = i.saturating_sub(radius)..(i + radius + 1).min(value.len());
            let (mut sum, mut n) = (0.0, 0.0);
            for k in span {
                sum += value[k] * weight[k];
                n += weight[k];
            }
            if n > 0.0 { sum / n } else { 0.0 }
        })
        .collect()
}

/// Value of a ring curve at a frequency, linear between rings, 0 past the last.
#[inline]
pub fn at(curve: &[f64], position: f64) -> f64 {
    let i = position as usize;
    if i + 1 >= curve.len() {
        return 0.0;
    }
    let t = position - i as f64;
    curve[i] + t * (curve[i + 1] - curve[i])
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_maths::fft::Fft2;

    // White noise of variance v in n pixels has the power v n at every frequency (Parseval).
    #[test]
    fn white_noise_is_measured_from_halves() {
        let (w, h) = (64, 48);
        let plan = Fft2::new(w, h);
        let rings = Rings::new(w, h);
        let mut state = 1_u64;
        let mut draw = || {
            // Sum of 12 uniform numbers less 6: variance 1. Knuth's MMIX multiplier.
            (0..12).fold(-6.0_f32, |sum, _| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum + (state >> 40) as f32 / 16_777_216.0
            })
        };
        let halves: Vec<Vec<f32>> = (0..2).map(|_| (0..w * h).map(|_| 0.1 * draw()).collect()).collect();
        let mut scratch = plan.scratch();
        let spectra: Vec<Vec<Complex32>> = halves
            .iter()
            .map(|half| {
                let mut s = plan.spectrum();
                plan.forward(half, &mut s, &mut scratch);
                s
            })
            .collect();
        let difference: Vec<Complex32> = spectra[0].iter().zip(&spectra[1]).map(|(a, b)| (a - b) * 0.5).collect();
        let noise = of_difference(&rings, &difference);
        // The mean of two halves has half the variance of one.
        let expected = 0.01 / 2.0 * (w * h) as f64;
        let mean = noise[5..].iter().sum::<f64>() / (noise.len() - 5) as f64;
        assert!((mean / expected - 1.0).abs() < 0.1, "{mean} {expected}");
        let whole: Vec<Complex32> = spectra[0].iter().zip(&spectra[1]).map(|(a, b)| (a + b) * 0.5).collect();
        let c = coherence(&rings, &whole, &noise, 1.0);
        assert!(c[8..].iter().all(|c| *c < 0.5), "{c:?}");
        let beyond = noise_beyond(&rings, &whole, 0.4);
        assert!((beyond[0] / expected - 1.0).abs() < 0.2);
    }
}
