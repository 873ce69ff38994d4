//! The path of a body over a site through a span of time: altitudes at any instant, and when it rises,
//! crosses the meridian and sets.
//!
//! Apparent topocentric places are computed every three hours (the Moon's every hour) and joined by cubic
//! (four-point Lagrange)
//! interpolation of the direction, which keeps the Moon within 1 arcsec; altitudes then cost next to nothing.
//! Crossings are bracketed on a ten-minute grid and bisected to a second. Rising and setting are of the
//! centre of a planet (34 arcmin of refraction), and of the upper limb of Sun and Moon, over a flat horizon
//! (the convention of the almanacs).

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::body::Body;
use crate::error::SkyError;
use crate::observed::{Horizon, SIDEREAL_DEG_PER_HOUR};
use crate::place::{Observer, Sky};
use crate::site::{Air, Site};
use crate::time::{later, seconds_between};
use crate::vector::{Vector, direction, longitude_latitude_deg, scaled, signed_deg, sum};

/// Refraction at the horizon, degrees (34 arcmin, the almanacs' convention).
const HORIZON_REFRACTION_DEG: f64 = 34.0 / 60.0;
/// Half the Sun's diameter, degrees (16 arcmin, the almanacs' convention).
const SUN_RADIUS_DEG: f64 = 16.0 / 60.0;
/// Hours between the places computed.
const MOON_NODE_HOURS: i64 = 1;
const OTHER_NODE_HOURS: i64 = 3;
const GRID_S: f64 = 600.0;
/// Longest span of a track, days.
pub const LONGEST_TRACK_DAYS: u32 = 400;

/// What a track follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[allow(missing_docs)]
pub enum Target {
    Body(Body),
    Sun,
}

/// What happens at an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum EventKind {
    /// Comes above the threshold altitude.
    Rise,
    /// Crosses the meridian at its highest.
    Transit,
    /// Goes below the threshold altitude.
    Set,
}

/// Something that happens to a body in the sky of a site.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Event {
    /// What.
    pub kind: EventKind,
    /// When, to a second.
    pub utc: Timestamp,
    /// Altitude then, through the site's usual air, degrees.
    pub altitude_deg: f64,
    /// Azimuth then, from north through east, degrees.
    pub azimuth_deg: f64,
}

/// The path of a body over a site.
#[derive(Debug, Clone)]
pub struct Track {
    site: Site,
    air: Air,
    target: Target,
    start: Timestamp,
    end: Timestamp,
    /// Apparent directions of date, from one node before the start to two or more after the end.
    nodes: Vec<Vector>,
    /// Apparent sidereal time at the start, degrees.
    sidereal_time_deg: f64,
    radius_deg: f64,
}

impl Track {
    /// Follows a target from `start` to `end`.
    ///
    /// # Errors
    /// Outside 1950 to 2050; an end before the start or more than [`LONGEST_TRACK_DAYS`] after it; an
    /// impossible site or air.
    pub fn new(target: Target, site: Site, air: Air, start: Timestamp, end: Timestamp) -> Result<Self, SkyError> {
        let mut tracks = Self::many(&[target], site, air, start, end)?;
        // One target, one track.
        Ok(tracks.remove(0))
    }

    /// Follows several targets, in the order given; cheaper than one by one.
    ///
    /// # Errors
    /// As [`Track::new`].
    pub fn many(
        targets: &[Target],
        site: Site,
        air: Air,
        start: Timestamp,
        end: Timestamp,
    ) -> Result<Vec<Self>, SkyError> {
        let span_s = seconds_between(start, end);
        if span_s < 0.0 || span_s > f64::from(LONGEST_TRACK_DAYS) * 86_400.0 {
            return Err(SkyError::BadSpan { start, end, most_days: LONGEST_TRACK_DAYS });
        }
        let air = air.checked()?;
        let observer = Observer::Site(site);
        let first = Sky::at(start, observer)?;
        let mut tracks: Vec<Self> = targets
            .iter()
            .map(|&target| Self {
                site,
                air,
                target,
                start,
                end,
                nodes: Vec::new(),
                sidereal_time_deg: first.sidereal_time_deg(),
                radius_deg: match target {
                    Target::Sun => SUN_RADIUS_DEG,
                    Target::Body(Body::Moon) => first.disc(Body::Moon).equatorial_diameter_arcsec / 2.0 / 3600.0,
                    Target::Body(_) => 0.0,
                },
            })
            .collect();
        // One node before the start and two after the end.
        let last_hour = (span_s / 3600.0).ceil() as i64 + 2 * OTHER_NODE_HOURS;
        for hour in -OTHER_NODE_HOURS..=last_hour {
            if !tracks.iter().any(|track| track.wants(hour)) {
                continue;
            }
            let sky = Sky::at(later(start, hour as f64 * 3600.0), observer)?;
            for track in tracks.iter_mut().filter(|track| track.wants(hour)) {
                let place = match track.target {
                    Target::Sun => sky.sun(),
                    Target::Body(body) => sky.place(body),
                };
                track.nodes.push(direction(place.ra_of_date_deg.to_radians(), place.dec_of_date_deg.to_radians()));
            }
        }
        Ok(tracks)
    }

