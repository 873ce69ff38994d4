//! `write.turned`: the globe as it would look from another side, by way of its map.
//!
//! The picture is laid out as a map (`write.map`, as finely as its middle shows detail), and the map is wrapped on a globe
//! that stands upright: north up, not mirrored, turned in longitude by `turn_deg` and seen from the latitude `tilt_deg`.
//! What the picture did not show is transparent. Two resamplings: the cubic B-spline into the map, linear out of it. Good
//! for comparing pictures of different nights and telescopes; the sharpest picture is the one not turned. Sources: the
//! projection of stillair-sky; PNG, ISO/IEC 15948 (alpha).

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, Globe, Image, Method, Node, Outcome, OutputFile, Parameter,
    Parameters, PortType, Shape, Sink, SinkRun,
};

use crate::globe_view::GlobeView;
use crate::levels::Transfer;
use crate::map::{auto_px_per_deg, disc_of, known_globe, map_of};
use crate::output::{Remembering, check, name_parameter, stem};
use crate::png_picture;

/// Sky around the globe, in equatorial radii.
const MARGIN_RADII: f64 = 0.1;
/// Largest radius, px.
const MOST_RADIUS_PX: f64 = 4000.0;

/// `write.turned`.
pub struct Turned;

impl Method for Turned {
    fn describe(&self) -> Description {
        Description::new("write.turned", Shape::Sink, "writes the globe upright and turned, transparent where unknown")
            .help(
                "Wraps the map of the picture on a globe with north up, turned in longitude and tilted as asked: the same \
                 face of pictures from different times and telescopes. Needs the geometry of the disc \
                 (derotate.geometry). Rings and moons are not part of the globe.",
            )
            .source("projection of stillair-sky; PNG, ISO/IEC 15948")
            .contract("write.image")
            .input("image", PortType::Image, "the picture of a globe, with its geometry")
            .parameter(name_parameter("turned"))
            .parameter(Parameter::number(
                "turn_deg",
                "deg",
                -90.0,
                90.0,
                0.0,
                "how much larger the longitude of the disc's middle is to be than on the picture",
            ))
            .parameter(Parameter::auto_number(
                "tilt_deg",
                "deg",
                -90.0,
                90.0,
                "planetocentric latitude of the disc's middle; auto is the picture's",
            ))
            .parameter(Parameter::auto_number(
                "radius_px",
                "px",
                4.0,
                MOST_RADIUS_PX,
                "equatorial radius; auto is the picture's",
            ))
            .parameter(Parameter::number(
                "least_cos_emission",
                "",
                0.01,
                0.99,
                0.15,
                "cosine of the steepest view that still counts: 1 is straight down, 0 the limb",
            ))
            .parameter(Transfer::parameter())
            .extension("png")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Sink(Box::new(TurnedSink {
            stem: stem(parameters)?,
            turn_deg: parameters.number("turn_deg")?,
            tilt_deg: parameters.auto_number("tilt_deg")?,
            radius_px: parameters.auto_number("radius_px")?,
            least_cos_emission: parameters.number("least_cos_emission")?,
            transfer: Transfer::read(parameters)?,
        })))
    }
}

struct TurnedSink {
    stem: String,
    turn_deg: f64,
    tilt_deg: Option<f64>,
    radius_px: Option<f64>,
    least_cos_emission: f64,
    transfer: Transfer,
}

impl TurnedSink {
    /// The globe upright and turned, and the side of the square picture that holds it.
    fn upright(&self, globe: &Globe) -> (Globe, usize) {
        let radius_px = self.radius_px.unwrap_or(globe.equatorial_radius_px).min(MOST_RADIUS_PX);
        let half_px = (radius_px * (1.0 + MARGIN_RADII)).ceil();
        let upright = Globe {
            x_px: half_px,
            y_px: half_px,
            equatorial_radius_px: radius_px,
            arcsec_per_px: globe.arcsec_per_px * globe.equatorial_radius_px / radius_px,
            pole_rad: 0.0,
            mirrored: false,
            latitude_rad: self.tilt_deg.map_or(globe.latitude_rad, f64::to_radians),
            central_meridian_deg: globe.central_meridian_deg + self.turn_deg,
            ..globe.clone()
        };
        (upright, 2 * half_px as usize + 1)
    }
}

impl Sink for TurnedSink {
    fn start(&self, context: &dyn Context, bound: &Bound, _: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        let image = bound.image("image")?;
        check(image)?;
        let globe = known_globe(context, image)?;
        let view = GlobeView::new(globe, "iii")?;
        let map = map_of(context, image, &view, auto_px_per_deg(globe), self.least_cos_emission)?;
        let (upright, side) = self.upright(globe);
        if context.cancelled() {
            return Err(Fault::cancelled());
        }
        let disc = disc_of(&map, &GlobeView::new(&upright, "iii")?, side, side);
        Ok(Box::new(TurnedRun { image: disc, transfer: self.transfer, provenance: bound.provenance.clone() }))
    }

    fn file_stem(&self) -> String {
        self.stem.clone()
    }
}

struct TurnedRun {
    image: Image,
    transfer: Transfer,
    provenance: String,
}

impl SinkRun for TurnedRun {
    fn begin(&mut self, context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        let alpha = self.image.weight.as_deref().map(|weight| &weight[..self.image.area()]);
        let texts = [("Description", self.provenance.as_str())];
        Remembering::run(out, |out| png_picture::write(context, &self.image, alpha, self.transfer, &texts, out))
    }
}
