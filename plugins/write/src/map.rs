//! `write.map`: a cylindrical map of the globe, with a mask of where it is known.
//!
//! Equirectangular: rows are planetographic latitude, +90 degrees at the upper and -90 at the lower edge; columns are
//! longitude of the stated system, so laid that north is up and the map lies as the sky does: west longitudes fall from
//! 360 at the left to 0 at the right edge, east longitudes (Venus, Uranus, the Moon) rise from 0 to 360. Pixels are
//! centred half a step inside. A pixel of the map reads the picture once, with the interpolating cubic B-spline, where
//! the projection of the oblate globe (an observer at infinity) puts it. It is valid, and opaque in the file's alpha
//! channel, where the surface is seen steeply enough, the Sun is up, and the place lies on the picture; elsewhere it is
//! 0 and transparent. Brightness is as in the picture: what the limb darkens stays dark. Sources: P. K. Seidelmann et
//! al., Report of the IAU/IAG working group on cartographic coordinates (conventions); PNG, ISO/IEC 15948 (alpha).

use serde_json::json;
use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Globe, Image, Method, Node, Outcome, OutputFile,
    Parameter, Parameters, PortType, Shape, Sink, SinkRun,
};
use stillair_maths::resample::{Kernel, Prepared};

use crate::globe_view::{GlobeView, system_parameter};
use crate::levels::Transfer;
use crate::output::{Remembering, check, name_parameter, stem};
use crate::png_picture;

/// Most columns of a map.
const MOST_COLUMNS: usize = 14_400;

/// `write.map`.
pub struct Map;

impl Method for Map {
    fn describe(&self) -> Description {
        Description::new("write.map", Shape::Sink, "writes a cylindrical map of the globe, transparent where unknown")
            .help(
                "Lays the picture of a globe out by longitude and planetographic latitude: north up, the stated system's \
                 longitudes, west longitudes falling to the right. Needs the geometry of the disc (derotate.geometry). \
                 A 16-bit PNG picture; its alpha channel says where the map is valid, its text says the conventions. \
                 The darkening towards the limb is left in.",
            )
            .source("Seidelmann et al., IAU/IAG working group on cartographic coordinates; PNG, ISO/IEC 15948")
            .contract("write.image")
            .input("image", PortType::Image, "the picture of a globe, with its geometry")
            .parameter(name_parameter("map"))
            .parameter(system_parameter())
            .parameter(Parameter::auto_number(
                "px_per_deg",
                "px/deg",
                0.25,
                40.0,
                "columns for a degree of longitude; auto keeps the detail of the disc's middle",
            ))
            .parameter(Parameter::number(
                "least_cos_emission",
                "",
                0.01,
                0.99,
                0.2,
                "cosine of the steepest view that still counts: 1 is straight down, 0 the limb",
            ))
            .parameter(Transfer::parameter())
            .extension("png")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Sink(Box::new(MapSink {
            stem: stem(parameters)?,
            system: parameters.text("system")?.to_owned(),
            px_per_deg: parameters.auto_number("px_per_deg")?,
            least_cos_emission: parameters.number("least_cos_emission")?,
            transfer: Transfer::read(parameters)?,
        })))
    }
}

/// A map: its picture, whose weight is 1 where it is valid and 0 elsewhere.
pub(crate) struct Mapped {
    pub image: Image,
    pub px_per_deg: f64,
}

/// Columns for a degree that keep the detail of the disc's middle, in steps of a half.
pub(crate) fn auto_px_per_deg(globe: &Globe) -> f64 {
    ((2.0 * globe.equatorial_radius_px.to_radians()).ceil() / 2.0).clamp(0.5, 40.0)
}

/// Longitude of the middle of a column.
fn longitude_deg(view: &GlobeView, column: f64, px_per_deg: f64) -> f64 {
    let from_left_deg = (column + 0.5) / px_per_deg;
    if view.longitudes_grow_east() { from_left_deg } else { 360.0 - from_left_deg }
}

