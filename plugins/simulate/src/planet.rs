//! `simulate.planet`: a clip of an invented planet through turbulent air, frame by frame on demand.
//!
//! A preset says everything; each parameter that is not "auto" replaces a part of it. A frame is a function of
//! seed and number alone: sensor(object convolved with the point spread of that instant, moved by tilt and mount), as
//! the modules of this crate describe. Source: Kolmogorov turbulence in layers that drift with the wind (Roddier 1981,
//! Progress in Optics 19, 281), Fourier optics (Goodman, Introduction to Fourier Optics), photon transfer (Janesick
//! 2007).

use std::path::PathBuf;
use std::sync::{Arc, OnceLock};

use stillair_api::{
    ClipInfo, Context, Description, Facts, Fault, Frame, FrameReader, Method, Node, Outcome, Parameter, Parameters,
    PortType, Region, Shape, Source, TimesOrigin,
};

use crate::clip::{Alignment, Kind, Layout, Moon, Pattern, PlanetClip, SimulateError};
use crate::presets::{PRESETS, preset};
use crate::simulation::{Simulation, prepare};
use crate::weather::Clouds;

/// An invented night.
const NIGHT: &str = "2031-05-02T21:04:00Z";

/// Moons by number, each with its own place and size.
const MOONS: [Moon; 4] = [
    Moon { offset_radii: [-1.9, 0.10], radius_radii: 0.030, radiance: 0.9, drift_radii_per_hour: [0.25, 0.0] },
    Moon { offset_radii: [1.45, -0.08], radius_radii: 0.025, radiance: 0.8, drift_radii_per_hour: [-0.2, 0.0] },
    Moon { offset_radii: [2.3, 0.15], radius_radii: 0.028, radiance: 0.7, drift_radii_per_hour: [0.15, 0.0] },
    Moon { offset_radii: [-2.8, -0.12], radius_radii: 0.035, radiance: 0.6, drift_radii_per_hour: [-0.1, 0.0] },
];

/// `simulate.planet`.
pub struct Planet;

impl Method for Planet {
    fn describe(&self) -> Description {
        let number = Parameter::auto_number;
        let presets: Vec<&str> = PRESETS.iter().map(|(name, _)| *name).collect();
        let lines: Vec<String> = PRESETS.iter().map(|(name, line)| format!("{name}: {line}")).collect();
        let parameters = [
            Parameter::choice("preset", &presets, "demo", &format!("what \"auto\" stands for; {}", lines.join("; "))),
            Parameter::integer("seed", "", 0, 1 << 32, 1, "another number: another planet, other air, other noise"),
            Parameter::integer("part", "", 0, 1000, 0, "which clip of one night; banded-large has parts 0 to 3"),
            Parameter::choice("kind", &["auto", "banded", "ringed", "rocky"], "auto", "what the object is"),
            number("diameter_arcsec", "arcsec", 0.5, 200.0, "diameter of the planet"),
            number("phase_deg", "deg", 0.0, 180.0, "angle between Sun and observer as seen from the planet"),
            number("bright_limb_angle_deg", "deg", -360.0, 360.0, "middle of the lit limb, anticlockwise from up"),
            number("pole_angle_deg", "deg", -360.0, 360.0, "direction of the pole, anticlockwise from up"),
            number("field_rotation_deg_per_s", "deg/s", -10.0, 10.0, "rotation of the field, clockwise"),
            number("clouds_per_s", "1/s", 0.0, 10.0, "clouds that begin to pass per second"),
            Parameter::auto_integer("moons", "", 0, MOONS.len() as i64, "moons beside the planet"),
        ];
        let described = Description::new("simulate.planet", Shape::Source, "a clip of an invented planet")
            .help(
                "Makes frames from numbers alone: a planet, the air above it, a telescope and a camera. The same parameters \
                 give the same frames on any number of threads. Draw it once into a file (write.ser) where it is read \
                 in several passes, for each pass draws the frames again.",
            )
            .source("Roddier 1981, Progress in Optics 19, 281; Goodman, Introduction to Fourier Optics; Janesick 2007")
            .contract("simulate")
            .output("frames", PortType::Frames, "the clip");
        parameters.into_iter().chain(shared_parameters()).fold(described, Description::parameter)
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        source(planet_clip(parameters)?, parameters)
    }
}

