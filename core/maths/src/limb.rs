//! A limb-darkened disc seen through a blur.
//!
//! The disc is `I0 (1 - r^2)^(k/2)` inside its limb (r: distance over radius; `k = 0` uniform),
//! round or elliptical. By the projection-slice theorem its transform is that of its shadow on
//! a line, `B (1 - x^2)^((k+1)/2)`, which in `x = sin t` is an integral over a smooth periodic
//! function: the trapezoid rule gets it to rounding. Multiplied by an isotropic transfer and
//! turned back, it gives the blurred profile without any pixel grid.

use std::f64::consts::PI;

use crate::fft::{Complex32, Fft2, frequency};
use crate::fit::levenberg_marquardt;

/// An elliptical disc.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Disc {
    /// Centre along x in pixels.
    pub centre_x_px: f64,
    /// Centre along y in pixels.
    pub centre_y_px: f64,
    /// Longer semi-axis in pixels.
    pub radius_px: f64,
    /// Shorter over longer axis, 0..1.
    pub axis_ratio: f64,
    /// Direction of the longer axis in radians, from +x towards +y.
    pub angle_rad: f64,
    /// Limb-darkening exponent `k`; 0 for a uniform disc.
    pub darkening: f64,
    /// Brightness `I0` at the centre, above the background, in the picture's units.
    pub brightness: f64,
    /// Background in the picture's units.
    pub background: f64,
}

impl Disc {
    /// Elliptical distance of a position from the centre, in units of the limb.
    pub fn distance(&self, x: f64, y: f64) -> f64 {
        let (sin, cos) = libm::sincos(self.angle_rad);
        let (u, v) = (x - self.centre_x_px, y - self.centre_y_px);
        let along = cos * u + sin * v;
        let across = (cos * v - sin * u) / self.axis_ratio;
        libm::hypot(along, across) / self.radius_px
    }

    /// The unblurred brightness at an elliptical distance.
    pub fn sharp(&self, distance: f64) -> f64 {
        if distance >= 1.0 {
            return self.background;
        }
        let inside = libm::pow(1.0 - distance * distance, 0.5 * self.darkening);
        self.background + self.brightness * inside
    }
}

/// Two-dimensional transform of the disc of unit radius and unit brightness at `q` cycles per
/// radius: `2 pi int (1 - r^2)^(k/2) J0(2 pi q r) r dr`.
pub fn disc_transform(q: f64, darkening: f64) -> f64 {
    DiscQuadrature::new(darkening, q.abs()).at(q)
}

/// Nodes good up to a highest frequency.
struct DiscQuadrature {
    nodes: Vec<(f64, f64)>,
}

impl DiscQuadrature {
    fn new(darkening: f64, highest_q: f64) -> Self {
        let k = darkening.max(0.0);
        // Half the interval suffices, the integrand being even in t.
        let n = (2.0 * PI * highest_q.min(1e4)) as usize + 64;
        let step = 0.5 * PI / n as f64;
        // B(1/2, k/2 + 1), the shadow's height.
        let shadow = PI.sqrt() * libm::tgamma(0.5 * k + 1.0) / libm::tgamma(0.5 * k + 1.5);
        let nodes = (0..n)
            .map(|i| {
                let (sin, cos) = libm::sincos(i as f64 * step);
                let weight = if i == 0 { 1.0 } else { 2.0 } * step * shadow;
                (2.0 * PI * sin, weight * libm::pow(cos, k + 2.0))
            })
            .collect();
        Self { nodes }
    }

    fn at(&self, q: f64) -> f64 {
        self.nodes.iter().map(|(turn, weight)| weight * libm::cos(turn * q)).sum()
    }
}

/// Blurred radial profile of a round disc, sampled once and interpolated.
#[derive(Clone, Debug)]
pub struct Profile {
    step_px: f64,
    values: Vec<f64>,
}

/// Frequencies and Bessel functions of the way back, shared by all profiles of one reach.
#[derive(Clone, Debug)]
pub struct ProfileTable {
    step_px: f64,
    frequencies: Vec<f64>,
    weights: Vec<f64>,
    bessel: Vec<f64>,
}

/// The n-th positive zero of J0 (n from 1): McMahon's expansion, polished by Newton steps.
fn bessel_zero(n: usize) -> f64 {
    let b = (n as f64 - 0.25) * PI;
    let mut x = b + 1.0 / (8.0 * b) - 31.0 / (384.0 * b * b * b);
    for _ in 0..2 {
        x += libm::j0(x) / libm::j1(x);
    }
    x
}

