//! How a globe stands on a picture: outline, belts, sky and session put together.

use stillair_api::{Globe, Image};
use stillair_sky::{Body, RingEdge};

use crate::belts;
use crate::model::{self, Fitted, Known};
use crate::outline::{Blob, Ellipse, Plane, Search, blob, edges, fit};
use crate::situation::{Given, Situation, wrapped};
use crate::sun::{WIDE_DARK, lit_from, phase, suns};

/// Outlines rounder than this say nothing of the pole.
const ROUND: f64 = 0.985;

/// The bright area may be rounder than the outline by so much, by blur.
const ROUNDER: f64 = 0.035;

/// Rings seen from less than this latitude count as a line, radians.
const EDGE_ON_RAD: f64 = 0.02;

/// From this share of the radius on, limb, terminator and lands are fitted together: where it is said from where the Sun
/// shines (a phase of 16 degrees), and where that is to be found too (11 degrees; no giant planet comes so far).
const PHASE_DARK: (f64, f64) = (0.04, 0.02);

/// How far from the expected place edges are sought, as shares of the radius, round by round: from afar, and close by
/// where belts fall more steeply than the limb.
const REACHES: [[f64; 3]; 2] = [[0.3, 0.15, 0.1], [0.12, 0.1, 0.08]];

/// The outline's radius and the one by the bright area differ by less than this share of it.
const AREA_SHARE: f64 = 0.12;

/// Where the model comes to lie further than so many px and than this share of the radius from its start, it is fitted
/// again, so many times at most.
const FAR: (f64, f64) = (0.5, 0.01);
const FIT_AGAIN: usize = 3;

/// What the session says of the orientation is taken to be good to half a degree, radians (common practice, no source).
const SAID_SIGMA_RAD: f64 = 0.009;

/// Uncertainty of a direction of which nothing is known.
const UNKNOWN_SIGMA_RAD: f64 = 1.8;

/// Size on the sky and on the picture may differ by so much before it is worth a word, and before they cannot belong
/// together.
const SIZE_SHARES: (f64, f64) = (0.04, 0.30);

/// The mean of the channels, or the one there is.
pub fn brightness(image: &Image) -> Vec<f32> {
    let share = 1.0 / image.channels as f32;
    let mut sum = vec![0.0; image.area()];
    for channel in 0..image.channels {
        for (total, value) in sum.iter_mut().zip(image.channel(channel)) {
            *total += share * value;
        }
    }
    sum
}

/// Outline of the globe as the sky has it.
pub struct Expected {
    /// Smaller over larger axis.
    pub outline: f64,
    /// Outer edge of the rings in equatorial radii, and the axis ratio of their ellipse.
    pub rings: Option<(f64, f64)>,
    /// Width of the dark part over the radius.
    pub dark: f64,
}

impl Expected {
    fn of(known: &Situation) -> Self {
        let disc = &known.disc;
        let outline = disc.polar_diameter_arcsec / disc.equatorial_diameter_arcsec;
        let sine = disc.sub_observer.planetocentric_lat_deg.to_radians().sin().abs();
        let size = RingEdge::AOuter.radius_km() / known.body.equatorial_radius_km();
        let rings = (known.body == Body::Saturn && sine > EDGE_ON_RAD).then_some((size, sine));
        Self { outline, rings, dark: 2.0 * disc.defect_of_illumination_arcsec / disc.equatorial_diameter_arcsec }
    }
}

