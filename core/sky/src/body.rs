//! The targets: Mercury to Neptune and the Moon, with their radii.
//!
//! Radii: Archinal et al. 2018, "Report of the IAU Working Group on Cartographic Coordinates and
//! Rotational Elements: 2015", Celest. Mech. Dyn. Astr. 130:22, tables 4 and 5.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::error::SkyError;

/// A target of this crate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum Body {
    Mercury,
    Venus,
    Mars,
    Jupiter,
    Saturn,
    Uranus,
    Neptune,
    Moon,
}

/// The sense in which a body's longitudes are counted.
///
/// Planetographic longitudes grow so that the central meridian always grows with time: westward on
/// direct rotators, eastward on retrograde ones. The Moon's grow eastward by convention.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum LongitudeSense {
    West,
    East,
}

impl Body {
    /// All targets, from Mercury outwards, the Moon last.
    pub const ALL: [Body; 8] =
        [Body::Mercury, Body::Venus, Body::Mars, Body::Jupiter, Body::Saturn, Body::Uranus, Body::Neptune, Body::Moon];

    /// The lower-case English name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Body::Mercury => "mercury",
            Body::Venus => "venus",
            Body::Mars => "mars",
            Body::Jupiter => "jupiter",
            Body::Saturn => "saturn",
            Body::Uranus => "uranus",
            Body::Neptune => "neptune",
            Body::Moon => "moon",
        }
    }

    /// Equatorial radius, km (the 1-bar level of the giants).
    #[must_use]
    pub const fn equatorial_radius_km(self) -> f64 {
        match self {
            Body::Mercury => 2440.53,
            Body::Venus => 6051.8,
            Body::Mars => 3396.19,
            Body::Jupiter => 71492.0,
            Body::Saturn => 60268.0,
            Body::Uranus => 25559.0,
            Body::Neptune => 24764.0,
            Body::Moon => 1737.4,
        }
    }

    /// Polar radius, km.
    #[must_use]
    pub const fn polar_radius_km(self) -> f64 {
        match self {
            Body::Mercury => 2438.26,
            Body::Venus => 6051.8,
            Body::Mars => 3376.20,
            Body::Jupiter => 66854.0,
            Body::Saturn => 54364.0,
            Body::Uranus => 24973.0,
            Body::Neptune => 24341.0,
            Body::Moon => 1737.4,
        }
    }

    /// Polar over equatorial radius, 0.90 to 1.
    #[must_use]
    pub const fn axis_ratio(self) -> f64 {
        self.polar_radius_km() / self.equatorial_radius_km()
    }

    /// The sense of the body's longitudes.
    #[must_use]
    pub const fn longitude_sense(self) -> LongitudeSense {
        match self {
            Body::Venus | Body::Uranus | Body::Moon => LongitudeSense::East,
            _ => LongitudeSense::West,
        }
    }
}

impl fmt::Display for Body {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for Body {
    type Err = SkyError;

    /// Reads an English name, in any case, surrounded by any white space.
    fn from_str(name: &str) -> Result<Self, SkyError> {
        let wanted = name.trim();
        Body::ALL
            .into_iter()
            .find(|body| body.name().eq_ignore_ascii_case(wanted))
            .ok_or_else(|| SkyError::UnknownBody { name: wanted.to_owned() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_read_back() {
        for body in Body::ALL {
            assert_eq!(body.name().to_uppercase().parse::<Body>(), Ok(body));
        }
        assert!("pluto".parse::<Body>().is_err());
    }

    // WGCCRE 2015 flattenings as commonly printed: Jupiter 1/15.41, Saturn 1/10.21.
    #[test]
    fn flattening() {
        assert!((1.0 / (1.0 - Body::Jupiter.axis_ratio()) - 15.414).abs() < 0.01);
        assert!((1.0 / (1.0 - Body::Saturn.axis_ratio()) - 10.208).abs() < 0.01);
    }
}
