//! How far a turning globe, a turning field and a drift move detail during a clip.
//!
//! A feature on the equator crosses the disc's centre at v = 2 pi R / P (R the apparent equatorial radius,
//! P the rotation period): smear = v t, good to 0.2 % up to 300 s. A field that turns by an angle a moves a
//! point at radius R by R a.

use crate::error::{SkyError, within};
use crate::observed;

/// Speed of detail at the disc's centre, arcsec per second.
#[must_use]
pub fn centre_speed_arcsec_per_s(equatorial_diameter_arcsec: f64, period_s: f64) -> f64 {
    std::f64::consts::PI * equatorial_diameter_arcsec / period_s
}

/// Smear of detail at the disc's centre in a clip of `clip_s`, arcsec.
#[must_use]
pub fn smear_arcsec(equatorial_diameter_arcsec: f64, period_s: f64, clip_s: f64) -> f64 {
    centre_speed_arcsec_per_s(equatorial_diameter_arcsec, period_s) * clip_s
}

/// Longest clip, s, that smears detail at the disc's centre by no more than `allowed_arcsec`.
///
/// # Errors
/// A size, period or allowance that is not positive and finite.
pub fn longest_clip_s(equatorial_diameter_arcsec: f64, period_s: f64, allowed_arcsec: f64) -> Result<f64, SkyError> {
    let positive = |name, value| within(name, value, f64::MIN_POSITIVE, f64::MAX, "positive");
    positive("equatorial_diameter_arcsec", equatorial_diameter_arcsec)?;
    positive("period_s", period_s)?;
    positive("allowed_arcsec", allowed_arcsec)?;
    Ok(allowed_arcsec / centre_speed_arcsec_per_s(equatorial_diameter_arcsec, period_s))
}

/// Longest clip, s, before the turning field of an alt-azimuth mount moves a point at `radius_arcsec` from
/// the field's centre by `allowed_arcsec`; infinite where the field stands still.
#[must_use]
pub fn longest_field_rotation_clip_s(field_rotation_deg_per_hour: f64, radius_arcsec: f64, allowed_arcsec: f64) -> f64 {
    let speed = (field_rotation_deg_per_hour / 3600.0).to_radians().abs() * radius_arcsec;
    allowed_arcsec / speed
}

/// How far the sky runs through the field of a mount that does not follow, arcsec per second, at a
/// declination in degrees.
#[must_use]
pub fn undriven_drift_arcsec_per_s(declination_deg: f64) -> f64 {
    observed::SIDEREAL_DEG_PER_HOUR * declination_deg.to_radians().cos()
}
