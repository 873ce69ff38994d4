//! One target in one night.

use jiff::Timestamp;
use serde::Serialize;

use super::caution::Caution;
use super::request::{Mount, OutlookRequest};
use crate::body::Body;
use crate::disc::Disc;
use crate::dispersion::dispersion_arcsec;
use crate::error::SkyError;
use crate::observed::Horizon;
use crate::place::{Observer, Sky};
use crate::rotation::{System, rate_deg_per_day};
use crate::seeing::{Freeze, coherence_time_s, freeze, lucky_probability, r0_at_altitude_m, r0_at_wavelength_m, r0_m};
use crate::smear::{longest_clip_s, longest_field_rotation_clip_s, smear_arcsec};
use crate::time::{later, seconds_between};
use crate::track::{Event, Track};
use crate::vector::signed_deg;

/// Below this altitude, degrees, a target counts as low (common practice, no source).
const LOW_ALTITUDE_DEG: f64 = 30.0;
/// Nearer to the Sun than this, degrees, a target calls for a caution.
const NEAR_SUN_DEG: f64 = 20.0;
/// Above this altitude, degrees, alt-azimuth mounts are in trouble.
const ZENITH_DEG: f64 = 80.0;
/// Seeing is stated at this wavelength, nm.
const SEEING_NM: f64 = 500.0;

/// A stretch of the night in which the target is high enough and the sky dark enough.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Window {
    /// From.
    pub start: Timestamp,
    /// Until.
    pub end: Timestamp,
}

/// The target at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sample {
    /// When.
    pub utc: Timestamp,
    /// Altitude through the air, degrees.
    pub altitude_deg: f64,
    /// Azimuth from north through east, degrees.
    pub azimuth_deg: f64,
    /// Airmass; `None` below the horizon.
    pub airmass: Option<f64>,
    /// Whether the Sun is below the request's limit.
    pub dark: bool,
    /// Spread of the request's two wavelengths in altitude, arcsec; `None` below 5 degrees.
    pub dispersion_arcsec: Option<f64>,
    /// Turning of an alt-azimuth mount's field, degrees per hour.
    pub field_rotation_deg_per_hour: f64,
    /// Central meridian in the body's prime system (System III of the giants), degrees; `None` for the Moon.
    pub central_meridian_deg: Option<f64>,
    /// Central meridian in System I, degrees (Jupiter, Saturn).
    pub central_meridian_i_deg: Option<f64>,
    /// Central meridian in System II, degrees (Jupiter).
    pub central_meridian_ii_deg: Option<f64>,
}

/// What ends a clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClipLimit {
    /// The globe turns (the Moon: its libration).
    Rotation,
    /// The field of the alt-azimuth mount turns.
    FieldRotation,
}

/// The target at its best: highest while dark.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Best {
    /// When.
    pub utc: Timestamp,
    /// Where it stands.
    pub horizon: Horizon,
    /// Its disc: diameter, phase, meridians, pole, rings.
    pub disc: Disc,
    /// Equatorial diameter, pixels; `None` without scale.
    pub disc_px: Option<f64>,
    /// Widest extent (Saturn: the rings), pixels; `None` without scale.
    pub extent_px: Option<f64>,
    /// Spread of the request's two wavelengths, arcsec.
    pub dispersion_arcsec: f64,
    /// The same in pixels; `None` without scale.
    pub dispersion_px: Option<f64>,
    /// Longest clip before detail at the disc's centre moves by the allowed part of a pixel, s;
    /// `None` without scale.
    pub longest_rotation_clip_s: Option<f64>,
    /// Longest clip before the turning field moves the limb by the allowed part of a pixel, s; `None` on an
    /// equatorial mount and without scale.
    pub longest_field_rotation_clip_s: Option<f64>,
    /// The shorter of the two, s; `None` without scale.
    pub longest_clip_s: Option<f64>,
    /// Which one it is; `None` without scale.
    pub clip_limit: Option<ClipLimit>,
    /// How far detail at the disc's centre moves in a clip of the request's length, arcsec.
    pub smear_arcsec: f64,
    /// The same in pixels; `None` without scale.
    pub smear_px: Option<f64>,
    /// Fried's parameter at the request's wavelength and this altitude, m.
    pub r0_m: f64,
    /// Aperture over Fried's parameter; `None` without aperture.
    pub d_over_r0: Option<f64>,
    /// Share of frames that come out nearly diffraction-limited, 0 to 1 (Fried 1978); `None` without aperture.
    pub lucky_probability: Option<f64>,
    /// Longest exposure that freezes the seeing: the coherence time, ms.
    pub longest_frozen_exposure_ms: f64,
    /// The request's exposure against it; `None` where none was given.
    pub freeze: Option<Freeze>,
    /// Side of a square window that holds the target and its drift during a clip, pixels; `None` without scale.
    pub window_px: Option<u32>,
}

