//! Turbulence: seeing, Fried's parameter, coherence time, and what an exposure and a clip can hope for.
//!
//! FWHM = 0.98 lambda/r0; r0 grows as lambda^(6/5) and as sin(altitude)^(3/5); coherence time
//! tau0 = 0.314 r0/v, after which the phase at a point has changed by 1 rad rms, growing as t^(5/6)
//! (Fried 1966, Roddier 1981). Residual variances: Noll 1976 (J. Opt. Soc. Am. 66, 207). Lucky frames:
//! Fried 1978 (J. Opt. Soc. Am. 68, 1651), P = 5.6 exp(-0.1557 (D/r0)^2) for D/r0 > 3.5.

use serde::{Deserialize, Serialize};

use crate::optics::ARCSEC_PER_RAD;

/// Fried's parameter, m, of a seeing given as its long-exposure FWHM, arcsec, at the same wavelength.
#[must_use]
pub fn r0_m(fwhm_arcsec: f64, wavelength_nm: f64) -> f64 {
    0.98 * wavelength_nm * 1e-9 * ARCSEC_PER_RAD / fwhm_arcsec
}

/// Long-exposure FWHM, arcsec, of a Fried parameter, m, at the same wavelength.
#[must_use]
pub fn fwhm_arcsec(r0_m: f64, wavelength_nm: f64) -> f64 {
    0.98 * wavelength_nm * 1e-9 * ARCSEC_PER_RAD / r0_m
}

/// Fried's parameter at another wavelength.
#[must_use]
pub fn r0_at_wavelength_m(r0_m: f64, from_nm: f64, to_nm: f64) -> f64 {
    r0_m * (to_nm / from_nm).powf(1.2)
}

/// Fried's parameter at an altitude, degrees, from that at the zenith.
#[must_use]
pub fn r0_at_altitude_m(zenith_r0_m: f64, altitude_deg: f64) -> f64 {
    zenith_r0_m * altitude_deg.to_radians().sin().max(0.0).powf(0.6)
}

/// Coherence time, s, of turbulence carried by a wind of `wind_m_per_s`.
#[must_use]
pub fn coherence_time_s(r0_m: f64, wind_m_per_s: f64) -> f64 {
    0.314 * r0_m / wind_m_per_s
}

/// Residual phase variance, rad^2, with the first `modes` (1 to 21) Zernike modes taken off, piston first.
/// Modes outside that range are taken at its nearer end.
#[must_use]
pub fn noll_residual_rad2(modes: usize, d_over_r0: f64) -> f64 {
    // Noll's eq. A2, exact constants: a mode of radial order n carries v(n), with v(1) = 0.44888 and
    // v(n) / v(n-1) = (n + 1)/n (n - 11/6)/(n + 17/6); without piston all modes together carry 1.03242.
    const TOTAL: f64 = 1.032_42;
    const TILT: f64 = 0.448_88;
    let mut variance = TOTAL;
    let (mut order, mut left, mut each) = (1.0, 2, TILT);
    for _ in 1..modes.clamp(1, 21) {
        variance -= each;
        left -= 1;
        if left == 0 {
            order += 1.0;
            each *= (order + 1.0) / order * (order - 11.0 / 6.0) / (order + 17.0 / 6.0);
            left = order as usize + 1;
        }
    }
    variance * d_over_r0.powf(5.0 / 3.0)
}

/// Share of short exposures that are nearly diffraction-limited (wavefront variance below 1 rad^2), 0 to 1,
/// Fried 1978. The fit holds for D/r0 above 3.5; below, it is cut off at 1.
#[must_use]
pub fn lucky_probability(d_over_r0: f64) -> f64 {
    (5.6 * (-0.1557 * d_over_r0 * d_over_r0).exp()).min(1.0)
}

/// Whether an exposure is short enough for the air.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FreezeVerdict {
    /// At most one coherence time: the wavefront changes by less than 1 rad.
    Frozen,
    /// Up to three coherence times: the finest speckles smear, the image's motion is still frozen.
    Partly,
    /// Longer: detail is averaged away while the shutter is open.
    Blurred,
}

/// An exposure against the coherence time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Freeze {
    /// Exposure, ms.
    pub exposure_ms: f64,
    /// Coherence time, ms.
    pub coherence_time_ms: f64,
    /// Change of the phase at a point while the shutter is open, rad rms.
    pub phase_change_rad: f64,
    /// The verdict.
    pub verdict: FreezeVerdict,
}

/// Judges an exposure, ms, against a coherence time, s.
#[must_use]
pub fn freeze(exposure_ms: f64, coherence_time_s: f64) -> Freeze {
    let coherence_time_ms = coherence_time_s * 1e3;
    let ratio = exposure_ms / coherence_time_ms;
    Freeze {
        exposure_ms,
        coherence_time_ms,
        phase_change_rad: ratio.powf(5.0 / 6.0),
        verdict: if ratio <= 1.0 {
            FreezeVerdict::Frozen
        } else if ratio <= 3.0 {
            FreezeVerdict::Partly
        } else {
            FreezeVerdict::Blurred
        },
    }
}
