//! How much faster than the whole globe each of its parallels turns: Jupiter's equator by System I, 877.900 degrees a day,
//! the rest by System II, 870.270 (Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130, 22), blended where stillair-sky has
//! the edge of the jets. One place for clips ([`crate::spheroid`]) and for pictures ([`crate::carry`]).

use stillair_sky::rotation::{rate_deg_per_day, zonal_rate_deg_per_day};
use stillair_sky::{Body, System};

/// Steps from pole to pole, equal in the sine of the latitude: some ten of them lie across the edge of the jets.
const STEPS: usize = 256;

/// For [`stillair_api::SpinLayer::zonal`] and [`stillair_maths::globe::Turn`], of a body by its English name; empty where
/// all turns alike.
pub fn shares(body: &str) -> Vec<f32> {
    if !matches!(body.parse(), Ok(Body::Jupiter)) {
        return Vec::new();
    }
    let whole = rate_deg_per_day(Body::Jupiter, Some(System::II));
    let share = |i: usize| {
        let latitude_deg = libm::asin(2.0 * i as f64 / STEPS as f64 - 1.0).to_degrees();
        (zonal_rate_deg_per_day(Body::Jupiter, latitude_deg) / whole - 1.0) as f32
    };
    (0..=STEPS).map(share).collect()
}
