//! Between latitudes and longitudes and the pixels of a picture whose globe is known.
//!
//! Latitudes are planetographic; longitudes are those of a rotation system, in the body's own sense (west, for Venus,
//! Uranus and the Moon east). The projection of the oblate globe is that of stillair-sky (`Spheroid`), its place on
//! the picture that of stillair-maths (`Globe`). Where the picture does not say which way up it lies, it is taken as not
//! mirrored and its pole as north.

use std::f64::consts::PI;

use stillair_api::{Fault, Globe, Outcome, Parameter};
use stillair_maths::globe::Globe as Placed;
use stillair_sky::{Body, LongitudeSense, Spheroid, SurfacePoint};

/// The parameter `system`.
pub(crate) fn system_parameter() -> Parameter {
    Parameter::choice(
        "system",
        &["auto", "i", "ii", "iii"],
        "auto",
        "rotation system of the longitudes: auto is II on Jupiter, else the body's own (III on Saturn)",
    )
}

/// A place of the globe that a pixel shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Seen {
    /// Planetographic latitude, degrees.
    pub latitude_deg: f64,
    /// Longitude, degrees, 0 to 360.
    pub longitude_deg: f64,
    /// Cosine of the angle between the local vertical and the line of sight.
    pub cos_emission: f64,
}

/// The globe of a picture.
#[derive(Debug, Clone)]
pub(crate) struct GlobeView {
    /// Which body.
    pub body: Body,
    /// Name of the system of the longitudes: `System II`, or `longitude` for a body with one only.
    pub system: &'static str,
    /// Longitude of the disc's centre, degrees.
    pub central_meridian_deg: f64,
    placed: Placed,
    spheroid: Spheroid,
    /// -1 where the sky's east lies to the left of the pole, 1 on a mirrored picture.
    east_to_right: f64,
    sun_latitude_deg: f64,
    sun_longitude_deg: f64,
}

impl GlobeView {
    /// The view of a globe, with longitudes of a system (`auto`, `i`, `ii`, `iii`).
    pub fn new(globe: &Globe, system: &str) -> Outcome<Self> {
        let body: Body = globe
            .body
            .parse()
            .map_err(|_| Fault::data(format!("the picture's globe is of `{}`, which is no known body", globe.body)))?;
        let giant = matches!(body, Body::Jupiter | Body::Saturn);
        let prime = if giant { "System III" } else { "longitude" };
        let (name, meridian_deg) = match system {
            "i" => ("System I", globe.central_meridian_i_deg),
            "ii" => ("System II", globe.central_meridian_ii_deg),
            "iii" => (prime, Some(globe.central_meridian_deg)),
            _ if body == Body::Jupiter && globe.central_meridian_ii_deg.is_some() => {
                ("System II", globe.central_meridian_ii_deg)
            }
            _ => (prime, Some(globe.central_meridian_deg)),
        };
        let central_meridian_deg = meridian_deg.ok_or_else(|| {
            Fault::request(format!("{body} has no longitudes of {name}")).remedy("write system = \"auto\"")
        })?;
        let possible = globe.axis_ratio > 0.0 && globe.axis_ratio <= 1.0 && globe.equatorial_radius_px > 0.0;
        if !possible || !globe.x_px.is_finite() || !globe.y_px.is_finite() || !globe.equatorial_radius_px.is_finite() {
            return Err(Fault::data("the picture's globe has an impossible size or place"));
        }
        let east_to_right = if globe.mirrored { 1.0 } else { -1.0 };
        let sense = body.longitude_sense();
        let sun_from_centre_deg = east_to_right * globe.sun_longitude_rad.to_degrees();
        Ok(Self {
            body,
            system: name,
            central_meridian_deg,
            placed: Placed::new(
                [globe.x_px, globe.y_px],
                globe.equatorial_radius_px,
                globe.axis_ratio,
                globe.latitude_rad,
                globe.pole_rad,
            ),
            spheroid: Spheroid::new(
                globe.axis_ratio,
                sense,
                globe.latitude_rad.to_degrees(),
                central_meridian_deg,
                0.0,
            ),
            east_to_right,
            sun_latitude_deg: globe.sun_latitude_rad.to_degrees(),
            sun_longitude_deg: match sense {
                LongitudeSense::West => central_meridian_deg + sun_from_centre_deg,
                LongitudeSense::East => central_meridian_deg - sun_from_centre_deg,
            },
        })
    }

