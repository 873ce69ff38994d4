//! The flags of `stillair outlook`, and the question they make together with the session's facts.

use std::path::{Path, PathBuf};

use clap::Args;
use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use stillair_api::{Facts, Fault};
use stillair_engine::session;
use stillair_sky::outlook::{Gear, LONGEST_SPAN_DAYS, Mount, OutlookRequest};
use stillair_sky::{Body, Site, SkyError};

use crate::arguments::Global;
use crate::failure::Failure;
use crate::inputs;

/// `outlook`.
#[derive(Debug, Args)]
#[command(allow_negative_numbers = true)]
pub struct Ask {
    /// Evening of the night, at the site [default: tonight]
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub date: Option<String>,
    /// How many nights from then on: more than one gives a row for each
    #[arg(long, value_name = "N", default_value_t = 1, conflicts_with = "until")]
    pub nights: u32,
    /// Evening of the last night
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub until: Option<String>,
    /// Latitude (north positive) and longitude (east positive) in degrees, and elevation in m; else [site] of the session
    #[arg(long, value_name = "LAT,LON[,M]", allow_hyphen_values = true)]
    pub site: Option<String>,
    /// Only this target; may be given several times [default: the planets and the Moon]
    #[arg(long = "target", value_name = "NAME", value_delimiter = ',')]
    pub targets: Vec<String>,
    /// Also draws the first night, altitude against time, as an SVG file
    #[arg(long, value_name = "FILE.svg")]
    pub picture: Option<PathBuf>,
    /// Folder of earlier runs: tells what limited them at such an altitude and exposure, and what to plan for
    #[arg(long, value_name = "DIR")]
    pub runs: Option<PathBuf>,
    /// How far detail may move in a clip, in pixels
    #[arg(long, value_name = "PX", default_value_t = 1.0)]
    pub smear_px: f64,
    /// Length of a clip, in seconds
    #[arg(long, value_name = "S", default_value_t = 90.0)]
    pub clip_s: f64,
    /// Drift of the target through the field, in arcsec a second
    #[arg(long, value_name = "ARCSEC", default_value_t = 0.1)]
    pub drift_arcsec_per_s: f64,
    /// Seeing at the zenith, in arcsec: full width of a long exposure at 500 nm
    #[arg(long, value_name = "ARCSEC", default_value_t = 2.0)]
    pub seeing_arcsec: f64,
    /// Wind that carries the turbulence, in m/s
    #[arg(long, value_name = "M/S", default_value_t = 10.0)]
    pub wind_m_per_s: f64,
    /// Least altitude worth working at, in degrees
    #[arg(long, value_name = "DEG", default_value_t = 15.0)]
    pub least_altitude_deg: f64,
    /// The sky is dark enough with the Sun below this altitude, in degrees
    #[arg(long, value_name = "DEG", default_value_t = -6.0, allow_hyphen_values = true)]
    pub sun_limit_deg: f64,
    /// Wavelength at which resolution is judged, in nm [default: the session's camera.wavelength_nm, else 550]
    #[arg(long, value_name = "NM")]
    pub wavelength_nm: Option<f64>,
    /// Size of the sensor in pixels, to tell whether the target fits
    #[arg(long, value_name = "WIDTHxHEIGHT", value_parser = sensor)]
    pub sensor: Option<(u32, u32)>,
    /// Writes the site into the JSON, too; it is left out otherwise
    #[arg(long)]
    pub with_site: bool,
}

/// The question, and what else the facts say.
pub struct Question {
    pub request: OutlookRequest,
    /// Local time minus UTC, s, where the session's clock offset is that of a time zone.
    pub local_minus_utc_s: Option<i32>,
    /// The session file that was read.
    pub session: Option<PathBuf>,
}

