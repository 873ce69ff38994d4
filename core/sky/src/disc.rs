//! The disc of a body: size, phase, and how the globe is turned.
//!
//! Classical physical ephemeris: the directions body to observer and body to Sun, at the time the light
//! left the body's centre, in the body's own axes (module [`crate::rotation`]); no stellar aberration, since
//! light and observer share it. The geometric disc is meant throughout, not the illuminated part.

use serde::Serialize;

use crate::body::{Body, LongitudeSense};
use crate::ephemeris::AU_KM;
use crate::place::{Place, Sky};
use crate::rings::Rings;
use crate::rotation::{Orientation, System, body_axes, orientation, rate_deg_per_day, system_meridian_deg};
use crate::vector::{Vector, angle, length, longitude_latitude_deg, position_angle_deg, rotated, scaled, signed_deg};

/// A point of a globe below a distant onlooker.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SubPoint {
    /// Planetocentric latitude, degrees, north positive.
    pub planetocentric_lat_deg: f64,
    /// Planetographic latitude, degrees: that of the local vertical.
    pub planetographic_lat_deg: f64,
    /// Longitude in the body's prime system and sense (West, for Venus, Uranus and the Moon East), degrees,
    /// 0 to 360.
    pub longitude_deg: f64,
}

/// Lunar libration: the selenographic coordinates of the disc's centre.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Libration {
    /// Libration in longitude, degrees, east positive, -180 to 180.
    pub longitude_deg: f64,
    /// Libration in latitude, degrees, north positive.
    pub latitude_deg: f64,
    /// Selenographic colongitude of the Sun, degrees, 0 to 360: the longitude west of the morning terminator.
    pub colongitude_deg: f64,
}

/// The disc of a body at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Disc {
    /// Whose disc.
    pub body: Body,
    /// Where it appears.
    pub place: Place,
    /// Distance of body and Sun, au.
    pub sun_distance_au: f64,
    /// Equatorial diameter, arcsec.
    pub equatorial_diameter_arcsec: f64,
    /// Minor axis of the outline of the tilted globe, arcsec.
    pub polar_diameter_arcsec: f64,
    /// Angle Sun, body, observer, degrees, 0 to 180.
    pub phase_angle_deg: f64,
    /// Illuminated share of the disc, 0 to 1.
    pub illuminated_fraction: f64,
    /// Width of the dark part along the diameter through the Sun's direction, arcsec.
    pub defect_of_illumination_arcsec: f64,
    /// Angle between body and Sun on the sky, degrees, 0 to 180.
    pub elongation_deg: f64,
    /// The point of the globe at the centre of the disc; its longitude is the central meridian in the
    /// body's prime system (System III of the giants).
    pub sub_observer: SubPoint,
    /// The point of the globe with the Sun overhead.
    pub sub_solar: SubPoint,
    /// Central meridian in System I, degrees (Jupiter, Saturn).
    pub central_meridian_i_deg: Option<f64>,
    /// Central meridian in System II, degrees (Jupiter).
    pub central_meridian_ii_deg: Option<f64>,
    /// Central meridian in System III, degrees (Jupiter, Saturn).
    pub central_meridian_iii_deg: Option<f64>,
    /// Position angle of the north pole, from north of date through east, degrees.
    pub pole_position_angle_deg: f64,
    /// The same from north of ICRF (J2000) axes, degrees.
    pub pole_position_angle_icrf_deg: f64,
    /// Position angle of the middle of the bright limb, from north of date through east, degrees;
    /// meaningless within about 0.01 degrees of full phase.
    pub bright_limb_position_angle_deg: f64,
    /// Pole and prime meridian.
    pub orientation: Orientation,
    /// Saturn's rings.
    pub rings: Option<Rings>,
    /// The Moon's libration.
    pub libration: Option<Libration>,
}

impl Disc {
    /// The central meridian in a system, degrees; `None` where the body has no such system.
    #[must_use]
    pub fn central_meridian_deg(&self, system: System) -> Option<f64> {
        match system {
            System::I => self.central_meridian_i_deg,
            System::II => self.central_meridian_ii_deg,
            System::III => self.central_meridian_iii_deg,
        }
    }

    /// The central meridian of the illuminated disc, degrees, as some almanacs and Meeus give it: the geometric one
    /// moved towards the Sun by 57.2958 sin^2(phase/2) (Meeus, Astronomical Algorithms, ch. 43).
    #[must_use]
    pub fn illuminated_meridian_deg(&self, system: System) -> Option<f64> {
        let towards_sun = signed_deg(self.sub_solar.longitude_deg - self.sub_observer.longitude_deg).signum();
        let half_phase_rad = 0.5 * self.phase_angle_deg.to_radians();
        self.central_meridian_deg(system)
            .map(|meridian| (meridian + towards_sun * half_phase_rad.sin().powi(2).to_degrees()).rem_euclid(360.0))
    }

    /// Longitude with the Sun overhead in a system, degrees, 0 to 360; `None` where the body has no such system.
    #[must_use]
    pub fn sub_solar_longitude_deg(&self, system: System) -> Option<f64> {
        self.central_meridian_deg(system).map(|meridian_deg| {
            (self.sub_solar.longitude_deg + meridian_deg - self.sub_observer.longitude_deg).rem_euclid(360.0)
        })
    }

