//! Phase screens of Kolmogorov (or von Karman) turbulence.
//!
//! Spectrum of the phase: 0.0229 r0^(-5/3) (f^2 + 1/L0^2)^(-11/6), f in cycles per length (Noll 1976,
//! J. Opt. Soc. Am. 66, 207, eq. 21; outer scale L0 after von Karman, infinite by default). A screen is a
//! sum of waves on the frequency grid of a Fourier transform, to which waves below the grid are added on
//! three-fold finer grids around zero (subharmonics: Lane, Glindemann and Dainty 1992, Waves in Random
//! Media 2, 209). Where the spectrum changes much within a cell of the grid, the wave's power is chosen so
//! that the cell's variance of the *gradient* is kept, since over an aperture much smaller than the screen
//! such waves act by their tilt alone.
//!
//! Lengths are in aperture diameters and phases in radians for D/r0 = 1: multiply by (D/r0)^(5/6).
//! The screen repeats after its size; the added waves do not.

use crate::fourier::Square;
use crate::random::{Random, Stream};
use rustfft::FftDirection;
use rustfft::num_complex::Complex32;

/// Constant of the Kolmogorov phase spectrum, Gamma(11/6)^2 / (2 pi^(11/3)) (24/5 Gamma(6/5))^(5/6).
const KOLMOGOROV: f64 = 0.022_895_59;
/// Cells around zero frequency whose power is integrated rather than taken at the centre.
const INTEGRATED_CELLS: usize = 3;
/// Depth of the subharmonic grids.
const LEVELS: i32 = 8;

struct Wave {
    frequency: [f64; 2],
    cosine: f64,
    sine: f64,
}

/// A periodic phase screen with long waves added.
pub(crate) struct Screen {
    samples: usize,
    spacing: f64,
    values: Vec<f32>,
    waves: Vec<Wave>,
}

fn spectrum(f2: f64, outer_scale: f64) -> f64 {
    let floor = if outer_scale.is_finite() && outer_scale > 0.0 { outer_scale.powi(-2) } else { 0.0 };
    KOLMOGOROV * libm::pow(f2 + floor, -11.0 / 6.0)
}

/// Power of the cell of width `width` at `(x, y)`, so that its gradient variance is exact.
fn cell_power(x: f64, y: f64, width: f64, outer_scale: f64) -> f64 {
    const PARTS: usize = 12;
    let mut sum = 0.0;
    for i in 0..PARTS {
        for j in 0..PARTS {
            let at = |c: f64, k: usize| c + width * ((k as f64 + 0.5) / PARTS as f64 - 0.5);
            let f2 = at(x, i).powi(2) + at(y, j).powi(2);
            sum += f2 * spectrum(f2, outer_scale);
        }
    }
    sum / (PARTS * PARTS) as f64 * width * width / (x * x + y * y)
}

impl Screen {
    /// Two independent screens of `samples` x `samples` points, `spacing` diameters apart.
    pub(crate) fn pair(samples: usize, spacing: f64, outer_scale: f64, seed: u64, counter: u64) -> [Self; 2] {
        let size = samples as f64 * spacing;
        let df = 1.0 / size;
        let mut random = Random::new(seed, Stream::Screens, counter);
        let folded = |k: usize| k.min(samples - k);
        let mut grid = vec![Complex32::default(); samples * samples];
        // Amplitudes depend on |kx| and |ky| only, and are the same for both.
        let half = samples / 2 + 1;
        let mut amplitudes = vec![0f32; half * half];
        for ky in 0..half {
            for kx in 0..=ky {
                let power = if ky == 0 {
                    0.0
                } else if kx <= INTEGRATED_CELLS && ky <= INTEGRATED_CELLS {
                    cell_power(kx as f64 * df, ky as f64 * df, df, outer_scale)
                } else {
                    spectrum((kx * kx + ky * ky) as f64 * df * df, outer_scale) * df * df
                };
                amplitudes[ky * half + kx] = power.sqrt() as f32;
                amplitudes[kx * half + ky] = power.sqrt() as f32;
            }
        }
        for (j, row) in grid.chunks_exact_mut(samples).enumerate() {
            let scale = &amplitudes[folded(j) * half..];
            for (i, value) in row.iter_mut().enumerate() {
                let (a, b) = (random.normal(), random.normal());
                *value = Complex32::new(a, b) * scale[folded(i)];
            }
        }
        let mut out = vec![Complex32::default(); samples * samples];
        Square::new(samples, FftDirection::Inverse).run(&mut grid, samples, &mut out);
        drop(grid);
        let values = [out.iter().map(|c| c.re).collect(), out.iter().map(|c| c.im).collect()];
        let mut which = 0;
        values.map(|values| {
            which += 1;
            let mut random = Random::new(seed, Stream::Waves, 2 * counter + which);
            let mut waves = Vec::new();
            for level in 1..=LEVELS {
                let width = df * 3f64.powi(-level);
                for ky in -1..=1 {
                    for kx in -1..=1 {
                        if kx == 0 && ky == 0 {
                            continue;
                        }
                        let (x, y) = (f64::from(kx) * width, f64::from(ky) * width);
                        let amplitude = cell_power(x, y, width, outer_scale).sqrt();
                        let (cosine, sine) =
                            (f64::from(random.normal()) * amplitude, f64::from(random.normal()) * amplitude);
                        waves.push(Wave { frequency: [x, y], cosine, sine });
                    }
                }
            }
            Self { samples, spacing, values, waves }
        })
    }