/// One target in one night.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TargetNight {
    /// Whose.
    pub body: Body,
    /// Angle between target and Sun at midnight, degrees.
    pub elongation_deg: f64,
    /// Risings, transits and settings from noon to noon.
    pub events: Vec<Event>,
    /// When it is worth working.
    pub windows: Vec<Window>,
    /// At its best; `None` if it is never high enough in the dark.
    pub best: Option<Best>,
    /// From noon to noon.
    pub samples: Vec<Sample>,
    /// What to mind with this target tonight.
    pub cautions: Vec<Caution>,
}

/// Side of the square window, pixels, that holds something `extent_arcsec` wide that drifts for a clip, with room
/// for two seeing discs on either side; rounded up to a multiple of 16.
#[must_use]
pub fn window_px(
    extent_arcsec: f64,
    drift_arcsec_per_s: f64,
    clip_s: f64,
    seeing_arcsec: f64,
    arcsec_per_px: f64,
) -> u32 {
    let side_arcsec = extent_arcsec + drift_arcsec_per_s * clip_s + 4.0 * seeing_arcsec;
    // Casts saturate: a window beyond 4e9 pixels stays there.
    ((side_arcsec / arcsec_per_px / 16.0).ceil() as u32).saturating_mul(16)
}

/// The system by which observers time a body: II on Jupiter, III on Saturn.
fn usual_system(body: Body) -> Option<System> {
    match body {
        Body::Jupiter => Some(System::II),
        Body::Saturn => Some(System::III),
        _ => None,
    }
}

pub(super) fn target_night(
    request: &OutlookRequest,
    midnight: &Sky,
    body: Body,
    track: &Track,
    sun: &Track,
    times: &[Timestamp],
    dark_span: Option<(Timestamp, Timestamp)>,
) -> Result<TargetNight, SkyError> {
    let meridians = Meridians::new(request, body, times)?;
    let air = &request.conditions.air;
    let (first_nm, second_nm) = request.dispersion_nm;
    let samples = times
        .iter()
        .map(|&utc| {
            let horizon = track.horizon(utc);
            Sample {
                utc,
                altitude_deg: horizon.altitude_deg,
                azimuth_deg: horizon.azimuth_deg,
                airmass: horizon.airmass,
                dark: sun.horizon(utc).airless_altitude_deg < request.sun_limit_deg,
                dispersion_arcsec: (horizon.altitude_deg >= 5.0)
                    .then(|| dispersion_arcsec(first_nm, second_nm, horizon.altitude_deg, air)),
                field_rotation_deg_per_hour: horizon.field_rotation_deg_per_hour,
                central_meridian_deg: meridians.at(utc, None),
                central_meridian_i_deg: meridians.at(utc, Some(System::I)),
                central_meridian_ii_deg: meridians.at(utc, Some(System::II)),
            }
        })
        .collect();
    let windows = dark_span.map_or_else(Vec::new, |span| windows(request, track, span));
    let best_utc =
        windows.iter().flat_map(|window| highest(track, window)).max_by(|a, b| a.1.total_cmp(&b.1)).map(|(utc, _)| utc);
    let best = best_utc.map(|utc| best(request, body, track, utc)).transpose()?;
    let elongation_deg = midnight.disc(body).elongation_deg;
    let cautions = match &best {
        Some(best) => cautions(request, best, sun),
        None if elongation_deg < NEAR_SUN_DEG => vec![Caution::NearSun { elongation_deg }],
        None => Vec::new(),
    };
    Ok(TargetNight { body, elongation_deg, events: track.events(), windows, best, samples, cautions })
}