/// The source of a clip.
///
/// # Errors
/// If `distinct` is not set.
pub(crate) fn source(clip: PlanetClip, parameters: &Parameters) -> Outcome<Node> {
    let distinct = parameters.auto_integer("distinct")?.map(|count| count.max(1) as usize);
    Ok(Node::Source(Box::new(PlanetSource { clip, distinct })))
}

pub(crate) fn fault(error: SimulateError) -> Fault {
    match error {
        SimulateError::Cancelled => Fault::cancelled(),
        SimulateError::Range { name, value, allowed } => {
            Fault::request(format!("{name} = {value} is out of range")).remedy(format!("give {allowed}"))
        }
        SimulateError::Start { .. } => Fault::request(error.to_string()),
        SimulateError::Write { .. } => Fault::resource(error.to_string()),
    }
}

/// What the parameters of `simulate.planet` mean: the preset with every part replaced that is not "auto".
///
/// # Errors
/// A request that contradicts itself: an exposure longer than the time between two frames, a drift that is not two
/// numbers.
pub fn planet_clip(parameters: &Parameters) -> Outcome<PlanetClip> {
    let count = |name: &str| Ok::<_, Fault>(parameters.auto_integer(name)?.map(|v| v.max(0) as usize));
    let number = |name: &str| parameters.auto_number(name);
    let name = parameters.text("preset")?;
    let (seed, part) = (parameters.integer("seed")?.max(0) as u64, parameters.integer("part")?.max(0) as u64);
    let mut clip = preset(name, seed, part).ok_or_else(|| Fault::request(format!("there is no preset `{name}`")))?;
    take(parameters, &mut clip)?;
    if let Some(diameter) = number("diameter_arcsec")? {
        clip.diameter_arcsec = diameter;
    }
    if let Some(angle) = number("phase_deg")? {
        clip.phase_deg = angle;
    }
    if let Some(angle) = number("bright_limb_angle_deg")? {
        clip.bright_limb_angle_deg = angle;
    }
    if let Some(angle) = number("pole_angle_deg")? {
        clip.pole_angle_deg = angle;
    }
    if let Some(rate) = number("field_rotation_deg_per_s")? {
        clip.field_rotation_deg_per_s = rate;
    }
    match parameters.text("kind")? {
        "banded" => clip.kind = Kind::Banded,
        "ringed" => clip.kind = Kind::Ringed,
        "rocky" => clip.kind = Kind::Rocky,
        _ => {}
    }
    if let Some(rate_per_s) = number("clouds_per_s")? {
        let clouds = Clouds { rate_per_s, duration_s: 3.5, least_transmission: 0.25, glow: 5.0 };
        clip.clouds = (rate_per_s > 0.0).then_some(clouds);
    }
    if let Some(moons) = count("moons")? {
        clip.moons = MOONS.into_iter().take(moons).collect();
    }
    clip.check().map_err(fault)?;
    Ok(clip)
}