/// Fits the globe of `known` to a picture.
///
/// # Errors
/// In words, where nothing that could be the target stands on the picture.
pub fn stand(image: &Image, given: &Given, known: &Situation) -> Result<Globe, String> {
    let data = brightness(image);
    let plane = Plane { data: &data, width: image.width, height: image.height };
    let seen = blob(plane).ok_or("nothing on the picture stands out from the sky")?;
    if seen.cut {
        return Err("the disc reaches the border of the picture".into());
    }
    let expected = Expected::of(known);
    let mut doubts = shape(&seen, &expected, known)?;
    let disc = &known.disc;
    let said_rad = known.on_picture(given, disc.pole_position_angle_deg).map(wrapped);
    let start = first_ellipse(plane, &seen, &expected, known, given, said_rad);
    let mut lit_from_rad = lit_from(plane, &seen, &start, &expected, known, given);
    // The model that comes last knows of a narrow dark part; only a wide one must be kept out of the outline.
    let wide = lit_from_rad.filter(|_| expected.dark > WIDE_DARK);
    let mut search =
        Search { outline_axis_ratio: expected.outline, rings: expected.rings, lit_from_rad: wide, reach: 0.3 };
    let free = expected.outline < ROUND || expected.rings.is_some();
    let mut outline = start;
    // The area of a whole disc tells its size to some hundredths: where the edges tell another, belts were taken for the
    // limb.
    let whole = expected.rings.is_none() && wide.is_none();
    let mut told = false;
    for reaches in REACHES {
        outline = start;
        for (round, reach) in reaches.into_iter().enumerate() {
            search.reach = reach;
            let found = edges(plane, &outline, &search);
            // A limb seen on one side alone does not fix the direction too.
            let turn = free && wide.is_none();
            outline = match fit(&found, outline, turn) {
                Some(better) => better,
                None if round > 0 => break,
                None => return Err("no limb can be made out on the picture".into()),
            };
        }
        told = !whole || (outline.radius / start.radius - 1.0).abs() < AREA_SHARE;
        if told {
            break;
        }
    }
    if !told {
        // The bright area is the better start then, and only the model finds the limb.
        outline = start;
    }
    let no_ellipse = || String::from("the limb on the picture is no ellipse of the target's shape");
    if told && outline.rms_px > 0.05 * outline.radius + 1.0 {
        return Err(no_ellipse());
    }
    let end_rad = outline.pole_rad;
    let latitude_rad = disc.sub_observer.planetocentric_lat_deg.to_radians();
    let (mut pole_rad, mut pole_sigma_rad) = (outline.pole_rad, UNKNOWN_SIGMA_RAD);
    // The model moves the centre by what the limb's darkening did to the outline, and the belts are then read anew.
    for round in 0..2 {
        if expected.rings.is_none() || round > 0 {
            let mut said = Vec::new();
            (pole_rad, pole_sigma_rad) =
                pole(plane, &seen, &outline, &expected, known, said_rad, given, round == 0, &mut said);
            if round > 0 {
                doubts.extend(said);
                break;
            }
        }
        let about = Ellipse { pole_rad, ..outline };
        let lands = matches!(known.body, Body::Mars | Body::Mercury);
        let before = |sun| Known {
            axis_ratio: known.body.axis_ratio(),
            latitude_rad,
            sun,
            rings: expected.rings.is_some(),
            lands,
            minnaert: if lands { 0.7 } else { 0.9 },
        };
        let said = known.on_picture(given, disc.bright_limb_position_angle_deg).is_some();
        let narrow = if said { PHASE_DARK.0 } else { PHASE_DARK.1 };
        let fitted = if expected.rings.is_none() && expected.dark > narrow {
            let found = phase(plane, &seen, &about, &expected, known, lit_from_rad, said, before);
            found.map(|(fitted, sun_rad)| {
                lit_from_rad = Some(wrapped(sun_rad));
                Fitted { ellipse: Ellipse { pole_rad: outline.pole_rad, ..fitted.ellipse }, ..fitted }
            })
        } else {
            suns(plane, &seen, known, given, &about)
                .into_iter()
                .filter_map(|(sun, pole_rad)| {
                    let fitted = settled(plane, seen.levels, Ellipse { pole_rad, ..about }, &before(sun))?;
                    // Only an end of the axis is chosen here: the limb's own direction is weighed with the belts' below.
                    let turn = pole_rad - about.pole_rad;
                    let pole_rad = if before(sun).rings { fitted.ellipse.pole_rad } else { outline.pole_rad + turn };
                    Some(Fitted { ellipse: Ellipse { pole_rad, ..fitted.ellipse }, ..fitted })
                })
                .min_by(|a, b| a.residual.total_cmp(&b.residual))
        };
        match fitted.filter(|f| f.residual < 0.2) {
            Some(fitted) => outline = fitted.ellipse,
            None if told => (),
            None => return Err(no_ellipse()),
        }
    }
    let oriented = said_rad.is_some();
    if !oriented {
        // Which end was better for the limb is no proof of which is north, and several clips must have the same one.
        pole_rad = wrapped(end_rad + wrapped(2.0 * (pole_rad - end_rad)) / 2.0);
    }
    size(0.5 * disc.equatorial_diameter_arcsec / outline.radius, given, known, image, &mut doubts)?;
    if let Some(scale) = by_optics(given, image) {
        // The limb is good to a few thousandths; a stated focal length is often the nominal one, good to some hundredths:
        // where they agree it counts a little.
        let stated = 0.5 * disc.equatorial_diameter_arcsec / scale;
        if (stated / outline.radius - 1.0).abs() < SIZE_SHARES.0 {
            outline.radius += 0.2 * (stated - outline.radius);
        }
    }
    let arcsec_per_px = 0.5 * disc.equatorial_diameter_arcsec / outline.radius;
    if let Some(altitude_deg) = known.altitude_deg.filter(|altitude_deg| *altitude_deg < 0.0) {
        doubts.push(format!(
            "{} was {:.0} degrees below the horizon of the session's site: check the site, the capture's time and \
             time.utc_offset_s",
            known.body.name(),
            -altitude_deg
        ));
    }
    if given.trusted == Some(false) {
        doubts.push("the session does not trust the capture's clock: longitudes are as wrong as it is".into());
    }
    let sense = if given.mirrored && oriented { -1.0 } else { 1.0 };
    let east = stillair_sky::LongitudeSense::East == known.body.longitude_sense();
    let sun = (disc.sub_solar.longitude_deg - disc.sub_observer.longitude_deg) * if east { -1.0 } else { 1.0 };
    // West longitudes grow to the left of the pole on an unmirrored picture.
    let sun_longitude_rad = -sense * wrapped(sun.to_radians());
    let bright = known.on_picture(given, disc.bright_limb_position_angle_deg);
    Ok(Globe {
        body: known.body.name().into(),
        unix_ns: known.unix_ns,
        x_px: outline.centre[0],
        y_px: outline.centre[1],
        equatorial_radius_px: outline.radius,
        axis_ratio: known.body.axis_ratio(),
        arcsec_per_px,
        pole_rad,
        pole_sigma_rad,
        oriented,
        mirrored: given.mirrored && oriented,
        latitude_rad,
        turn_rad_per_s: sense * known.turn_rad_per_s,
        sense_measured: false,
        central_meridian_deg: disc.sub_observer.longitude_deg,
        central_meridian_i_deg: disc.central_meridian_i_deg,
        central_meridian_ii_deg: disc.central_meridian_ii_deg,
        phase_rad: disc.phase_angle_deg.to_radians(),
        bright_limb_rad: bright.or(lit_from_rad).map_or(0.0, wrapped),
        sun_latitude_rad: disc.sub_solar.planetocentric_lat_deg.to_radians(),
        sun_longitude_rad,
        doubts,
    })
}

