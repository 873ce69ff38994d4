//! Short-exposure point spread and transfer functions of an obstructed aperture.
//!
//! The pupil is sampled on a square of P x P points, the aberration at each is a phase; the point spread is
//! |FT(pupil exp(i phase))|^2 and its transform, normalised at zero, is the optical transfer function, the
//! autocorrelation of the pupil function at the lag wavelength x frequency (Goodman, Introduction to
//! Fourier Optics, ch. 6). The pupil's edges are grey: each point counts by the share of its cell that is
//! open. Phases scale as 1/wavelength (air's own dispersion neglected).

use crate::fourier::{Band, RealForward, Square};
use crate::screen::cubic;
use rustfft::FftDirection;
use rustfft::num_complex::Complex32;

/// Wavelength at which D/r0 and phases are given, nm.
pub(crate) const REFERENCE_NM: f64 = 550.0;
/// Radians to arcseconds.
pub(crate) const ARCSEC: f64 = 206_264.806_247_096_36;

/// An aperture sampled on a grid, with the transforms it needs.
pub(crate) struct Pupil {
    pub(crate) points: usize,
    pub(crate) amplitude: Vec<f32>,
    /// Static aberration at the reference wavelength, rad.
    aberration: Vec<f32>,
    tilt_norm: f64,
    /// Sum of squared amplitudes over the sum of amplitudes.
    edge_ratio: f32,
    /// What of a point spread's grid lies well within it.
    inside: Vec<f32>,
    to_spread: Square,
    to_transfer: RealForward,
}

/// A transfer function on the grid of pupil lags, padded for interpolation.
pub(crate) struct Transfer {
    reach: usize,
    columns: usize,
    /// `values[(lx + 2) * rows + (ly + reach)]`, lags in units of the pupil's spacing.
    values: Vec<Complex32>,
}

/// [`Pupil::middle`] on a grid of twice `points` a side.
fn middle(points: usize, reach: f64) -> Vec<f32> {
    let n = 2 * points;
    let square = |k: usize| (k.min(n - k) as f64 / 2.0).powi(2);
    (0..n * n)
        .map(|k| {
            let along = (((square(k % n) + square(k / n)).sqrt() / reach - 0.6) / 0.4).clamp(0.0, 1.0);
            (0.5 + 0.5 * libm::cos(core::f64::consts::PI * along)) as f32
        })
        .collect()
}

impl Pupil {
    /// An aperture with a central obstruction (share of the diameter) on `points` samples across, with
    /// `defocus_waves` rms of defocus and `coma_waves` rms of coma in x and y (Zernike terms 4, 8 and 7 of Noll) at
    /// the reference wavelength.
    pub(crate) fn new(points: usize, obstruction: f64, defocus_waves: f64, coma_waves: [f64; 2]) -> Self {
        const PARTS: usize = 16;
        let mut amplitude = Vec::with_capacity(points * points);
        let mut aberration = Vec::with_capacity(points * points);
        let at = |k: f64| 2.0 * k / points as f64 - 1.0;
        for j in 0..points {
            for i in 0..points {
                let mut open = 0;
                for b in 0..PARTS {
                    for a in 0..PARTS {
                        let x = at(i as f64 + (a as f64 + 0.5) / PARTS as f64);
                        let y = at(j as f64 + (b as f64 + 0.5) / PARTS as f64);
                        let r2 = x * x + y * y;
                        open += usize::from(r2 <= 1.0 && r2 >= obstruction * obstruction);
                    }
                }
                amplitude.push(open as f32 / (PARTS * PARTS) as f32);
                let (x, y) = (at(i as f64 + 0.5), at(j as f64 + 0.5));
                let r2 = x * x + y * y;
                let defocus = 3f64.sqrt() * (2.0 * r2 - 1.0);
                let coma = 8f64.sqrt() * (3.0 * r2 - 2.0) * (coma_waves[0] * x + coma_waves[1] * y);
                aberration.push((core::f64::consts::TAU * (defocus_waves * defocus + coma)) as f32);
            }
        }
        let first = 0.5 / points as f64 - 0.5;
        let tilt_norm = amplitude
            .iter()
            .enumerate()
            .map(|(k, a)| f64::from(*a) * (first + (k % points) as f64 / points as f64).powi(2))
            .sum();
        let grid = 2 * points;
        let edge_ratio = amplitude.iter().map(|a| a * a).sum::<f32>() / amplitude.iter().sum::<f32>();
        Self {
            points,
            amplitude,
            aberration,
            tilt_norm,
            edge_ratio,
            inside: middle(points, points as f64 / 2.0),
            to_spread: Square::new(grid, FftDirection::Forward),
            to_transfer: RealForward::new(grid),
        }
    }