/// Takes over every parameter that all simulated clips share, where it is not "auto".
///
/// # Errors
/// A list of the wrong length.
pub(crate) fn take(parameters: &Parameters, clip: &mut PlanetClip) -> Outcome<()> {
    let count = |name: &str| Ok::<_, Fault>(parameters.auto_integer(name)?.map(|v| v.max(0) as usize));
    let number = |name: &str| parameters.auto_number(name);
    macro_rules! take {
        ($read:ident: $($name:ident => $($to:ident).+;)*) => {
            $(if let Some(value) = $read(stringify!($name))? { clip.$($to).+ = value; })*
        };
    }
    take! { count:
        frames => frames;
        width => camera.width;
        height => camera.height;
        hot_pixels => camera.hot_pixels;
        field_points => seeing.field_points;
        screen_points => seeing.screen_points;
        steps => seeing.steps;
    }
    take! { number:
        frames_per_s => camera.frames_per_s;
        gain_e_per_adu => camera.gain_e_per_adu;
        exposure_level => camera.exposure_level;
        aperture_mm => telescope.aperture_mm;
        obstruction => telescope.obstruction;
        focal_mm => telescope.focal_mm;
        defocus_waves => telescope.defocus_waves;
        pixel_um => camera.pixel_um;
        exposure_s => camera.exposure_s;
        d_over_r0 => seeing.d_over_r0;
        dropped => camera.dropped;
        periodic_arcsec => mount.periodic_arcsec;
        altitude_deg => altitude_deg;
    }
    match parameters.text("pattern")? {
        "mono" => clip.camera.layout = Layout::Mono,
        "rgb" => clip.camera.layout = Layout::Rgb,
        "rggb" => clip.camera.layout = Layout::Mosaic(Pattern::Rggb),
        "grbg" => clip.camera.layout = Layout::Mosaic(Pattern::Grbg),
        "gbrg" => clip.camera.layout = Layout::Mosaic(Pattern::Gbrg),
        "bggr" => clip.camera.layout = Layout::Mosaic(Pattern::Bggr),
        _ => {}
    }
    match parameters.text("filter")? {
        "none" => clip.filter = None,
        "red" => clip.filter = Some(0),
        "green" => clip.filter = Some(1),
        "blue" => clip.filter = Some(2),
        _ => {}
    }
    match parameters.text("alignment")? {
        "left" => clip.camera.alignment = Alignment::Left,
        "right" => clip.camera.alignment = Alignment::Right,
        _ => {}
    }
    if let Some(bits) = parameters.auto_integer("bits")? {
        clip.camera.bits = bits.clamp(0, 16) as u32;
    }
    if let Some(drift) = parameters.auto_numbers("drift_arcsec_per_s")? {
        clip.mount.drift_arcsec_per_s = drift.try_into().map_err(|_| {
            Fault::request(format!("drift_arcsec_per_s has {} numbers", drift.len())).remedy("give two: x and y")
        })?;
    }
    if let Some(coma) = parameters.auto_numbers("coma_waves")? {
        clip.telescope.coma_waves = coma.try_into().map_err(|_| {
            Fault::request(format!("coma_waves has {} numbers", coma.len())).remedy("give two: x and y")
        })?;
    }
    if let Some(sensitivity) = parameters.auto_numbers("sensitivity")? {
        clip.camera.sensitivity = sensitivity.try_into().map_err(|_| {
            Fault::request(format!("sensitivity has {} numbers", sensitivity.len()))
                .remedy("give three: red, green, blue")
        })?;
    }
    clip.start_utc = parameters.text("start_utc")?.into();
    Ok(())
}