/// Fits the model, and again from where it came to, as long as that is far from where it started: which pixels are limb is
/// told by the start.
fn settled(plane: Plane<'_>, levels: [f64; 2], about: Ellipse, known: &Known) -> Option<Fitted> {
    let mut fitted = model::fit(plane, levels, &about, known)?;
    let mut start = about;
    for _ in 0..FIT_AGAIN {
        let now = fitted.ellipse;
        let moved = libm::hypot(now.centre[0] - start.centre[0], now.centre[1] - start.centre[1])
            .max((now.radius - start.radius).abs());
        // Rings hold the place by themselves.
        if known.rings || moved < FAR.0.max(FAR.1 * now.radius) {
            break;
        }
        start = now;
        match model::fit(plane, levels, &start, known) {
            Some(better) => fitted = better,
            None => break,
        }
    }
    Some(fitted)
}

/// Holds the bright area's shape to the target's.
fn shape(seen: &Blob, expected: &Expected, known: &Situation) -> Result<Vec<String>, String> {
    let ratio = (seen.spread[1] / seen.spread[0]).max(0.0).sqrt();
    let name = known.body.name();
    let say = |what: &str| {
        format!("{what}, which does not suit {name} at this date: check the target's name and the capture's date")
    };
    match expected.rings {
        Some((_, open)) if open > 0.05 && ratio > 0.85 => Err(say("no rings are seen beside the globe")),
        Some(_) => Ok(Vec::new()),
        // The lit part of a phase is narrower than the disc.
        None if known.disc.phase_angle_deg > 25.0 => Ok(Vec::new()),
        None if known.body == Body::Saturn => Ok(Vec::new()),
        None if ratio < 0.6 * expected.outline => Err(say("the picture shows something long")),
        // Dark polar regions make the bright area flatter than the disc, nothing makes it rounder.
        None if ratio > expected.outline + ROUNDER => {
            Ok(vec![say(&format!("the disc's axes are as {ratio:.3} to 1 instead of {:.3}", expected.outline))])
        }
        None => Ok(Vec::new()),
    }
}