    /// Least-squares plane of a phase over the open aperture, radians per diameter in x and y.
    pub(crate) fn tilt(&self, phase: &[f32]) -> [f64; 2] {
        let p = self.points;
        let first = 0.5 / p as f64 - 0.5;
        let mut sum = [0f64; 2];
        for j in 0..p {
            let y = first + j as f64 / p as f64;
            for i in 0..p {
                let x = first + i as f64 / p as f64;
                let value = f64::from(self.amplitude[j * p + i] * phase[j * p + i]);
                sum[0] += value * x;
                sum[1] += value * y;
            }
        }
        sum.map(|s| s / self.tilt_norm)
    }

    /// Adds the point spread of `phase` (radians at the reference wavelength) less the plane `tilt` to
    /// `spread`, on a grid of 2P x 2P whose pixel is half of wavelength/diameter.
    pub(crate) fn add_spread(&self, phase: &[f32], tilt: [f64; 2], wavelength_nm: f64, spread: &mut [f32]) {
        let p = self.points;
        let n = 2 * p;
        let ratio = (REFERENCE_NM / wavelength_nm) as f32;
        let first = 0.5 / p as f64 - 0.5;
        let mut grid = vec![Complex32::default(); n * n];
        for j in 0..p {
            let plane_y = (tilt[1] * (first + j as f64 / p as f64)) as f32;
            for i in 0..p {
                let k = j * p + i;
                let amplitude = self.amplitude[k];
                if amplitude > 0.0 {
                    let plane_x = (tilt[0] * (first + i as f64 / p as f64)) as f32;
                    let (sine, cosine) = libm::sincosf(ratio * (phase[k] + self.aberration[k] - plane_x - plane_y));
                    grid[j * n + i] = Complex32::new(amplitude * cosine, amplitude * sine);
                }
            }
        }
        let mut field = vec![Complex32::default(); n * n];
        self.to_spread.run(&mut grid, p, &mut field);
        // The transform is transposed; undone here, where every value is touched anyway.
        const BLOCK: usize = 16;
        for r0 in (0..n).step_by(BLOCK) {
            for c0 in (0..n).step_by(BLOCK) {
                for r in r0..(r0 + BLOCK).min(n) {
                    for c in c0..(c0 + BLOCK).min(n) {
                        spread[r * n + c] += field[c * n + r].norm_sqr();
                    }
                }
            }
        }
    }

    /// A buffer for [`Pupil::add_spread`].
    pub(crate) fn empty_spread(&self) -> Vec<f32> {
        vec![0.0; 4 * self.points * self.points]
    }

    /// A point spread normalised to a sum of 1.
    ///
    /// The autocorrelation of grey edges falls short at lag zero alone, where the true one has its cusp: what is missing
    /// there is missing evenly from the point spread.
    fn whole(&self, mut spread: Vec<f32>) -> Vec<f32> {
        let sum = spread.iter().map(|v| f64::from(*v)).sum::<f64>();
        let edge_ratio = f64::from(self.edge_ratio);
        let missing = (sum * (1.0 / edge_ratio - 1.0) / spread.len() as f64) as f32;
        let norm = (edge_ratio / sum) as f32;
        spread.iter_mut().for_each(|v| *v = (*v + missing) * norm);
        spread
    }

    /// How much of each point of a point spread belongs to its middle, which reaches out to `reach` times
    /// wavelength/diameter: all out to six tenths of that, from there on falling to nothing.
    pub(crate) fn middle(&self, reach: f64) -> Vec<f32> {
        middle(self.points, reach)
    }

