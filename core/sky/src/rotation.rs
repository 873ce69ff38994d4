//! How the bodies stand and turn: the IAU rotation elements.
//!
//! Pole right ascension and declination (ICRF) and prime-meridian angle W:
//! `ra = a0 + a1 T + sum A sin(p + q T)`, `dec = d0 + d1 T + sum D cos(p + q T)`,
//! `W = w0 + w1 d + w2 d^2 + sum B sin(p + q T)`, T in Julian centuries and d in days of TDB from J2000.0.
//!
//! Source: Archinal et al. 2018, "Report of the IAU Working Group on Cartographic Coordinates and
//! Rotational Elements: 2015", Celest. Mech. Dyn. Astr. 130:22. The Moon's series is that of the 2009
//! report (Archinal et al. 2011, Celest. Mech. Dyn. Astr. 109:101). Jupiter's Systems I and II: footnote to
//! the same tables. Saturn's System I: 227.2037 + 844.3 d, Davies et al. 1980, from secondary sources.

use serde::{Deserialize, Serialize};

use crate::body::Body;
use crate::time::J2000_JD;
use crate::vector::Matrix;

/// A rotation system of a giant planet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum System {
    /// The equatorial jets (Jupiter within about 10 degrees of the equator; Saturn's equator).
    I,
    /// Jupiter's other latitudes.
    II,
    /// The magnetic field's, the body's prime meridian in the IAU reports.
    III,
}

/// How a body stands at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Orientation {
    /// Right ascension of the north pole (IAU sense), ICRF, degrees.
    pub pole_ra_deg: f64,
    /// Declination of the north pole, ICRF, degrees.
    pub pole_dec_deg: f64,
    /// Prime meridian from the node of the equator on the ICRF equator, degrees, 0 to 360.
    pub prime_meridian_deg: f64,
}

/// A periodic term: amplitude, phase, both degrees, and degrees per Julian century.
type Term = (f64, f64, f64);

struct Elements {
    ra: [f64; 2],
    dec: [f64; 2],
    meridian: [f64; 3],
    ra_sines: &'static [Term],
    dec_cosines: &'static [Term],
    meridian_sines: &'static [Term],
}

const fn plain(ra: [f64; 2], dec: [f64; 2], meridian: [f64; 2]) -> Elements {
    Elements {
        ra,
        dec,
        meridian: [meridian[0], meridian[1], 0.0],
        ra_sines: &[],
        dec_cosines: &[],
        meridian_sines: &[],
    }
}

