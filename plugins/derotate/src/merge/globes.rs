//! Globes of the stacks to be merged: whether they can be, what they agree on, and the one of the whole.

use std::sync::Arc;

use stillair_api::{Globe, Image};

use stillair_sky::{Body, MoonPlace, Observer, Offset, Sky, System, rotation};

use crate::carry::{CarriedMoon, figure};
use crate::geometry::limb;
use crate::outline::Plane;
use crate::profile;
use crate::situation::{Given, Situation};
use crate::spheroid::hindrance;
use crate::stand::brightness;

/// Globes of all pictures, or why the rotation cannot be undone.
pub(super) fn globes(images: &[Arc<Image>], given: &Given) -> Result<Vec<Globe>, String> {
    let mut all = Vec::with_capacity(images.len());
    for (number, image) in images.iter().enumerate() {
        let Some(globe) = &image.info.globe else {
            // A globe that was sought in vain is told about by the step that sought it.
            let why =
                Situation::of(given, image.info.middle_unix_ns).err().map_or(String::new(), |why| format!(": {why}"));
            return Err(format!("the globe is not placed on picture {} of {}{why}", number + 1, images.len()));
        };
        if let Some(why) = hindrance(globe) {
            return Err(why.into());
        }
        all.push(globe.clone());
    }
    if all.iter().any(|g| g.body != all[0].body) {
        let names: Vec<_> = all.iter().map(|g| g.body.as_str()).collect();
        return Err(format!("the clips are of different targets: {}", names.join(", ")));
    }
    Ok(all)
}

/// Globes of pictures through the same optics have one size in the sky's measure, and one pole where they agree on it to
/// within their uncertainties: the mean of several fits is better than each.
pub(super) fn agree(globes: &mut [Globe], images: &[Arc<Image>]) {
    if globes.is_empty() {
        return;
    }
    let scale = |image: &Image| image.info.arcsec_per_px.unwrap_or(f64::NAN) * image.info.px_per_capture_px;
    let same_optics = images.iter().all(|i| (scale(i) / scale(&images[0]) - 1.0).abs() < 1e-6);
    if !same_optics {
        return;
    }
    let n = globes.len() as f64;
    let arcsec_per_px = globes.iter().map(|g| g.arcsec_per_px).sum::<f64>() / n;
    if globes.iter().all(|g| (g.arcsec_per_px / arcsec_per_px - 1.0).abs() < 0.02) {
        for globe in globes.iter_mut() {
            globe.equatorial_radius_px *= globe.arcsec_per_px / arcsec_per_px;
            globe.arcsec_per_px = arcsec_per_px;
        }
    }
    let first = globes[0].pole_rad;
    let off: Vec<f64> = globes.iter().map(|g| crate::situation::wrapped(g.pole_rad - first)).collect();
    let weights: Vec<f64> = globes.iter().map(|g| 1.0 / (g.pole_sigma_rad * g.pole_sigma_rad)).collect();
    let mean = off.iter().zip(&weights).map(|(o, w)| o * w).sum::<f64>() / weights.iter().sum::<f64>();
    let within = |(o, g): (&f64, &Globe)| (o - mean).abs() < (3.0 * g.pole_sigma_rad).max(0.01);
    if off.iter().zip(globes.iter()).all(within) {
        for globe in globes.iter_mut() {
            globe.pole_rad = first + mean;
        }
    }
}

/// Blur about a moon that is carried with it, px.
const MOON_BLUR_PX: f64 = 5.0;

/// A shadow is carried where it went no further than this against the surface, equatorial radii: more of the surface would
/// be moved with it than it hides.
const LONGEST_WAY: f64 = 0.05;

/// A shadow shows where it is darker than all about it by this share; common practice, no source.
const DARKER: f64 = 0.06;

/// Directions that a shadow's surroundings are looked at in.
const AROUND: usize = 8;

/// Whether a picture is darker at a place of the pole's frame than all about it.
fn shows_shadow(image: &Image, globe: &Globe, [x, y]: [f64; 2], radius_px: f64) -> bool {
    let data = brightness(image);
    let plane = Plane { data: &data, width: image.width, height: image.height };
    let sky = profile::sky(plane);
    let figure = figure(globe, [globe.x_px, globe.y_px]);
    let (x_px, y_px) = figure.to_picture(x, y);
    let about = |x_px: f64, y_px: f64| -> f64 {
        let near = [[0.0, 0.0], [-0.7, 0.0], [0.7, 0.0], [0.0, -0.7], [0.0, 0.7]];
        near.iter().map(|[u, v]| plane.at(x_px + u, y_px + v) - sky).sum::<f64>() / near.len() as f64
    };
    let dark = about(x_px, y_px);
    (0..AROUND).all(|i| {
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * i as f64 / AROUND as f64);
        let (u_px, v_px) = (x_px + (radius_px + MOON_BLUR_PX) * sin, y_px + (radius_px + MOON_BLUR_PX) * cos);
        let (u, v) = figure.to_pole_frame(u_px, v_px);
        figure.limb_distance(u, v) < 0.97 && dark < (1.0 - DARKER) * about(u_px, v_px)
    })
}

