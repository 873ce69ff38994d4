//! Counter-based random numbers: every draw is keyed by seed, stream and counter, so that frame `n` is
//! the same whoever asks for it, in whatever order and on whatever thread.
//!
//! Generator: ChaCha with 8 rounds (D. J. Bernstein, "ChaCha, a variant of Salsa20", 2008). Normal
//! deviates: Box and Muller (1958), Ann. Math. Statist. 29, 610. Poisson deviates: multiplication below a
//! mean of 10 (Knuth, The Art of Computer Programming, vol. 2, sec. 3.4.1), above it the transformed
//! rejection PTRS of W. Hörmann (1993), Insurance: Mathematics and Economics 12, 39.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What a series of random numbers is for; part of the key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u64)]
pub(crate) enum Stream {
    /// The map of the globe or terrain.
    Surface = 1,
    /// Phase screens, one counter a layer pair.
    Screens = 2,
    /// Subharmonic waves of a layer.
    Waves = 3,
    /// Wind directions and starting points.
    Wind = 4,
    /// Slow change of the seeing.
    Gusts = 5,
    /// Cloud events, one counter a second of time.
    Clouds = 6,
    /// Mount: phases of its errors.
    Mount = 7,
    /// Knocks, one counter a second of time.
    Knocks = 8,
    /// Times and losses of frames.
    Timing = 9,
    /// Photon and read noise, one counter a frame.
    Noise = 10,
    /// Defects of the sensor and dust.
    Sensor = 11,
    /// Frames of no light.
    Dark = 12,
    /// Frames of even light.
    Flat = 13,
}

/// A generator keyed by seed, stream and counter.
pub(crate) struct Random {
    core: ChaCha8Rng,
    spare: Option<f32>,
}

impl Random {
    /// The series of one purpose; equal keys give equal numbers.
    pub(crate) fn new(seed: u64, stream: Stream, counter: u64) -> Self {
        let mut key = [0u8; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        key[8..16].copy_from_slice(&(stream as u64).to_le_bytes());
        key[16..24].copy_from_slice(&counter.to_le_bytes());
        Self { core: ChaCha8Rng::from_seed(key), spare: None }
    }

    /// Uniform in [0, 1), 53 bits.
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.core.next_u64() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }

    /// Uniform between two values.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Uniform in (0, 1], 24 bits.
    fn open_f32(&mut self) -> f32 {
        ((self.core.next_u32() >> 8) + 1) as f32 * (1.0 / 16_777_216.0)
    }

    /// Standard normal deviate.
    pub(crate) fn normal(&mut self) -> f32 {
        if let Some(value) = self.spare.take() {
            return value;
        }
        let radius = libm::sqrtf(-2.0 * libm::logf(self.open_f32()));
        let (sine, cosine) = libm::sincosf(core::f32::consts::TAU * self.open_f32());
        self.spare = Some(radius * sine);
        radius * cosine
    }

    /// Poisson deviate with the given mean (0 for a mean that is not positive).
    pub(crate) fn poisson(&mut self, mean: f64) -> f64 {
        if mean.is_nan() || mean <= 0.0 {
            return 0.0;
        }
        if mean < 10.0 {
            let limit = libm::exp(-mean);
            let mut product = self.uniform();
            let mut count = 0.0;
            while product > limit {
                product *= self.uniform();
                count += 1.0;
            }
            return count;
        }
        let b = 0.931 + 2.53 * mean.sqrt();
        let a = -0.059 + 0.02483 * b;
        let inverse_alpha = 1.1239 + 1.1328 / (b - 3.4);
        let v_r = 0.9277 - 3.6224 / (b - 2.0);
        loop {
            let u = self.uniform() - 0.5;
            let v = self.uniform();
            let us = 0.5 - u.abs();
            if us <= 0.0 {
                continue;
            }
            let k = ((2.0 * a / us + b) * u + mean + 0.43).floor();
            if us >= 0.07 && v <= v_r {
                return k;
            }
            if k < 0.0 || (us < 0.013 && v > us) {
                continue;
            }
            let left = libm::log(v * inverse_alpha / (a / (us * us) + b));
            if left <= k * libm::log(mean) - mean - libm::lgamma(k + 1.0) {
                return k;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean and variance of a Poisson variable are both its parameter (definition), and its third central
    /// moment too; tolerances are five standard errors.
    #[test]
    fn poisson_moments() {
        for (counter, mean) in [(0, 0.4), (1, 6.0), (2, 10.5), (3, 45.0), (4, 800.0)] {
            let mut random = Random::new(7, Stream::Noise, counter);
            let n = 200_000;
            let draws: Vec<f64> = (0..n).map(|_| random.poisson(mean)).collect();
            let average = draws.iter().sum::<f64>() / n as f64;
            let moment = |p: i32| draws.iter().map(|d| (d - average).powi(p)).sum::<f64>() / n as f64;
            let se = (mean / n as f64).sqrt();
            assert!((average - mean).abs() < 5.0 * se, "{average} {mean}");
            let variance_se = ((mean + 2.0 * mean * mean) / n as f64).sqrt();
            assert!((moment(2) - mean).abs() < 5.0 * variance_se, "{} {mean}", moment(2));
            let third_se = (15.0 * mean.powi(3).max(mean) / n as f64).sqrt();
            assert!((moment(3) - mean).abs() < 5.0 * third_se, "{} {mean}", moment(3));
        }
    }

    /// Central moments 0, 1, 0, 3 of the normal law.
    #[test]
    fn normal_moments() {
        let mut random = Random::new(7, Stream::Noise, 9);
        let n = 400_000;
        let draws: Vec<f64> = (0..n).map(|_| f64::from(random.normal())).collect();
        let moment = |p: i32| draws.iter().map(|d| d.powi(p)).sum::<f64>() / n as f64;
        let unit = (n as f64).sqrt().recip();
        assert!(moment(1).abs() < 5.0 * unit);
        assert!((moment(2) - 1.0).abs() < 5.0 * 2f64.sqrt() * unit);
        assert!((moment(4) - 3.0).abs() < 5.0 * 96f64.sqrt() * unit);
    }
}