const MERCURY: Elements = Elements {
    meridian_sines: &[
        (0.01067257, 174.7910857, 149472.535875),
        (-0.00112309, 349.5821714, 298945.07175),
        (-0.00011040, 164.3732571, 448417.607625),
        (-0.00002539, 339.1643429, 597890.1435),
        (-0.00000571, 153.9554286, 747362.679375),
    ],
    ..plain([281.0103, -0.0328], [61.4155, -0.0049], [329.5988, 6.1385108])
};
const VENUS: Elements = plain([272.76, 0.0], [67.16, 0.0], [160.20, -1.4813688]);
const MARS: Elements = Elements {
    ra_sines: &[
        (0.000068, 198.991226, 19139.4819985),
        (0.000238, 226.292679, 38280.8511281),
        (0.000052, 249.663391, 57420.7251593),
        (0.000009, 266.183510, 76560.636795),
        (0.419057, 79.398797, 0.5042615),
    ],
    dec_cosines: &[
        (0.000051, 122.433576, 19139.9407476),
        (0.000141, 43.058401, 38280.8753272),
        (0.000031, 57.663379, 57420.7517205),
        (0.000005, 79.476401, 76560.6495004),
        (1.591274, 166.325722, 0.5042615),
    ],
    meridian_sines: &[
        (0.000145, 129.071773, 19140.0328244),
        (0.000157, 36.352167, 38281.0473591),
        (0.000040, 56.668646, 57420.929536),
        (0.000001, 67.364003, 76560.2552215),
        (0.000001, 104.792680, 95700.4387578),
        (0.584542, 95.391654, 0.5042615),
    ],
    ..plain([317.269202, -0.10927547], [54.432516, -0.05827105], [176.049863, 350.891982443297])
};
const JUPITER: Elements = Elements {
    ra_sines: &[
        (0.000117, 99.360714, 4850.4046),
        (0.000938, 175.895369, 1191.9605),
        (0.001432, 300.323162, 262.5475),
        (0.000030, 114.012305, 6070.2476),
        (0.002150, 49.511251, 64.3),
    ],
    dec_cosines: &[
        (0.000050, 99.360714, 4850.4046),
        (0.000404, 175.895369, 1191.9605),
        (0.000617, 300.323162, 262.5475),
        (-0.000013, 114.012305, 6070.2476),
        (0.000926, 49.511251, 64.3),
    ],
    ..plain([268.056595, -0.006499], [64.495303, 0.002413], [284.95, 870.536])
};
const SATURN: Elements = plain([40.589, -0.036], [83.537, -0.004], [38.90, 810.7939024]);
const URANUS: Elements = plain([257.311, 0.0], [-15.175, 0.0], [203.81, -501.1600928]);
const NEPTUNE: Elements = Elements {
    ra_sines: &[(0.70, 357.85, 52.316)],
    dec_cosines: &[(-0.51, 357.85, 52.316)],
    meridian_sines: &[(-0.48, 357.85, 52.316)],
    ..plain([299.36, 0.0], [43.46, 0.0], [249.978, 541.1397757])
};
const MOON: Elements = Elements {
    ra: [269.9949, 0.0031],
    dec: [66.5392, 0.0130],
    meridian: [38.3213, 13.17635815, -1.4e-12],
    ra_sines: &[
        (-3.8787, 125.045, -1935.5364525),
        (-0.1204, 250.089, -3871.072905),
        (0.0700, 260.008, 475263.3328725),
        (-0.0172, 176.625, 487269.629985),
        (0.0072, 311.589, 964468.49931),
        (-0.0052, 15.134, -5806.6093575),
        (0.0043, 25.053, 473327.79642),
    ],
    dec_cosines: &[
        (1.5419, 125.045, -1935.5364525),
        (0.0239, 250.089, -3871.072905),
        (-0.0278, 260.008, 475263.3328725),
        (0.0068, 176.625, 487269.629985),
        (-0.0029, 311.589, 964468.49931),
        (0.0009, 134.963, 477198.869325),
        (0.0008, 15.134, -5806.6093575),
        (-0.0009, 25.053, 473327.79642),
    ],
    meridian_sines: &[
        (3.5610, 125.045, -1935.5364525),
        (0.1208, 250.089, -3871.072905),
        (-0.0642, 260.008, 475263.3328725),
        (0.0158, 176.625, 487269.629985),
        (0.0252, 357.529, 35999.0509575),
        (-0.0066, 311.589, 964468.49931),
        (-0.0047, 134.963, 477198.869325),
        (-0.0046, 276.617, 12006.300765),
        (0.0028, 34.226, 63863.5132425),
        (0.0052, 15.134, -5806.6093575),
        (0.0040, 119.743, 131.84064),
        (0.0019, 239.961, 6003.1503825),
        (-0.0044, 25.053, 473327.79642),
    ],
};

fn elements(body: Body) -> &'static Elements {
    match body {
        Body::Mercury => &MERCURY,
        Body::Venus => &VENUS,
        Body::Mars => &MARS,
        Body::Jupiter => &JUPITER,
        Body::Saturn => &SATURN,
        Body::Uranus => &URANUS,
        Body::Neptune => &NEPTUNE,
        Body::Moon => &MOON,
    }
}

/// W0 (degrees) and rate (degrees per day) of a rotation system; `None` where the body has no such system.
const fn system_elements(body: Body, system: System) -> Option<(f64, f64)> {
    match (body, system) {
        (Body::Jupiter, System::I) => Some((67.1, 877.900)),
        (Body::Jupiter, System::II) => Some((43.3, 870.270)),
        (Body::Jupiter, System::III) => Some((284.95, 870.536)),
        (Body::Saturn, System::I) => Some((227.2037, 844.3)),
        (Body::Saturn, System::III) => Some((38.90, 810.7939024)),
        _ => None,
    }
}

/// How a body stands at a barycentric dynamical time, given as a Julian date (the instant at the body,
/// that is with the light time taken off).
#[must_use]
pub fn orientation(body: Body, tdb_jd: f64) -> Orientation {
    let el = elements(body);
    let days = tdb_jd - J2000_JD;
    let centuries = days / 36_525.0;
    let phase = |&(_, phase_deg, rate): &Term| (phase_deg + rate * centuries).to_radians();
    Orientation {
        pole_ra_deg: el.ra[0] + el.ra[1] * centuries + el.ra_sines.iter().map(|t| t.0 * phase(t).sin()).sum::<f64>(),
        pole_dec_deg: el.dec[0]
            + el.dec[1] * centuries
            + el.dec_cosines.iter().map(|t| t.0 * phase(t).cos()).sum::<f64>(),
        prime_meridian_deg: (el.meridian[0]
            + el.meridian[1] * days
            + el.meridian[2] * days * days
            + el.meridian_sines.iter().map(|t| t.0 * phase(t).sin()).sum::<f64>())
        .rem_euclid(360.0),
    }
}

