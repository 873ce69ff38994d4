//! Between a globe and its picture: orthographic projection of the oblate spheroid, and back.
//!
//! With the body's axes x to the right (position angle of the pole + 90), e towards the observer in the
//! equator plane, h along the pole; a = 1 the equatorial, b the polar radius; B the planetocentric latitude
//! of the observer; D the longitude from the central meridian and u the reduced latitude,
//! tan u = b tan(planetographic latitude):
//!
//! forward: x = cos u sin D, e = cos u cos D, h = b sin u, y = h cos B - e sin B, z = h sin B + e cos B;
//! back: z is the larger root of
//! z^2 (sin^2 B / b^2 + cos^2 B) + 2 z y sin B cos B (1/b^2 - 1) + x^2 + y^2 (cos^2 B / b^2 + sin^2 B) = 1.
//!
//! The observer is at infinity. Trigonometry comes from the `libm` crate, so that pictures come out the same
//! everywhere.

use serde::Serialize;

use crate::body::{Body, LongitudeSense};
use crate::disc::Disc;
use crate::rotation::{System, zonal_rate_deg_per_day};

/// A globe as it is turned to the observer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Spheroid {
    axis_ratio: f64,
    sense: LongitudeSense,
    sub_observer_lat_deg: f64,
    central_meridian_deg: f64,
    pole_position_angle_deg: f64,
    sin_lat: f64,
    cos_lat: f64,
    sin_pole: f64,
    cos_pole: f64,
}

/// A point of a globe.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SurfacePoint {
    /// Planetographic latitude, degrees, -90 to 90.
    pub planetographic_lat_deg: f64,
    /// Longitude in the globe's sense and system, degrees, 0 to 360.
    pub longitude_deg: f64,
}

/// Where a point of a globe appears.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Projected {
    /// East of the disc's centre, in equatorial radii.
    pub east_radii: f64,
    /// North of the disc's centre, in equatorial radii.
    pub north_radii: f64,
    /// Cosine of the angle between the local vertical and the line of sight; negative on the far side.
    pub cos_emission: f64,
}

impl Projected {
    /// Whether the point is on the near side.
    #[must_use]
    pub fn visible(&self) -> bool {
        self.cos_emission > 0.0
    }
}

/// What is seen at a place of the disc.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Located {
    /// The point of the globe.
    pub point: SurfacePoint,
    /// Cosine of the angle between the local vertical and the line of sight, 0 to 1.
    pub cos_emission: f64,
}

fn sin_cos_deg(angle_deg: f64) -> (f64, f64) {
    libm::sincos(angle_deg.to_radians())
}

impl Spheroid {
    /// A globe with the given axis ratio (polar over equatorial, above 0, up to 1), planetocentric latitude
    /// and longitude of the observer, and position angle of the north pole from north through east, all in
    /// degrees.
    #[must_use]
    pub fn new(
        axis_ratio: f64,
        sense: LongitudeSense,
        sub_observer_planetocentric_lat_deg: f64,
        central_meridian_deg: f64,
        pole_position_angle_deg: f64,
    ) -> Self {
        let (sin_lat, cos_lat) = sin_cos_deg(sub_observer_planetocentric_lat_deg);
        let (sin_pole, cos_pole) = sin_cos_deg(pole_position_angle_deg);
        Self {
            axis_ratio,
            sense,
            sub_observer_lat_deg: sub_observer_planetocentric_lat_deg,
            central_meridian_deg,
            pole_position_angle_deg,
            sin_lat,
            cos_lat,
            sin_pole,
            cos_pole,
        }
    }

    /// The globe of a disc, with longitudes of a system where the body has it, else of its prime meridian.
    /// Position angles are from north of date.
    #[must_use]
    pub fn of_disc(disc: &Disc, system: Option<System>) -> Self {
        let meridian_deg =
            system.and_then(|system| disc.central_meridian_deg(system)).unwrap_or(disc.sub_observer.longitude_deg);
        Self::new(
            disc.body.axis_ratio(),
            disc.body.longitude_sense(),
            disc.sub_observer.planetocentric_lat_deg,
            meridian_deg,
            disc.pole_position_angle_deg,
        )
    }

    /// Polar over equatorial radius.
    #[must_use]
    pub fn axis_ratio(&self) -> f64 {
        self.axis_ratio
    }

    /// Longitude of the disc's centre, degrees.
    #[must_use]
    pub fn central_meridian_deg(&self) -> f64 {
        self.central_meridian_deg
    }

    /// Planetocentric latitude of the disc's centre, degrees.
    #[must_use]
    pub fn sub_observer_planetocentric_lat_deg(&self) -> f64 {
        self.sub_observer_lat_deg
    }