/// The parameters that [`take`] reads.
pub(crate) fn shared_parameters() -> Vec<Parameter> {
    let number = Parameter::auto_number;
    let integer = Parameter::auto_integer;
    let patterns = ["auto", "mono", "rgb", "rggb", "grbg", "gbrg", "bggr"];
    vec![
        integer("frames", "", 1, 10_000_000, "number of frames"),
        number("frames_per_s", "1/s", 0.01, 10_000.0, "frame rate"),
        integer("width", "px", 8, 8192, "columns"),
        integer("height", "px", 8, 8192, "rows"),
        Parameter::choice("pattern", &patterns, "auto", "one colour, three planes, or a colour mosaic"),
        Parameter::choice("filter", &["auto", "none", "red", "green", "blue"], "auto", "filter before a mono camera"),
        integer("bits", "", 8, 16, "bits of the converter"),
        Parameter::choice("alignment", &["auto", "left", "right"], "auto", "where 9 to 15 bits stand in 16"),
        number("gain_e_per_adu", "e/ADU", 1e-3, 1e4, "electrons per digital unit; more is less noise"),
        number("exposure_level", "", 1e-3, 2.0, "share of the full range that the brightest part reaches"),
        Parameter::auto_numbers("sensitivity", "", 0.01, 1.0, "relative sensitivity in red, green and blue"),
        integer("hot_pixels", "", 0, 100_000, "number of hot pixels"),
        number("aperture_mm", "mm", 10.0, 3000.0, "diameter of the telescope"),
        number("obstruction", "", 0.0, 0.8, "central obstruction as a share of the diameter"),
        number("focal_mm", "mm", 50.0, 100_000.0, "focal length"),
        number("defocus_waves", "waves", -2.0, 2.0, "defocus, rms at 550 nm"),
        Parameter::auto_numbers("coma_waves", "waves", -2.0, 2.0, "coma in x and y, rms at 550 nm"),
        number("pixel_um", "um", 0.5, 50.0, "pitch of the pixels"),
        number("exposure_s", "s", 1e-6, 100.0, "exposure of a frame, at most the time between two"),
        number("d_over_r0", "", 0.0, 20.0, "seeing: aperture over Fried's length at 550 nm; 0 for still air"),
        number("altitude_deg", "deg", 5.0, 90.0, "altitude, which sets how the air spreads the colours"),
        Parameter::auto_numbers("drift_arcsec_per_s", "arcsec/s", -100.0, 100.0, "drift in x and y"),
        number("periodic_arcsec", "arcsec", 0.0, 1000.0, "swing of the mount about its drift"),
        number("dropped", "", 0.0, 0.9, "share of frames lost on the way to the disk"),
        integer("field_points", "", 1, 64, "places a side with a point spread of their own; 1 = one, fast"),
        integer("screen_points", "", 64, 8192, "points a side of a layer of air; memory grows with its square"),
        integer("steps", "", 1, 64, "instants at which an exposure samples the air"),
        integer(
            "distinct",
            "",
            1,
            1024,
            "frames that are drawn, and kept in memory; later ones repeat them; auto = all",
        ),
        Parameter::text("start_utc", NIGHT, "beginning of the night's clock"),
    ]
}

struct PlanetSource {
    clip: PlanetClip,
    distinct: Option<usize>,
}

impl Source for PlanetSource {
    fn open(&self, context: &dyn Context, _paths: &[PathBuf]) -> Outcome<Box<dyn FrameReader>> {
        let simulation = prepare(&self.clip, &|| context.cancelled()).map_err(fault)?;
        let info = clip_info(&simulation)?;
        let kept = self.distinct.map_or(0, |distinct| if distinct < info.frames { distinct } else { 0 });
        Ok(Box::new(PlanetReader { simulation, info, kept: (0..kept).map(|_| OnceLock::new()).collect() }))
    }
}

fn clip_info(simulation: &Simulation) -> Outcome<ClipInfo> {
    let clip = simulation.clip();
    let camera = &clip.camera;
    let times = simulation.times();
    let first_s = times.first().copied().unwrap_or(clip.start_s);
    let night: jiff::Timestamp = clip.start_utc.parse().map_err(|e: jiff::Error| {
        fault(SimulateError::Start { value: clip.start_utc.clone(), cause: e.to_string() })
    })?;
    let night_ns = i64::try_from(night.as_nanosecond())
        .map_err(|_| Fault::request(format!("start_utc = {} is too far away", clip.start_utc)))?;
    let header = [
        ("observer", "nobody".to_string()),
        ("instrument", "simulated camera".to_string()),
        ("telescope", format!("simulated, {} mm", clip.telescope.aperture_mm)),
    ];
    Ok(ClipInfo {
        frames: clip.frames,
        width: camera.width,
        height: camera.height,
        layout: layout(camera.layout),
        bits: camera.bits,
        white_level: f64::from(((1u32 << camera.bits) - 1) << shift(clip)),
        time_s: times.iter().map(|t| t - first_s).collect::<Arc<[f64]>>(),
        start_unix_ns: night_ns.checked_add((first_s * 1e9).round() as i64),
        times: TimesOrigin::Stamps,
        exposure_s: Some(camera.exposure_s),
        header: header.into_iter().map(|(name, text)| (name.to_string(), text)).collect(),
        notes: Vec::new(),
    })
}