    /// Widest extent on the sky, arcsec: the outer ring edge for Saturn, else the equatorial diameter.
    #[must_use]
    pub fn extent_arcsec(&self) -> f64 {
        self.rings.map_or(self.equatorial_diameter_arcsec, |rings| {
            rings.major_axis_arcsec.max(self.equatorial_diameter_arcsec)
        })
    }
}

/// Planetographic latitude, degrees, from the planetocentric one: tan(graphic) = (a/b)^2 tan(centric).
#[must_use]
pub fn planetographic_lat_deg(axis_ratio: f64, planetocentric_lat_deg: f64) -> f64 {
    let (sin, cos) = planetocentric_lat_deg.to_radians().sin_cos();
    sin.atan2(cos * axis_ratio * axis_ratio).to_degrees()
}

/// Planetocentric latitude, degrees, from the planetographic one.
#[must_use]
pub fn planetocentric_lat_deg(axis_ratio: f64, planetographic_lat_deg: f64) -> f64 {
    let (sin, cos) = planetographic_lat_deg.to_radians().sin_cos();
    (sin * axis_ratio * axis_ratio).atan2(cos).to_degrees()
}

impl Sky {
    /// The disc of a body as it appears now from here.
    #[must_use]
    pub fn disc(&self, body: Body) -> Disc {
        let sight = self.sight(body);
        let orientation = orientation(body, sight.body_tdb_jd);
        let axes = body_axes(&orientation, orientation.prime_meridian_deg);
        let pole = axes[2];
        let back = scaled(sight.towards, -1.0);
        let below = |direction: Vector| {
            let (east_deg, centric_deg) = longitude_latitude_deg(rotated(&axes, direction));
            SubPoint {
                planetocentric_lat_deg: centric_deg,
                planetographic_lat_deg: planetographic_lat_deg(body.axis_ratio(), centric_deg),
                longitude_deg: match body.longitude_sense() {
                    LongitudeSense::East => east_deg,
                    LongitudeSense::West => (-east_deg).rem_euclid(360.0),
                },
            }
        };
        let (sub_observer, sub_solar) = (below(back), below(sight.to_sun));
        let system = |system| {
            system_meridian_deg(body, system, sight.body_tdb_jd).map(|meridian_deg| {
                (sub_observer.longitude_deg + meridian_deg - orientation.prime_meridian_deg).rem_euclid(360.0)
            })
        };
        let distance_au = length(sight.towards);
        let diameter_arcsec = 2.0 * (body.equatorial_radius_km() / (distance_au * AU_KM)).asin().to_degrees() * 3600.0;
        let phase_rad = angle(back, sight.to_sun);
        let illuminated_fraction = 0.5 * (1.0 + phase_rad.cos());
        let of_date = |vector| rotated(&self.to_date, vector);
        let towards_of_date = of_date(sight.towards);
        let (sin_b, cos_b) = sub_observer.planetocentric_lat_deg.to_radians().sin_cos();
        Disc {
            body,
            place: self.place_of(sight.towards, body != Body::Moon),
            sun_distance_au: length(sight.to_sun),
            equatorial_diameter_arcsec: diameter_arcsec,
            polar_diameter_arcsec: diameter_arcsec * sin_b.hypot(body.axis_ratio() * cos_b),
            phase_angle_deg: phase_rad.to_degrees(),
            illuminated_fraction,
            defect_of_illumination_arcsec: (1.0 - illuminated_fraction) * diameter_arcsec,
            elongation_deg: self.elongation_deg(sight.towards),
            sub_observer,
            sub_solar,
            central_meridian_i_deg: system(System::I),
            central_meridian_ii_deg: system(System::II),
            central_meridian_iii_deg: system(System::III),
            pole_position_angle_deg: position_angle_deg(towards_of_date, of_date(pole)),
            pole_position_angle_icrf_deg: position_angle_deg(sight.towards, pole),
            bright_limb_position_angle_deg: position_angle_deg(towards_of_date, of_date(sight.to_sun)),
            orientation,
            rings: (body == Body::Saturn).then(|| {
                Rings::new(
                    distance_au,
                    sub_observer.planetocentric_lat_deg,
                    sub_solar.planetocentric_lat_deg,
                    sub_observer.longitude_deg,
                    sub_solar.longitude_deg,
                )
            }),
            libration: (body == Body::Moon).then(|| Libration {
                longitude_deg: signed_deg(sub_observer.longitude_deg),
                latitude_deg: sub_observer.planetocentric_lat_deg,
                colongitude_deg: (90.0 - sub_solar.longitude_deg).rem_euclid(360.0),
            }),
        }
    }

    /// Speed at which the globe turns below the observer, degrees per hour: the rotation of the planets, the
    /// libration of the Moon (whose near side stays put).
    #[must_use]
    pub fn turning_deg_per_hour(&self, body: Body, system: Option<System>) -> f64 {
        if body != Body::Moon {
            return rate_deg_per_day(body, system) / 24.0;
        }
        let step_days = 1.0 / 24.0;
        let moved = crate::time::timestamp_of_jd(self.epoch.ut1_jd() + step_days)
            .and_then(|utc| Sky::at(utc, self.observer).ok())
            .unwrap_or_else(|| self.clone());
        let (now, then) = (self.disc(body).sub_observer, moved.disc(body).sub_observer);
        let cos_lat = now.planetocentric_lat_deg.to_radians().cos();
        (signed_deg(then.longitude_deg - now.longitude_deg) * cos_lat)
            .hypot(then.planetocentric_lat_deg - now.planetocentric_lat_deg)
    }
}
