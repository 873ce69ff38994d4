//! `simulate.terrain`: a clip of an invented cratered surface that fills the frame, through turbulent air.
//!
//! As `simulate.planet`, but for the object ([`crate::relief`]): heights of a random field with craters, lit from the
//! side. High layers of air shift and blur parts of the field differently; with `field_points` places a side each has
//! a point spread of its own and the surface is bent in between. Source: Kolmogorov turbulence in layers that drift with
//! the wind (Roddier 1981, Progress in Optics 19, 281), of which light from different directions crosses different
//! parts (Fried 1982, J. Opt. Soc. Am. 72, 52).

use stillair_api::{Description, Facts, Fault, Method, Node, Outcome, Parameter, Parameters, PortType, Shape};

use crate::clip::PlanetClip;
use crate::planet::{fault, shared_parameters, source, take};
use crate::presets::{TERRAINS, preset};

/// `simulate.terrain`.
pub struct Terrain;

impl Method for Terrain {
    fn describe(&self) -> Description {
        let names: Vec<&str> = TERRAINS.iter().map(|(name, _)| *name).collect();
        let lines: Vec<String> = TERRAINS.iter().map(|(name, line)| format!("{name}: {line}")).collect();
        let parameters = [
            Parameter::choice(
                "preset",
                &names,
                "terrain-small",
                &format!("what \"auto\" stands for; {}", lines.join("; ")),
            ),
            Parameter::integer("seed", "", 0, 1 << 32, 1, "another number: another surface, other air, other noise"),
            Parameter::integer("part", "", 0, 1000, 0, "which clip of one night: the same surface and air, new noise"),
            Parameter::auto_number("sun_altitude_deg", "deg", 1.0, 90.0, "altitude of the sun over the surface"),
            Parameter::auto_numbers(
                "field_arcsec",
                "arcsec",
                -1e4,
                1e4,
                "place of the frame's middle on the surface, right and down, to half a pixel; for panels that overlap",
            ),
            Parameter::auto_number("start_s", "s", 0.0, 1e6, "beginning of the clip on the night's clock"),
            Parameter::auto_number("vignetting", "", 0.0, 1.0, "loss of light in the corners"),
            Parameter::auto_integer("dust", "", 0, 1000, "shadows of dust"),
        ];
        let described = Description::new("simulate.terrain", Shape::Source, "a clip of an invented cratered surface")
            .help(
                "Makes frames from numbers alone: a cratered surface in low sun that fills the frame, the air above it \
                 that shifts and blurs each part of the field in its own way, a telescope and a camera. The same \
                 parameters give the same frames on any number of threads. Draw it once into a file (write.ser) where \
                 it is read in several passes, for each pass draws the frames again, which takes a good part of a \
                 second a frame.",
            )
            .source("Roddier 1981, Progress in Optics 19, 281; Fried 1982, J. Opt. Soc. Am. 72, 52; Melosh 1989, Impact Cratering")
            .contract("simulate")
            .output("frames", PortType::Frames, "the clip");
        parameters.into_iter().chain(shared_parameters()).fold(described, Description::parameter)
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        source(terrain_clip(parameters)?, parameters)
    }
}