impl ProfileTable {
    /// For radii up to `reach_px` in steps of `step_px`, and a transfer of the frequency in
    /// cycles per pixel that is negligible beyond `cutoff`. A Fourier-Bessel series on twice
    /// the reach, beyond which the blurred disc must have faded.
    pub fn new(reach_px: f64, step_px: f64, cutoff: f64, transfer: impl Fn(f64) -> f64) -> Self {
        let edge = 2.0 * reach_px.max(1.0);
        let mut frequencies = Vec::new();
        let mut weights = Vec::new();
        for n in 1..=200_000 {
            let zero = bessel_zero(n);
            let f = zero / (2.0 * PI * edge);
            if f.is_nan() || f > cutoff {
                break;
            }
            let slope = libm::j1(zero);
            frequencies.push(f);
            weights.push(transfer(f) / (PI * edge * edge * slope * slope));
        }
        let count = frequencies.len();
        let samples = libm::ceil(reach_px / step_px) as usize + 2;
        let mut bessel = Vec::with_capacity(samples * count);
        for i in 0..samples {
            let r = i as f64 * step_px;
            bessel.extend(frequencies.iter().map(|f| libm::j0(2.0 * PI * f * r)));
        }
        Self { step_px, frequencies, weights, bessel }
    }

    /// The profile of a round disc of unit brightness.
    pub fn profile(&self, radius_px: f64, darkening: f64) -> Profile {
        let highest = self.frequencies.last().copied().unwrap_or(0.0) * radius_px;
        let quadrature = DiscQuadrature::new(darkening, highest);
        let spectrum: Vec<f64> = self
            .frequencies
            .iter()
            .zip(&self.weights)
            .map(|(f, w)| w * radius_px * radius_px * quadrature.at(f * radius_px))
            .collect();
        let values = self
            .bessel
            .chunks_exact(spectrum.len().max(1))
            .map(|row| row.iter().zip(&spectrum).map(|(j, s)| j * s).sum())
            .collect();
        Profile { step_px: self.step_px, values }
    }
}

impl Profile {
    /// Brightness at a radius in pixels, interpolated by a cubic through four samples; the
    /// last sample beyond the reach.
    pub fn at(&self, radius_px: f64) -> f64 {
        let Some(last) = self.values.len().checked_sub(1) else { return 0.0 };
        let x = (radius_px.abs() / self.step_px).min(last as f64);
        let i = libm::floor(x) as usize;
        let t = x - i as f64;
        // The profile is even in the radius.
        let v = |j: isize| self.values[(j.unsigned_abs()).min(last)];
        let i = i as isize;
        let (a, b, c, d) = (v(i - 1), v(i), v(i + 1), v(i + 2));
        b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
    }
}

/// Draws a blurred disc into `out` (`width * height`), exactly for a transfer (of the frequency
/// in cycles per pixel) that ends below 0.5; the picture counts as periodic, so leave sky
/// around.
///
/// # Panics
/// Where `out` has another length than the plan's picture.
pub fn draw(plan: &Fft2, disc: &Disc, transfer: impl Fn(f64) -> f64, out: &mut [f32]) {
    let (w, h, half) = (plan.width(), plan.height(), plan.half_width());
    assert_eq!(out.len(), w * h);
    let (sin, cos) = libm::sincos(disc.angle_rad);
    // The transform of the round disc on a fine table, smooth on the scale of a cycle.
    let highest = 0.72 * disc.radius_px;
    let quadrature = DiscQuadrature::new(disc.darkening, highest);
    let per_cycle = 32.0;
    let table: Vec<f64> =
        (0..libm::ceil(highest * per_cycle) as usize + 4).map(|i| quadrature.at(i as f64 / per_cycle)).collect();
    let round = Profile { step_px: 1.0 / per_cycle, values: table };
    let area = disc.brightness * disc.radius_px * disc.radius_px * disc.axis_ratio;
    let mut spectrum = plan.spectrum();
    for ky in 0..h {
        let v = frequency(ky, h);
        for kx in 0..half {
            let u = frequency(kx, w);
            let m = transfer(libm::hypot(u, v));
            if m == 0.0 {
                continue;
            }
            let along = cos * u + sin * v;
            let across = (cos * v - sin * u) * disc.axis_ratio;
            let q = disc.radius_px * libm::hypot(along, across);
            let amplitude = area * m * round.at(q);
            let phase = -2.0 * PI * (u * disc.centre_x_px + v * disc.centre_y_px);
            let (s, c) = libm::sincos(phase);
            spectrum[ky * half + kx] = Complex32::new((amplitude * c) as f32, (amplitude * s) as f32);
        }
    }
    spectrum[0].re += (disc.background * (w * h) as f64) as f32;
    plan.inverse(&mut spectrum, out, &mut plan.scratch());
}