    /// Side after which the screen repeats, diameters.
    pub(crate) fn size(&self) -> f64 {
        self.samples as f64 * self.spacing
    }

    /// Gradient of the added long waves at a point, radians per diameter.
    fn long_gradient(&self, x: f64, y: f64) -> [f64; 2] {
        let mut gradient = [0.0; 2];
        for wave in &self.waves {
            let phase = core::f64::consts::TAU * (wave.frequency[0] * x + wave.frequency[1] * y);
            let (sine, cosine) = libm::sincos(phase);
            let slope = core::f64::consts::TAU * (wave.sine * cosine - wave.cosine * sine);
            gradient[0] += slope * wave.frequency[0];
            gradient[1] += slope * wave.frequency[1];
        }
        gradient
    }

    /// Adds `strength` times the phase over a square of `points` x `points`, one diameter wide and centred
    /// on `(x, y)` (diameters), to `out`. Interpolation: cubic convolution (Keys 1981, IEEE Trans. ASSP 29,
    /// 1153), the long waves as their plane at the centre.
    pub(crate) fn add_to(&self, out: &mut [f32], points: usize, x: f64, y: f64, strength: f32) {
        let step = 1.0 / points as f64;
        let first = 0.5 * step - 0.5;
        let taps = |centre: f64| -> Vec<(usize, [f32; 4])> {
            (0..points)
                .map(|i| {
                    let position = (centre + first + i as f64 * step) / self.spacing;
                    let floor = position.floor();
                    let t = (position - floor) as f32;
                    let index = (floor as i64 - 1).rem_euclid(self.samples as i64) as usize;
                    (index, cubic(t))
                })
                .collect()
        };
        let (columns, rows) = (taps(x), taps(y));
        let gradient = self.long_gradient(x, y);
        let n = self.samples;
        // Rows of the screen that are needed, each interpolated along x once.
        let mut lines: Vec<(usize, Vec<f32>)> = Vec::with_capacity(points + 4);
        let line_of = |row: usize, lines: &mut Vec<(usize, Vec<f32>)>| -> usize {
            if let Some(found) = lines.iter().rposition(|(r, _)| *r == row) {
                return found;
            }
            let source = &self.values[row * n..(row + 1) * n];
            let line = columns
                .iter()
                .map(|(index, w)| {
                    if index + 3 < n {
                        let s = &source[*index..index + 4];
                        s[0] * w[0] + s[1] * w[1] + s[2] * w[2] + s[3] * w[3]
                    } else {
                        (0..4).map(|k| source[(index + k) % n] * w[k]).sum()
                    }
                })
                .collect();
            lines.push((row, line));
            lines.len() - 1
        };
        for (j, (index, w)) in rows.iter().enumerate() {
            let picks = [0, 1, 2, 3].map(|k| line_of((index + k) % n, &mut lines));
            let [a, b, c, d] = picks.map(|p| &lines[p].1);
            let along_y = (gradient[1] * (first + j as f64 * step)) as f32;
            for i in 0..points {
                let along_x = (gradient[0] * (first + i as f64 * step)) as f32;
                out[j * points + i] +=
                    strength * (a[i] * w[0] + b[i] * w[1] + c[i] * w[2] + d[i] * w[3] + along_x + along_y);
            }
        }
    }
}

