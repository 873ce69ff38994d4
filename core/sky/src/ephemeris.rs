//! Where the bodies are: barycentric positions on ICRF axes, in astronomical units.
//!
//! Planets: VSOP87A (Bretagnon and Francou 1988, Astron. Astrophys. 202, 309), heliocentric ecliptic of
//! J2000, turned to the equator by the matrix given with the series. Earth and Sun: `sofars` epv00, fitted
//! to DE405. Moon: `sofars` moon98 (Meeus 1998, ch. 47, after ELP2000-82). Against DE421 the directions are
//! good to 2 arcsec for the planets (Neptune worst) and 8 arcsec for the Moon. The giants' positions are
//! those of their systems' barycentres, which lie within 0.1 arcsec of the planets.

use crate::body::Body;
use crate::error::SkyError;
use crate::vector::{Matrix, Vector, difference, length, moved, rotated, scaled, sum};

/// Speed of light, au per day.
pub(crate) const LIGHT_AU_PER_DAY: f64 = 173.144_632_674_240_3;
/// The astronomical unit, km (IAU 2012 resolution B2).
pub const AU_KM: f64 = 149_597_870.7;

/// From the VSOP87 ecliptic of J2000 to the FK5 equator of J2000 (README of the VSOP87 files); FK5 and ICRF
/// axes differ by 0.02 arcsec.
const ECLIPTIC_TO_EQUATOR: Matrix = [
    [1.0, 0.000_000_440_360, -0.000_000_190_919],
    [-0.000_000_479_966, 0.917_482_137_087, -0.397_776_982_902],
    [0.0, 0.397_776_982_902, 0.917_482_137_087],
];

/// Earth and Sun at an instant: position, au, and velocity, au per day, barycentric.
#[derive(Debug, Clone, Copy)]
pub(crate) struct EarthAndSun {
    pub tdb_jd: f64,
    pub earth: Vector,
    pub earth_velocity: Vector,
    pub sun: Vector,
    pub sun_velocity: Vector,
}

impl EarthAndSun {
    pub fn at(tdb_jd: f64) -> Result<Self, SkyError> {
        let (heliocentric, barycentric) =
            sofars::eph::epv00(tdb_jd, 0.0).ok_or(SkyError::JulianDateOutOfRange { jd: tdb_jd })?;
        Ok(Self {
            tdb_jd,
            earth: barycentric[0],
            earth_velocity: barycentric[1],
            sun: difference(barycentric[0], heliocentric[0]),
            sun_velocity: difference(barycentric[1], heliocentric[1]),
        })
    }

    /// The Sun at a nearby time (within a day its path is straight to 1e-8 au).
    pub fn sun_at(&self, tdb_jd: f64) -> Vector {
        moved(self.sun, self.sun_velocity, tdb_jd - self.tdb_jd)
    }

    /// A body at `tdb_jd`, at most a light time before this instant.
    pub fn body_at(&self, body: Body, tdb_jd: f64) -> Vector {
        let ecliptic = match body {
            Body::Mercury => vsop87::vsop87a::mercury(tdb_jd),
            Body::Venus => vsop87::vsop87a::venus(tdb_jd),
            Body::Mars => vsop87::vsop87a::mars(tdb_jd),
            Body::Jupiter => vsop87::vsop87a::jupiter(tdb_jd),
            Body::Saturn => vsop87::vsop87a::saturn(tdb_jd),
            Body::Uranus => vsop87::vsop87a::uranus(tdb_jd),
            Body::Neptune => vsop87::vsop87a::neptune(tdb_jd),
            Body::Moon => {
                // The Moon is 1.3 light seconds off: over that time the Earth's path is straight.
                let earth = moved(self.earth, self.earth_velocity, tdb_jd - self.tdb_jd);
                return sum(earth, sofars::eph::moon98(tdb_jd, 0.0)[0]);
            }
        };
        let heliocentric = rotated(&ECLIPTIC_TO_EQUATOR, [ecliptic.x, ecliptic.y, ecliptic.z]);
        sum(self.sun_at(tdb_jd), heliocentric)
    }

    /// The body as light from it arrives at `observer` (barycentric, au) at this instant: its barycentric
    /// position when the light left, and the light time in days.
    pub fn seen_from(&self, body: Body, observer: Vector) -> (Vector, f64) {
        let now = self.body_at(body, self.tdb_jd);
        let rough_days = length(difference(now, observer)) / LIGHT_AU_PER_DAY;
        let then = self.body_at(body, self.tdb_jd - rough_days);
        // Both light time and place are right to v/c = 1e-4 of the light time, at most two seconds, over which the
        // path is straight: two more rounds along the chord need no more series and leave less than a metre.
        let velocity = scaled(difference(now, then), 1.0 / rough_days);
        let (mut position, mut light_time_days) = (then, rough_days);
        for _ in 0..2 {
            light_time_days = length(difference(position, observer)) / LIGHT_AU_PER_DAY;
            position = moved(then, velocity, rough_days - light_time_days);
        }
        (position, light_time_days)
    }

    /// The Sun as light from it arrives at `observer` (barycentric, au) at time `tdb_jd`.
    pub fn sun_seen_from(&self, observer: Vector, tdb_jd: f64) -> Vector {
        let light_time_days = length(difference(self.sun_at(tdb_jd), observer)) / LIGHT_AU_PER_DAY;
        difference(self.sun_at(tdb_jd - light_time_days), observer)
    }
}
