//! The Galilean moons and Titan: where they stand beside their planet, and what they do with its disc.
//!
//! Positions: Lainey's L1.2 for the Galilean moons, Harper and Taylor's theory for Titan (see the
//! submodules). A moon is behind the globe, in front of it, in its shadow, or throws its shadow on it
//! according to whether the straight line from it to or from observer or Sun meets the oblate globe; the
//! penumbra and the moon's own size are left out.

mod galilean;
mod galilean_terms;
mod titan;

use serde::{Deserialize, Serialize};

use crate::body::Body;
use crate::ephemeris::{AU_KM, LIGHT_AU_PER_DAY};
use crate::optics::ARCSEC_PER_RAD;
use crate::place::{Sight, Sky};
use crate::rotation::{body_axes, orientation};
use crate::vector::{Vector, cross, dot, east_north, length, moved, rotated, rotated_back, scaled, unit};

/// A moon of this crate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum Satellite {
    Io,
    Europa,
    Ganymede,
    Callisto,
    Titan,
}

impl Satellite {
    /// The moons of a body that this crate knows.
    #[must_use]
    pub const fn of(body: Body) -> &'static [Satellite] {
        match body {
            Body::Jupiter => &[Satellite::Io, Satellite::Europa, Satellite::Ganymede, Satellite::Callisto],
            Body::Saturn => &[Satellite::Titan],
            _ => &[],
        }
    }

    /// The planet it goes round.
    #[must_use]
    pub const fn planet(self) -> Body {
        match self {
            Satellite::Titan => Body::Saturn,
            _ => Body::Jupiter,
        }
    }

    /// The English name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Satellite::Io => "Io",
            Satellite::Europa => "Europa",
            Satellite::Ganymede => "Ganymede",
            Satellite::Callisto => "Callisto",
            Satellite::Titan => "Titan",
        }
    }

    /// Mean radius, km (WGCCRE 2015, table 6; Titan's is of its solid body).
    #[must_use]
    pub const fn radius_km(self) -> f64 {
        match self {
            Satellite::Io => 1821.49,
            Satellite::Europa => 1560.8,
            Satellite::Ganymede => 2631.2,
            Satellite::Callisto => 2410.3,
            Satellite::Titan => 2575.0,
        }
    }

    /// Position from the planet's centre, km, equatorial axes of J2000.
    fn position_km(self, tt_jd: f64) -> Vector {
        match self {
            Satellite::Io => galilean::position_km(0, tt_jd),
            Satellite::Europa => galilean::position_km(1, tt_jd),
            Satellite::Ganymede => galilean::position_km(2, tt_jd),
            Satellite::Callisto => galilean::position_km(3, tt_jd),
            Satellite::Titan => titan::position_km(tt_jd),
        }
    }
}

/// A place beside or on a planet's disc.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Offset {
    /// East of the planet's centre, arcsec (north of date).
    pub east_arcsec: f64,
    /// North of the planet's centre, arcsec.
    pub north_arcsec: f64,
    /// Along the equator, towards the position angle of the pole + 90, in the planet's equatorial radii.
    pub x_radii: f64,
    /// Along the projected pole, in the planet's equatorial radii.
    pub y_radii: f64,
}

/// A moon as it appears.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MoonPlace {
    /// Which.
    pub satellite: Satellite,
    /// Where.
    pub offset: Offset,
    /// Nearer to the observer than the planet's centre, in the planet's equatorial radii; negative beyond.
    pub nearer_radii: f64,
    /// Diameter, arcsec.
    pub diameter_arcsec: f64,
    /// Hidden behind the globe.
    pub occulted: bool,
    /// In front of the globe.
    pub in_transit: bool,
    /// In the globe's shadow.
    pub eclipsed: bool,
    /// Where the observer sees its shadow on the globe, if it throws one there.
    pub shadow: Option<Offset>,
}