/// A start for the outline from the bright area.
fn first_ellipse(
    plane: Plane<'_>,
    seen: &Blob,
    expected: &Expected,
    known: &Situation,
    given: &Given,
    said_rad: Option<f64>,
) -> Ellipse {
    // The longest direction is the equator's; a quarter turn from it lies the pole, clockwise from up.
    let across = wrapped(2.0 * seen.long_rad) / 2.0;
    let long = (expected.outline < ROUND && expected.dark < WIDE_DARK) || expected.rings.is_some();
    let mut pole_rad = if long { across } else { said_rad.unwrap_or(0.0) };
    if let (true, Some(said)) = (long, said_rad) {
        // Of the two ends of the axis, the one nearer to what is said.
        pole_rad = said + wrapped(2.0 * (across - said)) / 2.0;
    }
    let mut centre = seen.centre;
    let radius = match expected.rings {
        // Along the ring plane, brightness about uniform over an ellipse: variance a^2 / 4.
        Some((size, _)) => 2.0 * seen.spread[0].sqrt() / size,
        None => {
            let lit = 1.0 - 0.5 * expected.dark;
            let radius = (seen.area / (std::f64::consts::PI * expected.outline * lit)).sqrt();
            let about = Ellipse { centre, radius, pole_rad, rms_px: f64::INFINITY, edges: 0.0 };
            if let Some(sun) = lit_from(plane, seen, &about, expected, known, given) {
                // Centroid of a half disc and a half ellipse of half axis cos(phase): 4 R / 3 pi (1 - cos phase).
                let off = 4.0 / (3.0 * std::f64::consts::PI) * expected.dark * radius;
                let (sin, cos) = libm::sincos(sun);
                centre = [centre[0] - off * sin, centre[1] + off * cos];
            }
            radius
        }
    };
    Ellipse { centre, radius, pole_rad, rms_px: f64::INFINITY, edges: 0.0 }
}