    /// The mean of `count` summed point spreads, faded out towards the edge of their grid, their sum kept: the grid's edge
    /// must not show in a picture.
    pub(crate) fn within_the_grid(&self, mut sum: Vec<f32>, count: f32) -> Vec<f32> {
        let all: f64 = sum.iter().map(|v| f64::from(*v)).sum();
        for (v, share) in sum.iter_mut().zip(&self.inside) {
            *v *= share;
        }
        let kept: f64 = sum.iter().map(|v| f64::from(*v)).sum();
        let scale = if kept > 0.0 { (all / kept) as f32 / count } else { 0.0 };
        sum.iter_mut().for_each(|v| *v *= scale);
        sum
    }

    /// A point spread's [`Pupil::middle`]; the rest is added to `far`. All together sums to 1.
    pub(crate) fn parted(&self, spread: Vec<f32>, middle: &[f32], far: &mut [f32]) -> Vec<f32> {
        let mut near = self.whole(spread);
        for ((near, share), far) in near.iter_mut().zip(middle).zip(far) {
            let part = *near * share;
            *far += *near - part;
            *near = part;
        }
        near
    }

    /// Transfer function of a point spread (which is used up).
    pub(crate) fn transfer(&self, spread: Vec<f32>) -> Transfer {
        self.lags(self.whole(spread))
    }

    /// Transform of a point spread as it is.
    pub(crate) fn lags(&self, mut spread: Vec<f32>) -> Transfer {
        let p = self.points;
        let n = 2 * p;
        let half = self.to_transfer.run(&mut spread);
        let reach = p + 2;
        let rows = 2 * reach + 1;
        let columns = p + 5;
        let mut values = vec![Complex32::default(); columns * rows];
        for column in 0..columns {
            let lx = column as i64 - 2;
            if lx > p as i64 {
                continue;
            }
            for row in 2..rows - 2 {
                let ly = row as i64 - reach as i64;
                values[column * rows + row] = if lx >= 0 {
                    half[lx as usize * n + ly.rem_euclid(n as i64) as usize]
                } else {
                    half[(-lx) as usize * n + (-ly).rem_euclid(n as i64) as usize].conj()
                };
            }
        }
        Transfer { reach, columns, values }
    }

    /// The perfect telescope's transfer function (no static aberration either).
    pub(crate) fn perfect(&self) -> Transfer {
        let mut spread = self.empty_spread();
        let opposite: Vec<f32> = self.aberration.iter().map(|a| -a).collect();
        self.add_spread(&opposite, [0.0; 2], REFERENCE_NM, &mut spread);
        self.transfer(spread)
    }

    /// Peak of a perfect point spread of one exposure step.
    pub(crate) fn perfect_peak(&self) -> f32 {
        let sum: f32 = self.amplitude.iter().sum();
        sum * sum
    }
}

/// How a transfer function is read on the frequency grid of a picture: for |k| <= reach, with the lag
/// `k * lags_per_bin` in units of the pupil's spacing.
pub(crate) struct Reading {
    pub(crate) reach: usize,
    taps: Vec<(usize, [f32; 4])>,
}

impl Reading {
    /// `field_px`: side of the picture; the rest gives the lag of one frequency step.
    pub(crate) fn new(
        points: usize,
        field_px: usize,
        arcsec_per_px: f64,
        aperture_mm: f64,
        wavelength_nm: f64,
    ) -> Self {
        let lambda_over_d_px = wavelength_nm * 1e-6 / aperture_mm * ARCSEC / arcsec_per_px;
        let lags_per_bin = points as f64 * lambda_over_d_px / field_px as f64;
        let reach = (points as f64 / lags_per_bin).floor() as usize;
        let taps = (-(reach as i64)..=reach as i64)
            .map(|k| {
                let position = k as f64 * lags_per_bin;
                let floor = position.floor();
                let index = floor as i64 - 1 + points as i64 + 2;
                (index.max(0) as usize, cubic((position - floor) as f32))
            })
            .collect();
        Self { reach, taps }
    }

