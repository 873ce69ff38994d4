//! Time scales: from a UTC instant to terrestrial time, barycentric time and the Earth's rotation.
//!
//! TAI-UTC comes from `sofars::ts::dat` (the leap seconds; after the last known one it stays at 37 s).
//! Before UTC existed, 1950 to 1959, the civil instant is taken as UT1 and Delta T is the polynomial of
//! Espenak and Meeus 2006 (NASA/TP-2006-214141, Five Millennium Canon, section "Polynomial expressions
//! for Delta T", 1941 to 1961). TDB-TT is the leading term of USNO Circular 179, eq. 2.6, good to 30 us.

use jiff::{Timestamp, tz::Offset};

use crate::error::SkyError;

/// Julian date of the Unix epoch, 1970-01-01T00:00 UTC.
const UNIX_EPOCH_JD: f64 = 2_440_587.5;
/// Julian date of J2000.0.
pub(crate) const J2000_JD: f64 = 2_451_545.0;
const DAY_S: f64 = 86_400.0;
/// First and one past the last UTC Julian date accepted: 1950-01-01 and 2051-01-01.
const FIRST_JD: f64 = 2_433_282.5;
const END_JD: f64 = 2_470_172.5;

/// An instant, in the time scales the sky needs, as Julian dates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Epoch {
    tt_jd: f64,
    tdb_jd: f64,
    ut1_jd: f64,
}

impl Epoch {
    /// The epoch of a UTC instant, with UT1 taken equal to UTC (they differ by at most 0.9 s, which turns
    /// the sky by 13.5 arcsec).
    ///
    /// # Errors
    /// Outside 1950 to 2050.
    pub fn from_utc(utc: Timestamp) -> Result<Self, SkyError> {
        let utc_jd = utc_jd(utc);
        if !(FIRST_JD..END_JD).contains(&utc_jd) {
            return Err(SkyError::TimeOutOfRange { utc });
        }
        let tt_jd = utc_jd + tt_minus_utc_s(utc) / DAY_S;
        Ok(Self { tt_jd, tdb_jd: tt_jd + tdb_minus_tt_s(tt_jd) / DAY_S, ut1_jd: utc_jd })
    }

    /// The epoch of a terrestrial time given as a Julian date; UT1 follows through the leap seconds of
    /// that date.
    ///
    /// # Errors
    /// Outside 1950 to 2050, or not a number.
    pub fn from_tt_jd(tt_jd: f64) -> Result<Self, SkyError> {
        if !(FIRST_JD..END_JD).contains(&tt_jd) {
            return Err(SkyError::JulianDateOutOfRange { jd: tt_jd });
        }
        let nearly = timestamp_of_jd(tt_jd).ok_or(SkyError::JulianDateOutOfRange { jd: tt_jd })?;
        let offset_s = tt_minus_utc_s(nearly);
        let utc = timestamp_of_jd(tt_jd - offset_s / DAY_S).ok_or(SkyError::JulianDateOutOfRange { jd: tt_jd })?;
        Ok(Self { tt_jd, tdb_jd: tt_jd + tdb_minus_tt_s(tt_jd) / DAY_S, ut1_jd: tt_jd - tt_minus_utc_s(utc) / DAY_S })
    }

    /// The same instant with the Earth turned by a known UT1-UTC, seconds (|value| < 1 in practice).
    #[must_use]
    pub fn with_ut1_minus_utc_s(mut self, ut1_minus_utc_s: f64) -> Self {
        self.ut1_jd += ut1_minus_utc_s / DAY_S;
        self
    }

    /// Terrestrial time as a Julian date.
    #[must_use]
    pub fn tt_jd(&self) -> f64 {
        self.tt_jd
    }

    /// Barycentric dynamical time as a Julian date.
    #[must_use]
    pub fn tdb_jd(&self) -> f64 {
        self.tdb_jd
    }

    /// UT1 as a Julian date.
    #[must_use]
    pub fn ut1_jd(&self) -> f64 {
        self.ut1_jd
    }
}

