//! What a telescope and a camera can resolve: plate scale, diffraction, sampling, transfer function.
//!
//! Diffraction of a circular aperture with a central obstruction of `obstruction` times its diameter:
//! amplitude (J1(x)/x - e^2 J1(e x)/(e x)) / (1 - e^2) times 2, x = pi r D/lambda (Airy 1835; Born and Wolf,
//! Principles of Optics). Transfer function: autocorrelation of the pupil (Goodman, Introduction to Fourier
//! Optics), from areas of overlapping circles. Nyquist: two pixels per cycle at the cutoff D/lambda.

use serde::{Deserialize, Serialize};

use crate::error::{SkyError, within};

/// Arcseconds in a radian.
pub const ARCSEC_PER_RAD: f64 = 206_264.806_247_096_36;
/// First zero of the Airy pattern, in lambda/D.
pub const RAYLEIGH_LAMBDA_OVER_D: f64 = 1.219_669_891_266_504_5;
/// Sparrow's limit: twice the inflexion point of the Airy pattern, in lambda/D.
pub const SPARROW_LAMBDA_OVER_D: f64 = 0.947_155_253;

/// A telescope.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Telescope {
    /// Diameter of the aperture, mm.
    pub aperture_mm: f64,
    /// Diameter of the central obstruction over that of the aperture, 0 to below 1.
    pub obstruction: f64,
    /// Focal length at the camera, amplifiers and reducers included, mm.
    pub focal_mm: f64,
}

impl Telescope {
    /// This telescope, if its numbers are possible.
    ///
    /// # Errors
    /// Aperture outside 5..50000 mm, obstruction outside 0..0.95, focal length outside 10..1e6 mm.
    pub fn checked(self) -> Result<Self, SkyError> {
        within("aperture_mm", self.aperture_mm, 5.0, 50_000.0, "from 5 to 50000")?;
        within("obstruction", self.obstruction, 0.0, 0.95, "from 0 to 0.95")?;
        within("focal_mm", self.focal_mm, 10.0, 1e6, "from 10 to 1000000")?;
        Ok(self)
    }

    /// Focal ratio.
    #[must_use]
    pub fn focal_ratio(&self) -> f64 {
        self.focal_mm / self.aperture_mm
    }
}

/// Angle a pixel sees, arcsec.
#[must_use]
pub fn arcsec_per_px(pixel_um: f64, focal_mm: f64) -> f64 {
    2.0 * (pixel_um * 1e-3 / (2.0 * focal_mm)).atan() * ARCSEC_PER_RAD
}

/// Wavelength over aperture, arcsec.
#[must_use]
pub fn lambda_over_d_arcsec(aperture_mm: f64, wavelength_nm: f64) -> f64 {
    wavelength_nm * 1e-6 / aperture_mm * ARCSEC_PER_RAD
}

/// Rayleigh's limit, arcsec: the first dark ring of a clear aperture.
#[must_use]
pub fn rayleigh_arcsec(aperture_mm: f64, wavelength_nm: f64) -> f64 {
    RAYLEIGH_LAMBDA_OVER_D * lambda_over_d_arcsec(aperture_mm, wavelength_nm)
}

/// Sparrow's limit, arcsec: two points whose dip just vanishes.
#[must_use]
pub fn sparrow_arcsec(aperture_mm: f64, wavelength_nm: f64) -> f64 {
    SPARROW_LAMBDA_OVER_D * lambda_over_d_arcsec(aperture_mm, wavelength_nm)
}

/// Dawes's limit, arcsec: 4.56 inches over the aperture, for equal stars by eye (Dawes 1867).
#[must_use]
pub fn dawes_arcsec(aperture_mm: f64) -> f64 {
    4.56 * 25.4 / aperture_mm
}

/// Highest spatial frequency an aperture passes, cycles per arcsec.
#[must_use]
pub fn cutoff_cycles_per_arcsec(aperture_mm: f64, wavelength_nm: f64) -> f64 {
    1.0 / lambda_over_d_arcsec(aperture_mm, wavelength_nm)
}

/// Focal ratio at which two pixels fall on one cycle of the cutoff: 2 p / lambda.
#[must_use]
pub fn nyquist_focal_ratio(pixel_um: f64, wavelength_nm: f64) -> f64 {
    2.0 * pixel_um / (wavelength_nm * 1e-3)
}

/// Magnification of an eyepiece.
#[must_use]
pub fn magnification(focal_mm: f64, eyepiece_mm: f64) -> f64 {
    focal_mm / eyepiece_mm
}

/// Strehl ratio of a small wavefront error, waves rms (extended Marechal, exp(-(2 pi s)^2)).
#[must_use]
pub fn strehl(rms_waves: f64) -> f64 {
    (-(std::f64::consts::TAU * rms_waves).powi(2)).exp()
}

/// Intensity of the diffraction pattern, 1 at the centre, at a radius in lambda/D.
#[must_use]
pub fn airy_intensity(radius_lambda_over_d: f64, obstruction: f64) -> f64 {
    airy_amplitude(radius_lambda_over_d, obstruction).powi(2)
}

fn airy_amplitude(radius_lambda_over_d: f64, obstruction: f64) -> f64 {
    // 2 J1(x)/x, 1 at the centre.
    let jinc = |x: f64| {
        if x.abs() < 1e-8 { 1.0 } else { 2.0 * libm::j1(x) / x }
    };
    let x = std::f64::consts::PI * radius_lambda_over_d;
    let e2 = obstruction * obstruction;
    (jinc(x) - e2 * jinc(obstruction * x)) / (1.0 - e2)
}

