//! Transfer functions of telescope, pixel, air and stack.
//!
//! `nu` is the spatial frequency over the diffraction cut-off `D / lambda` (0..1).

use std::f64::consts::PI;

/// Cut-off frequency of an aperture in cycles per pixel: `D p / (lambda f)`.
/// Aperture and focal length in mm, wavelength in nm, pixel in micrometres.
pub fn cutoff_cycles_per_px(aperture_mm: f64, wavelength_nm: f64, focal_mm: f64, pixel_um: f64) -> f64 {
    aperture_mm * pixel_um * 1e3 / (wavelength_nm * focal_mm)
}

/// Clear circular aperture: `2 / pi (acos nu - nu sqrt(1 - nu^2))` (Goodman, Introduction to
/// Fourier Optics).
pub fn clear(nu: f64) -> f64 {
    let nu = nu.abs();
    if nu >= 1.0 {
        return 0.0;
    }
    2.0 / PI * (libm::acos(nu) - nu * (1.0 - nu * nu).sqrt())
}

/// Area common to two circles of radii `a`, `b` at distance `d` (lens formula).
fn overlap(a: f64, b: f64, d: f64) -> f64 {
    if d >= a + b {
        return 0.0;
    }
    let small = a.min(b);
    if d <= (a - b).abs() {
        return PI * small * small;
    }
    let angle = |r: f64, s: f64| libm::acos(((d * d + r * r - s * s) / (2.0 * d * r)).clamp(-1.0, 1.0));
    let kite = (-d + a + b) * (d + a - b) * (d - a + b) * (d + a + b);
    a * a * angle(a, b) + b * b * angle(b, a) - 0.5 * kite.max(0.0).sqrt()
}

/// Annular aperture with a central obstruction of `obstruction` (0..1, of the diameter), from
/// circle overlaps.
pub fn obstructed(nu: f64, obstruction: f64) -> f64 {
    let nu = nu.abs();
    if nu >= 1.0 {
        return 0.0;
    }
    let e = obstruction.clamp(0.0, 0.99);
    let d = 2.0 * nu;
    let area = overlap(1.0, 1.0, d) - 2.0 * overlap(1.0, e, d) + overlap(e, e, d);
    area / (PI * (1.0 - e * e))
}

/// Square pixel that fills its pitch: `sin(pi u) / (pi u)` along one axis, `u` in cycles per
/// pixel.
pub fn pixel(u: f64) -> f64 {
    let x = PI * u;
    if x.abs() < 1e-9 { 1.0 } else { libm::sin(x) / x }
}

/// Long exposure through Kolmogorov turbulence: `exp(-3.44 (nu D / r0)^(5/3))` (Fried 1966, J.
/// Opt. Soc. Am. 56, 1372).
pub fn long_exposure(nu: f64, d_over_r0: f64) -> f64 {
    libm::exp(-3.44 * libm::pow(nu.abs() * d_over_r0, 5.0 / 3.0))
}

/// Mean of short exposures freed of image motion:
/// `exp(-3.44 (nu D / r0)^(5/3) (1 - a nu^(1/3)))`, `a` = 1 near the aperture, 0.5 far from it
/// (Fried 1966).
pub fn short_exposure(nu: f64, d_over_r0: f64, a: f64) -> f64 {
    let nu = nu.abs();
    libm::exp(-3.44 * libm::pow(nu * d_over_r0, 5.0 / 3.0) * (1.0 - a * libm::cbrt(nu)))
}

/// Variance of image motion along one axis in `(lambda / D)^2`:
/// `0.170 (D / r0)^(5/3)` (wavefront-gradient tilt).
pub fn image_motion_variance(d_over_r0: f64) -> f64 {
    0.170 * libm::pow(d_over_r0, 5.0 / 3.0)
}

/// What is left of contrast by Gaussian image motion of standard deviation `sigma_px` along
/// each axis at `u` cycles per pixel: `exp(-2 pi^2 sigma^2 u^2)`.
pub fn jitter(u: f64, sigma_px: f64) -> f64 {
    libm::exp(-2.0 * PI * PI * sigma_px * sigma_px * u * u)
}

/// A stack's transfer: a coherent core and a halo,
/// `MTF0 (c e^{-j nu^2} + (1 - c) e^{-h nu^(5/3)})`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoreHalo {
    /// Central obstruction of the aperture, of the diameter (0..1).
    pub obstruction: f64,
    /// Share of the core, 0..1.
    pub core: f64,
    /// Strength of the halo, about `0.75 * 3.44 (D / r0)^(5/3)`.
    pub halo: f64,
    /// Jitter of the core, 0..6.
    pub jitter: f64,
}