/// Stretches of the dark span in which the target is high enough, to half a minute.
fn windows(request: &OutlookRequest, track: &Track, (start, end): (Timestamp, Timestamp)) -> Vec<Window> {
    let high = |utc: Timestamp| track.horizon(utc).altitude_deg >= request.least_altitude_deg;
    let steps = (seconds_between(start, end) / 30.0).ceil().max(1.0) as usize;
    let mut windows = Vec::new();
    let mut open: Option<Timestamp> = None;
    for step in 0..=steps {
        let utc = later(start, (step as f64 * 30.0).min(seconds_between(start, end)));
        match (high(utc), open) {
            (true, None) => open = Some(utc),
            (false, Some(from)) => {
                windows.push(Window { start: from, end: utc });
                open = None;
            }
            _ => {}
        }
    }
    windows.extend(open.map(|from| Window { start: from, end }));
    windows
}

/// The highest instant of a window, to half a minute, and its altitude.
fn highest(track: &Track, window: &Window) -> Option<(Timestamp, f64)> {
    let steps = (seconds_between(window.start, window.end) / 30.0).ceil() as usize;
    (0..=steps)
        .map(|step| {
            let utc = later(window.start, (step as f64 * 30.0).min(seconds_between(window.start, window.end)));
            (utc, track.horizon(utc).altitude_deg)
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))
}

fn best(request: &OutlookRequest, body: Body, track: &Track, utc: Timestamp) -> Result<Best, SkyError> {
    let sky = Sky::at(utc, Observer::Site(request.site))?;
    let disc = sky.disc(body);
    let horizon = track.horizon(utc);
    let scale = request.gear.arcsec_per_px();
    let in_px = |arcsec: f64| scale.map(|scale| arcsec / scale);
    let allowed_arcsec = scale.map(|scale| request.allowed_smear_px * scale);
    let (first_nm, second_nm) = request.dispersion_nm;
    let spread_arcsec = dispersion_arcsec(first_nm, second_nm, horizon.altitude_deg, &request.conditions.air);

    // The Moon may, for a moment, not turn at all: a clip of years stands for one without end.
    let period_s = 360.0 / sky.turning_deg_per_hour(body, usual_system(body)).max(1e-6) * 3600.0;
    let rotation_clip_s = allowed_arcsec
        .map(|allowed_arcsec| longest_clip_s(disc.equatorial_diameter_arcsec, period_s, allowed_arcsec))
        .transpose()?;
    let field_clip_s = allowed_arcsec.filter(|_| request.mount == Mount::AltAzimuth).map(|allowed_arcsec| {
        longest_field_rotation_clip_s(horizon.field_rotation_deg_per_hour, disc.extent_arcsec() / 2.0, allowed_arcsec)
    });
    let clip = rotation_clip_s.map(|rotation_s| match field_clip_s {
        Some(field_s) if field_s < rotation_s => (field_s, ClipLimit::FieldRotation),
        _ => (rotation_s, ClipLimit::Rotation),
    });
    let smear_arcsec = smear_arcsec(disc.equatorial_diameter_arcsec, period_s, request.clip_s);

    let zenith_r0_m = r0_m(request.conditions.seeing_arcsec, SEEING_NM);
    let here_r0_m =
        r0_at_wavelength_m(r0_at_altitude_m(zenith_r0_m, horizon.altitude_deg), SEEING_NM, request.wavelength_nm);
    let d_over_r0 = request.gear.aperture_mm.map(|aperture_mm| aperture_mm * 1e-3 / here_r0_m);
    let coherence_s = coherence_time_s(here_r0_m, request.conditions.wind_m_per_s);
    Ok(Best {
        utc,
        horizon,
        disc_px: in_px(disc.equatorial_diameter_arcsec),
        extent_px: in_px(disc.extent_arcsec()),
        dispersion_arcsec: spread_arcsec,
        dispersion_px: in_px(spread_arcsec),
        longest_rotation_clip_s: rotation_clip_s,
        longest_field_rotation_clip_s: field_clip_s,
        longest_clip_s: clip.map(|(seconds, _)| seconds),
        clip_limit: clip.map(|(_, limit)| limit),
        smear_arcsec,
        smear_px: in_px(smear_arcsec),
        r0_m: here_r0_m,
        d_over_r0,
        lucky_probability: d_over_r0.map(lucky_probability),
        longest_frozen_exposure_ms: coherence_s * 1e3,
        freeze: request.gear.exposure_ms.map(|exposure_ms| freeze(exposure_ms, coherence_s)),
        window_px: scale.map(|scale| {
            let seeing_arcsec = request.conditions.seeing_arcsec;
            window_px(disc.extent_arcsec(), request.drift_arcsec_per_s, request.clip_s, seeing_arcsec, scale)
        }),
        disc,
    })
}