/// Column, a fraction of one counted, of a longitude.
fn column(view: &GlobeView, longitude_deg: f64, px_per_deg: f64) -> f64 {
    let from_left_deg = if view.longitudes_grow_east() { longitude_deg } else { 360.0 - longitude_deg };
    from_left_deg.rem_euclid(360.0) * px_per_deg - 0.5
}

/// The map of a picture.
pub(crate) fn map_of(
    context: &dyn Context,
    image: &Image,
    view: &GlobeView,
    px_per_deg: f64,
    least_cos_emission: f64,
) -> Outcome<Mapped> {
    let (width, height) = ((360.0 * px_per_deg).round() as usize, (180.0 * px_per_deg).round() as usize);
    if width > MOST_COLUMNS {
        return Err(Fault::request(format!("the map would have {width} columns, {MOST_COLUMNS} are the most"))
            .remedy("lower px_per_deg"));
    }
    let mut map = Image::new(width, height, image.channels);
    let mut weight = vec![0.0f32; map.data.len()];
    let mut resampler = Prepared::new(Kernel::CubicBSpline);
    for channel in 0..image.channels {
        // A pixel that is not a number would spread over the whole picture through the kernel's prefilter.
        let finite: Vec<f32> = image.channel(channel).iter().map(|v| if v.is_finite() { *v } else { 0.0 }).collect();
        resampler.load(&finite, image.width, image.height);
        for row in 0..height {
            if context.cancelled() {
                return Err(Fault::cancelled());
            }
            let latitude_deg = 90.0 - (row as f64 + 0.5) / px_per_deg;
            for at in 0..width {
                let longitude_deg = longitude_deg(view, at as f64, px_per_deg);
                let ((x, y), cos_emission) = view.project(latitude_deg, longitude_deg);
                let inside =
                    (0.0..=(image.width - 1) as f64).contains(&x) && (0.0..=(image.height - 1) as f64).contains(&y);
                if inside && cos_emission >= least_cos_emission && view.cos_incidence(latitude_deg, longitude_deg) > 0.0
                {
                    let index = (channel * height + row) * width + at;
                    map.data[index] = resampler.at(x, y);
                    weight[index] = 1.0;
                }
            }
        }
    }
    map.weight = Some(weight);
    Ok(Mapped { image: map, px_per_deg })
}

/// The way back: the disc as a globe shows it whose surface is a map's, `width` x `height` px. What the map does not know
/// is 0, with a weight of 0; between its pixels the map is read linearly, across its left and right edges.
pub(crate) fn disc_of(map: &Mapped, view: &GlobeView, width: usize, height: usize) -> Image {
    let source = &map.image;
    let mut disc = Image::new(width, height, source.channels);
    let mut weight = vec![0.0f32; disc.data.len()];
    let known = source.weight.as_deref().unwrap_or_default();
    for channel in 0..source.channels {
        for y in 0..height {
            for x in 0..width {
                let Some(seen) = view.locate(x as f64, y as f64) else { continue };
                let column = column(view, seen.longitude_deg, map.px_per_deg);
                let row = (90.0 - seen.latitude_deg) * map.px_per_deg - 0.5;
                let (left, top) = (column.floor(), row.floor());
                let (part_x, part_y) = ((column - left) as f32, (row - top) as f32);
                let (mut value, mut total) = (0.0, 0.0);
                for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    let at_x = (left as i64 + dx).rem_euclid(source.width as i64) as usize;
                    let at_y = (top as i64 + dy).clamp(0, source.height as i64 - 1) as usize;
                    let share =
                        (if dx == 0 { 1.0 - part_x } else { part_x }) * (if dy == 0 { 1.0 - part_y } else { part_y });
                    let index = (channel * source.height + at_y) * source.width + at_x;
                    let share = share * known.get(index).copied().unwrap_or(1.0);
                    value += share * source.data[index];
                    total += share;
                }
                // Only where all that is read is known: the rest would lean to one side.
                if total > 0.999 {
                    let index = (channel * height + y) * width + x;
                    disc.data[index] = value / total;
                    weight[index] = 1.0;
                }
            }
        }
    }
    disc.weight = Some(weight);
    disc
}