    /// Whether longitudes grow to the east.
    pub fn longitudes_grow_east(&self) -> bool {
        self.body.longitude_sense() == LongitudeSense::East
    }

    /// Where a place of the globe appears, px, and the cosine of its emission angle; below 0 on the far side.
    pub fn project(&self, latitude_deg: f64, longitude_deg: f64) -> ((f64, f64), f64) {
        let seen = self.spheroid.project(SurfacePoint { planetographic_lat_deg: latitude_deg, longitude_deg });
        (self.placed.to_picture(self.east_to_right * seen.east_radii, seen.north_radii), seen.cos_emission)
    }

    /// What a pixel shows of the globe; `None` off the disc.
    pub fn locate(&self, x_px: f64, y_px: f64) -> Option<Seen> {
        let (right, up) = self.placed.to_pole_frame(x_px, y_px);
        self.spheroid.locate(self.east_to_right * right, up).map(|located| Seen {
            latitude_deg: located.point.planetographic_lat_deg,
            longitude_deg: located.point.longitude_deg,
            cos_emission: located.cos_emission,
        })
    }

    /// Cosine of the angle between the local vertical and the Sun; below 0 at night.
    pub fn cos_incidence(&self, latitude_deg: f64, longitude_deg: f64) -> f64 {
        let point = SurfacePoint { planetographic_lat_deg: latitude_deg, longitude_deg };
        self.spheroid.cos_incidence(point, self.sun_latitude_deg, self.sun_longitude_deg)
    }

    /// Place on the picture, px, of a place beside the globe: east along the equator and north along the pole, in
    /// equatorial radii.
    pub fn beside(&self, east_radii: f64, north_radii: f64) -> (f64, f64) {
        self.placed.to_picture(self.east_to_right * east_radii, north_radii)
    }

    /// Distance of the limb at the poles from the centre, in equatorial radii.
    pub fn outline_axis_ratio(&self) -> f64 {
        self.placed.outline_axis_ratio()
    }
}