impl Sky {
    /// The known moons of a planet; empty for a body without.
    #[must_use]
    pub fn moons(&self, body: Body) -> Vec<MoonPlace> {
        let satellites = Satellite::of(body);
        if satellites.is_empty() {
            return Vec::new();
        }
        let sight = self.sight(body);
        let turned = orientation(body, sight.body_tdb_jd);
        let axes = body_axes(&turned, turned.prime_meridian_deg);
        let frame = Frame::new(self, body, &sight, axes[2]);
        satellites
            .iter()
            .map(|&satellite| {
                // The light of a moon beyond the planet left earlier. (That the planet moved on meanwhile, by
                // less than 100 km, is left out.)
                let first = satellite.position_km(sight.body_tdb_jd);
                let beyond_days = dot(first, frame.line_of_sight) / AU_KM / LIGHT_AU_PER_DAY;
                let from_planet = satellite.position_km(sight.body_tdb_jd - beyond_days);
                let globe = |vector: Vector| {
                    let [x, y, z] = rotated(&axes, vector);
                    [x, y, z / body.axis_ratio()]
                };
                let at = scaled(globe(from_planet), 1.0 / body.equatorial_radius_km());
                let to_observer = globe(scaled(frame.line_of_sight, -1.0));
                let to_sun = globe(unit(sight.to_sun));
                let shadow = meets_globe(at, scaled(to_sun, -1.0)).and_then(|along| {
                    // With z stretched by 1/b the vertical (x, y, z/b^2) dotted with the observer's direction is
                    // the dot product of the stretched vectors.
                    let spot = moved(at, to_sun, -along);
                    let sun = unit(sight.to_sun);
                    let spot_km = moved(from_planet, sun, -along * body.equatorial_radius_km());
                    (dot(spot, to_observer) > 0.0).then(|| frame.offset(spot_km))
                });
                let distance_km = frame.distance_km + dot(from_planet, frame.line_of_sight);
                MoonPlace {
                    satellite,
                    offset: frame.offset(from_planet),
                    nearer_radii: -dot(from_planet, frame.line_of_sight) / body.equatorial_radius_km(),
                    diameter_arcsec: 2.0 * (satellite.radius_km() / distance_km).asin() * ARCSEC_PER_RAD,
                    occulted: meets_globe(at, to_observer).is_some(),
                    in_transit: meets_globe(at, scaled(to_observer, -1.0)).is_some(),
                    eclipsed: meets_globe(at, to_sun).is_some(),
                    shadow,
                }
            })
            .collect()
    }
}

/// Distance along `towards` at which a ray from `at` first meets the unit sphere, if it does ahead.
fn meets_globe(at: Vector, towards: Vector) -> Option<f64> {
    let (square, half_linear, constant) = (dot(towards, towards), dot(at, towards), dot(at, at) - 1.0);
    let under_root = half_linear * half_linear - square * constant;
    if under_root < 0.0 {
        return None;
    }
    let along = (-half_linear - under_root.sqrt()) / square;
    (along > 0.0).then_some(along)
}

/// The planet's place on the sky of date, to measure offsets from.
struct Frame {
    /// Observer to planet, ICRF, unit.
    line_of_sight: Vector,
    distance_km: f64,
    radius_km: f64,
    east: Vector,
    north: Vector,
    along_equator: Vector,
    along_pole: Vector,
}

impl Frame {
    fn new(sky: &Sky, body: Body, sight: &Sight, pole: Vector) -> Self {
        let line_of_sight = unit(sight.towards);
        let (east, north) = east_north(rotated(&sky.to_date, line_of_sight));
        let back = |vector| rotated_back(&sky.to_date, vector);
        let along_pole = unit(moved(pole, line_of_sight, -dot(pole, line_of_sight)));
        Self {
            line_of_sight,
            distance_km: length(sight.towards) * AU_KM,
            radius_km: body.equatorial_radius_km(),
            east: back(east),
            north: back(north),
            // Position angle of the pole + 90: east when the pole is north.
            along_equator: cross(along_pole, line_of_sight),
            along_pole,
        }
    }

    fn offset(&self, from_planet_km: Vector) -> Offset {
        let distance_km = self.distance_km + dot(from_planet_km, self.line_of_sight);
        let arcsec = |axis| dot(from_planet_km, axis) / distance_km * ARCSEC_PER_RAD;
        // In radii as seen in perspective, so that offsets and arcsec agree with the disc's radius.
        let radii = |axis| dot(from_planet_km, axis) / self.radius_km * self.distance_km / distance_km;
        Offset {
            east_arcsec: arcsec(self.east),
            north_arcsec: arcsec(self.north),
            x_radii: radii(self.along_equator),
            y_radii: radii(self.along_pole),
        }
    }
}