/// Direction of the pole and its uncertainty, from limb, belts and session; a `first` look is less exact.
#[allow(clippy::too_many_arguments)]
fn pole(
    plane: Plane<'_>,
    seen: &Blob,
    outline: &Ellipse,
    expected: &Expected,
    known: &Situation,
    said_rad: Option<f64>,
    given: &Given,
    first: bool,
    doubts: &mut Vec<String>,
) -> (f64, f64) {
    let latitude_rad = known.disc.sub_observer.planetocentric_lat_deg.to_radians();
    let mut found: Vec<(f64, f64)> = Vec::new();
    if expected.rings.is_some() || expected.outline < ROUND {
        // An error e of the direction shows as (1 - ratio) R e sin 2 phi in the edges, of which neighbours within the blur
        // are not independent.
        let flat = expected.rings.map_or(1.0 - expected.outline, |(size, open)| size * (1.0 - open));
        let independent = (outline.edges / 6.0).max(4.0);
        let sigma = outline.rms_px / (flat * outline.radius * (0.5 * independent).sqrt());
        found.push((outline.pole_rad, sigma.max(0.1_f64.to_radians())));
    }
    // Only a flat globe turns so fast that its clouds lie in belts.
    let belted = expected.rings.is_none() && known.body.axis_ratio() < 0.99;
    if belted && expected.dark < 0.1 && (expected.outline < ROUND || said_rad.is_some()) {
        let reach = if expected.outline < ROUND { 0.15 } else { 0.1 };
        let about = |pole_rad: f64| {
            let about = Ellipse { pole_rad, ..*outline };
            belts::direction(plane, seen.levels[0], &about, known.body.axis_ratio(), latitude_rad, reach, first)
        };
        // Strong seeing turns the limb's own direction by more than the belts are sought in: about what is said, too.
        let far = said_rad.filter(|said| (wrapped(2.0 * (outline.pole_rad - said)) / 2.0).abs() > 0.5 * reach);
        let belts = [Some(outline.pole_rad), far]
            .into_iter()
            .flatten()
            .filter_map(about)
            .max_by(|a, b| a.contrast.total_cmp(&b.contrast));
        if let Some(belts) = belts {
            found.push((belts.pole_rad, belts.sigma_rad));
        }
    }
    let mut total = (0.0, 0.0);
    let first = found.first().map_or(0.0, |f| f.0);
    for (angle, sigma) in &found {
        let weight = 1.0 / (sigma * sigma);
        total.0 += weight * wrapped(angle - first);
        total.1 += weight;
    }
    let measured = (total.1 > 0.0).then(|| (first + total.0 / total.1, 1.0 / total.1.sqrt()));
    match (measured, said_rad) {
        (None, None) => (outline.pole_rad, UNKNOWN_SIGMA_RAD),
        (None, Some(said)) => (said, SAID_SIGMA_RAD),
        (Some((angle, sigma)), None) => (wrapped(angle), sigma),
        (Some((angle, sigma)), Some(said)) => {
            // The picture does not tell north from south: of the two directions the nearer is meant.
            let off = wrapped(2.0 * (angle - said)) / 2.0;
            let limit = (4.0 * sigma.hypot(SAID_SIGMA_RAD)).max(3.0_f64.to_radians());
            if off.abs() <= limit {
                let (a, b) = (1.0 / (sigma * sigma), 1.0 / (SAID_SIGMA_RAD * SAID_SIGMA_RAD));
                return (wrapped(said + off * a / (a + b)), 1.0 / (a + b).sqrt());
            }
            let degrees = |rad: f64| wrapped(rad).to_degrees();
            let flipped = Given { mirrored: !given.mirrored, ..given.clone() };
            let other = known.on_picture(&flipped, known.disc.pole_position_angle_deg).unwrap_or(said);
            let off_other = wrapped(2.0 * (angle - other)) / 2.0;
            let hint = if off_other.abs() <= limit {
                "it would fit if the picture were mirrored the other way: check orientation.mirrored"
            } else {
                "check orientation.up_position_angle_deg and the capture's date"
            };
            doubts.push(format!(
                "limb and belts put the pole {:.1} degrees from where the session and the sky put it ({:.1} clockwise from \
                 up); {hint}",
                off.to_degrees(),
                degrees(said)
            ));
            (wrapped(said + off), sigma)
        }
    }
}

/// Scale of the picture by focal length and pixel pitch, arcsec per px.
fn by_optics(given: &Given, image: &Image) -> Option<f64> {
    let per_px = image.info.px_per_capture_px.max(f64::MIN_POSITIVE);
    image.info.arcsec_per_px.or(given.arcsec_per_px.map(|scale| scale / per_px))
}

/// Holds the size on the picture to the sky's.
fn size(
    arcsec_per_px: f64,
    given: &Given,
    known: &Situation,
    image: &Image,
    doubts: &mut Vec<String>,
) -> Result<(), String> {
    let Some(stated) = by_optics(given, image) else { return Ok(()) };
    let share = stated / arcsec_per_px - 1.0;
    let sky = known.disc.equatorial_diameter_arcsec;
    let words = format!(
        "by focal length and pixel size the globe is {:.1} arcsec across, by the sky {} has {sky:.1} arcsec at this date: \
         check the target, the date, and the focal length with all that lengthens it",
        sky * (1.0 + share),
        known.body.name()
    );
    if share.abs() > SIZE_SHARES.1 {
        return Err(words);
    }
    if share.abs() > SIZE_SHARES.0 {
        doubts.push(words);
    }
    Ok(())
}