/// TT-UTC at a UTC instant, seconds: 32.184 s + TAI-UTC from 1960 on, Delta T before.
#[must_use]
pub fn tt_minus_utc_s(utc: Timestamp) -> f64 {
    let civil = Offset::UTC.to_datetime(utc);
    if civil.year() < 1960 {
        let years = (utc_jd(utc) - 2_433_282.5) / 365.2425;
        return 29.07 + 0.407 * years - years.powi(2) / 233.0 + years.powi(3) / 2547.0;
    }
    let fraction = (utc_jd(utc) - 0.5).rem_euclid(1.0);
    // An error means a date before 1960, dealt with above, or a fraction outside 0..1, which cannot be.
    let tai_minus_utc_s =
        sofars::ts::dat(i32::from(civil.year()), i32::from(civil.month()), i32::from(civil.day()), fraction)
            .unwrap_or(37.0);
    32.184 + tai_minus_utc_s
}

/// Julian date (UTC) of an instant.
#[must_use]
pub fn utc_jd(utc: Timestamp) -> f64 {
    UNIX_EPOCH_JD + (utc.as_second() as f64 + f64::from(utc.subsec_nanosecond()) * 1e-9) / DAY_S
}

/// The instant whose Julian date, read as UTC, is `jd`; `None` far outside history.
pub(crate) fn timestamp_of_jd(jd: f64) -> Option<Timestamp> {
    let seconds = (jd - UNIX_EPOCH_JD) * DAY_S;
    if !seconds.is_finite() || seconds.abs() > 1e11 {
        return None;
    }
    Timestamp::from_microsecond((seconds * 1e6).round() as i64).ok()
}

/// `utc` moved by a number of seconds; stays put at the ends of the calendar.
pub(crate) fn later(utc: Timestamp, seconds: f64) -> Timestamp {
    let microseconds = (seconds * 1e6).round() as i64;
    Timestamp::from_microsecond(utc.as_microsecond().saturating_add(microseconds)).unwrap_or(utc)
}

/// Seconds from `start` to `end`.
pub(crate) fn seconds_between(start: Timestamp, end: Timestamp) -> f64 {
    (end.as_microsecond() - start.as_microsecond()) as f64 * 1e-6
}

fn tdb_minus_tt_s(tt_jd: f64) -> f64 {
    let centuries = (tt_jd - J2000_JD) / 36_525.0;
    0.001_657 * (628.3076 * centuries + 6.2401).sin()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    // Leap seconds as published by the IERS (Bulletin C): TAI-UTC 10 s on 1972-01-01, 32 s on
    // 1999-01-01, 36 s until 2016-12-31T23:59:59, 37 s after.
    #[test]
    fn leap_seconds() {
        assert_eq!(tt_minus_utc_s(at("1972-01-01T00:00:00Z")), 42.184);
        assert_eq!(tt_minus_utc_s(at("1999-01-01T00:00:00Z")), 64.184);
        assert_eq!(tt_minus_utc_s(at("2016-12-31T23:59:59Z")), 68.184);
        assert_eq!(tt_minus_utc_s(at("2017-01-01T00:00:00Z")), 69.184);
        assert_eq!(tt_minus_utc_s(at("2050-06-01T00:00:00Z")), 69.184);
    }

    // Delta T in the Astronomical Almanac's table: 29.15 s at 1950.0, 31.07 s at 1955.0.
    #[test]
    fn before_leap_seconds() {
        assert!((tt_minus_utc_s(at("1950-01-01T00:00:00Z")) - 29.15).abs() < 0.1);
        assert!((tt_minus_utc_s(at("1955-01-01T00:00:00Z")) - 31.07).abs() < 0.1);
    }

    #[test]
    fn only_the_years_the_series_are_good_for() {
        assert!(Epoch::from_utc(at("1949-12-31T23:59:59Z")).is_err());
        assert!(Epoch::from_utc(at("1950-01-01T00:00:00Z")).is_ok());
        assert!(Epoch::from_utc(at("2050-12-31T23:59:59Z")).is_ok());
        assert!(Epoch::from_utc(at("2051-01-01T00:00:00Z")).is_err());
        assert!(Epoch::from_tt_jd(f64::NAN).is_err());
    }

    // J2000.0 is 2000-01-01T11:58:55.816 UTC by definition (TT-UTC = 64.184 s).
    #[test]
    fn j2000() {
        let epoch = Epoch::from_utc(at("2000-01-01T11:58:55.816Z")).unwrap();
        assert!((epoch.tt_jd() - J2000_JD).abs() < 1e-9);
        let back = Epoch::from_tt_jd(J2000_JD).unwrap();
        assert!((back.ut1_jd() - epoch.ut1_jd()).abs() < 1e-9);
    }
}