/// What the map's numbers mean, for the file's text.
fn conventions(view: &GlobeView, globe: &Globe, px_per_deg: f64) -> String {
    let (sense, edges) = if view.longitudes_grow_east() { ("east", [0, 360]) } else { ("west", [360, 0]) };
    json!({
        "projection": "equirectangular",
        "body": globe.body,
        "latitude": "planetographic, degrees",
        "latitude_of_upper_and_lower_edge_deg": [90, -90],
        "longitude": format!("{}, {sense}, degrees", view.system),
        "longitude_of_left_and_right_edge_deg": edges,
        "px_per_deg": px_per_deg,
        "central_meridian_deg": view.central_meridian_deg,
        "alpha": "opaque where valid, transparent elsewhere",
        "north_told_from_south": globe.oriented,
    })
    .to_string()
}

/// The picture's globe; warns where it is not told which way up it lies.
pub(crate) fn known_globe<'a>(context: &dyn Context, image: &'a Image) -> Outcome<&'a Globe> {
    let globe = image.info.globe.as_ref().ok_or_else(|| {
        Fault::data("a map needs to know how the globe stands on the picture, and this picture does not say")
            .remedy("give it a picture that went through derotate.geometry, with target and time known")
    })?;
    if !globe.oriented {
        context.warn(
            "the picture does not say which way up it lies: the map takes it as upright and not mirrored \
             ([orientation] of the session says so)",
        );
    }
    Ok(globe)
}

struct MapSink {
    stem: String,
    system: String,
    px_per_deg: Option<f64>,
    least_cos_emission: f64,
    transfer: Transfer,
}

impl Sink for MapSink {
    fn start(&self, context: &dyn Context, bound: &Bound, _: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        let image = bound.image("image")?;
        check(image)?;
        let globe = known_globe(context, image)?;
        let view = GlobeView::new(globe, &self.system)?;
        let px_per_deg = self.px_per_deg.unwrap_or_else(|| auto_px_per_deg(globe));
        let map = map_of(context, image, &view, px_per_deg, self.least_cos_emission)?;
        let known = map.image.weight.as_deref().unwrap_or_default();
        context.record(Entry::Number {
            name: "map-known".into(),
            value: known.iter().filter(|w| **w > 0.0).count() as f64 / known.len().max(1) as f64,
            unit: String::new(),
            help: "share of the map that is valid".into(),
        });
        Ok(Box::new(MapRun {
            conventions: conventions(&view, globe, px_per_deg),
            image: map.image,
            transfer: self.transfer,
            provenance: bound.provenance.clone(),
        }))
    }

    fn file_stem(&self) -> String {
        self.stem.clone()
    }
}

struct MapRun {
    image: Image,
    conventions: String,
    transfer: Transfer,
    provenance: String,
}

impl SinkRun for MapRun {
    fn begin(&mut self, context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        let alpha = self.image.weight.as_deref().map(|weight| &weight[..self.image.area()]);
        let texts = [("Description", self.provenance.as_str()), ("Map", self.conventions.as_str())];
        Remembering::run(out, |out| png_picture::write(context, &self.image, alpha, self.transfer, &texts, out))
    }
}

#[cfg(test)]
mod tests {
    use stillair_api::testing::TestContext;

    use super::*;
    use crate::globe_view::tests::{cases, jupiter, of_case};

    /// Belts and spots, smooth enough for a map's pixels.
    fn surface(latitude_deg: f64, longitude_deg: f64) -> f32 {
        let belts = (latitude_deg.to_radians() * 9.0).sin();
        let spots = (3.0 * longitude_deg.to_radians()).cos() * latitude_deg.to_radians().cos();
        (0.5 + 0.2 * belts + 0.15 * spots) as f32
    }

    fn picture(view: &GlobeView, side: usize) -> Image {
        let mut image = Image::new(side, side, 1);
        for y in 0..side {
            for x in 0..side {
                if let Some(seen) = view.locate(x as f64, y as f64) {
                    image.data[y * side + x] = surface(seen.latitude_deg, seen.longitude_deg);
                }
            }
        }
        image
    }

