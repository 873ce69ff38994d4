//! Saturn's rings as they appear.
//!
//! A circle of radius R in the equator plane appears as an ellipse of semi-axes R and R |sin B|, B being the
//! planetocentric latitude of the observer; its minor axis lies along the projected pole. Radii: Cassini-era
//! values as commonly tabulated (NASA Saturnian Rings Fact Sheet), from memory.

use serde::{Deserialize, Serialize};

use crate::ephemeris::AU_KM;
use crate::vector::signed_deg;

/// An edge in Saturn's rings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[allow(missing_docs)]
pub enum RingEdge {
    AOuter,
    EnckeGap,
    AInner,
    BOuter,
    BInner,
    CInner,
}

impl RingEdge {
    /// All edges, outermost first.
    pub const ALL: [RingEdge; 6] =
        [RingEdge::AOuter, RingEdge::EnckeGap, RingEdge::AInner, RingEdge::BOuter, RingEdge::BInner, RingEdge::CInner];

    /// Distance from Saturn's centre, km.
    #[must_use]
    pub const fn radius_km(self) -> f64 {
        match self {
            RingEdge::AOuter => 136_775.0,
            RingEdge::EnckeGap => 133_589.0,
            RingEdge::AInner => 122_170.0,
            RingEdge::BOuter => 117_580.0,
            RingEdge::BInner => 92_000.0,
            RingEdge::CInner => 74_658.0,
        }
    }
}

/// Saturn's rings at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rings {
    /// B: latitude of the observer above the ring plane, degrees, north positive.
    pub tilt_deg: f64,
    /// B': latitude of the Sun above the ring plane, degrees, north positive.
    pub sun_tilt_deg: f64,
    /// Delta U: angle in the ring plane between the directions to the Sun and to the observer, degrees,
    /// 0 to 180.
    pub sun_longitude_difference_deg: f64,
    /// Major axis of the outer edge of ring A, arcsec.
    pub major_axis_arcsec: f64,
    /// Minor axis of the outer edge of ring A, arcsec.
    pub minor_axis_arcsec: f64,
    /// Whether observer and Sun stand on the same side of the rings.
    pub lit_side_seen: bool,
}

impl Rings {
    pub(crate) fn new(
        distance_au: f64,
        tilt_deg: f64,
        sun_tilt_deg: f64,
        observer_longitude_deg: f64,
        sun_longitude_deg: f64,
    ) -> Self {
        let major_axis_arcsec = edge_diameter_arcsec(RingEdge::AOuter, distance_au);
        Self {
            tilt_deg,
            sun_tilt_deg,
            sun_longitude_difference_deg: signed_deg(sun_longitude_deg - observer_longitude_deg).abs(),
            major_axis_arcsec,
            minor_axis_arcsec: major_axis_arcsec * tilt_deg.to_radians().sin().abs(),
            lit_side_seen: tilt_deg * sun_tilt_deg > 0.0,
        }
    }

    /// Major and minor axis of an edge, arcsec.
    #[must_use]
    pub fn axes_arcsec(&self, edge: RingEdge) -> (f64, f64) {
        let share = edge.radius_km() / RingEdge::AOuter.radius_km();
        (self.major_axis_arcsec * share, self.minor_axis_arcsec * share)
    }
}

fn edge_diameter_arcsec(edge: RingEdge, distance_au: f64) -> f64 {
    2.0 * (edge.radius_km() / (distance_au * AU_KM)).asin().to_degrees() * 3600.0
}