/// The outcome of [`fit_disc`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DiscFit {
    /// The fitted disc.
    pub disc: Disc,
    /// Root mean square of what is left, in the picture's units.
    pub residual_rms: f64,
    /// Whether the search came to rest.
    pub converged: bool,
}

/// Fits centre, radius, axis ratio, darkening, brightness and background of a disc to the
/// pixels between `inner` and `outer` limb radii (0.7 and 1.2 are good numbers) from a start
/// good to a few pixels; the direction of the axis is the start's. The blur is taken as
/// isotropic along the ellipse's radius: exact for a round disc, within a few hundredths of a
/// pixel at an axis ratio of 0.9. `None` with fewer than 50 pixels in the ring.
///
/// # Panics
/// Where the slice's length is not `width * height`.
#[allow(clippy::too_many_arguments)]
pub fn fit_disc(
    picture: &[f32],
    width: usize,
    height: usize,
    start: &Disc,
    ring: (f64, f64),
    cutoff: f64,
    transfer: impl Fn(f64) -> f64,
) -> Option<DiscFit> {
    assert_eq!(picture.len(), width * height);
    let (inner, outer) = ring;
    let usable = start.radius_px > 1.0 && start.axis_ratio > 0.1 && start.radius_px < 1e5 && inner < outer;
    if !usable {
        return None;
    }
    // Large discs: every n-th pixel carries the same knowledge.
    let mut pixels: Vec<(f64, f64, f64)> = Vec::new();
    for y in 0..height {
        for x in 0..width {
            let value = picture[y * width + x];
            let d = start.distance(x as f64, y as f64);
            if d >= inner && d <= outer && value.is_finite() {
                pixels.push((x as f64, y as f64, f64::from(value)));
            }
        }
    }
    let thin = pixels.len().div_ceil(12_000).max(1);
    let pixels: Vec<_> = pixels.into_iter().step_by(thin).collect();
    if pixels.len() < 50 {
        return None;
    }
    let table = ProfileTable::new(1.3 * outer * start.radius_px, 0.5, cutoff, transfer);
    let scale = start.brightness.abs().max(f64::MIN_POSITIVE);
    let disc_of = |p: &[f64; 7]| Disc {
        centre_x_px: p[0],
        centre_y_px: p[1],
        radius_px: p[2],
        axis_ratio: p[3],
        darkening: p[4],
        brightness: p[5] * scale,
        background: p[6] * scale,
        ..*start
    };
    let r = start.radius_px;
    let bounds = [
        (start.centre_x_px - 0.3 * r, start.centre_x_px + 0.3 * r),
        (start.centre_y_px - 0.3 * r, start.centre_y_px + 0.3 * r),
        (0.7 * r, 1.25 * r),
        (0.5, 1.0),
        (0.0, 3.0),
        (0.01, 100.0),
        (-100.0, 100.0),
    ];
    let first = [
        start.centre_x_px,
        start.centre_y_px,
        r,
        start.axis_ratio,
        start.darkening,
        start.brightness / scale,
        start.background / scale,
    ];
    let typical = [1.0, 1.0, 1.0, 0.01, 0.1, 0.1, 0.1];
    let fit = levenberg_marquardt(first, typical, bounds, pixels.len(), 40, |p, out| {
        let disc = disc_of(p);
        let profile = table.profile(disc.radius_px, disc.darkening);
        for (value, (x, y, z)) in out.iter_mut().zip(&pixels) {
            let model = p[5] * profile.at(disc.distance(*x, *y) * disc.radius_px) + p[6];
            *value = model - z / scale;
        }
    });
    Some(DiscFit {
        disc: disc_of(&fit.parameters),
        residual_rms: scale * (fit.squares / pixels.len() as f64).sqrt(),
        converged: fit.converged,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mtf::clear;

    // Closed forms (textbook, Fourier-Bessel pairs): uniform disc J1(2 pi q) / q; k = 1, the
    // hemisphere: (sin a - a cos a) 2 pi / a^3 with a = 2 pi q; total light 2 pi / (k + 2).
    #[test]
    fn transforms_have_their_closed_forms() {
        for q in [0.1, 0.7, 3.3, 20.0] {
            let a = 2.0 * PI * q;
            assert!((disc_transform(q, 0.0) - libm::j1(a) / q).abs() < 1e-6, "{q}");
            let half = 2.0 * PI * (libm::sin(a) - a * libm::cos(a)) / (a * a * a);
            assert!((disc_transform(q, 1.0) - half).abs() < 1e-6, "{q}");
        }
        assert!((disc_transform(0.0, 0.7) - 2.0 * PI / 2.7).abs() < 1e-6);
    }

    // Abramowitz & Stegun, table 9.5.
    #[test]
    fn zeros_of_j0() {
        assert!((bessel_zero(1) - 2.404_825_557_7).abs() < 1e-9);
        assert!((bessel_zero(5) - 14.930_917_708_5).abs() < 1e-9);
    }

    fn disc() -> Disc {
        Disc {
            centre_x_px: 63.3,
            centre_y_px: 65.1,
            radius_px: 40.4,
            axis_ratio: 1.0,
            angle_rad: 0.0,
            darkening: 0.6,
            brightness: 100.0,
            background: 4.0,
        }
    }

    // The two ways to the same model, by Fourier-Bessel series and by two-dimensional transform.
    // The kink of a telescope's transfer at zero spreads a little light far out, so both need room.
    #[test]
    fn drawing_and_profile_agree() {
        let n = 256;
        let plan = Fft2::new(n, n);
        let disc = Disc { centre_x_px: 127.3, centre_y_px: 129.1, ..disc() };
        let transfer = |f: f64| clear(f / 0.4) * libm::exp(-8.0 * f * f / 0.16);
        let mut picture = vec![0.0; n * n];
        draw(&plan, &disc, transfer, &mut picture);
        let profile = ProfileTable::new(128.0, 0.5, 0.4, transfer).profile(disc.radius_px, disc.darkening);
        let mut worst = 0.0_f64;
        for (i, value) in picture.iter().enumerate() {
            let r = disc.distance((i % n) as f64, (i / n) as f64) * disc.radius_px;
            if r < 60.0 {
                worst = worst.max((f64::from(*value) - 4.0 - 100.0 * profile.at(r)).abs());
            }
        }
        assert!(worst < 0.05, "{worst}");
        // Far inside, a blur of a few pixels changes little.
        let sharp = disc.sharp(8.0 / disc.radius_px);
        assert!((f64::from(picture[129 * n + 135]) / sharp - 1.0).abs() < 0.02);
    }

    #[test]
    fn a_disc_is_found_again() {
        let plan = Fft2::new(128, 128);
        let transfer = |f: f64| clear(f / 0.4) * libm::exp(-8.0 * f * f / 0.16);
        for (axis_ratio, tolerance) in [(1.0, 0.03), (0.935, 0.08)] {
            let truth = Disc { axis_ratio, angle_rad: 0.4, ..disc() };
            let mut picture = vec![0.0; 128 * 128];
            draw(&plan, &truth, transfer, &mut picture);
            let start = Disc {
                centre_x_px: 62.0,
                centre_y_px: 66.5,
                radius_px: 42.0,
                axis_ratio: 0.96,
                darkening: 0.4,
                brightness: 90.0,
                background: 0.0,
                ..truth
            };
            let fit = fit_disc(&picture, 128, 128, &start, (0.7, 1.2), 0.4, transfer).unwrap();
            let d = fit.disc;
            assert!((d.centre_x_px - 63.3).abs() < 0.02 && (d.centre_y_px - 65.1).abs() < 0.02, "{fit:?}");
            assert!((d.radius_px - 40.4).abs() < tolerance, "{fit:?}");
            assert!((d.axis_ratio - axis_ratio).abs() < 0.002, "{fit:?}");
        }
        let nothing = Disc { radius_px: 0.0, ..disc() };
        assert!(fit_disc(&[0.0; 4], 2, 2, &nothing, (0.7, 1.2), 0.4, transfer).is_none());
    }
}