/// The direction of celestial north on the picture, clockwise from up, radians, where the pole has a position angle.
pub(crate) fn north_rad(globe: &Globe, pole_position_angle_deg: f64) -> f64 {
    // Position angles grow towards east: to the left of north, to the right on a mirrored picture.
    let angle_rad = pole_position_angle_deg * PI / 180.0;
    if globe.mirrored { globe.pole_rad - angle_rad } else { globe.pole_rad + angle_rad }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A Jupiter without phase.
    pub(crate) fn jupiter(radius_px: f64, centre_px: [f64; 2]) -> Globe {
        Globe {
            body: "jupiter".into(),
            unix_ns: 1_939_495_200_000_000_000,
            x_px: centre_px[0],
            y_px: centre_px[1],
            equatorial_radius_px: radius_px,
            axis_ratio: 66_854.0 / 71_492.0,
            arcsec_per_px: 22.5 / radius_px,
            pole_rad: 0.4,
            pole_sigma_rad: 0.005,
            oriented: true,
            mirrored: false,
            latitude_rad: -0.05,
            turn_rad_per_s: 1.758e-4,
            sense_measured: false,
            central_meridian_deg: 320.0,
            central_meridian_i_deg: Some(10.0),
            central_meridian_ii_deg: Some(72.74),
            phase_rad: 0.0,
            bright_limb_rad: 0.0,
            sun_latitude_rad: -0.05,
            sun_longitude_rad: 0.0,
            doubts: Vec::new(),
        }
    }

    /// The globe of a case of the reference table, north up and east to the left.
    pub(crate) fn of_case(case: &toml::Value, radius_px: f64, centre_px: [f64; 2]) -> Globe {
        let number = |key: &str| case[key].as_float().unwrap();
        let latitude_rad = number("sub_observer_lat_planetocentric_deg").to_radians();
        Globe {
            body: case["body"].as_str().unwrap().into(),
            axis_ratio: number("polar_radius_km") / number("equatorial_radius_km"),
            pole_rad: -number("pole_position_angle_deg").to_radians(),
            latitude_rad,
            sun_latitude_rad: latitude_rad,
            central_meridian_deg: number("central_meridian_west_deg"),
            central_meridian_i_deg: None,
            central_meridian_ii_deg: None,
            ..jupiter(radius_px, centre_px)
        }
    }

    pub(crate) fn cases() -> Vec<toml::Value> {
        let table: toml::Table = include_str!("../tests/data/projection.toml").parse().unwrap();
        table["projection"]["case"].as_array().unwrap().clone()
    }

    // Points checked with CSPICE (tests/data/projection.toml): on a picture with north up and east left, column =
    // centre - east * R, row = centre - north * R; the mirrored picture has east right.
    #[test]
    fn checked_points_there_and_back() {
        let (radius_px, centre_px) = (150.0, [200.25, 180.5]);
        for case in cases() {
            for mirrored in [false, true] {
                let upright = of_case(&case, radius_px, centre_px);
                let pole_rad = if mirrored { -upright.pole_rad } else { upright.pole_rad };
                let view = GlobeView::new(&Globe { mirrored, pole_rad, ..upright }, "auto").unwrap();
                for point in case["point"].as_array().unwrap() {
                    let number = |key: &str| point[key].as_float().unwrap();
                    let (latitude_deg, longitude_deg) =
                        (number("planetographic_lat_deg"), number("west_longitude_deg"));
                    let ((x, y), cos_emission) = view.project(latitude_deg, longitude_deg);
                    let east = if mirrored { 1.0 } else { -1.0 };
                    assert!((x - centre_px[0] - east * number("sky_east_radii") * radius_px).abs() < 1e-5 * radius_px);
                    assert!((y - centre_px[1] + number("sky_north_radii") * radius_px).abs() < 1e-5 * radius_px);
                    assert!((cos_emission - number("cos_emission")).abs() < 1e-5);
                    if cos_emission > 0.01 {
                        let back = view.locate(x, y).unwrap();
                        let turned = (back.longitude_deg - longitude_deg + 180.0).rem_euclid(360.0) - 180.0;
                        assert!((back.latitude_deg - latitude_deg).abs() < 1e-6 && turned.abs() < 1e-6);
                    }
                }
            }
        }
    }

    #[test]
    fn systems_and_the_sun() {
        let globe = jupiter(50.0, [60.0, 60.0]);
        for (system, name, meridian_deg) in
            [("auto", "System II", 72.74), ("i", "System I", 10.0), ("iii", "System III", 320.0)]
        {
            let view = GlobeView::new(&globe, system).unwrap();
            assert_eq!((view.system, view.central_meridian_deg), (name, meridian_deg));
            // The Sun stands over the middle of the disc, whose planetographic latitude tells the flattening (a/b)^2.
            let latitude_deg = (globe.latitude_rad.tan() / globe.axis_ratio.powi(2)).atan().to_degrees();
            assert!((view.cos_incidence(latitude_deg, meridian_deg) - 1.0).abs() < 1e-4);
            assert!(view.cos_incidence(latitude_deg, meridian_deg + 100.0) < 0.0);
        }
        let mars = Globe { body: "mars".into(), central_meridian_ii_deg: None, ..globe };
        assert!(GlobeView::new(&mars, "ii").unwrap_err().to_string().contains("mars has no longitudes of System II"));
        assert_eq!(GlobeView::new(&mars, "auto").unwrap().system, "longitude");
        assert!(GlobeView::new(&Globe { equatorial_radius_px: f64::NAN, ..mars }, "auto").is_err());
    }
}
