//! Jovicentric positions of Io, Europa, Ganymede and Callisto by Lainey's L1.2 (see `galilean_terms`).
//!
//! The series give the semi-major axis, the mean longitude, and the vectors of eccentricity and inclination
//! on Jupiter's equator of J2000; Kepler's equation in equinoctial form then gives the place. The terms left out come to
//! a few hundred km, a tenth of an arcsec; Lieske's E5 differs by up to half an arcsec between 1950 and 2050.

use super::galilean_terms::{JUPITER_EQUATOR, SERIES, Series, Term};
use crate::ephemeris::AU_KM;
use crate::vector::{Vector, rotated_back, scaled};

/// Julian date of the series' epoch, 1950-01-01T00:00 TT.
const EPOCH_JD: f64 = 2_433_282.5;

/// Position of a satellite (0 Io to 3 Callisto) from Jupiter's centre, km, equatorial axes of J2000, at a
/// terrestrial time given as a Julian date.
pub(super) fn position_km(index: usize, tt_jd: f64) -> Vector {
    let series: &Series = &SERIES[index];
    let days = tt_jd - EPOCH_JD;
    let cosines = |terms: &[Term]| -> f64 { terms.iter().map(|t| t.0 * (t.1 + t.2 * days).cos()).sum() };
    let sines = |terms: &[Term]| -> f64 { terms.iter().map(|t| t.0 * (t.1 + t.2 * days).sin()).sum() };
    let axis_km = cosines(series.semi_major_axis_au) * AU_KM;
    let longitude = series.mean_longitude[0] + series.mean_longitude[1] * days + sines(series.longitude);
    let (k, h) = (cosines(series.eccentricity), sines(series.eccentricity));
    let (q, p) = (cosines(series.inclination), sines(series.inclination));

    // F = longitude + k sin F - h cos F: the eccentricity is below 0.01, ten rounds leave nothing.
    let mut eccentric = longitude;
    for _ in 0..10 {
        eccentric = longitude + k * eccentric.sin() - h * eccentric.cos();
    }
    let (sin, cos) = eccentric.sin_cos();
    let equation = h * cos - k * sin;
    let psi = 1.0 / (1.0 + (1.0 - k * k - h * h).sqrt());
    let x = cos - k - psi * h * equation;
    let y = sin - h + psi * k * equation;
    let tilt = 2.0 * (1.0 - q * q - p * p).sqrt();
    let on_equator =
        [x * (1.0 - 2.0 * p * p) + y * 2.0 * p * q, x * 2.0 * p * q + y * (1.0 - 2.0 * q * q), (q * y - x * p) * tilt];
    scaled(rotated_back(&JUPITER_EQUATOR, on_equator), axis_km)
}