    #[test]
    fn a_map_holds_the_surface_and_gives_the_disc_back() {
        let globe = jupiter(90.0, [99.3, 101.6]);
        let view = GlobeView::new(&globe, "auto").unwrap();
        let image = picture(&view, 200);
        let map = map_of(&TestContext::default(), &image, &view, 2.0, 0.3).unwrap();
        let known = map.image.weight.as_ref().unwrap();
        let mut most = 0.0f32;
        for row in 0..map.image.height {
            for at in 0..map.image.width {
                let index = row * map.image.width + at;
                if known[index] > 0.0 {
                    let (latitude_deg, longitude_deg) =
                        (90.0 - (row as f64 + 0.5) / 2.0, 360.0 - (at as f64 + 0.5) / 2.0);
                    most = most.max((map.image.data[index] - surface(latitude_deg, longitude_deg)).abs());
                }
            }
        }
        assert!(most < 0.002, "{most}");
        let share = known.iter().filter(|w| **w > 0.0).count() as f64 / known.len() as f64;
        // Less than the half that faces the observer, more than a third of it.
        assert!((0.17..0.5).contains(&share), "{share}");
        let back = disc_of(&map, &view, 200, 200);
        let told = back.weight.as_ref().unwrap();
        let mut off = 0.0f32;
        let mut count = 0;
        for (index, weight) in told.iter().enumerate() {
            if *weight > 0.0 {
                off = off.max((back.data[index] - image.data[index]).abs());
                count += 1;
            }
        }
        assert!(off < 0.0025 && count > 15_000, "{off} {count}");
    }

    // A spot where a point checked with CSPICE appears comes to lie at its latitude and longitude.
    #[test]
    fn a_spot_comes_to_its_place() {
        let (radius_px, centre_px) = (120.0, [140.0, 141.5]);
        let mut checked = 0;
        for case in cases() {
            let view = GlobeView::new(&of_case(&case, radius_px, centre_px), "auto").unwrap();
            for point in case["point"].as_array().unwrap() {
                let number = |key: &str| point[key].as_float().unwrap();
                if number("cos_emission") < 0.6 || number("planetographic_lat_deg").abs() > 60.0 {
                    continue;
                }
                let x = centre_px[0] - radius_px * number("sky_east_radii");
                let y = centre_px[1] - radius_px * number("sky_north_radii");
                let mut image = Image::new(281, 284, 1);
                for (index, value) in image.data.iter_mut().enumerate() {
                    let (dx, dy) = ((index % 281) as f64 - x, (index / 281) as f64 - y);
                    *value = (-(dx * dx + dy * dy) / (2.0 * 2.0 * 2.0)).exp() as f32;
                }
                let map = map_of(&TestContext::default(), &image, &view, 2.0, 0.2).unwrap().image;
                let (at, _) = map.data.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap();
                let latitude_deg = 90.0 - ((at / map.width) as f64 + 0.5) / 2.0;
                let longitude_deg = 360.0 - ((at % map.width) as f64 + 0.5) / 2.0;
                let turned = (longitude_deg - number("west_longitude_deg") + 180.0).rem_euclid(360.0) - 180.0;
                // The brightest pixel of a map of half degrees lies within one pixel of the spot.
                assert!((latitude_deg - number("planetographic_lat_deg")).abs() <= 0.5 && turned.abs() <= 0.5);
                checked += 1;
            }
        }
        assert!(checked > 10, "{checked}");
    }

    #[test]
    fn columns_and_longitudes_are_each_others_way_back() {
        let west = GlobeView::new(&jupiter(50.0, [0.0, 0.0]), "auto").unwrap();
        let moon = Globe { body: "moon".into(), ..jupiter(50.0, [0.0, 0.0]) };
        for view in [west, GlobeView::new(&moon, "auto").unwrap()] {
            for at in [0.0, 100.0, 719.0] {
                assert!((column(&view, longitude_deg(&view, at, 2.0), 2.0) - at).abs() < 1e-9);
            }
        }
    }
}
