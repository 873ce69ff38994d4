//! How the globe stands on a picture: centre, radius and direction of the pole, fitted to the limb, the belts and the
//! rings, with the latitude, the phase and the central meridian of the sky at the picture's time.
//!
//! The limb of an oblate globe seen from far away is an ellipse of known axis ratio `sqrt(b^2 cos^2 B + sin^2 B)`; it is
//! fitted to the places of steepest descent along rays ([`crate::outline`]), of which the unlit side, the rings and moons
//! are left out. From there a model of darkening and blur is fitted to the picture: of a whole disc and of rings
//! [`crate::model`], of a phase [`crate::lit`]. The direction of the pole comes from the flattening and from the belts,
//! along which brightness varies least ([`crate::belts`]), held to what the session says of the orientation.
//!
//! Sources: robust ellipse: Beaton & Tukey 1974, Technometrics 16, 147 (weights); limb darkening: Minnaert 1941, ApJ 93, 403;
//! positions and rotation as stillair-sky names them (VSOP87, IAU 2015 rotation elements).

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Disc, Entry, Facts, Globe, Image, Memory, Method, Node, Outcome, Parameters, PortType,
    Shape, StreamShape, Transform, Value,
};

use crate::situation::{FACTS, Given, Situation};
use crate::stand::stand;

/// The method `derotate.geometry`.
pub struct Geometry;

impl Method for Geometry {
    fn describe(&self) -> Description {
        let description = Description::new(
            "derotate.geometry",
            Shape::Transform,
            "Fits how the planet's globe stands on a picture, by the sky and the limb",
        )
        .help(
            "Hands the picture on unchanged, with the globe's centre, radius, pole, latitude and central meridian beside it \
             for the steps that follow and for the record. Needs the target's name and the time of the capture; the site \
             refines them a little. The pole is measured from the limb and the belts and held to the session's orientation \
             where that is given; without it north and south cannot be told apart. Says where picture and sky disagree: a \
             wrong date, a wrong target, a mirrored picture. Where the globe cannot be placed, the picture goes on \
             without and the record says why.",
        )
        .source(
            "biweight: Beaton & Tukey 1974, Technometrics 16, 147; darkening: Minnaert 1941, ApJ 93, 403; rotation: Archinal \
             et al. 2018, Celest. Mech. Dyn. Astr. 130, 22",
        )
        .contract("derotate.geometry")
        .input("image", PortType::Image, "a stack")
        .output("image", PortType::Image, "the same picture, with the globe described")
        .output("record", PortType::Record, "the globe in numbers")
        .through("image");
        FACTS.iter().fold(description, |d, fact| d.fact(fact))
    }

    fn create(&self, _parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(GeometryNode { given: Given::from_facts(facts) })))
    }
}

struct GeometryNode {
    given: Given,
}

/// Numbers of a globe for the record.
pub fn entries(globe: &Globe) -> Vec<Entry> {
    let number = Entry::number;
    let mut all = vec![
        Entry::text("body", globe.body.clone()),
        number("centre-x", globe.x_px, "px", "column of the centre of the globe"),
        number("centre-y", globe.y_px, "px", "row of the centre of the globe"),
        number("equatorial-radius", globe.equatorial_radius_px, "px", "equatorial radius of the globe"),
        number("scale", globe.arcsec_per_px, "arcsec/px", "scale by the fitted radius and the sky"),
        number("pole", globe.pole_rad.to_degrees(), "deg", "direction of the north pole, clockwise from up"),
        number("pole-uncertainty", globe.pole_sigma_rad.to_degrees(), "deg", "one standard deviation, estimated"),
        number("latitude", globe.latitude_rad.to_degrees(), "deg", "planetocentric latitude of the disc's centre"),
        number("central-meridian", globe.central_meridian_deg, "deg", "longitude of the disc's centre, prime system"),
    ];
    for (name, meridian) in
        [("central-meridian-i", globe.central_meridian_i_deg), ("central-meridian-ii", globe.central_meridian_ii_deg)]
    {
        if let Some(degrees) = meridian {
            all.push(number(name, degrees, "deg", "longitude of the disc's centre in that system"));
        }
    }
    all.push(number("phase", globe.phase_rad.to_degrees(), "deg", "angle Sun, body, observer"));
    if !globe.oriented {
        all.push(Entry::text(
            "orientation",
            "north and south are not told apart: the session gives no orientation.up_position_angle_deg",
        ));
    }
    all.extend(globe.doubts.iter().map(|doubt| Entry::text("doubt", doubt.clone())));
    all
}

/// Places the globe on a picture.
///
/// # Errors
/// In words: why not, and whether that is worth a warning: what is merely not said is not.
pub fn place(image: &Image, given: &Given) -> Result<Globe, (bool, String)> {
    let silent = given.target.is_none() || image.info.middle_unix_ns.is_none() || given.is_moon();
    Situation::of(given, image.info.middle_unix_ns)
        .map_err(|why| (!silent, why))
        .and_then(|known| stand(image, given, &known).map_err(|why| (true, why)))
        .map_err(|(odd, why)| (odd, format!("the globe is not placed: {why}")))
}

/// The limb as an ellipse.
pub fn limb(globe: &Globe) -> Disc {
    let (sin, cos) = libm::sincos(globe.latitude_rad);
    Disc {
        x_px: globe.x_px,
        y_px: globe.y_px,
        equatorial_radius_px: globe.equatorial_radius_px,
        polar_radius_px: globe.equatorial_radius_px * libm::hypot(globe.axis_ratio * cos, sin),
        pole_rad: globe.pole_rad,
    }
}

impl Transform for GeometryNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let image = bound.image("image")?;
        let mut record = stillair_api::Record::default();
        let out = match place(image, &self.given) {
            Ok(globe) => {
                for doubt in &globe.doubts {
                    context.warn(doubt);
                }
                record.entries = entries(&globe);
                let mut out = (**image).clone();
                out.info.disc = Some(limb(&globe));
                out.info.globe = Some(globe);
                Arc::new(out)
            }
            Err((odd, why)) => {
                if odd {
                    context.warn(&why)
                } else {
                    context.record(Entry::text("not-placed", why))
                }
                image.clone()
            }
        };
        Ok(vec![Value::Image(out), Value::Record(Arc::new(record))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        // The mean of the channels, marks of the search, and the copy.
        let area = (stream.width * stream.height) as u64;
        Memory { worker: area * 8, item: 0, state: area * 4 * 12 }
    }
}