/// Radius of the first dark ring, in lambda/D: 1.22 for a clear aperture, less with an obstruction.
#[must_use]
pub fn first_dark_ring_lambda_over_d(obstruction: f64) -> f64 {
    // The amplitude falls from 1 through its first zero between 0.7 (thin ring) and 1.23.
    bisect(|r| airy_amplitude(r, obstruction), 0.3, 1.3)
}

/// Full width at half maximum of the diffraction pattern, in lambda/D.
#[must_use]
pub fn airy_fwhm_lambda_over_d(obstruction: f64) -> f64 {
    2.0 * bisect(|r| airy_intensity(r, obstruction) - 0.5, 0.0, 0.7)
}

/// Peak of the first bright ring, relative to the centre.
#[must_use]
pub fn first_ring_peak(obstruction: f64) -> f64 {
    let start = first_dark_ring_lambda_over_d(obstruction);
    // The ring's peak lies within one lambda/D outside the dark ring; 2000 steps place it to 1e-6 in value.
    (0..=2000).map(|step| airy_intensity(start + f64::from(step) / 2000.0, obstruction)).fold(0.0, f64::max)
}

/// Zero of a function that falls from `low` to `high`.
fn bisect(falling: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if falling(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Diffraction-limited transfer at a spatial frequency, in units of the cutoff (1 at 0, 0 from 1 on), of an
/// aperture with a central obstruction.
#[must_use]
pub fn transfer(frequency_of_cutoff: f64, obstruction: f64) -> f64 {
    let shift = 2.0 * frequency_of_cutoff.abs();
    let area =
        overlap(1.0, 1.0, shift) - 2.0 * overlap(1.0, obstruction, shift) + overlap(obstruction, obstruction, shift);
    area / (std::f64::consts::PI * (1.0 - obstruction * obstruction))
}

/// Area common to two circles of radii `a` >= `b` with centres `d` apart.
fn overlap(a: f64, b: f64, d: f64) -> f64 {
    if d >= a + b || b <= 0.0 {
        return 0.0;
    }
    if d <= a - b {
        return std::f64::consts::PI * b * b;
    }
    let part = |own: f64, other: f64| {
        let along = ((d * d + own * own - other * other) / (2.0 * d * own)).clamp(-1.0, 1.0);
        own * own * libm::acos(along)
    };
    let kite = ((a + b - d) * (d + a - b) * (d - a + b) * (d + a + b)).max(0.0);
    part(a, b) + part(b, a) - 0.5 * kite.sqrt()
}

/// Data that a camera delivers, megabytes (1e6 bytes) per second.
#[must_use]
pub fn data_rate_mb_per_s(width_px: u32, height_px: u32, bytes_per_px: u32, frames_per_s: f64) -> f64 {
    f64::from(width_px) * f64::from(height_px) * f64::from(bytes_per_px) * frames_per_s * 1e-6
}

/// How the pixels sample what the optics can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SamplingVerdict {
    /// Fewer than 2 pixels per lambda/D: the finest detail is lost or aliased.
    Under,
    /// 2 to 3.5 pixels per lambda/D: all detail recorded, no light wasted.
    Good,
    /// More than 3.5 pixels per lambda/D: nothing gained, light and speed lost.
    Over,
}

/// The sampling of an image.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sampling {
    /// Angle a pixel sees, arcsec.
    pub arcsec_per_px: f64,
    /// Focal ratio.
    pub focal_ratio: f64,
    /// Pixels per lambda/D.
    pub px_per_lambda_over_d: f64,
    /// Focal ratio of exactly two pixels per lambda/D.
    pub nyquist_focal_ratio: f64,
    /// Pixels per lambda/D among the pixels of one colour of a mosaic (red or blue: every second pixel);
    /// the same as `px_per_lambda_over_d` for a mono camera.
    pub colour_px_per_lambda_over_d: f64,
    /// Verdict on the full pixel grid.
    pub verdict: SamplingVerdict,
}

/// Judges the sampling of a telescope and a camera at a wavelength.
///
/// # Errors
/// An impossible telescope; a pixel outside 0.1..100 um; a wavelength outside 200..5000 nm.
pub fn sampling(
    telescope: &Telescope,
    pixel_um: f64,
    colour_mosaic: bool,
    wavelength_nm: f64,
) -> Result<Sampling, SkyError> {
    telescope.checked()?;
    within("pixel_um", pixel_um, 0.1, 100.0, "from 0.1 to 100")?;
    within("wavelength_nm", wavelength_nm, 200.0, 5000.0, "from 200 to 5000")?;
    let scale = arcsec_per_px(pixel_um, telescope.focal_mm);
    let px_per_lambda_over_d = lambda_over_d_arcsec(telescope.aperture_mm, wavelength_nm) / scale;
    Ok(Sampling {
        arcsec_per_px: scale,
        focal_ratio: telescope.focal_ratio(),
        px_per_lambda_over_d,
        nyquist_focal_ratio: nyquist_focal_ratio(pixel_um, wavelength_nm),
        colour_px_per_lambda_over_d: px_per_lambda_over_d / if colour_mosaic { 2.0 } else { 1.0 },
        verdict: if px_per_lambda_over_d < 2.0 {
            SamplingVerdict::Under
        } else if px_per_lambda_over_d <= 3.5 {
            SamplingVerdict::Good
        } else {
            SamplingVerdict::Over
        },
    })
}