/// Puts flags and facts together. `now` is the clock.
pub fn question(ask: &Ask, global: &Global, now: Timestamp) -> Result<Question, Failure> {
    let session = global.session.clone().or_else(|| Some(PathBuf::from("session.toml")).filter(|path| path.is_file()));
    let mut facts = match &session {
        Some(path) => session::read(path)?.facts,
        None => Facts::default(),
    };
    inputs::command_line(&mut facts, global)?;
    let site = site(ask, &facts, session.as_deref())?;
    let (start, end) = span(ask, &site, now)?;
    let mut request = OutlookRequest::new(site, start, end, gear(ask, &facts));
    if facts.text("mount.kind") == Some("alt-azimuth") {
        request.mount = Mount::AltAzimuth;
    }
    let air = &mut request.conditions.air;
    air.pressure_hpa = facts.number("site.pressure_hpa").unwrap_or(air.pressure_hpa);
    air.temperature_c = facts.number("site.temperature_c").unwrap_or(air.temperature_c);
    if !ask.targets.is_empty() {
        request.bodies = bodies(&ask.targets)?;
    }
    request.conditions.seeing_arcsec = ask.seeing_arcsec;
    request.conditions.wind_m_per_s = ask.wind_m_per_s;
    request.wavelength_nm =
        ask.wavelength_nm.or_else(|| facts.number("camera.wavelength_nm")).unwrap_or(request.wavelength_nm);
    request.allowed_smear_px = ask.smear_px;
    request.clip_s = ask.clip_s;
    request.drift_arcsec_per_s = ask.drift_arcsec_per_s;
    request.least_altitude_deg = ask.least_altitude_deg;
    request.sun_limit_deg = ask.sun_limit_deg;
    let request = request.checked().map_err(|error| wrong(&error))?;
    let local_minus_utc_s = facts.number("time.utc_offset_s").and_then(zone_s);
    Ok(Question { request, local_minus_utc_s, session })
}

/// What the sky refuses, as a wrong request.
pub fn wrong(error: &SkyError) -> Failure {
    Fault::request(error.to_string()).into()
}

/// `utc_offset_s` is what has to be added to the clock to get UTC. Whole quarters of an hour mean a time zone, anything
/// else a clock that is wrong.
fn zone_s(utc_offset_s: f64) -> Option<i32> {
    let is_zone = utc_offset_s != 0.0 && utc_offset_s % 900.0 == 0.0 && utc_offset_s.abs() <= 14.0 * 3600.0;
    is_zone.then(|| -utc_offset_s as i32)
}

fn site(ask: &Ask, facts: &Facts, session: Option<&Path>) -> Result<Site, Failure> {
    if let Some(text) = &ask.site {
        let numbers: Option<Vec<f64>> = text.split(',').map(|part| part.trim().parse().ok()).collect();
        return match numbers.as_deref() {
            Some([latitude_deg, longitude_deg]) => Site::new(*latitude_deg, *longitude_deg, 0.0),
            Some([latitude_deg, longitude_deg, elevation_m]) => Site::new(*latitude_deg, *longitude_deg, *elevation_m),
            _ => {
                return Err(Failure::request(
                    format!("--site {text} is not a place"),
                    "write degrees north, degrees east and, if you like, m above the sea: --site 51.5,-1.2,80",
                ));
            }
        }
        .map_err(|error| wrong(&error));
    }
    let elevation_m = facts.number("site.elevation_m").unwrap_or(0.0);
    let missing = match (facts.number("site.latitude_deg"), facts.number("site.longitude_deg")) {
        (Some(latitude_deg), Some(longitude_deg)) => {
            return Site::new(latitude_deg, longitude_deg, elevation_m).map_err(|error| wrong(&error));
        }
        (None, None) => "latitude_deg and longitude_deg",
        (None, Some(_)) => "latitude_deg",
        (Some(_), None) => "longitude_deg",
    };
    let place = match session {
        Some(path) => format!("write {missing} under [site] of {}", path.display()),
        None => format!("write {missing} under [site] of session.toml here (or of the file given with --session)"),
    };
    Err(Failure::request(
        "where the sky is to be looked at is not known",
        format!("give --site LAT,LON, or {place}; it stays private"),
    ))
}