    /// Position angle of the north pole, degrees.
    #[must_use]
    pub fn pole_position_angle_deg(&self) -> f64 {
        self.pole_position_angle_deg
    }

    /// The same globe with another longitude below the observer, degrees.
    #[must_use]
    pub fn with_central_meridian_deg(mut self, central_meridian_deg: f64) -> Self {
        self.central_meridian_deg = central_meridian_deg;
        self
    }

    /// The same globe with its pole at another position angle, degrees.
    #[must_use]
    pub fn with_pole_position_angle_deg(self, pole_position_angle_deg: f64) -> Self {
        Self::new(
            self.axis_ratio,
            self.sense,
            self.sub_observer_lat_deg,
            self.central_meridian_deg,
            pole_position_angle_deg,
        )
    }

    /// Minor over major axis of the outline: sqrt(b^2 cos^2 B + sin^2 B).
    #[must_use]
    pub fn outline_axis_ratio(&self) -> f64 {
        let polar = self.axis_ratio * self.cos_lat;
        (polar * polar + self.sin_lat * self.sin_lat).sqrt()
    }

    /// Where a point of the globe appears.
    #[must_use]
    pub fn project(&self, point: SurfacePoint) -> Projected {
        let from_centre_deg = match self.sense {
            LongitudeSense::West => point.longitude_deg - self.central_meridian_deg,
            LongitudeSense::East => self.central_meridian_deg - point.longitude_deg,
        };
        let (x, y, _, cos_emission) = self.project_from_centre(point.planetographic_lat_deg, from_centre_deg);
        let (east_radii, north_radii) = self.to_sky(x, y);
        Projected { east_radii, north_radii, cos_emission }
    }

    /// What is seen at a place east and north of the disc's centre, in equatorial radii; `None` off the disc.
    #[must_use]
    pub fn locate(&self, east_radii: f64, north_radii: f64) -> Option<Located> {
        let (x, y) = self.from_sky(east_radii, north_radii);
        self.locate_in_pole_frame(x, y).map(|(planetographic_lat_deg, from_centre_deg, cos_emission)| Located {
            point: SurfacePoint { planetographic_lat_deg, longitude_deg: self.longitude_deg(from_centre_deg) },
            cos_emission,
        })
    }

    /// Cosine of the angle between the local vertical at a point and the Sun (negative at night), for a Sun
    /// over a planetocentric latitude and a longitude of this globe's system.
    #[must_use]
    pub fn cos_incidence(
        &self,
        point: SurfacePoint,
        sub_solar_planetocentric_lat_deg: f64,
        sub_solar_longitude_deg: f64,
    ) -> f64 {
        let (sin_graphic, cos_graphic) = sin_cos_deg(point.planetographic_lat_deg);
        let (sin_sun, cos_sun) = sin_cos_deg(sub_solar_planetocentric_lat_deg);
        let (_, cos_apart) = sin_cos_deg(point.longitude_deg - sub_solar_longitude_deg);
        sin_graphic * sin_sun + cos_graphic * cos_sun * cos_apart
    }

    /// Carries a place of this disc to where the same cloud or crater stands on another view of the globe,
    /// `seconds_later` (negative for earlier) of body time after it. `turned_deg` is how far a point of a
    /// planetographic latitude turns past the longitudes of the system that both views use: 0 for a solid
    /// globe, [`drift_deg`] for Jupiter. `None` off the disc or beyond the other view's limb.
    #[must_use]
    pub fn carry(
        &self,
        to: &Spheroid,
        east_radii: f64,
        north_radii: f64,
        turned_deg: impl Fn(f64) -> f64,
    ) -> Option<Projected> {
        let here = self.locate(east_radii, north_radii)?;
        let there = to.project(SurfacePoint {
            longitude_deg: here.point.longitude_deg - turned_deg(here.point.planetographic_lat_deg),
            ..here.point
        });
        there.visible().then_some(there)
    }

    /// Place in the frame of the pole (x right, y along the pole) to east and north.
    #[must_use]
    pub fn to_sky(&self, x_radii: f64, y_radii: f64) -> (f64, f64) {
        (x_radii * self.cos_pole + y_radii * self.sin_pole, y_radii * self.cos_pole - x_radii * self.sin_pole)
    }

    /// East and north to the frame of the pole (x right, y along the pole).
    #[must_use]
    pub fn from_sky(&self, east_radii: f64, north_radii: f64) -> (f64, f64) {
        (
            east_radii * self.cos_pole - north_radii * self.sin_pole,
            east_radii * self.sin_pole + north_radii * self.cos_pole,
        )
    }

