//! The sky at one instant from one place: apparent places.
//!
//! A [`Sky`] computes once what all bodies share (Earth, Sun, precession and nutation IAU 2006/2000A, the
//! Earth's rotation) and then answers for each. Apparent places contain light time, the Sun's deflection of
//! light, and annual and diurnal aberration, by the IAU SOFA routines of the `sofars` crate.

use jiff::Timestamp;
use serde::Serialize;

use crate::body::Body;
use crate::ephemeris::{AU_KM, EarthAndSun, LIGHT_AU_PER_DAY};
use crate::error::SkyError;
use crate::site::Site;
use crate::time::Epoch;
use crate::vector::{
    Matrix, Vector, angle, difference, length, longitude_latitude_deg, rotated, rotated_back, scaled, sum, unit,
};

/// From where the sky is seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub enum Observer {
    /// The Earth's centre.
    Geocentre,
    /// A site on the ground.
    Site(Site),
}

/// Where a body appears.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Place {
    /// Apparent right ascension on the true equator and equinox of date, degrees, 0 to 360.
    pub ra_of_date_deg: f64,
    /// Apparent declination on the true equator of date, degrees.
    pub dec_of_date_deg: f64,
    /// Apparent right ascension on ICRF (J2000) axes, degrees, 0 to 360.
    pub ra_icrf_deg: f64,
    /// Apparent declination on ICRF (J2000) axes, degrees.
    pub dec_icrf_deg: f64,
    /// Distance the light travelled, au.
    pub distance_au: f64,
    /// Time the light travelled, seconds.
    pub light_time_s: f64,
}

/// The sky at one instant from one place.
#[derive(Debug, Clone)]
pub struct Sky {
    pub(crate) epoch: Epoch,
    pub(crate) observer: Observer,
    pub(crate) bodies: EarthAndSun,
    /// Observer, barycentric, au and au per day.
    pub(crate) position: Vector,
    velocity: Vector,
    /// ICRF to true equator and equinox of date.
    pub(crate) to_date: Matrix,
    /// Greenwich apparent sidereal time, radians.
    pub(crate) sidereal_time_rad: f64,
}

/// A body as its light arrives, before aberration and deflection.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sight {
    /// Observer to body, au.
    pub towards: Vector,
    /// Body to Sun, au, at the time the light left.
    pub to_sun: Vector,
    /// Barycentric dynamical time at the body, Julian date.
    pub body_tdb_jd: f64,
}

impl Sky {
    /// The sky at a UTC instant.
    ///
    /// # Errors
    /// Outside 1950 to 2050; an impossible site.
    pub fn at(utc: Timestamp, observer: Observer) -> Result<Self, SkyError> {
        Self::at_epoch(Epoch::from_utc(utc)?, observer)
    }

    /// The sky at an epoch.
    ///
    /// # Errors
    /// An impossible site.
    pub fn at_epoch(epoch: Epoch, observer: Observer) -> Result<Self, SkyError> {
        let (tt_jd, ut1_jd) = (epoch.tt_jd(), epoch.ut1_jd());
        let bodies = EarthAndSun::at(epoch.tdb_jd())?;
        let to_date = sofars::pnp::pnm06a(tt_jd, 0.0);
        let sidereal_time_rad = sofars::erst::gst06(ut1_jd, 0.0, tt_jd, 0.0, &to_date);
        let (mut position, mut velocity) = (bodies.earth, bodies.earth_velocity);
        if let Observer::Site(site) = observer {
            let site = site.checked()?;
            let mut site_m = [[0.0; 3]; 2];
            sofars::astro::pvtob(
                site.longitude_deg.to_radians(),
                site.latitude_deg.to_radians(),
                site.elevation_m,
                0.0,
                0.0,
                0.0,
                sidereal_time_rad,
                &mut site_m,
            );
            let au_m = AU_KM * 1e3;
            position = sum(position, rotated_back(&to_date, scaled(site_m[0], 1.0 / au_m)));
            velocity = sum(velocity, rotated_back(&to_date, scaled(site_m[1], 86_400.0 / au_m)));
        }
        Ok(Self { epoch, observer, bodies, position, velocity, to_date, sidereal_time_rad })
    }

    /// The instant, in all its time scales.
    #[must_use]
    pub fn epoch(&self) -> Epoch {
        self.epoch
    }

    /// From where it is seen.
    #[must_use]
    pub fn observer(&self) -> Observer {
        self.observer
    }

    /// Greenwich apparent sidereal time, degrees, 0 to 360.
    #[must_use]
    pub fn sidereal_time_deg(&self) -> f64 {
        self.sidereal_time_rad.to_degrees().rem_euclid(360.0)
    }

    /// Where a body appears.
    #[must_use]
    pub fn place(&self, body: Body) -> Place {
        self.place_of(self.sight(body).towards, body != Body::Moon)
    }

    /// Where the Sun appears.
    #[must_use]
    pub fn sun(&self) -> Place {
        self.place_of(self.towards_sun(), false)
    }

    pub(crate) fn sight(&self, body: Body) -> Sight {
        let (position, light_time_days) = self.bodies.seen_from(body, self.position);
        let body_tdb_jd = self.epoch.tdb_jd() - light_time_days;
        Sight {
            towards: difference(position, self.position),
            to_sun: self.bodies.sun_seen_from(position, body_tdb_jd),
            body_tdb_jd,
        }
    }

    /// Observer to Sun, au, as its light arrives.
    pub(crate) fn towards_sun(&self) -> Vector {
        self.bodies.sun_seen_from(self.position, self.epoch.tdb_jd())
    }

    /// Angle between a direction and the Sun, degrees.
    pub(crate) fn elongation_deg(&self, towards: Vector) -> f64 {
        angle(towards, self.towards_sun()).to_degrees()
    }

    /// The apparent direction, ICRF axes.
    pub(crate) fn apparent(&self, towards: Vector, deflected: bool) -> Vector {
        let sun_to_observer = difference(self.position, self.bodies.sun);
        let sun_distance_au = length(sun_to_observer);
        let mut seen = unit(towards);
        if deflected {
            let from_sun = unit(sum(sun_to_observer, towards));
            // The limiter keeps the Sun's disc from bending anything by more than 1.75 arcsec.
            seen = sofars::astro::ld(1.0, seen, from_sun, unit(sun_to_observer), sun_distance_au, 1e-6);
        }
        let velocity_c = scaled(self.velocity, 1.0 / LIGHT_AU_PER_DAY);
        let reciprocal_lorentz = (1.0 - velocity_c.iter().map(|component| component * component).sum::<f64>()).sqrt();
        sofars::astro::ab(&seen, &velocity_c, sun_distance_au, reciprocal_lorentz)
    }

    pub(crate) fn place_of(&self, towards: Vector, deflected: bool) -> Place {
        let apparent = self.apparent(towards, deflected);
        let (ra_icrf_deg, dec_icrf_deg) = longitude_latitude_deg(apparent);
        let (ra_of_date_deg, dec_of_date_deg) = longitude_latitude_deg(rotated(&self.to_date, apparent));
        let distance_au = length(towards);
        Place {
            ra_of_date_deg,
            dec_of_date_deg,
            ra_icrf_deg,
            dec_icrf_deg,
            distance_au,
            light_time_s: distance_au / LIGHT_AU_PER_DAY * 86_400.0,
        }
    }
}
