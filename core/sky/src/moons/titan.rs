//! Titan's position from Saturn's centre.
//!
//! Theory of Harper and Taylor 1993 (Astron. Astrophys. 268, 326) as abridged in Meeus, Astronomical
//! Algorithms, 2nd ed., ch. 46 (constants from memory; checked against another code in the tests). Elements on
//! the ecliptic and equinox of B1950.0, carried to J2000 by the IAU 1976 precession (`sofars` pmat76).

use std::sync::LazyLock;

use crate::vector::{Matrix, Vector, rotated_back};

/// Semi-major axis, km (JPL, mean elements of the Saturnian satellites, from memory).
const SEMI_MAJOR_AXIS_KM: f64 = 1_221_865.0;
/// Obliquity of the ecliptic at B1950.0, degrees.
const OBLIQUITY_B1950_DEG: f64 = 23.445_788_9;
/// Julian date of B1950.0.
const B1950_JD: f64 = 2_433_282.423_459_05;

/// From the equator of J2000 to that of B1950.0.
static TO_B1950: LazyLock<Matrix> = LazyLock::new(|| sofars::pnp::pmat76(B1950_JD, 0.0));

/// Position from Saturn's centre, km, equatorial axes of J2000, at a terrestrial time given as a Julian date.
pub(super) fn position_km(tt_jd: f64) -> Vector {
    let deg = f64::to_radians;
    let t4 = tt_jd - 2_411_368.0;
    let t5 = t4 / 365.25;
    let t7 = (tt_jd - 2_415_020.0) / 36_525.0;

    let w3 = deg(42.0 - 0.5118 * t5);
    let w4 = deg(276.59 + 0.5118 * t5);
    let w5 = deg(267.2635 + 1222.1136 * t7);
    let w6 = deg(175.4762 + 1221.5515 * t7);
    let w7 = deg(2.4891 + 0.002_435 * t7);
    let w8 = deg(113.35 - 0.2597 * t7);
    // Eccentricity of Saturn's orbit.
    let e1 = 0.055_89 - 0.000_346 * t7;

    let longitude = deg(261.1582 + 22.576_978_55 * t4 + 0.074_025 * w3.sin());
    let i1 = deg(27.451_41 + 0.295_999 * w3.cos());
    let node1 = deg(168.669_25 + 0.628_808 * w3.sin());
    let from_saturn = node1 - w8;
    let a1 = w7.sin() * from_saturn.sin();
    let a2 = w7.cos() * i1.sin() - w7.sin() * i1.cos() * from_saturn.cos();
    let g0 = deg(102.8623);
    let psi = a1.atan2(a2);
    let s = a1.hypot(a2);
    let mut g = w4 - node1 - psi;
    let mut pericentre = w4;
    for _ in 0..3 {
        pericentre = w4 + deg(0.375_15) * ((2.0 * g).sin() - (2.0 * g0).sin());
        g = pericentre - node1 - psi;
    }
    let e2 = 0.029_092 + 0.000_190_48 * ((2.0 * g).cos() - (2.0 * g0).cos());
    let q = 2.0 * (w5 - pericentre);
    let b1 = i1.sin() * from_saturn.sin();
    let b2 = w7.cos() * i1.sin() * from_saturn.cos() - w7.sin() * i1.cos();
    let theta = b1.atan2(b2) + w8;
    let eccentricity = e2 + 0.002_778_797 * e2 * q.cos();
    let p = pericentre + deg(0.159_215) * q.sin();
    let u = 2.0 * w5 - 2.0 * theta + psi;
    let h = 0.9375 * e2 * e2 * q.sin() + 0.1875 * s * s * (2.0 * (w5 - theta)).sin();
    let mean_longitude = longitude - deg(0.254_744) * (e1 * w6.sin() + 0.75 * e1 * e1 * (2.0 * w6).sin() + h);
    let inclination = i1 + deg(0.031_843) * s * u.cos();
    let node = node1 + deg(0.031_843) * s * u.sin() / i1.sin();

    // Kepler: the eccentricity is 0.03, ten rounds leave 1e-15.
    let mean_anomaly = mean_longitude - p;
    let mut eccentric = mean_anomaly;
    for _ in 0..10 {
        eccentric = mean_anomaly + eccentricity * eccentric.sin();
    }
    let x = eccentric.cos() - eccentricity;
    let y = (1.0 - eccentricity * eccentricity).sqrt() * eccentric.sin();
    let radius_km = SEMI_MAJOR_AXIS_KM * x.hypot(y);
    let along = y.atan2(x) + p - node;
    let (sin_l, cos_l) = along.sin_cos();
    let (sin_n, cos_n) = node.sin_cos();
    let (sin_i, cos_i) = inclination.sin_cos();
    let ecliptic = [
        radius_km * (cos_l * cos_n - sin_l * cos_i * sin_n),
        radius_km * (sin_l * cos_i * cos_n + cos_l * sin_n),
        radius_km * sin_l * sin_i,
    ];
    let (sin_e, cos_e) = deg(OBLIQUITY_B1950_DEG).sin_cos();
    let equatorial =
        [ecliptic[0], ecliptic[1] * cos_e - ecliptic[2] * sin_e, ecliptic[1] * sin_e + ecliptic[2] * cos_e];
    rotated_back(&TO_B1950, equatorial)
}
