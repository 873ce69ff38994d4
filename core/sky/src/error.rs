//! What can be wrong with a question to the sky.

use jiff::Timestamp;

/// Why a quantity cannot be computed, with the remedy in its text.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SkyError {
    /// The instant lies outside the years the series are good for.
    #[error("{utc} lies outside 1950 to 2050, the years these ephemerides are made for; check the time of the capture")]
    TimeOutOfRange {
        /// The instant asked for.
        utc: Timestamp,
    },
    /// The Julian date lies outside the years the series are good for, or is not a number.
    #[error("Julian date {jd} lies outside 1950 to 2050 (2433282.5 to 2470172.5)")]
    JulianDateOutOfRange {
        /// The Julian date asked for.
        jd: f64,
    },
    /// A quantity is outside its range, or is not a number.
    #[error("{name} = {value} is not possible; it must be {allowed}")]
    OutOfRange {
        /// The quantity, with its unit.
        name: &'static str,
        /// The value given.
        value: f64,
        /// The values that make sense, in words.
        allowed: &'static str,
    },
    /// The quantity needs an observing site, and the observer is at the Earth's centre.
    #[error("altitude and azimuth need a site: give latitude and longitude")]
    NoSite,
    /// No such body.
    #[error("no body is called {name:?}; known are mercury, venus, mars, jupiter, saturn, uranus, neptune, moon")]
    UnknownBody {
        /// The name given.
        name: String,
    },
    /// A span of time that ends before it begins, or is too long.
    #[error("the span from {start} to {end} is not possible; it must run forwards and last at most {most_days} days")]
    BadSpan {
        /// First instant.
        start: Timestamp,
        /// Last instant.
        end: Timestamp,
        /// Longest span allowed, days.
        most_days: u32,
    },
}

/// Checks that `value` is finite and within `lowest..=highest`.
pub(crate) fn within(
    name: &'static str,
    value: f64,
    lowest: f64,
    highest: f64,
    allowed: &'static str,
) -> Result<f64, SkyError> {
    if value.is_finite() && (lowest..=highest).contains(&value) {
        Ok(value)
    } else {
        Err(SkyError::OutOfRange { name, value, allowed })
    }
}