fn shift(clip: &PlanetClip) -> u32 {
    let left = clip.camera.alignment == Alignment::Left && clip.camera.bits > 8;
    if left { 16 - clip.camera.bits } else { 0 }
}

fn layout(layout: Layout) -> stillair_api::Layout {
    use stillair_api::{Layout as Out, Pattern as To};
    match layout {
        Layout::Mono => Out::Mono,
        Layout::Rgb => Out::Rgb,
        Layout::Mosaic(Pattern::Rggb) => Out::Mosaic(To::Rggb),
        Layout::Mosaic(Pattern::Grbg) => Out::Mosaic(To::Grbg),
        Layout::Mosaic(Pattern::Gbrg) => Out::Mosaic(To::Gbrg),
        Layout::Mosaic(Pattern::Bggr) => Out::Mosaic(To::Bggr),
    }
}

struct PlanetReader {
    simulation: Simulation,
    info: ClipInfo,
    /// Frames that are repeated, drawn when they are first asked for; none where every frame is its own.
    kept: Vec<OnceLock<Vec<u16>>>,
}

impl FrameReader for PlanetReader {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn read(&self, index: usize, region: Region, _bytes: &mut Vec<u8>, out: &mut Frame) -> Outcome<()> {
        let info = &self.info;
        let fits = |from: usize, size: usize, whole: usize| size <= whole && from <= whole - size;
        if index >= info.frames
            || !fits(region.x, region.width, info.width)
            || !fits(region.y, region.height, info.height)
        {
            return Err(Fault::internal(format!("frame {index}, region {region:?} is not within the clip")));
        }
        let drawn;
        let samples = if self.kept.is_empty() {
            drawn = self.simulation.frame(index);
            &drawn
        } else {
            let number = index % self.kept.len();
            self.kept[number].get_or_init(|| self.simulation.frame(number))
        };
        let planes = info.layout.planes();
        out.reshape(index, region, info.layout.shifted(region.x, region.y));
        let white = info.white_level as f32;
        for plane in 0..planes {
            for (y, row) in out.plane_mut(plane).chunks_exact_mut(region.width.max(1)).enumerate() {
                let start = ((region.y + y) * info.width + region.x) * planes;
                let from = &samples[start..start + region.width * planes];
                for (value, sample) in row.iter_mut().zip(from[plane..].iter().step_by(planes)) {
                    *value = f32::from(*sample) / white;
                }
            }
        }
        Ok(())
    }

