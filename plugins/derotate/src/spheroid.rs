//! A motion that undoes the globe's rotation within a clip: every frame is carried to the clip's mean instant.
//!
//! A point at longitude `l` from the central meridian stood at `l + T` when the globe had turned by `T = rate * (t - t0)`:
//! the motion says so for every frame, with the globe's place on the picture, and the stack moves the disc's pixels within
//! its one resampling while rings, moons and sky stay still ([`stillair_maths::globe`]). Rotation: Jupiter by System II
//! (870.27 degrees a day), its equator by System I ([`crate::zonal`]), others by their prime meridians (Archinal et al. 2018,
//! Celest. Mech. Dyn. Astr. 130, 22).
//! Where the whole turn moves nothing by more than a small part of a pixel, no layer is given and the stack stays fast.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Globe, Image, Memory, Method, Motion, Node, Outcome, Parameter,
    Parameters, PortType, Shape, SpinLayer, StreamShape, Table, Transform, Value, columns,
};
use stillair_maths::globe::Globe as Figure;

use crate::geometry::place;
use crate::outline::Plane;
use crate::profile;
use crate::situation::{FACTS, Given, Situation};
use crate::stand::brightness;
use crate::zonal;

/// A pole less certain than this is of no use, radians.
const MOST_POLE_SIGMA_RAD: f64 = 0.06;

/// The method `derotate.spheroid`.
pub struct Spheroid;

impl Method for Spheroid {
    fn describe(&self) -> Description {
        let description = Description::new(
            "derotate.spheroid",
            Shape::Transform,
            "Carries every frame of a clip to one instant on the turning oblate globe",
        )
        .help(
            "Gives a motion with the globe's rotation, to be linked beside the others to the stack. The globe is placed on \
             the linked picture (a first stack) as by derotate.geometry, or as that has placed it already. The common \
             instant is the mean time of the frames by their weights. Clips in which nothing moves by more than `least_px` \
             get no rotation: they would only grow slower. Needs the target's name, the capture's times and the sense of \
             the rotation: by the session's orientation of the picture, or as derotate.sense has measured it on the clip. \
             Where one is missing, the motion is empty and the record says why.",
        )
        .source("rotation: Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130, 22; orthographic spheroid: textbook")
        .contract("derotate")
        .input("image", PortType::Image, "a stack, with or without its globe")
        .input("table", PortType::Table, "times and weights of the frames")
        .output("motion", PortType::Motion, "the rotation of the globe in each frame")
        .parameter(Parameter::number(
            "least_px",
            "px",
            0.0,
            10.0,
            0.25,
            "shift of the disc's centre from the common instant, up to which a clip is left alone",
        ));
        FACTS.iter().fold(description, |d, fact| d.fact(fact))
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let least_px = parameters.number("least_px")?;
        Ok(Node::Transform(Box::new(SpheroidNode { given: Given::from_facts(facts), least_px })))
    }
}

struct SpheroidNode {
    given: Given,
    least_px: f64,
}

/// Mean time by weight, and the largest distance from it, of frames that count, s.
fn span(table: &Table) -> Option<(f64, f64)> {
    let times = table.values(columns::TIME_S)?;
    let counted = || (0..table.rows()).map(|i| (times[i], table.weight(i))).filter(|(t, w)| t.is_finite() && *w > 0.0);
    let (sum, total) = counted().fold((0.0, 0.0), |(s, n), (t, w)| (s + w * t, n + w));
    if total <= 0.0 {
        return None;
    }
    let mean = sum / total;
    Some((mean, counted().map(|(t, _)| (t - mean).abs()).fold(0.0, f64::max)))
}

/// Why a globe's rotation cannot be undone.
pub fn hindrance(globe: &Globe) -> Option<&'static str> {
    if globe.pole_sigma_rad > MOST_POLE_SIGMA_RAD {
        return Some("the direction of the pole is not known: say orientation.up_position_angle_deg in the session");
    }
    None
}