    /// Forward projection in the pole's frame: `(x, y, z, cos_emission)` of a planetographic latitude and an
    /// angle from the central meridian, positive to the right of the pole, degrees.
    #[must_use]
    pub fn project_from_centre(&self, planetographic_lat_deg: f64, from_centre_deg: f64) -> (f64, f64, f64, f64) {
        let (sin_graphic, cos_graphic) = sin_cos_deg(planetographic_lat_deg);
        let (sin_d, cos_d) = sin_cos_deg(from_centre_deg);
        // cos u and b sin u through the planetographic latitude, without a tangent at the poles.
        let b2 = self.axis_ratio * self.axis_ratio;
        let norm = (cos_graphic * cos_graphic + b2 * sin_graphic * sin_graphic).sqrt();
        let (equatorial, h) = (cos_graphic / norm, b2 * sin_graphic / norm);
        let (x, e) = (equatorial * sin_d, equatorial * cos_d);
        (
            x,
            h * self.cos_lat - e * self.sin_lat,
            h * self.sin_lat + e * self.cos_lat,
            sin_graphic * self.sin_lat + cos_graphic * cos_d * self.cos_lat,
        )
    }

    /// Inverse projection in the pole's frame: planetographic latitude, angle from the central meridian
    /// (positive to the right of the pole), both degrees, and cosine of emission; `None` off the disc.
    #[must_use]
    pub fn locate_in_pole_frame(&self, x: f64, y: f64) -> Option<(f64, f64, f64)> {
        let (sin_b, cos_b) = (self.sin_lat, self.cos_lat);
        let flat = 1.0 / (self.axis_ratio * self.axis_ratio);
        let square = sin_b * sin_b * flat + cos_b * cos_b;
        let half_linear = y * sin_b * cos_b * (flat - 1.0);
        let constant = x * x + y * y * (cos_b * cos_b * flat + sin_b * sin_b) - 1.0;
        let under_root = half_linear * half_linear - square * constant;
        // A place that is not a number is off the disc.
        if under_root.is_nan() || under_root < 0.0 {
            return None;
        }
        let z = (under_root.sqrt() - half_linear) / square;
        let h = y * cos_b + z * sin_b;
        let e = z * cos_b - y * sin_b;
        // The normal is (x, e, h / b^2).
        let up = h * flat;
        let equatorial = (x * x + e * e).sqrt();
        let normal = (equatorial * equatorial + up * up).sqrt();
        let cos_emission = (e * cos_b + up * sin_b) / normal;
        Some((libm::atan2(up, equatorial).to_degrees(), libm::atan2(x, e).to_degrees(), cos_emission))
    }

    fn longitude_deg(&self, from_centre_deg: f64) -> f64 {
        match self.sense {
            LongitudeSense::West => self.central_meridian_deg + from_centre_deg,
            LongitudeSense::East => self.central_meridian_deg - from_centre_deg,
        }
        .rem_euclid(360.0)
    }
}

/// How far clouds at a planetographic latitude turn ahead of a system's longitudes in `seconds`, degrees:
/// their longitude falls by as much. Zero for bodies without jets of their own system.
#[must_use]
pub fn drift_deg(body: Body, system: Option<System>, planetographic_lat_deg: f64, seconds: f64) -> f64 {
    (zonal_rate_deg_per_day(body, planetographic_lat_deg) - crate::rotation::rate_deg_per_day(body, system)) * seconds
        / 86_400.0
}

/// How a picture is laid on the sky.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PictureOrientation {
    /// Position angle of the picture's up direction, from north through east, degrees.
    pub up_position_angle_deg: f64,
    /// Whether the picture is mirrored (east to the right when north is up).
    pub mirrored: bool,
}

impl PictureOrientation {
    /// Shift in pixels (x right, y down) of a shift on the sky, east and north, in any unit that is then
    /// divided by the unit per pixel.
    #[must_use]
    pub fn to_px(&self, east: f64, north: f64, unit_per_px: f64) -> (f64, f64) {
        let (sin_up, cos_up) = sin_cos_deg(self.up_position_angle_deg);
        let left = east * cos_up - north * sin_up;
        let up = east * sin_up + north * cos_up;
        let right = if self.mirrored { left } else { -left };
        (right / unit_per_px, -up / unit_per_px)
    }

    /// The inverse of [`PictureOrientation::to_px`]: east and north of a shift in pixels.
    #[must_use]
    pub fn from_px(&self, x_px: f64, y_px: f64, unit_per_px: f64) -> (f64, f64) {
        let (sin_up, cos_up) = sin_cos_deg(self.up_position_angle_deg);
        let right = x_px * unit_per_px;
        let left = if self.mirrored { right } else { -right };
        let up = -y_px * unit_per_px;
        (left * cos_up + up * sin_up, up * cos_up - left * sin_up)
    }
}
