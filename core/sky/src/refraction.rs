//! How the air lifts and dims: refraction and airmass.
//!
//! Refraction by the IAU SOFA model, A tan z + B tan^3 z with constants for the air and the wavelength
//! (`sofars` refco; Stone 1996, Green 1987), above 15 degrees; by Bennett 1982 (J. Navigation 35, 255) below
//! 5, where the tangent series fails; a smooth blend between. Saemundsson 1986 (Sky and Telescope 72, 70) is
//! the common approximate inverse of Bennett's. Both stand in Meeus, Astronomical Algorithms, ch. 16, for
//! 1010 hPa and 10 C, and are scaled by P/1010 hPa and 283 K/T; they exceed the SOFA model by 2 to 3 %.
//! Airmass: Hardie 1962, Kasten and Young 1989 (Appl. Opt. 28, 4735), Young 1994 (Appl. Opt. 33, 1108),
//! Pickering 2002 (DIO 12, 20).

use crate::site::Air;

/// The wavelength refraction is meant for, micrometres.
const VISUAL_UM: f64 = 0.55;

fn air_factor(air: &Air) -> f64 {
    air.pressure_hpa / 1010.0 * 283.0 / (273.0 + air.temperature_c)
}

fn cot_deg(angle_deg: f64) -> f64 {
    1.0 / angle_deg.to_radians().tan()
}

/// Refraction, arcmin, at an apparent (refracted) altitude in degrees, Bennett 1982; below -1 degree the
/// value at -1 is given.
#[must_use]
pub fn bennett_arcmin(apparent_altitude_deg: f64, air: &Air) -> f64 {
    let h = apparent_altitude_deg.clamp(-1.0, 90.0);
    (cot_deg(h + 7.31 / (h + 4.4)) * air_factor(air)).max(0.0)
}

/// Refraction, arcmin, at a true (airless) altitude in degrees, Saemundsson 1986; below -1.9 degrees the
/// value there is given.
#[must_use]
pub fn saemundsson_arcmin(true_altitude_deg: f64, air: &Air) -> f64 {
    let h = true_altitude_deg.clamp(-1.9, 90.0);
    (1.02 * cot_deg(h + 10.3 / (h + 5.11)) * air_factor(air)).max(0.0)
}

/// Refraction, arcmin, at an apparent altitude in degrees by the SOFA model at 550 nm; for 5 degrees and
/// above, below which the value at 5 is given.
#[must_use]
pub fn sofa_arcmin(apparent_altitude_deg: f64, air: &Air) -> f64 {
    let (a, b) = sofars::astro::refco(air.pressure_hpa, air.temperature_c, air.humidity, VISUAL_UM);
    let tan_z = (90.0 - apparent_altitude_deg.clamp(5.0, 90.0)).to_radians().tan();
    ((a + b * tan_z * tan_z) * tan_z).to_degrees() * 60.0
}

/// Refraction, arcmin, at an apparent (refracted) altitude in degrees.
#[must_use]
pub fn refraction_from_apparent_arcmin(apparent_altitude_deg: f64, air: &Air) -> f64 {
    let share = ((apparent_altitude_deg - 5.0) / 10.0).clamp(0.0, 1.0);
    let smooth = share * share * (3.0 - 2.0 * share);
    let low = bennett_arcmin(apparent_altitude_deg, air);
    low + (sofa_arcmin(apparent_altitude_deg, air) - low) * smooth
}

/// Refraction, arcmin, at a true (airless) altitude in degrees: the inverse of
/// [`refraction_from_apparent_arcmin`]. Well below the horizon, where nothing is seen, it stays what it is
/// at one degree below.
#[must_use]
pub fn refraction_from_true_arcmin(true_altitude_deg: f64, air: &Air) -> f64 {
    let mut refraction_arcmin = saemundsson_arcmin(true_altitude_deg, air);
    // Each round divides the error by 4 at the horizon, by 100 above 15 degrees.
    for _ in 0..6 {
        refraction_arcmin = refraction_from_apparent_arcmin(true_altitude_deg + refraction_arcmin / 60.0, air);
    }
    refraction_arcmin
}

/// Altitude as seen through the air, degrees, from the true one.
#[must_use]
pub fn apparent_altitude_deg(true_altitude_deg: f64, air: &Air) -> f64 {
    true_altitude_deg + refraction_from_true_arcmin(true_altitude_deg, air) / 60.0
}

/// Airmass at an apparent altitude in degrees, Hardie 1962; for 10 degrees and above.
#[must_use]
pub fn airmass_hardie(apparent_altitude_deg: f64) -> f64 {
    let sec = 1.0 / apparent_altitude_deg.to_radians().sin();
    let x = sec - 1.0;
    sec - 0.001_816_7 * x - 0.002_875 * x * x - 0.000_808_3 * x * x * x
}

/// Airmass at an apparent altitude in degrees, 0 to 90, Kasten and Young 1989.
#[must_use]
pub fn airmass_kasten_young(apparent_altitude_deg: f64) -> f64 {
    let h = apparent_altitude_deg.clamp(0.0, 90.0);
    1.0 / (h.to_radians().sin() + 0.505_72 * (h + 6.079_95).powf(-1.6364))
}

/// Airmass at a true (airless) altitude in degrees, 0 to 90, Young 1994.
#[must_use]
pub fn airmass_young(true_altitude_deg: f64) -> f64 {
    let c = true_altitude_deg.clamp(0.0, 90.0).to_radians().sin();
    (1.002_432 * c * c + 0.148_386 * c + 0.009_646_7)
        / (c * c * c + 0.149_864 * c * c + 0.010_296_3 * c + 0.000_303_978)
}

/// Airmass at an apparent altitude in degrees, 0 to 90, Pickering 2002. The one this crate uses by itself.
#[must_use]
pub fn airmass_pickering(apparent_altitude_deg: f64) -> f64 {
    let h = apparent_altitude_deg.clamp(0.0, 90.0);
    1.0 / (h + 244.0 / (165.0 + 47.0 * h.powf(1.1))).to_radians().sin()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Meeus, Astronomical Algorithms, example 16.a: apparent altitude 0d30', true 1'14.7" (1010 hPa, 10 C).
    #[test]
    fn sun_on_the_horizon() {
        let refraction = bennett_arcmin(0.5, &Air::default());
        assert!((30.0 - refraction - (1.0 + 14.7 / 60.0)).abs() < 0.002);
    }

    #[test]
    fn no_air_no_refraction() {
        let none = Air { pressure_hpa: 0.0, ..Air::default() };
        assert_eq!(apparent_altitude_deg(3.0, &none), 3.0);
    }

    #[test]
    fn never_lowers_anything() {
        for altitude in -90..=90 {
            let altitude = f64::from(altitude);
            assert!(refraction_from_true_arcmin(altitude, &Air::default()) >= 0.0);
            assert!(refraction_from_apparent_arcmin(altitude, &Air::default()) >= 0.0);
        }
    }
}