    /// The transfer function on the picture's frequencies.
    pub(crate) fn read(&self, transfer: &Transfer) -> Band {
        let rows = 2 * transfer.reach + 1;
        let span = 2 * self.reach + 1;
        // Along y first, for the columns of lags that are needed.
        let mut along = vec![Complex32::default(); transfer.columns * span];
        for column in 0..transfer.columns {
            let source = &transfer.values[column * rows..(column + 1) * rows];
            let target = &mut along[column * span..(column + 1) * span];
            for (value, (index, w)) in target.iter_mut().zip(&self.taps) {
                if let Some(s) = source.get(*index..index + 4) {
                    *value = s[0] * w[0] + s[1] * w[1] + s[2] * w[2] + s[3] * w[3];
                }
            }
        }
        let mut values = vec![Complex32::default(); (self.reach + 1) * span];
        for kx in 0..=self.reach {
            let (index, w) = self.taps[self.reach + kx];
            // The taps count from -(points + 2), the columns from -2.
            let first = index - (transfer.reach - 2);
            let target = &mut values[kx * span..(kx + 1) * span];
            for (k, weight) in w.iter().enumerate() {
                if first + k < transfer.columns {
                    let source = &along[(first + k) * span..(first + k + 1) * span];
                    for (value, s) in target.iter_mut().zip(source) {
                        *value += s * *weight;
                    }
                }
            }
        }
        Band { reach: self.reach, values }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NU: [f64; 14] = [0.0, 0.05, 0.1, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.9, 0.95];
    /// Exact obstructed transfer functions by circle-overlap areas (autocorrelation of the annulus),
    /// checked against a 2048 x 2048 sampled pupil in numpy 2.4.6; for a sampled pupil to 0.002.
    const TABLE: [(f64, [f64; 14]); 3] = [
        (
            0.0,
            [
                1.0, 0.936365, 0.872889, 0.74706, 0.685038, 0.623838, 0.504632, 0.391002, 0.284757, 0.18812, 0.144294,
                0.104088, 0.037386, 0.01332,
            ],
        ),
        (
            0.2,
            [
                1.0, 0.92059, 0.842217, 0.694854, 0.630248, 0.566498, 0.442325, 0.367397, 0.296622, 0.195959, 0.150306,
                0.108425, 0.038944, 0.013875,
            ],
        ),
        (
            0.33,
            [
                1.0, 0.905102, 0.810935, 0.627988, 0.541197, 0.459625, 0.361027, 0.325159, 0.289267, 0.21111, 0.161928,
                0.116808, 0.041955, 0.014948,
            ],
        ),
    ];

    #[test]
    fn transfer_of_the_unaberrated_aperture() {
        for (obstruction, expected) in TABLE {
            for points in [40, 48, 64] {
                let pupil = Pupil::new(points, obstruction, 0.0, [0.0; 2]);
                // Wavelength over diameter is 4 of 1600 px: the cutoff is at bin 400.
                let reading = Reading::new(points, 1600, 1.0, 550e-6 * ARCSEC / 4.0, 550.0);
                let band = reading.read(&pupil.perfect());
                let span = 2 * band.reach + 1;
                for (nu, value) in NU.iter().zip(expected) {
                    let k = (nu * 400.0).round() as usize;
                    let x = band.values[k * span + band.reach];
                    let y = band.values[band.reach + k];
                    for got in [x, y] {
                        assert!(
                            (f64::from(got.re) - value).abs() < 0.002 && got.im.abs() < 1e-4,
                            "{obstruction} {points} {nu}: {got} {value}"
                        );
                    }
                }
            }
        }
    }

    /// Marechal: Strehl exp(-(2 pi s)^2) for s waves rms; 0.95089 at 1/28 wave (Born and Wolf; Mahajan 1983).
    #[test]
    fn strehl_of_defocus_and_coma() {
        for (defocus, coma) in [(1.0 / 28.0, [0.0; 2]), (0.0, [1.0 / 28.0, 0.0]), (0.0, [0.6 / 28.0, -0.8 / 28.0])] {
            let pupil = Pupil::new(64, 0.0, defocus, coma);
            let mut spread = pupil.empty_spread();
            pupil.add_spread(&vec![0.0; 64 * 64], [0.0; 2], REFERENCE_NM, &mut spread);
            let strehl = spread.iter().copied().fold(0.0, f32::max) / pupil.perfect_peak();
            // A peak between the grid's points loses a little more.
            assert!((strehl - 0.95089).abs() < 0.004, "{strehl} for {defocus} and {coma:?}");
        }
    }
}