    /// What it follows.
    #[must_use]
    pub fn target(&self) -> Target {
        self.target
    }

    /// Apparent topocentric right ascension and declination of date, degrees. Instants outside the span are
    /// taken at its nearer end.
    #[must_use]
    pub fn place_of_date_deg(&self, utc: Timestamp) -> (f64, f64) {
        longitude_latitude_deg(self.direction_after(self.seconds_in(utc)))
    }

    /// Where the target stands. Instants outside the span are taken at its nearer end.
    #[must_use]
    pub fn horizon(&self, utc: Timestamp) -> Horizon {
        self.horizon_after(self.seconds_in(utc))
    }

    /// Rises, transits and settings within the span, in order of time.
    #[must_use]
    pub fn events(&self) -> Vec<Event> {
        self.events_at(-HORIZON_REFRACTION_DEG - self.radius_deg)
    }

    /// As [`Track::events`], with an airless altitude of the target's centre, degrees, as the threshold of
    /// rising and setting (for example -12 for the Sun and nautical twilight).
    #[must_use]
    pub fn events_at(&self, airless_altitude_deg: f64) -> Vec<Event> {
        let span_s = seconds_between(self.start, self.end);
        let steps = (span_s / GRID_S).ceil() as usize;
        let height = |s: f64| self.horizon_after(s).airless_altitude_deg - airless_altitude_deg;
        let hour_angle = |s: f64| self.horizon_after(s).hour_angle_deg;
        let mut events = Vec::new();
        let mut before = (0.0, height(0.0), hour_angle(0.0));
        for step in 1..=steps {
            let s = (step as f64 * GRID_S).min(span_s);
            let after = (s, height(s), hour_angle(s));
            let mut within = Vec::new();
            if (before.1 < 0.0) != (after.1 < 0.0) {
                let kind = if after.1 >= 0.0 { EventKind::Rise } else { EventKind::Set };
                within.push((kind, crossing(&height, before.0, after.0)));
            }
            // The hour angle jumps at the lower meridian; only the rise through zero is a transit.
            if before.2 < 0.0 && after.2 >= 0.0 && after.2 - before.2 < 90.0 {
                within.push((EventKind::Transit, crossing(&hour_angle, before.0, after.0)));
            }
            within.sort_by(|a, b| a.1.total_cmp(&b.1));
            events.extend(within.into_iter().map(|(kind, s)| {
                let at = self.horizon_after(s);
                Event { kind, utc: later(self.start, s), altitude_deg: at.altitude_deg, azimuth_deg: at.azimuth_deg }
            }));
            before = after;
        }
        events
    }

    fn node_hours(&self) -> i64 {
        match self.target {
            Target::Body(Body::Moon) => MOON_NODE_HOURS,
            _ => OTHER_NODE_HOURS,
        }
    }

    /// Whether an hour from the start is one of this track's nodes.
    fn wants(&self, hour: i64) -> bool {
        hour >= -self.node_hours() && hour % self.node_hours() == 0
    }

    fn seconds_in(&self, utc: Timestamp) -> f64 {
        seconds_between(self.start, utc).clamp(0.0, seconds_between(self.start, self.end))
    }

    fn direction_after(&self, seconds: f64) -> Vector {
        let nodes = seconds / (3600.0 * self.node_hours() as f64);
        let whole = nodes.floor();
        let t = nodes - whole;
        let first = whole as usize;
        let weights = [
            -t * (t - 1.0) * (t - 2.0) / 6.0,
            (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
            -(t + 1.0) * t * (t - 2.0) / 2.0,
            (t + 1.0) * t * (t - 1.0) / 6.0,
        ];
        weights
            .iter()
            .zip(&self.nodes[first..])
            .fold([0.0; 3], |total, (&weight, &node)| sum(total, scaled(node, weight)))
    }

    fn horizon_after(&self, seconds: f64) -> Horizon {
        let (ra_deg, dec_deg) = longitude_latitude_deg(self.direction_after(seconds));
        let sidereal_deg = self.sidereal_time_deg + SIDEREAL_DEG_PER_HOUR * seconds / 3600.0;
        Horizon::new(
            signed_deg(sidereal_deg + self.site.longitude_deg - ra_deg),
            dec_deg,
            self.site.latitude_deg,
            &self.air,
        )
    }
}

/// Where `f` crosses zero between `low` and `high`, to a quarter of a second.
fn crossing(f: &impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let negative_first = f(low) < 0.0;
    while high - low > 0.25 {
        let middle = 0.5 * (low + high);
        if (f(middle) < 0.0) == negative_first {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