/// From the noon before the first night to the noon after the last, local mean time.
fn span(ask: &Ask, site: &Site, now: Timestamp) -> Result<(Timestamp, Timestamp), Failure> {
    let east_deg = (site.longitude_deg + 180.0).rem_euclid(360.0) - 180.0;
    let solar_s = SignedDuration::from_secs_f64(east_deg * 240.0);
    let first = match &ask.date {
        Some(text) => date(text)?,
        // Until noon it is still last night.
        None => {
            let evening = now.checked_add(solar_s - SignedDuration::from_hours(12)).unwrap_or(now);
            jiff::tz::Offset::UTC.to_datetime(evening).date()
        }
    };
    let nights = match &ask.until {
        None => i64::from(ask.nights),
        Some(text) => {
            let last = date(text)?;
            if last < first {
                return Err(Failure::request(format!("--until {last} comes before {first}"), "swap the two dates"));
            }
            first.until(last).map_or(i64::MAX, |span| i64::from(span.get_days()) + 1)
        }
    };
    if !(1..=i64::from(LONGEST_SPAN_DAYS)).contains(&nights) {
        let message = format!("an outlook takes 1 to {LONGEST_SPAN_DAYS} nights");
        return Err(Failure::request(message, "ask for fewer: --nights N, or --date and --until nearer to each other"));
    }
    let noon = |date: Date| {
        let utc = jiff::tz::Offset::UTC.to_timestamp(date.at(12, 0, 0, 0)).ok()?;
        utc.checked_sub(solar_s).ok()
    };
    let start = noon(first).ok_or_else(|| Fault::request(format!("{first} is outside the calendar")))?;
    let end = start.checked_add(SignedDuration::from_hours(24 * nights)).unwrap_or(start);
    Ok((start, end))
}

fn date(text: &str) -> Result<Date, Failure> {
    let date: Date = text.trim().parse().map_err(|_| {
        Failure::request(format!("`{text}` is no date"), "write year, month and day, such as 2031-05-02")
    })?;
    if !(1950..=2050).contains(&date.year()) {
        let message = format!("{date} lies outside 1950 to 2050, the years these positions are made for");
        return Err(Failure::request(message, "choose a date within those years"));
    }
    Ok(date)
}

fn gear(ask: &Ask, facts: &Facts) -> Gear {
    Gear {
        aperture_mm: facts.number("telescope.aperture_mm"),
        obstruction: facts.number("telescope.obstruction").unwrap_or(0.0),
        focal_mm: facts.number("telescope.focal_mm"),
        pixel_um: facts.number("camera.pixel_um"),
        colour_mosaic: facts.text("camera.pattern").is_some(),
        exposure_ms: facts.number("camera.exposure_s").map(|exposure_s| exposure_s * 1e3),
        sensor_px: ask.sensor,
    }
}

fn bodies(names: &[String]) -> Result<Vec<Body>, Failure> {
    let mut bodies = Vec::new();
    for name in names {
        let body: Body = name.parse().map_err(|error: SkyError| wrong(&error))?;
        if !bodies.contains(&body) {
            bodies.push(body);
        }
    }
    Ok(bodies)
}

/// Reads `1936x1096`.
fn sensor(text: &str) -> Result<(u32, u32), String> {
    let size = text
        .split_once(['x', 'X'])
        .and_then(|(width, height)| Some((width.trim().parse::<u32>().ok()?, height.trim().parse::<u32>().ok()?)));
    size.filter(|(width, height)| *width > 0 && *height > 0)
        .ok_or_else(|| "write width and height, such as 1936x1096".into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clocks_on_local_time_are_told_from_wrong_ones() {
        assert_eq!(zone_s(-3600.0), Some(3600));
        assert_eq!(zone_s(-20_700.0), Some(20_700));
        for wrong_s in [0.0, 3.0, -3603.0, 86_400.0] {
            assert_eq!(zone_s(wrong_s), None);
        }
    }

    #[test]
    fn sensors_are_read() {
        assert_eq!(sensor("1936x1096"), Ok((1936, 1096)));
        assert!(sensor("1936").is_err() && sensor("0x10").is_err() && sensor("ax1").is_err());
    }
}