/// The prime meridian of one rotation system, degrees 0 to 360, `None` where the body has no such system.
#[must_use]
pub fn system_meridian_deg(body: Body, system: System, tdb_jd: f64) -> Option<f64> {
    system_elements(body, system).map(|(start, rate)| (start + rate * (tdb_jd - J2000_JD)).rem_euclid(360.0))
}

/// Speed of rotation, degrees per day, positive in the sense in which longitudes grow on the central
/// meridian; of the given system, else of the body's prime meridian.
#[must_use]
pub fn rate_deg_per_day(body: Body, system: Option<System>) -> f64 {
    system
        .and_then(|system| system_elements(body, system))
        .map_or_else(|| elements(body).meridian[1].abs(), |(_, rate)| rate)
}

/// Time of one rotation, seconds, of the given system, else of the body's prime meridian.
#[must_use]
pub fn period_s(body: Body, system: Option<System>) -> f64 {
    360.0 / rate_deg_per_day(body, system) * 86_400.0
}

/// Speed of what is seen at a planetographic latitude, degrees per day: Jupiter's System I within 7 degrees
/// of the equator, System II beyond 12, a smooth blend between (the jets' edge lies near 10 degrees);
/// other bodies turn with their prime meridian.
#[must_use]
pub fn zonal_rate_deg_per_day(body: Body, planetographic_lat_deg: f64) -> f64 {
    if body != Body::Jupiter {
        return rate_deg_per_day(body, None);
    }
    let equator = rate_deg_per_day(body, Some(System::I));
    let beyond = rate_deg_per_day(body, Some(System::II));
    let share = ((planetographic_lat_deg.abs() - 7.0) / 5.0).clamp(0.0, 1.0);
    let smooth = share * share * (3.0 - 2.0 * share);
    equator + (beyond - equator) * smooth
}

/// Rotation from the ICRF to the body's own axes (z north, x through the prime meridian).
pub(crate) fn body_axes(orientation: &Orientation, prime_meridian_deg: f64) -> Matrix {
    let (sin_a, cos_a) = orientation.pole_ra_deg.to_radians().sin_cos();
    let (sin_d, cos_d) = orientation.pole_dec_deg.to_radians().sin_cos();
    let (sin_w, cos_w) = prime_meridian_deg.to_radians().sin_cos();
    // The node of the body's equator on the ICRF equator, and the direction 90 degrees on.
    let node = [-sin_a, cos_a, 0.0];
    let ahead = [-cos_a * sin_d, -sin_a * sin_d, cos_d];
    let x = std::array::from_fn(|i| cos_w * node[i] + sin_w * ahead[i]);
    let y = std::array::from_fn(|i| cos_w * ahead[i] - sin_w * node[i]);
    [x, y, [cos_a * cos_d, sin_a * cos_d, sin_d]]
}

#[cfg(test)]
mod tests {
    use super::*;

    // Jupiter's periods as commonly quoted: 9h50m30.0s (I), 9h55m40.6s (II), 9h55m29.7s (III).
    #[test]
    fn jupiter_periods() {
        let hms = |h: f64, m: f64, s: f64| (h * 60.0 + m) * 60.0 + s;
        for (system, expected) in
            [(System::I, hms(9.0, 50.0, 30.0)), (System::II, hms(9.0, 55.0, 40.6)), (System::III, hms(9.0, 55.0, 29.7))]
        {
            assert!((period_s(Body::Jupiter, Some(system)) - expected).abs() < 0.1);
        }
    }

    #[test]
    fn the_jets_blend_into_system_two() {
        assert_eq!(zonal_rate_deg_per_day(Body::Jupiter, -3.0), 877.9);
        assert_eq!(zonal_rate_deg_per_day(Body::Jupiter, 22.0), 870.27);
        let middle = zonal_rate_deg_per_day(Body::Jupiter, 9.5);
        assert!((middle - (877.9 + 870.27) / 2.0).abs() < 1e-9);
        assert_eq!(zonal_rate_deg_per_day(Body::Saturn, 0.0), 810.7939024);
    }
}