impl CoreHalo {
    /// The transfer at `nu`.
    pub fn at(&self, nu: f64) -> f64 {
        let nu = nu.abs();
        if nu >= 1.0 {
            return 0.0;
        }
        let core = self.core * libm::exp(-self.jitter * nu * nu);
        let halo = (1.0 - self.core) * libm::exp(-self.halo * libm::pow(nu, 5.0 / 3.0));
        obstructed(nu, self.obstruction) * (core + halo)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Circle-overlap values checked against the FFT autocorrelation of a 2048^2 pupil (numpy
    // 2.4.6); closed form for the clear aperture (Goodman).
    const NU: [f64; 15] = [0.0, 0.05, 0.1, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.9, 0.95, 1.0];
    const TABLE: [(f64, [f64; 15]); 5] = [
        (
            0.0,
            [
                1.0, 0.936365, 0.872889, 0.74706, 0.685038, 0.623838, 0.504632, 0.391002, 0.284757, 0.18812, 0.144294,
                0.104088, 0.037386, 0.01332, 0.0,
            ],
        ),
        (
            0.2,
            [
                1.0, 0.92059, 0.842217, 0.694854, 0.630248, 0.566498, 0.442325, 0.367397, 0.296622, 0.195959, 0.150306,
                0.108425, 0.038944, 0.013875, 0.0,
            ],
        ),
        (
            0.25,
            [
                1.0, 0.91526, 0.83139, 0.67047, 0.597373, 0.532094, 0.412782, 0.353945, 0.297467, 0.200662, 0.153913,
                0.111027, 0.039878, 0.014208, 0.0,
            ],
        ),
        (
            0.33,
            [
                1.0, 0.905102, 0.810935, 0.627988, 0.541197, 0.459625, 0.361027, 0.325159, 0.289267, 0.21111, 0.161928,
                0.116808, 0.041955, 0.014948, 0.0,
            ],
        ),
        (
            0.4,
            [
                1.0, 0.894007, 0.788684, 0.582881, 0.484016, 0.389196, 0.30672, 0.291236, 0.273692, 0.223953, 0.171778,
                0.123914, 0.044507, 0.015857, 0.0,
            ],
        ),
    ];

    #[test]
    fn apertures_match_the_table() {
        for (obstruction, row) in TABLE {
            for (nu, expected) in NU.into_iter().zip(row) {
                assert!((obstructed(nu, obstruction) - expected).abs() < 1e-5, "{obstruction} {nu}");
                if obstruction == 0.0 {
                    assert!((clear(nu) - expected).abs() < 1e-5);
                }
            }
        }
    }

    // lambda/D 0.5583 arcsec at 203.2 mm and 550 nm, 0.294374 arcsec per pixel at 2032 mm and
    // 2.9 um (geometry): cut-off 0.294374 / 0.5583 cycles per pixel.
    #[test]
    fn cutoff_in_pixels() {
        let got = cutoff_cycles_per_px(203.2, 550.0, 2032.0, 2.9);
        assert!((got - 0.294374 / 0.5583).abs() < 1e-4);
    }

    // Long-exposure full width 0.976 lambda / r0 (Dierickx 1992 and common practice; here by
    // Hankel transform of the transfer).
    #[test]
    fn seeing_disc_has_the_known_width() {
        let profile = |r: f64| {
            let step = 1e-3;
            (1..2500)
                .map(|i| {
                    let f = i as f64 * step;
                    long_exposure(f, 1.0) * libm::j0(2.0 * PI * f * r) * f * step
                })
                .sum::<f64>()
        };
        let peak = profile(0.0);
        let (mut low, mut high) = (0.2, 1.0);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if profile(middle) > 0.5 * peak { low = middle } else { high = middle }
        }
        assert!((2.0 * low - 0.976).abs() < 0.002, "{}", 2.0 * low);
    }

    // Noll 1976, Table IV: residuals 1.0299 after piston and 0.134 after both tilts, so tilt
    // holds 0.448 rad^2 an axis. A tilt coefficient `a` moves the image by 2 a / pi lambda/D.
    // Zernike tilt exceeds gradient tilt by 5 to 7 %.
    #[test]
    fn image_motion_agrees_with_nolls_tilt() {
        let noll = (1.0299 - 0.134) / 2.0 * 4.0 / (PI * PI);
        let ratio = noll / image_motion_variance(1.0);
        assert!((1.04..1.08).contains(&ratio), "{ratio}");
        // Fried's short exposure differs from the long one by the same tilt, within as much.
        let nu: f64 = 0.1;
        let removed = libm::log(short_exposure(nu, 2.0, 1.0) / long_exposure(nu, 2.0));
        let tilt = 2.0 * PI * PI * image_motion_variance(2.0) * nu * nu;
        assert!((removed / tilt - 1.0).abs() < 0.04, "{}", removed / tilt);
    }

    #[test]
    fn the_core_alone_is_the_telescope() {
        let model = CoreHalo { obstruction: 0.3, core: 1.0, halo: 16.0, jitter: 0.0 };
        assert_eq!(model.at(0.4), obstructed(0.4, 0.3));
        assert_eq!(model.at(1.2), 0.0);
        assert!((pixel(0.5) - 2.0 / PI).abs() < 1e-12);
        assert!((jitter(0.2, 1.0) - 0.454).abs() < 1e-3);
    }
}