/// What the parameters of `simulate.terrain` mean: the preset with every part replaced that is not "auto".
///
/// # Errors
/// A request that contradicts itself.
pub fn terrain_clip(parameters: &Parameters) -> Outcome<PlanetClip> {
    let name = parameters.text("preset")?;
    let (seed, part) = (parameters.integer("seed")?.max(0) as u64, parameters.integer("part")?.max(0) as u64);
    let mut clip = preset(name, seed, part).ok_or_else(|| Fault::request(format!("there is no preset `{name}`")))?;
    take(parameters, &mut clip)?;
    if let Some(altitude) = parameters.auto_number("sun_altitude_deg")? {
        clip.sun_altitude_deg = altitude;
    }
    if let Some(start) = parameters.auto_number("start_s")? {
        clip.start_s = start;
    }
    if let Some(loss) = parameters.auto_number("vignetting")? {
        clip.camera.vignetting = loss;
    }
    if let Some(specks) = parameters.auto_integer("dust")? {
        clip.camera.dust = specks.max(0) as usize;
    }
    if let Some(place) = parameters.auto_numbers("field_arcsec")? {
        clip.field_arcsec = place.try_into().map_err(|_| {
            Fault::request(format!("field_arcsec has {} numbers", place.len())).remedy("give two: right and down")
        })?;
    }
    clip.check().map_err(fault)?;
    Ok(clip)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::prepare;
    use stillair_api::ParameterValue;

    fn small(field_arcsec: [f64; 2]) -> PlanetClip {
        let mut parameters = Terrain.describe().defaults();
        for (name, value) in [
            ("width", ParameterValue::Integer(96)),
            ("height", ParameterValue::Integer(64)),
            ("frames", ParameterValue::Integer(2)),
            ("screen_points", ParameterValue::Integer(256)),
            ("field_points", ParameterValue::Integer(4)),
            ("d_over_r0", ParameterValue::Number(0.0)),
            ("bits", ParameterValue::Integer(16)),
            ("gain_e_per_adu", ParameterValue::Number(2000.0)),
            ("hot_pixels", ParameterValue::Integer(0)),
            ("vignetting", ParameterValue::Number(0.0)),
            ("dust", ParameterValue::Integer(0)),
            ("drift_arcsec_per_s", ParameterValue::Numbers(vec![0.0, 0.0])),
            ("field_arcsec", ParameterValue::Numbers(field_arcsec.to_vec())),
        ] {
            assert!(parameters.0.insert(name.into(), value).is_some(), "no parameter {name}");
        }
        let mut clip = terrain_clip(&parameters).unwrap();
        clip.mount.periodic_arcsec = 0.0;
        clip
    }

    #[test]
    fn the_description_keeps_to_its_contract() {
        let description = Terrain.describe();
        assert_eq!(stillair_api::contract::breaches(&description), Vec::<String>::new());
        assert!(description.parameters.iter().all(|p| !p.help.is_empty()));
    }

    /// Without turbulence a frame is the surface through the perfect telescope, up to the frame's edge.
    #[test]
    fn still_air_shows_the_diffraction_picture() {
        let clip = small([0.0; 2]);
        let simulation = prepare(&clip, &|| false).unwrap();
        let frame = simulation.frame(0);
        let truth = &simulation.truth()[0].diffraction_1x;
        let (w, h) = (clip.camera.width, clip.camera.height);
        let mut worst = 0f64;
        for y in 0..h {
            for x in 0..w {
                let at = (y + truth.side / 2 - h / 2) * truth.side + x + truth.side / 2 - w / 2;
                let seen =
                    (f64::from(frame[y * w + x]) - clip.camera.bias_adu) / (65_535.0 * clip.camera.exposure_level);
                worst = worst.max((seen - f64::from(truth.values[at]) - clip.sky).abs());
            }
        }
        assert!(worst < 0.012, "{worst}");
        assert_eq!(simulation.frame_truth(0).cut, 0.0);
    }

    /// A field eight pixels further right shows the same surface eight pixels further left.
    #[test]
    fn fields_of_one_surface_overlap() {
        let here = small([0.0; 2]);
        let there = small([8.0 * here.arcsec_per_px(), 0.0]);
        let [a, b] = [here, there].map(|clip| prepare(&clip, &|| false).unwrap().frame(0));
        let mut worst = 0;
        for y in 4..60 {
            for x in 4..84 {
                worst = worst.max((i32::from(a[y * 96 + x + 8]) - i32::from(b[y * 96 + x])).abs());
            }
        }
        assert!(worst < 900, "{worst} of 65535");
        assert!(a.iter().zip(&b).any(|(a, b)| a.abs_diff(*b) > 5000));
    }
}
