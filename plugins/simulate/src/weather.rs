//! What changes from frame to frame apart from the waves themselves: the strength of the seeing, clouds,
//! and the mount's errors. All are functions of time that can be asked at any instant.

use crate::random::{Random, Stream};

/// A stationary random process with an exponential correlation (time constant `tau_s`, unit variance), as
/// a sum of waves whose frequencies are quantiles of its Lorentzian spectrum.
pub(crate) struct Gusts {
    waves: Vec<[f64; 2]>,
}

impl Gusts {
    pub(crate) fn new(seed: u64, tau_s: f64) -> Self {
        const WAVES: usize = 32;
        let mut random = Random::new(seed, Stream::Gusts, 0);
        let waves = (0..WAVES)
            .map(|k| {
                let quantile = (k as f64 + random.uniform()) / WAVES as f64;
                let frequency = libm::tan(core::f64::consts::FRAC_PI_2 * quantile.min(0.99))
                    / (core::f64::consts::TAU * tau_s.max(1e-3));
                [frequency, random.uniform()]
            })
            .collect();
        Self { waves }
    }

    pub(crate) fn at(&self, t: f64) -> f64 {
        let sum: f64 = self.waves.iter().map(|[f, phase]| libm::cos(core::f64::consts::TAU * (f * t + phase))).sum();
        sum * (2.0 / self.waves.len() as f64).sqrt()
    }
}

/// Clouds that drift over the target.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clouds {
    /// Clouds per second.
    pub rate_per_s: f64,
    /// Typical time a cloud takes to pass, s.
    pub duration_s: f64,
    /// Transmission of the thickest part of the thickest cloud, 0 to 1.
    pub least_transmission: f64,
    /// Sky glow through a fully opaque cloud, as a multiple of the clear sky's.
    pub glow: f64,
}

/// Events of a Poisson process in the second that begins at `cell`.
fn events(random: &mut Random, rate_per_s: f64) -> usize {
    random.poisson(rate_per_s) as usize
}

impl Clouds {
    /// Share of the light that arrives at time `t`.
    pub(crate) fn transmission(&self, seed: u64, t: f64) -> f64 {
        if self.rate_per_s <= 0.0 {
            return 1.0;
        }
        let reach = (2.0 * self.duration_s).ceil() as i64 + 1;
        let now = t.floor() as i64;
        let mut depth: f64 = 0.0;
        for cell in now - reach..=now + reach {
            let mut random = Random::new(seed, Stream::Clouds, cell as u64);
            for _ in 0..events(&mut random, self.rate_per_s) {
                let middle = cell as f64 + random.uniform();
                let half = self.duration_s * random.between(0.25, 1.0);
                let strength = random.between(0.35, 1.0);
                let ripple = random.between(0.0, core::f64::consts::TAU);
                let x = (t - middle) / half;
                if x.abs() < 1.0 {
                    let shape = 0.5 + 0.5 * libm::cos(core::f64::consts::PI * x);
                    let texture = 1.0 + 0.15 * libm::sin(7.3 * t + ripple) * shape;
                    depth = depth.max(strength * libm::pow(shape, 0.7) * texture);
                }
            }
        }
        1.0 - (1.0 - self.least_transmission) * depth.clamp(0.0, 1.0)
    }
}

/// Errors of the mount.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mount {
    /// Drift in x and y, arcsec per second.
    pub drift_arcsec_per_s: [f64; 2],
    /// Amplitude of the periodic error, arcsec.
    pub periodic_arcsec: f64,
    /// Period of the periodic error, s.
    pub period_s: f64,
    /// Direction of the periodic error in the picture, degrees from x towards y.
    pub periodic_angle_deg: f64,
    /// Knocks per second.
    pub knocks_per_s: f64,
    /// Size of a knock, arcsec (Rayleigh scale).
    pub knock_arcsec: f64,
    /// Time in which a knock dies away, s.
    pub knock_tau_s: f64,
}

impl Default for Mount {
    fn default() -> Self {
        Self {
            drift_arcsec_per_s: [0.1, -0.06],
            periodic_arcsec: 1.2,
            period_s: 41.0,
            periodic_angle_deg: 17.0,
            knocks_per_s: 0.0,
            knock_arcsec: 0.0,
            knock_tau_s: 0.5,
        }
    }
}

impl Mount {
    /// Displacement of the target at time `t`, arcsec in x and y.
    pub(crate) fn offset_arcsec(&self, seed: u64, t: f64) -> [f64; 2] {
        let mut random = Random::new(seed, Stream::Mount, 0);
        let phase = random.uniform();
        let periodic = if self.period_s > 0.0 {
            let wave = |turns: f64| libm::sin(core::f64::consts::TAU * (turns + phase));
            self.periodic_arcsec
                * (wave(t / self.period_s) - wave(0.0) + 0.2 * (wave(3.0 * t / self.period_s) - wave(0.0)))
        } else {
            0.0
        };
        let (sine, cosine) = libm::sincos(self.periodic_angle_deg.to_radians());
        let mut offset =
            [self.drift_arcsec_per_s[0] * t + periodic * cosine, self.drift_arcsec_per_s[1] * t + periodic * sine];
        if self.knocks_per_s > 0.0 && self.knock_tau_s > 0.0 {
            let now = t.floor() as i64;
            for cell in now - (8.0 * self.knock_tau_s).ceil() as i64..=now {
                let mut random = Random::new(seed, Stream::Knocks, cell as u64);
                for _ in 0..events(&mut random, self.knocks_per_s) {
                    let age = t - (cell as f64 + random.uniform());
                    let (dx, dy) = (f64::from(random.normal()), f64::from(random.normal()));
                    let ring = random.between(2.0, 5.0);
                    if age > 0.0 {
                        let swing = self.knock_arcsec
                            * libm::exp(-age / self.knock_tau_s)
                            * libm::cos(core::f64::consts::TAU * ring * age);
                        offset[0] += dx * swing;
                        offset[1] += dy * swing;
                    }
                }
            }
        }
        offset
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Unit variance and correlation 1/e after tau: the definition of the process. Averaged over many
    /// seeds; tolerance five standard errors of that average.
    #[test]
    fn gusts_have_the_stated_correlation() {
        let n = 4000;
        let (mut square, mut lagged) = (0.0, 0.0);
        for seed in 0..n {
            let gusts = Gusts::new(seed, 4.0);
            let (a, b) = (gusts.at(10.0), gusts.at(14.0));
            square += a * a;
            lagged += a * b;
        }
        let unit = (n as f64).sqrt().recip();
        assert!((square / n as f64 - 1.0).abs() < 5.0 * 2f64.sqrt() * unit, "{}", square / n as f64);
        assert!((lagged / n as f64 - libm::exp(-1.0)).abs() < 5.0 * 1.1 * unit, "{}", lagged / n as f64);
    }

    #[test]
    fn transmission_stays_between_its_limits() {
        let clouds = Clouds { rate_per_s: 0.2, duration_s: 3.0, least_transmission: 0.25, glow: 4.0 };
        let values: Vec<f64> = (0..4000).map(|k| clouds.transmission(3, f64::from(k) * 0.05)).collect();
        assert!(values.iter().all(|v| (0.25..=1.0).contains(v)));
        assert!(values.iter().any(|v| *v < 0.5) && values.contains(&1.0));
    }
}