impl SpheroidNode {
    /// The rotation of each frame, or why there is none.
    fn layer(&self, context: &dyn Context, image: &Image, table: &Table) -> Result<SpinLayer, String> {
        let (mean_s, reach_s) = span(table).ok_or("the frames have no times")?;
        let known = Situation::of(&self.given, image.info.middle_unix_ns)?;
        let radius_px = |globe: &Globe| globe.equatorial_radius_px;
        let by_optics = || {
            let scale = image.info.arcsec_per_px.or(self.given.arcsec_per_px)?;
            Some(0.5 * known.disc.equatorial_diameter_arcsec / scale)
        };
        let rough_px = image.info.globe.as_ref().map(radius_px).or_else(by_optics);
        let moves = |radius_px: f64| radius_px * known.turn_rad_per_s.abs() * reach_s;
        let still = |shift_px: f64| {
            format!("the clip is short: nothing moves by more than {shift_px:.2} px from its mean instant")
        };
        if let Some(shift_px) = rough_px.map(moves).filter(|s| *s < 0.9 * self.least_px) {
            return Err(still(shift_px));
        }
        let globe = match &image.info.globe {
            Some(globe) => globe.clone(),
            None => place(image, &self.given).map_err(|(_, why)| why)?,
        };
        let shift_px = moves(globe.equatorial_radius_px);
        context.record(Entry::number("largest-shift", shift_px, "px", "shift of the disc's centre at the clip's ends"));
        if shift_px < self.least_px {
            return Err(still(shift_px));
        }
        if let Some(why) = hindrance(&globe) {
            return Err(why.into());
        }
        if !globe.oriented && !globe.sense_measured {
            return Err("the sense of the rotation is not known, and the clip itself does not show it: say \
                        orientation.up_position_angle_deg in the session"
                .into());
        }
        let times = table.values(columns::TIME_S).unwrap_or_default();
        let turn = |t: &f64| if t.is_finite() { globe.turn_rad_per_s * (t - mean_s) } else { 0.0 };
        let data = brightness(image);
        let plane = Plane { data: &data, width: image.width, height: image.height };
        let figure = Figure::new(
            [globe.x_px, globe.y_px],
            globe.equatorial_radius_px,
            globe.axis_ratio,
            globe.latitude_rad,
            globe.pole_rad,
        );
        let rings = globe.body == "saturn";
        let keep = |u: f64, v: f64| !rings || !behind_rings(u, v, globe.latitude_rad);
        Ok(SpinLayer {
            centre_px: [globe.x_px - image.info.reference_px[0], globe.y_px - image.info.reference_px[1]],
            equatorial_radius_px: globe.equatorial_radius_px,
            axis_ratio: globe.axis_ratio,
            latitude_rad: globe.latitude_rad,
            pole_rad: globe.pole_rad,
            turn_rad: times.iter().map(turn).collect(),
            zonal: zonal::shares(&globe.body),
            profile: profile::profile(plane, &figure, profile::sky(plane), keep),
        })
    }
}

/// Whether Saturn's rings cover a place of the pole's frame.
pub fn behind_rings(u: f64, v: f64, latitude_rad: f64) -> bool {
    let sine = libm::sin(latitude_rad);
    let distance = libm::hypot(u, v / sine);
    v * sine < 0.0 && (1.2..2.3).contains(&distance)
}

impl Transform for SpheroidNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let (image, table) = (bound.image("image")?, bound.table("table")?);
        let motion = match self.layer(context, image, table) {
            Ok(layer) => Motion { spin: Some(Arc::new(layer)), ..Motion::default() },
            Err(why) => {
                context.record(Entry::text("not-derotated", why));
                Motion::default()
            }
        };
        Ok(vec![Value::Motion(Arc::new(motion))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let area = (stream.width * stream.height) as u64;
        Memory { worker: 0, item: 0, state: area * 4 * 12 + stream.frames as u64 * 8 }
    }
}
