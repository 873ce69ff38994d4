//! A body over a site: altitude, azimuth, parallactic angle, and the turning of the field.
//!
//! Horizon coordinates follow from the apparent place of date and the apparent sidereal time (`sofars`
//! hd2ae, hd2pa); azimuth from north through east. The field of an alt-azimuth mount turns with the
//! parallactic angle q, dq/dt = -w cos(latitude) cos(azimuth) / cos(altitude), w = 15.041067 arcsec/s, by
//! differentiating the astronomical triangle.

use serde::Serialize;

use crate::body::Body;
use crate::error::SkyError;
use crate::place::{Observer, Place, Sky};
use crate::refraction::{airmass_pickering, refraction_from_true_arcmin};
use crate::site::{Air, Site};
use crate::vector::signed_deg;

/// The Earth's rotation against the stars, degrees per hour.
pub const SIDEREAL_DEG_PER_HOUR: f64 = 15.041_068_64;

/// Where something stands in the sky of a site.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Horizon {
    /// Altitude without air, degrees.
    pub airless_altitude_deg: f64,
    /// Altitude as seen through the air, degrees.
    pub altitude_deg: f64,
    /// Azimuth from north through east, degrees, 0 to 360.
    pub azimuth_deg: f64,
    /// Local hour angle, degrees, -180 to 180, negative before the meridian.
    pub hour_angle_deg: f64,
    /// Position angle of the zenith, from north through east, degrees, -180 to 180: negative before the
    /// meridian in the north.
    pub parallactic_angle_deg: f64,
    /// Refraction, arcmin.
    pub refraction_arcmin: f64,
    /// Airmass; `None` below the horizon.
    pub airmass: Option<f64>,
    /// Speed at which the field of an alt-azimuth mount turns, degrees per hour.
    pub field_rotation_deg_per_hour: f64,
}

impl Horizon {
    /// From an hour angle and a declination of date, degrees, at a latitude, degrees.
    #[must_use]
    pub fn new(hour_angle_deg: f64, dec_of_date_deg: f64, latitude_deg: f64, air: &Air) -> Self {
        let (hour_angle, dec, latitude) =
            (hour_angle_deg.to_radians(), dec_of_date_deg.to_radians(), latitude_deg.to_radians());
        let [azimuth, altitude] = sofars::coords::hd2ae(hour_angle, dec, latitude);
        let airless_altitude_deg = altitude.to_degrees();
        let azimuth_deg = azimuth.to_degrees();
        let refraction_arcmin = refraction_from_true_arcmin(airless_altitude_deg, air);
        let altitude_deg = airless_altitude_deg + refraction_arcmin / 60.0;
        Self {
            airless_altitude_deg,
            altitude_deg,
            azimuth_deg,
            hour_angle_deg: signed_deg(hour_angle_deg),
            parallactic_angle_deg: sofars::coords::hd2pa(hour_angle, dec, latitude).to_degrees(),
            refraction_arcmin,
            airmass: (altitude_deg >= 0.0).then(|| airmass_pickering(altitude_deg)),
            field_rotation_deg_per_hour: field_rotation_deg_per_hour(latitude_deg, azimuth_deg, airless_altitude_deg),
        }
    }
}

/// Rate of the parallactic angle, degrees per hour: the turning of an alt-azimuth mount's field. Without
/// bound at the zenith.
#[must_use]
pub fn field_rotation_deg_per_hour(latitude_deg: f64, azimuth_deg: f64, altitude_deg: f64) -> f64 {
    -SIDEREAL_DEG_PER_HOUR * latitude_deg.to_radians().cos() * azimuth_deg.to_radians().cos()
        / altitude_deg.to_radians().cos()
}

impl Sky {
    /// Where a body stands in the sky of the site, through the given air.
    ///
    /// # Errors
    /// Seen from the Earth's centre; impossible air.
    pub fn horizon(&self, body: Body, air: &Air) -> Result<Horizon, SkyError> {
        self.horizon_of(&self.place(body), air)
    }

    /// Where a place, such as the Sun's, stands in the sky of the site, through the given air.
    ///
    /// # Errors
    /// Seen from the Earth's centre; impossible air.
    pub fn horizon_of(&self, place: &Place, air: &Air) -> Result<Horizon, SkyError> {
        let site = self.site()?;
        let air = air.checked()?;
        let hour_angle_deg = self.sidereal_time_deg() + site.longitude_deg - place.ra_of_date_deg;
        Ok(Horizon::new(hour_angle_deg, place.dec_of_date_deg, site.latitude_deg, &air))
    }

    pub(crate) fn site(&self) -> Result<Site, SkyError> {
        match self.observer {
            Observer::Site(site) => Ok(site),
            Observer::Geocentre => Err(SkyError::NoSite),
        }
    }
}
