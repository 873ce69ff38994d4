//! One night: the Sun's way, and each target's.

use jiff::Timestamp;
use serde::Serialize;

use super::request::OutlookRequest;
use super::target::{TargetNight, target_night};
use crate::error::SkyError;
use crate::place::{Observer, Sky};
use crate::time::{later, seconds_between};
use crate::track::{EventKind, Target, Track};

/// How dark a night gets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Darkness {
    /// The Sun goes below the limit and comes back.
    Dark,
    /// The Sun stays above the limit all night.
    NeverDark,
    /// The Sun stays below the limit from noon to noon.
    AlwaysDark,
}

/// The Sun at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SunSample {
    /// When.
    pub utc: Timestamp,
    /// Airless altitude of the Sun's centre, degrees.
    pub altitude_deg: f64,
}

/// One night, from local mean noon to noon.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Night {
    /// Local mean midnight.
    pub midnight: Timestamp,
    /// Sunset.
    pub sunset: Option<Timestamp>,
    /// When the Sun goes below the request's limit.
    pub dusk: Option<Timestamp>,
    /// When it comes above the limit.
    pub dawn: Option<Timestamp>,
    /// Sunrise.
    pub sunrise: Option<Timestamp>,
    /// How dark it gets.
    pub darkness: Darkness,
    /// The Sun from noon to noon.
    pub sun: Vec<SunSample>,
    /// The targets, in the order of the request.
    pub targets: Vec<TargetNight>,
}

pub(super) fn night(request: &OutlookRequest, midnight: Timestamp) -> Result<Night, SkyError> {
    let (noon, next_noon) = (later(midnight, -43_200.0), later(midnight, 43_200.0));
    let mut targets = vec![Target::Sun];
    targets.extend(request.bodies.iter().map(|&body| Target::Body(body)));
    let mut tracks = Track::many(&targets, request.site, request.conditions.air, noon, next_noon)?;
    let sun = tracks.remove(0);

    // The first setting after noon and the last rising before the next noon enclose the night.
    let (sunset, sunrise) = enclosing(sun.events().iter().map(|event| (event.kind, event.utc)), midnight);
    let (dusk, dawn) =
        enclosing(sun.events_at(request.sun_limit_deg).iter().map(|event| (event.kind, event.utc)), midnight);
    let dark_at = |utc: Timestamp| sun.horizon(utc).airless_altitude_deg < request.sun_limit_deg;
    let darkness = match (dusk, dawn) {
        (None, None) if dark_at(midnight) => Darkness::AlwaysDark,
        (None, None) => Darkness::NeverDark,
        _ => Darkness::Dark,
    };
    let times: Vec<Timestamp> = sample_times(noon, next_noon, request.step_s);
    let sun_samples =
        times.iter().map(|&utc| SunSample { utc, altitude_deg: sun.horizon(utc).airless_altitude_deg }).collect();
    let dark_span = match darkness {
        Darkness::NeverDark => None,
        _ => Some((dusk.unwrap_or(noon), dawn.unwrap_or(next_noon))),
    };
    let sky = Sky::at(midnight, Observer::Site(request.site))?;
    let targets = request
        .bodies
        .iter()
        .zip(&tracks)
        .map(|(&body, track)| target_night(request, &sky, body, track, &sun, &times, dark_span))
        .collect::<Result<Vec<_>, _>>()?;
    Ok(Night { midnight, sunset, dusk, dawn, sunrise, darkness, sun: sun_samples, targets })
}

/// The last setting before and the first rising after midnight.
fn enclosing(
    events: impl Iterator<Item = (EventKind, Timestamp)>,
    midnight: Timestamp,
) -> (Option<Timestamp>, Option<Timestamp>) {
    let (mut before, mut after) = (None, None);
    for (kind, utc) in events {
        match kind {
            EventKind::Set if utc <= midnight => before = Some(utc),
            EventKind::Rise if utc > midnight && after.is_none() => after = Some(utc),
            _ => {}
        }
    }
    (before, after)
}

fn sample_times(start: Timestamp, end: Timestamp, step_s: f64) -> Vec<Timestamp> {
    let steps = (seconds_between(start, end) / step_s).floor() as usize;
    (0..=steps).map(|step| later(start, step as f64 * step_s)).collect()
}