/// The known moons that stand beside the globe, and their shadows that show on it, both on the picture of `globe` and
/// `seconds` before, at the common instant, as the picture of `base` has them. None where the session gives no orientation.
/// Motions of the moons by the theory that stillair-sky names.
pub(super) fn moons(image: &Image, globe: &Globe, base: &Globe, seconds: f64) -> Vec<CarriedMoon> {
    let Ok(body) = globe.body.parse::<Body>() else { return Vec::new() };
    if !globe.oriented || !base.oriented || !seconds.is_finite() {
        return Vec::new();
    }
    let places = |unix_ns: i64| {
        let utc = jiff::Timestamp::from_nanosecond(unix_ns.into()).ok()?;
        Some(Sky::at(utc, Observer::Geocentre).ok()?.moons(body))
    };
    let instant_ns = globe.unix_ns.saturating_sub(libm::round(seconds * 1e9) as i64);
    let (Some(then), Some(at_instant)) = (places(globe.unix_ns), places(instant_ns)) else { return Vec::new() };
    // East is to the left of the pole unless the picture is mirrored.
    let side = if base.mirrored { 1.0 } else { -1.0 };
    let place = |offset: &Offset| [side * offset.x_radii, offset.y_radii];
    let own_side = if globe.mirrored { 1.0 } else { -1.0 };
    // To the right of the pole on the picture to be made.
    let sense = if globe.mirrored == base.mirrored { 1.0 } else { -1.0 };
    let turn_rad = sense * globe.turn_rad_per_s * seconds;
    let px = 1.0 / base.equatorial_radius_px;
    let radius = |moon: &MoonPlace| 0.5 * moon.diameter_arcsec / base.arcsec_per_px * px;
    let carried = |then: &Offset, now: &Offset, radius: f64, on_globe: bool| {
        let (from, at) = (place(then), place(now));
        let shift = [from[0] - at[0], from[1] - at[1]];
        let way = libm::hypot(shift[0], shift[1]);
        CarriedMoon { at, shift, reach: radius + MOON_BLUR_PX * px, fade: (3.0 * way).max(3.0 * px), on_globe }
    };
    let mut all = Vec::new();
    for (then, now) in then.iter().zip(&at_instant) {
        let radius = radius(now);
        if !(then.occulted || now.occulted) {
            let moon = carried(&then.offset, &now.offset, radius, false);
            let [from, at] = [&then.offset, &now.offset].map(place);
            if [from, at].iter().all(|p| libm::hypot(p[0], p[1]) > 1.0 + moon.reach) {
                all.push(moon);
            }
        }
        if let (Some(spot), Some(spot_now)) = (&then.shadow, &now.shadow) {
            let shadow = carried(spot, spot_now, radius, true);
            // The surface about it moves by about the turn times what is left of the radius there.
            let [x, y] = shadow.at;
            let surface = turn_rad * (1.0 - x * x - y * y).max(0.0).sqrt();
            let way = libm::hypot(shadow.shift[0] - surface, shadow.shift[1]);
            let on_picture = [own_side * spot.x_radii, spot.y_radii];
            if way < LONGEST_WAY && shows_shadow(image, globe, on_picture, radius / px) {
                all.push(CarriedMoon { fade: (3.0 * way).max(3.0 * px), ..shadow });
            }
        }
    }
    all
}

/// A stand-in for a globe on a picture without one: nothing turns, and the light's centre comes to lie on the light's
/// centre.
pub(super) fn flat(image: &Image) -> Globe {
    let data = crate::stand::brightness(image);
    let plane = crate::outline::Plane { data: &data, width: image.width, height: image.height };
    let [x_px, y_px] = crate::outline::blob(plane).map_or(image.info.reference_px, |b| b.centre);
    Globe {
        body: String::new(),
        unix_ns: 0,
        x_px,
        y_px,
        equatorial_radius_px: 1.0,
        axis_ratio: 1.0,
        arcsec_per_px: 1.0,
        pole_rad: 0.0,
        pole_sigma_rad: 0.0,
        oriented: true,
        mirrored: false,
        latitude_rad: 0.0,
        turn_rad_per_s: 0.0,
        sense_measured: false,
        central_meridian_deg: 0.0,
        central_meridian_i_deg: None,
        central_meridian_ii_deg: None,
        phase_rad: 0.0,
        bright_limb_rad: 0.0,
        sun_latitude_rad: 0.0,
        sun_longitude_rad: 0.0,
        doubts: Vec::new(),
    }
}

/// Describes the whole.
pub(super) fn finish(
    out: &mut Image,
    images: &[Arc<Image>],
    keeper: usize,
    at_ns: Option<i64>,
    globe: Option<(Globe, f64)>,
) {
    let info = &mut out.info;
    let base = &images[keeper].info;
    *info = base.clone();
    info.frames_used = images.iter().map(|i| i.info.frames_used).sum();
    info.frames_effective = images.iter().map(|i| i.info.frames_effective).sum();
    info.exposure_total_s = images.iter().map(|i| i.info.exposure_total_s).sum();
    info.middle_unix_ns = at_ns.or(base.middle_unix_ns);
    info.globe = globe.map(|(mut globe, later_s)| {
        // Longitudes grow on the central meridian as the globe turns, in each system at its own rate.
        let body = globe.body.parse::<Body>().ok();
        let on = |degrees: f64, system: Option<System>| {
            let rate = body.map_or(0.0, |body| rotation::rate_deg_per_day(body, system).abs());
            (degrees + rate * later_s / 86_400.0).rem_euclid(360.0)
        };
        globe.unix_ns = globe.unix_ns.saturating_add(libm::round(later_s * 1e9) as i64);
        globe.central_meridian_deg = on(globe.central_meridian_deg, None);
        globe.central_meridian_i_deg = globe.central_meridian_i_deg.map(|degrees| on(degrees, Some(System::I)));
        globe.central_meridian_ii_deg = globe.central_meridian_ii_deg.map(|degrees| on(degrees, Some(System::II)));
        globe
    });
    info.disc = info.globe.as_ref().map(limb).or(base.disc);
}