/// Weights of cubic convolution at `t` in [0, 1) past the second of four samples.
pub(crate) fn cubic(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (-t3 + 2.0 * t2 - t), 0.5 * (3.0 * t3 - 5.0 * t2 + 2.0), 0.5 * (-3.0 * t3 + 4.0 * t2 + t), 0.5 * (t3 - t2)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::Pupil;

    /// Noll (1976), Table IV: variance left after removing the first J Zernike modes, for D/r0 = 1 (exact
    /// constants, which exceed the printed values by 0.25 %).
    const NOLL: [(usize, f64); 5] = [(1, 1.03242), (3, 0.13466), (6, 0.06501), (10, 0.04024), (21, 0.02102)];

    /// Zernike mode by radial order, azimuthal order and parity (cosine for m >= 0), not normalised.
    fn zernike(n: i32, m: i32, x: f64, y: f64) -> f64 {
        let (r, angle) = (x.hypot(y), y.atan2(x));
        let factorial = |k: i32| (1..=k).map(f64::from).product::<f64>();
        let a = m.abs();
        let radial: f64 = (0..=(n - a) / 2)
            .map(|s| {
                (-1f64).powi(s) * factorial(n - s)
                    / (factorial(s) * factorial((n + a) / 2 - s) * factorial((n - a) / 2 - s))
                    * r.powi(n - 2 * s)
            })
            .sum();
        radial * if m >= 0 { (f64::from(a) * angle).cos() } else { (f64::from(a) * angle).sin() }
    }

    /// Residual variances over many screens and places against the table. The tolerance is four standard
    /// errors (from the scatter between screens) and, downwards, what a screen sampled s times per diameter
    /// cannot hold: waves beyond s/2 cycles per diameter, 0.0229 2 pi 3/5 (s/2)^(-5/3), and as much again
    /// that the interpolation takes below that limit.
    #[test]
    fn residuals_after_removing_modes() {
        let (points, per_diameter, screens) = (32, 16.0, 240);
        let pupil = Pupil::new(points, 0.0, 0.0, [0.0; 2]);
        let at = |k: usize| (2.0 * k as f64 + 1.0) / points as f64 - 1.0;
        let weight: Vec<f64> = pupil.amplitude.iter().map(|a| f64::from(*a)).collect();
        let area: f64 = weight.iter().sum();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).zip(&weight).map(|((a, b), w)| a * b * w).sum::<f64>() / area;
        // Modes 1 to 21, made orthonormal over the sampled aperture.
        let mut modes: Vec<Vec<f64>> = Vec::new();
        for n in 0..=5 {
            for m in (-n..=n).step_by(2) {
                let mut mode: Vec<f64> =
                    (0..points * points).map(|k| zernike(n, m, at(k % points), at(k / points))).collect();
                for other in &modes {
                    let share = dot(&mode, other);
                    mode.iter_mut().zip(other).for_each(|(v, o)| *v -= share * o);
                }
                let norm = dot(&mode, &mode).sqrt();
                mode.iter_mut().for_each(|v| *v /= norm);
                modes.push(mode);
            }
        }
        let mut residuals = vec![Vec::new(); NOLL.len()];
        let mut slopes = Vec::new();
        for counter in 0..screens / 2 {
            for screen in Screen::pair(256, 1.0 / per_diameter, f64::INFINITY, 99, counter) {
                let mut sums = vec![0f64; NOLL.len()];
                let mut slope = 0.0;
                for place in 0..9 {
                    let mut phase = vec![0f32; points * points];
                    screen.add_to(
                        &mut phase,
                        points,
                        5.3 * f64::from(place % 3) + 0.21,
                        5.3 * f64::from(place / 3) - 3.4,
                        1.0,
                    );
                    slope += pupil.tilt(&phase).iter().map(|t| t * t).sum::<f64>() / 2.0;
                    let mut left: Vec<f64> = phase.iter().map(|v| f64::from(*v)).collect();
                    for (j, mode) in modes.iter().enumerate() {
                        let share = dot(&left, mode);
                        left.iter_mut().zip(mode).for_each(|(v, m)| *v -= share * m);
                        if let Some(k) = NOLL.iter().position(|(modes, _)| *modes == j + 1) {
                            sums[k] += dot(&left, &left);
                        }
                    }
                }
                residuals.iter_mut().zip(sums).for_each(|(r, s)| r.push(s / 9.0));
                slopes.push(slope / 9.0);
            }
        }
        let statistics = |values: &[f64]| {
            let n = values.len() as f64;
            let mean = values.iter().sum::<f64>() / n;
            (mean, (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt())
        };
        let beyond = KOLMOGOROV * core::f64::consts::TAU * 0.6 * libm::pow(per_diameter / 2.0, -5.0 / 3.0);
        for ((modes, expected), values) in NOLL.iter().zip(&residuals) {
            let (mean, error) = statistics(values);
            assert!(
                mean < expected + 4.0 * error && mean > expected - 4.0 * error - 2.0 * beyond,
                "{modes} modes: {mean} +- {error}, expected {expected}"
            );
            assert!(error < 0.05 * expected, "too few screens: {modes} modes {error}");
        }
        // Tilt of one axis: 4 a2 per diameter with <a2^2> = (1.03242 - 0.13466) / 2 (same table), that is
        // 0.182 (lambda/D)^2 (D/r0)^(5/3) in angle.
        let (mean, error) = statistics(&slopes);
        let expected = 16.0 * (1.03242 - 0.13466) / 2.0;
        assert!((mean - expected).abs() < 4.0 * error, "{mean} +- {error}, expected {expected}");
    }
}
