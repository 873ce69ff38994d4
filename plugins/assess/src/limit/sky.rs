//! Rotation of the globe, and dispersion by the air.

use std::str::FromStr;

use stillair_maths::mtf;
use stillair_sky::{Air, Body, Observer, Site, Sky, dispersion, rotation, smear};

use super::evidence::Evidence;
use super::factor::{Factor, Finding, cost_db};

/// Smear, in lambda/D, that leaves 0.9 of the contrast at half the cut-off (sinc of a quarter): no limit.
const SMEAR: f64 = 0.5;
/// What a colour filter of 80 nm spreads over what lies between blue and red (460 and 620 nm), both by the formula of
/// Filippenko 1982 (PASP 94, 715): 1.00 arcsec against 2.01 at 20 degrees of altitude.
const IN_BAND: f64 = 0.5;
/// Band of a mono filter that is not told, nm either side (common practice, no source).
const HALF_BAND_NM: f64 = 40.0;

/// Contrast left at half the cut-off by a smear in lambda/D.
fn left(smear: f64) -> f64 {
    mtf::pixel((0.5 * smear).min(0.999))
}

fn body(evidence: &Evidence) -> Option<Body> {
    Body::from_str(&evidence.facts.text("target.name")?.to_lowercase()).ok()
}

/// Altitude of the target in the middle of the clip, degrees, where site, time and target are known.
pub fn altitude_deg(evidence: &Evidence) -> Option<f64> {
    let number = |name: &str| evidence.facts.number(name);
    let site = Site {
        latitude_deg: number("site.latitude_deg")?,
        longitude_deg: number("site.longitude_deg")?,
        elevation_m: number("site.elevation_m").unwrap_or(0.0),
    };
    let utc = jiff::Timestamp::from_nanosecond(i128::from(evidence.middle_unix_ns?)).ok()?;
    let sky = Sky::at(utc, Observer::Site(site)).ok()?;
    let altitude = sky.horizon(body(evidence)?, &air(evidence)).ok()?.altitude_deg;
    (altitude > 3.0).then_some(altitude)
}

fn air(evidence: &Evidence) -> Air {
    let usual = Air::default();
    Air {
        pressure_hpa: evidence.facts.number("site.pressure_hpa").unwrap_or(usual.pressure_hpa),
        temperature_c: evidence.facts.number("site.temperature_c").unwrap_or(usual.temperature_c),
        ..usual
    }
}

/// Rotation of the globe during the clip.
pub fn rotation(evidence: &Evidence) -> Factor {
    let name = "rotation";
    let Some(body) = body(evidence) else {
        return Factor::untold(name, "the target is not named (or is none of the planets): give target.name");
    };
    let known = (evidence.radius_px(), evidence.arcsec_per_px, evidence.q, evidence.span_s());
    let (Some(radius_px), Some(scale), Some(q), Some(span_s)) = known else {
        return Factor::untold(name, "the disc's size, the scale or the times of the frames are not known");
    };
    if body == Body::Moon {
        return Factor::untold(name, "the Moon turns too slowly to matter");
    }
    let period_s = rotation::period_s(body, None);
    let smear_arcsec = smear::smear_arcsec(2.0 * radius_px * scale, period_s, span_s);
    let in_widths = smear_arcsec / scale / q;
    let undone = evidence.derotated;
    let cost = if undone { 0.0 } else { cost_db(left(in_widths)) };
    let fits_s = span_s * SMEAR / in_widths.max(1e-9);
    let says = if undone {
        format!("the globe's turn of {smear_arcsec:.2} arcsec in {span_s:.0} s was undone")
    } else {
        format!("the globe turned by {smear_arcsec:.2} arcsec ({in_widths:.2} lambda/D) in {span_s:.0} s")
    };
    Factor::told(
        name,
        Finding {
            value: in_widths,
            unit: "lambda/D",
            threshold: SMEAR,
            beyond: !undone && in_widths > SMEAR,
            cost_db: cost,
            says,
            advice: if !undone && in_widths > SMEAR {
                format!("clips of at most {fits_s:.0} s, or undo the rotation")
            } else {
                String::new()
            },
        },
    )
}

/// Smear by the air inside one colour; shifts between colours are undone.
pub fn dispersion(evidence: &Evidence) -> Factor {
    let name = "dispersion";
    let Some(q) = evidence.q else {
        return Factor::untold(name, "aperture or scale is not known: give aperture_mm, focal_mm and pixel_um");
    };
    let altitude = altitude_deg(evidence);
    let (in_widths, how) = match (evidence.colour_px, altitude, evidence.arcsec_per_px) {
        (Some(px), _, _) => (IN_BAND * px / q, format!("red and blue lie {px:.1} px apart")),
        (None, Some(altitude), Some(scale)) => {
            let (nm, air) = (evidence.wavelength_nm, air(evidence));
            let arcsec = dispersion::dispersion_arcsec(nm - HALF_BAND_NM, nm + HALF_BAND_NM, altitude, &air);
            let width = if evidence.colour { "each colour" } else { "a filter of 80 nm" };
            (arcsec / scale / q, format!("{altitude:.0} degrees up, {width} is spread by {arcsec:.2} arcsec"))
        }
        _ => {
            return Factor::untold(
                name,
                "a clip of one colour does not show it: give site, target and trusted times for the altitude",
            );
        }
    };
    Factor::told(
        name,
        Finding {
            value: in_widths,
            unit: "lambda/D within a colour",
            threshold: SMEAR,
            beyond: in_widths > SMEAR,
            cost_db: cost_db(left(in_widths)),
            says: format!("the air spreads colours: {how}"),
            advice: if in_widths > SMEAR {
                "a higher target, a narrower or redder filter, or a corrector of two prisms".into()
            } else {
                String::new()
            },
        },
    )
}