    fn worker_bytes(&self) -> u64 {
        let frame = self.info.region().area() * self.info.layout.planes();
        self.simulation.working_bytes() + (self.kept.len() * frame * 2) as u64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::ParameterValue;
    use stillair_api::testing::TestContext;

    fn parameters(changes: &[(&str, ParameterValue)]) -> Parameters {
        let mut parameters = Planet.describe().defaults();
        for (name, value) in changes {
            assert!(parameters.0.insert((*name).into(), value.clone()).is_some(), "no parameter {name}");
        }
        parameters
    }

    fn open(changes: &[(&str, ParameterValue)]) -> Box<dyn FrameReader> {
        let mut all = vec![("screen_points", ParameterValue::Integer(256)), ("frames", ParameterValue::Integer(5))];
        all.extend_from_slice(changes);
        let Ok(Node::Source(source)) = Planet.create(&parameters(&all), &Facts::default()) else { panic!("no source") };
        source.open(&TestContext::default(), &[]).unwrap()
    }

    fn read(reader: &dyn FrameReader, index: usize, region: Region) -> Frame {
        let mut out = Frame::empty();
        reader.read(index, region, &mut Vec::new(), &mut out).unwrap();
        out
    }

    fn text(word: &str) -> ParameterValue {
        ParameterValue::Text(word.into())
    }

    #[test]
    fn the_description_keeps_to_its_contract() {
        let description = Planet.describe();
        assert_eq!(stillair_api::contract::breaches(&description), Vec::<String>::new());
        assert!(description.inputs.is_empty() && description.shape == Shape::Source);
        assert!(description.parameters.iter().all(|p| !p.help.is_empty()));
    }

    #[test]
    fn silence_means_the_preset() {
        for (name, _) in PRESETS {
            let clip = planet_clip(&parameters(&[("preset", text(name))])).unwrap();
            let expected = PlanetClip { start_utc: NIGHT.into(), ..preset(name, 1, 0).unwrap() };
            assert_eq!(clip, expected);
        }
    }

    #[test]
    fn a_region_is_the_same_part_of_the_whole_in_any_order_of_asking() {
        for pattern in ["mono", "rgb", "grbg"] {
            let one = open(&[("pattern", text(pattern))]);
            let other = open(&[("pattern", text(pattern))]);
            let whole = read(one.as_ref(), 3, one.info().region());
            assert_ne!(whole.data, read(one.as_ref(), 2, one.info().region()).data);
            let region = Region { x: 17, y: 30, width: 44, height: 21 };
            let mut part = Frame::empty();
            part.copy_window(&whole, region);
            assert_eq!(read(other.as_ref(), 3, region), part);
        }
    }

    #[test]
    fn frames_repeat_where_few_are_drawn() {
        let (few, all) = (open(&[("distinct", ParameterValue::Integer(2))]), open(&[]));
        let whole = few.info().region();
        for index in [4, 0, 3] {
            assert_eq!(read(few.as_ref(), index, whole).data, read(all.as_ref(), index % 2, whole).data);
        }
    }

    /// The numbers of the presets' camera: 12 bits at the top of 16 have 4095 x 16 as their greatest number.
    #[test]
    fn the_clip_is_described() {
        let reader = open(&[
            ("preset", text("banded-clouded")),
            ("alignment", text("left")),
            ("field_points", ParameterValue::Integer(1)),
            ("width", ParameterValue::Integer(64)),
        ]);
        let info = reader.info();
        assert_eq!((info.frames, info.width, info.height, info.bits), (5, 64, 112, 12));
        assert_eq!(info.layout, stillair_api::Layout::Mosaic(stillair_api::Pattern::Grbg));
        assert_eq!(info.white_level, 65_520.0);
        assert_eq!(info.exposure_s, Some(0.014));
        assert_eq!(info.time_s.len(), 5);
        assert!(info.time_s[0] == 0.0 && info.time_s.windows(2).all(|t| t[1] - t[0] > 0.04));
        // 2031-05-02T21:04:00Z by the `date` command; the first exposure's middle comes 7 ms later, give or take.
        let start_s = info.start_unix_ns.unwrap() as f64 * 1e-9;
        assert!((start_s - 1_935_522_240.007).abs() < 1e-3, "{start_s}");
        let frame = read(reader.as_ref(), 0, info.region());
        let steps = 4095.0;
        assert!(frame.data.iter().all(|v| (0.0..=1.0).contains(v) && (v * steps - (v * steps).round()).abs() < 1e-2));
        let right = open(&[("bits", ParameterValue::Integer(10)), ("alignment", text("right"))]);
        assert_eq!(right.info().white_level, 1023.0);
    }

    #[test]
    fn contradictions_are_told() {
        let refused = |changes: &[(&str, ParameterValue)]| planet_clip(&parameters(changes)).unwrap_err().to_string();
        assert!(refused(&[("exposure_s", ParameterValue::Number(0.5))]).contains("exposure_s"));
        assert!(refused(&[("drift_arcsec_per_s", ParameterValue::Numbers(vec![1.0]))]).contains("give two"));
        let reader = open(&[]);
        let beyond = Region { x: 100, y: 0, width: 29, height: 1 };
        assert!(reader.read(0, beyond, &mut Vec::new(), &mut Frame::empty()).is_err());
        assert!(reader.read(5, reader.info().region(), &mut Vec::new(), &mut Frame::empty()).is_err());
        let Ok(Node::Source(source)) = Planet.create(&parameters(&[("start_utc", text("soon"))]), &Facts::default())
        else {
            panic!("no source")
        };
        let error = source.open(&TestContext::default(), &[]).err().unwrap().to_string();
        assert!(error.contains("soon"), "{error}");
    }
}
