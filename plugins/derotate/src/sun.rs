//! Where the Sun stands on a picture: as the session and the sky say, or by the light itself.

use stillair_sky::Body;

use crate::lit;
use crate::model::{Fitted, Known};
use crate::outline::{Blob, Ellipse, Plane, lit_side};
use crate::situation::{Given, Situation, wrapped};
use crate::stand::Expected;

/// From this share of the radius on, the dark part of the disc matters to the outline.
const DARK_SHARE: f64 = 0.008;

/// From this share of the radius on, the dark part is kept out of the outline.
pub const WIDE_DARK: f64 = 0.1;

/// From this share of the radius on, the dark part can be told by the softness of its edge.
const SOFT_DARK: f64 = 0.06;

/// From this share of the radius on, the lit part is long enough to show by its shape where the Sun stands (a phase of 60
/// degrees).
const LONG_DARK: f64 = 0.5;

/// The lit side as its softness tells it may be so far off, radians.
const SOFT_SIGMA_RAD: f64 = 0.8;

/// Directions that are tried where nothing tells the lit side.
const DIRECTIONS: usize = 6;

/// From this share of the light on, the side with more of it is the Sun's.
const ONE_SIDED: f64 = 0.03;

/// Seen from less than this latitude both ends of the axis are alike, degrees.
const LEVEL_DEG: f64 = 1.0;

/// Direction of the lit side, where the unlit one would spoil the outline. Without an orientation only a terminator far
/// from the limb can be told by its softness; a narrow dark part is left to [`phase`].
pub fn lit_from(
    plane: Plane<'_>,
    seen: &Blob,
    about: &Ellipse,
    expected: &Expected,
    known: &Situation,
    given: &Given,
) -> Option<f64> {
    if expected.dark < DARK_SHARE {
        return None;
    }
    let said = known.on_picture(given, known.disc.bright_limb_position_angle_deg);
    let measured = || {
        let soft = lit_side(plane, about.centre, about.radius);
        if expected.dark < LONG_DARK {
            return soft;
        }
        // What is lit of a half disc or a crescent is long: the Sun stands on its shorter axis, on the sharp side.
        let off = wrapped(soft - seen.long_rad);
        seen.long_rad + if off.abs() > std::f64::consts::FRAC_PI_2 { std::f64::consts::PI } else { 0.0 }
    };
    said.or_else(|| (expected.dark > SOFT_DARK).then(measured))
}

/// Direction of the Sun in the pole's frame, by its angle from the pole on the picture, clockwise, radians.
fn towards_sun(known: &Situation, from_pole_rad: f64) -> [f64; 3] {
    let (sin, cos) = libm::sincos(known.disc.phase_angle_deg.to_radians());
    let (x, y) = libm::sincos(from_pole_rad);
    [sin * x, sin * y, cos]
}

/// Fits a phase: the globe, and the direction of the Sun on the picture, clockwise from up, radians.
#[allow(clippy::too_many_arguments)]
pub fn phase(
    plane: Plane<'_>,
    seen: &Blob,
    about: &Ellipse,
    expected: &Expected,
    known: &Situation,
    lit_from_rad: Option<f64>,
    said: bool,
    before: impl Fn([f64; 3]) -> Known,
) -> Option<(Fitted, f64)> {
    let from = |sun_rad: f64, turn_rad: f64, quick: bool| {
        let mut start = *about;
        if expected.dark <= WIDE_DARK {
            // The outline took the terminator for limb and stands half the dark part too near to the Sun.
            let (sin, cos) = libm::sincos(sun_rad);
            let off = 0.5 * expected.dark * about.radius;
            start.centre = [about.centre[0] - off * sin, about.centre[1] + off * cos];
        }
        let sun = towards_sun(known, sun_rad - about.pole_rad);
        let found = lit::fit(plane, seen.levels, &start, &before(sun), turn_rad, quick)?;
        Some((found, sun_rad + found.turn_rad))
    };
    let soft_rad = lit_from_rad.unwrap_or(0.0);
    if said {
        return from(soft_rad, 0.0, false);
    }
    if expected.dark > WIDE_DARK {
        return from(soft_rad, SOFT_SIGMA_RAD, false);
    }
    // A narrow dark part is told by nothing but the whole model.
    let apart = std::f64::consts::TAU / DIRECTIONS as f64;
    let best = (0..DIRECTIONS)
        .filter_map(|i| from(soft_rad + apart * i as f64, 0.6 * apart, true))
        .min_by(|a, b| a.0.residual.total_cmp(&b.0.residual))?;
    from(best.1, SOFT_SIGMA_RAD, false)
}

/// Share by which the light of the disc's outer half leans towards a direction, clockwise from up, radians.
fn leaning(plane: Plane<'_>, seen: &Blob, about: &Ellipse, direction_rad: f64) -> f64 {
    let (sin, cos) = libm::sincos(direction_rad);
    let (mut all, mut lean) = (0.0, 0.0);
    for (at, value) in plane.data.iter().enumerate() {
        let (u, v) = ((at % plane.width) as f64 - about.centre[0], (at / plane.width) as f64 - about.centre[1]);
        let distance = libm::hypot(u, v);
        if distance > 0.5 * about.radius && distance < 0.9 * about.radius {
            let light = f64::from(*value) - seen.levels[0];
            all += light;
            lean += light * (u * sin - v * cos) / distance;
        }
    }
    if all > 0.0 { lean / all } else { 0.0 }
}

/// A direction of the Sun in the pole's frame, and the pole that it belongs to, clockwise from up, radians.
pub type SunAndPole = ([f64; 3], f64);

/// Directions that the Sun and the pole may have: one where the session says how the picture lies. Else the side of the
/// Sun is told by the light where that is plain, and either end of the axis may be north.
pub fn suns(plane: Plane<'_>, seen: &Blob, known: &Situation, given: &Given, about: &Ellipse) -> Vec<SunAndPole> {
    use std::f64::consts::PI;
    let disc = &known.disc;
    let pole_rad = about.pole_rad;
    if let Some(direction) = known.on_picture(given, disc.bright_limb_position_angle_deg) {
        return vec![(towards_sun(known, direction - pole_rad), pole_rad)];
    }
    let from_pole = (disc.pole_position_angle_deg - disc.bright_limb_position_angle_deg).to_radians();
    let rings = known.body == Body::Saturn;
    // Lands lean further than a narrow terminator does, and of a round globe the pole is not known.
    let even = !rings && !matches!(known.body, Body::Mars | Body::Mercury);
    let sides = if libm::sin(disc.phase_angle_deg.to_radians()) < 0.02 {
        vec![from_pole]
    } else {
        let lean = leaning(plane, seen, about, pole_rad + from_pole);
        match lean {
            lean if lean > ONE_SIDED && even => vec![from_pole],
            lean if lean < -ONE_SIDED && even => vec![from_pole + PI],
            _ => vec![from_pole, from_pole + PI],
        }
    };
    // The rings' model finds its own way about; seen on the equator both ends are alike.
    let ends = if !even || disc.sub_observer.planetocentric_lat_deg.abs() < LEVEL_DEG { 1 } else { 2 };
    let of =
        |side: &f64| (0..ends).map(move |end| f64::from(end) * PI).map(move |turn| (*side, turn)).collect::<Vec<_>>();
    let all = sides.iter().flat_map(of);
    all.map(|(side, turn)| (towards_sun(known, side + turn), pole_rad + turn)).collect()
}
