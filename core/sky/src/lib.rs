//! The sky over the telescope: where the planets and the Moon are, how their globes are turned, what the
//! air and the optics do to their light. Pure functions, no I/O.
//!
//! Begin with [`Sky`]: the sky at one instant from one place. It gives the [`Disc`] of a [`Body`] (size,
//! phase, pole, central meridian, rings, libration), its [`Horizon`] coordinates, and the positions of the
//! Galilean moons and Titan. [`Track`] follows a body through a night. [`Spheroid`] carries points between a
//! globe and its picture. [`outlook`] puts it all together for a telescope, a camera and a span of nights.
//!
//! Conventions: degrees at the surface, radians inside; position angles from celestial north through east;
//! longitudes in the sense in which the central meridian grows with time (West, but East for Venus, Uranus
//! and the Moon); latitudes say which of planetocentric and planetographic they are; instants are UTC.
//! Positions are good to 2 arcsec for planets and 8 for the Moon, central meridians to 0.01 degrees.

#![forbid(unsafe_code)]

mod body;
mod disc;
mod ephemeris;
mod error;
mod observed;
mod place;
mod site;
mod time;
mod track;
mod vector;

pub mod dispersion;
pub mod moons;
pub mod optics;
pub mod outlook;
pub mod refraction;
pub mod rings;
pub mod rotation;
pub mod seeing;
pub mod smear;
pub mod spheroid;

pub use body::{Body, LongitudeSense};
pub use disc::{Disc, Libration, SubPoint, planetocentric_lat_deg, planetographic_lat_deg};
pub use ephemeris::AU_KM;
pub use error::SkyError;
pub use moons::{MoonPlace, Offset, Satellite};
pub use observed::{Horizon, SIDEREAL_DEG_PER_HOUR, field_rotation_deg_per_hour};
pub use place::{Observer, Place, Sky};
pub use rings::{RingEdge, Rings};
pub use rotation::{Orientation, System};
pub use site::{Air, Site};
pub use spheroid::{Located, PictureOrientation, Projected, Spheroid, SurfacePoint};
pub use time::{Epoch, tt_minus_utc_s, utc_jd};
pub use track::{Event, EventKind, LONGEST_TRACK_DAYS, Target, Track};