fn cautions(request: &OutlookRequest, best: &Best, sun: &Track) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let elongation_deg = best.disc.elongation_deg;
    if elongation_deg < NEAR_SUN_DEG {
        cautions.push(Caution::NearSun { elongation_deg });
    }
    let sun_altitude_deg = sun.horizon(best.utc).altitude_deg;
    if sun_altitude_deg > 0.0 {
        cautions.push(Caution::SunUp { sun_altitude_deg });
    }
    let altitude_deg = best.horizon.altitude_deg;
    if altitude_deg < LOW_ALTITUDE_DEG {
        cautions.push(Caution::LowAltitude { altitude_deg });
    }
    let spread_arcsec = best.dispersion_arcsec.abs();
    if let Some(resolved) = request.gear.lambda_over_d_arcsec(request.wavelength_nm).filter(|r| spread_arcsec > *r) {
        cautions.push(Caution::Dispersion { spread_arcsec, lambda_over_d_arcsec: resolved });
    }
    if request.mount == Mount::AltAzimuth && altitude_deg > ZENITH_DEG {
        cautions.push(Caution::ZenithOnAltAzimuth { altitude_deg });
    }
    if let Some((window_px, (width, height))) = best.window_px.zip(request.gear.sensor_px)
        && window_px > width.min(height)
    {
        cautions.push(Caution::LargerThanSensor { window_px });
    }
    cautions
}

/// Central meridians through a night: computed at its two ends, joined by a straight line (the rotation's rate as
/// seen changes by less than 0.01 degrees in half a day).
struct Meridians {
    start: Timestamp,
    span_s: f64,
    ends: Option<(Disc, Disc)>,
    body: Body,
}

impl Meridians {
    fn new(request: &OutlookRequest, body: Body, times: &[Timestamp]) -> Result<Self, SkyError> {
        let (Some(&start), Some(&end)) = (times.first(), times.last()) else {
            return Ok(Self { start: request.start, span_s: 1.0, ends: None, body });
        };
        let disc = |utc| Sky::at(utc, Observer::Site(request.site)).map(|sky| sky.disc(body));
        let ends = if body == Body::Moon { None } else { Some((disc(start)?, disc(end)?)) };
        Ok(Self { start, span_s: seconds_between(start, end).max(1.0), ends, body })
    }

    fn at(&self, utc: Timestamp, system: Option<System>) -> Option<f64> {
        let (first, last) = self.ends.as_ref()?;
        let meridian = |disc: &Disc| match system {
            None => Some(disc.sub_observer.longitude_deg),
            Some(system) => disc.central_meridian_deg(system),
        };
        let (first_deg, last_deg) = (meridian(first)?, meridian(last)?);
        let nominal_deg = rate_deg_per_day(self.body, system) * self.span_s / 86_400.0;
        let turned_deg = nominal_deg + signed_deg(last_deg - first_deg - nominal_deg);
        Some((first_deg + turned_deg * seconds_between(self.start, utc) / self.span_s).rem_euclid(360.0))
    }
}
