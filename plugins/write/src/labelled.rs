//! `write.labelled`: a copy of the picture that says what it shows.
//!
//! Below the picture: arrows to north and east, the direction in which the globe turns, a scale bar in arcsec, target and
//! time, central meridians, size, tilt, altitude. On it: ticks at the poles, the names of the Galilean moons and of
//! Titan where they stand in the field (positions of stillair-sky), and a net of latitudes and longitudes if asked for.
//! What is not known is left out and said. Small pictures are enlarged by a whole factor (interpolating cubic B-spline);
//! at a factor of 1 the picture itself is not resampled. Sources: the methods' of stillair-sky;
//! PNG, ISO/IEC 15948.

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Image, Method, Node, Outcome, OutputFile, Parameter,
    Parameters, PortType, Shape, Sink, SinkRun,
};
use stillair_maths::resample::{Kernel, Prepared};
use stillair_sky::Site;

use crate::canvas::{Canvas, Colour, LETTER_HEIGHT, letter_width, text_width};
use crate::globe_view::{GlobeView, system_parameter};
use crate::labels::{Labels, MoonLabel, labels, scale_bar};
use crate::levels::Transfer;
use crate::output::{Remembering, check, name_parameter, stem};
use crate::png_picture;

const INK: Colour = [0.75, 0.75, 0.75];
const ARROW: Colour = [0.9, 0.45, 0.06];
const NAME: Colour = [0.25, 0.6, 0.85];
const NET: Colour = [0.25, 0.6, 0.85];

/// Columns of the band below the picture: middle of the compass, middle of the rotation arrow, left of the text.
const COMPASS_X: f64 = 56.0;
const ROTATION_X: f64 = 172.0;
const TEXT_X: f64 = 248.0;
const LINE_PX: f64 = 20.0;
const LEAST_BAND_PX: usize = 120;

/// `write.labelled`.
pub struct Labelled;

impl Method for Labelled {
    fn describe(&self) -> Description {
        Description::new("write.labelled", Shape::Sink, "writes a picture with north, scale, time, meridians and moons")
            .help(
                "For showing: a 16-bit PNG copy of the picture, enlarged if small, with a band of text below. Directions, \
                 meridians, moons and net need the geometry of the disc (derotate.geometry); without it the time and, if \
                 known, the scale are told, and the rest is said to be unknown. The altitude needs the site; it hints at \
                 where you are, and altitude = false leaves it out.",
            )
            .source("positions and geometry as in stillair-sky; PNG, ISO/IEC 15948")
            .contract("write.image")
            .input("image", PortType::Image, "the picture, ready to show")
            .parameter(name_parameter("labelled"))
            .parameter(Parameter::auto_integer(
                "zoom",
                "",
                1,
                8,
                "whole factor by which the picture is enlarged; auto makes small ones about 400 px wide",
            ))
            .parameter(Parameter::flag("net", false, "draw latitudes and longitudes every 30 degrees"))
            .parameter(system_parameter())
            .parameter(Parameter::flag("altitude", true, "tell the target's altitude, where the site is known"))
            .parameter(Transfer::parameter())
            .fact("site.latitude_deg")
            .fact("site.longitude_deg")
            .fact("site.elevation_m")
            .extension("png")
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let place = facts.number("site.latitude_deg").zip(facts.number("site.longitude_deg"));
        let elevation_m = facts.number("site.elevation_m").unwrap_or(0.0);
        let site =
            place.and_then(|(latitude_deg, longitude_deg)| Site::new(latitude_deg, longitude_deg, elevation_m).ok());
        Ok(Node::Sink(Box::new(LabelledSink {
            stem: stem(parameters)?,
            zoom: parameters.auto_integer("zoom")?.and_then(|zoom| usize::try_from(zoom).ok()),
            net: parameters.flag("net")?,
            system: parameters.text("system")?.to_owned(),
            site: site.filter(|_| parameters.flag("altitude") == Ok(true)),
            transfer: Transfer::read(parameters)?,
        })))
    }
}

/// The factor that makes a picture about 400 px wide, at most 4.
fn auto_zoom(width: usize) -> usize {
    (400 / width.max(1)).clamp(1, 4)
}

/// The picture, enlarged by a whole factor, and what is known of it in the new pixels.
fn enlarged(image: &Image, zoom: usize) -> Image {
    if zoom <= 1 {
        return Image { weight: None, halves: None, ..image.clone() };
    }
    let factor = zoom as f64;
    let mut large = Image::new(image.width * zoom, image.height * zoom, image.channels);
    let mut prepared = Prepared::new(Kernel::CubicBSpline);
    // Pixel centres are at whole numbers: the upper left corner, at -0.5, stays where it is.
    let before = |place: usize| (place as f64 + 0.5) / factor - 0.5;
    for channel in 0..image.channels {
        let finite: Vec<f32> = image.channel(channel).iter().map(|v| if v.is_finite() { *v } else { 0.0 }).collect();
        prepared.load(&finite, image.width, image.height);
        let width = large.width;
        for (index, value) in large.channel_mut(channel).iter_mut().enumerate() {
            *value = prepared.at(before(index % width), before(index / width));
        }
    }
    let after = |place: f64| (place + 0.5) * factor - 0.5;
    large.info = image.info.clone();
    large.info.arcsec_per_px = image.info.arcsec_per_px.map(|scale| scale / factor);
    if let Some(globe) = &mut large.info.globe {
        (globe.x_px, globe.y_px) = (after(globe.x_px), after(globe.y_px));
        globe.equatorial_radius_px *= factor;
        globe.arcsec_per_px /= factor;
    }
    large
}

/// The picture with its labels.
fn drawn(image: &Image, labels: &Labels, view: Option<&GlobeView>, net: bool) -> Image {
    let longest = labels.lines.iter().map(|line| text_width(line)).fold(0.0, f64::max);
    let width = image.width.max((TEXT_X + longest + letter_width()).ceil() as usize);
    let band = LEAST_BAND_PX.max((LINE_PX * labels.lines.len() as f64 + 20.0) as usize);
    let left = (width - image.width) / 2;
    let mut canvas = Canvas::new(width, image.height + band);
    canvas.put(image, left, 0);
    if let Some(view) = view {
        if net {
            draw_net(&mut canvas, view, left as f64);
        }
        for end in [-1.0, 1.0] {
            let limb = view.outline_axis_ratio();
            let tick = |from_limb: f64| {
                let (x, y) = view.beside(0.0, end * (limb + from_limb));
                (x + left as f64, y)
            };
            canvas.line(tick(0.04), tick(0.12), 1.5, 1.0, ARROW);
        }
    }
    for moon in labels.moons.iter().filter(|moon| on_picture(moon, image)) {
        let disc_x_px = view.map_or(0.0, |view| view.beside(0.0, 0.0).0);
        draw_moon(&mut canvas, moon, [left as f64, (left + image.width) as f64], moon.x_px < disc_x_px);
    }
    draw_band(&mut canvas, labels, image.height as f64);
    canvas.image
}

fn on_picture(moon: &MoonLabel, image: &Image) -> bool {
    (0.0..image.width as f64).contains(&moon.x_px) && (0.0..image.height as f64).contains(&moon.y_px)
}

/// The name beside the moon between the picture's edges: on the side away from the globe, if there is room.
fn draw_moon(canvas: &mut Canvas, moon: &MoonLabel, edges: [f64; 2], left_of_globe: bool) {
    let (x, y) = (moon.x_px + edges[0], moon.y_px);
    let gap = moon.radius_px.max(2.0) + 4.0;
    let reach = gap + text_width(moon.name) + 4.0;
    let (fits_left, fits_right) = (x - reach > edges[0], x + reach < edges[1]);
    let right = if left_of_globe { !fits_left } else { fits_right };
    let text_x = if right { x + gap + 4.0 } else { x - reach };
    let (near, far) = if right { (x + gap - 2.0, x + gap + 3.0) } else { (x - gap + 2.0, x - gap - 3.0) };
    canvas.line((near, y), (far, y), 1.2, 1.0, NAME);
    canvas.text(text_x, (y - LETTER_HEIGHT / 2.0).max(0.0), moon.name, NAME);
}

/// Parallels and meridians every 30 degrees on the near side.
fn draw_net(canvas: &mut Canvas, view: &GlobeView, left: f64) {
    let mut stroke = |from: (f64, f64), to: (f64, f64), width: f64| {
        let ((a, from_cos), (b, to_cos)) = (view.project(from.0, from.1), view.project(to.0, to.1));
        if from_cos > 0.03 && to_cos > 0.03 {
            canvas.line((a.0 + left, a.1), (b.0 + left, b.1), width, 0.5, NET);
        }
    };
    for longitude in (0..360).step_by(3) {
        let along = (f64::from(longitude), f64::from(longitude + 3));
        for latitude in (-60..=60).step_by(30) {
            let width = if latitude == 0 { 1.6 } else { 1.0 };
            stroke((f64::from(latitude), along.0), (f64::from(latitude), along.1), width);
        }
    }
    for latitude in (-90..90).step_by(3) {
        let along = (f64::from(latitude), f64::from(latitude + 3));
        for longitude in (0..360).step_by(30) {
            stroke((along.0, f64::from(longitude)), (along.1, f64::from(longitude)), 1.0);
        }
    }
}

fn draw_band(canvas: &mut Canvas, labels: &Labels, top: f64) {
    let towards = |(x, y): (f64, f64), angle_rad: f64, length: f64| {
        let (sin, cos) = libm::sincos(angle_rad);
        (x + length * sin, y - length * cos)
    };
    if let Some(north_rad) = labels.north_rad {
        let middle = (COMPASS_X, top + 60.0);
        let quarter = std::f64::consts::FRAC_PI_2;
        // East is a quarter turn to the left of north, to the right on a mirrored picture.
        let east_rad = if labels.mirrored { north_rad + quarter } else { north_rad - quarter };
        for (name, angle_rad, length) in [("N", north_rad, 32.0), ("E", east_rad, 22.0)] {
            canvas.arrow(middle, towards(middle, angle_rad, length), ARROW);
            let (x, y) = towards(middle, angle_rad, length + 12.0);
            canvas.text_about(x, y - LETTER_HEIGHT / 2.0, name, ARROW);
        }
    }
    if let Some(rotation_rad) = labels.rotation_rad {
        let middle = (ROTATION_X, top + 26.0);
        canvas.arrow(towards(middle, rotation_rad, -22.0), towards(middle, rotation_rad, 22.0), ARROW);
        canvas.text_about(ROTATION_X, top + 46.0, "rotation", ARROW);
    }
    if let Some((arcsec, px)) = labels.arcsec_per_px.and_then(|scale| scale_bar(scale, 110.0)) {
        let y = top + 84.0;
        let (from, to) = (ROTATION_X - px / 2.0, ROTATION_X + px / 2.0);
        canvas.line((from, y), (to, y), 2.0, 1.0, INK);
        for end in [from, to] {
            canvas.line((end, y - 4.0), (end, y + 4.0), 1.5, 1.0, INK);
        }
        canvas.text_about(ROTATION_X, y + 6.0, &format!("{arcsec} arcsec"), INK);
    }
    for (n, line) in labels.lines.iter().enumerate() {
        canvas.text(TEXT_X, top + 12.0 + LINE_PX * n as f64, line, INK);
    }
}

struct LabelledSink {
    stem: String,
    zoom: Option<usize>,
    net: bool,
    system: String,
    site: Option<Site>,
    transfer: Transfer,
}

impl Sink for LabelledSink {
    fn start(&self, context: &dyn Context, bound: &Bound, _: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        let image = bound.image("image")?;
        check(image)?;
        let image = &enlarged(image, self.zoom.unwrap_or_else(|| auto_zoom(image.width)));
        let view = image.info.globe.as_ref().map(|globe| GlobeView::new(globe, &self.system)).transpose()?;
        let mut labels = labels(&image.info, view.as_ref(), self.site);
        if let (true, Some(view)) = (self.net, &view) {
            let system = view.system;
            labels.lines.push(format!("net every 30 deg, {system}, planetographic"));
        }
        for left_out in &labels.left_out {
            context.record(Entry::Text { name: "left-out".into(), value: left_out.clone() });
        }
        Ok(Box::new(LabelledRun {
            image: drawn(image, &labels, view.as_ref(), self.net),
            transfer: self.transfer,
            provenance: bound.provenance.clone(),
        }))
    }

    fn file_stem(&self) -> String {
        self.stem.clone()
    }
}

struct LabelledRun {
    image: Image,
    transfer: Transfer,
    provenance: String,
}

impl SinkRun for LabelledRun {
    fn begin(&mut self, context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        let texts = [("Description", self.provenance.as_str())];
        Remembering::run(out, |out| png_picture::write(context, &self.image, None, self.transfer, &texts, out))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::globe_view::tests::jupiter;

    #[test]
    fn the_picture_stays_as_it_is() {
        let mut image = Image::new(50, 40, 1);
        image.data.iter_mut().enumerate().for_each(|(n, value)| *value = (n % 7) as f32 / 7.0);
        let got = drawn(&image, &Labels { lines: vec!["time not known".into()], ..Labels::default() }, None, true);
        assert!(got.width > 300 && got.height == 40 + LEAST_BAND_PX);
        let left = (got.width - 50) / 2;
        for y in 0..40 {
            assert_eq!(got.channel(2)[y * got.width + left..][..50], image.data[y * 50..][..50]);
        }
        // Something is written in the band.
        assert!(got.channel(0)[41 * got.width..].iter().sum::<f32>() > 20.0);
    }

    #[test]
    fn small_pictures_are_enlarged_with_their_globe() {
        assert_eq!([30, 128, 200, 300, 1000].map(auto_zoom), [4, 3, 2, 1, 1]);
        let mut image = Image::new(40, 30, 1);
        // A straight ramp stays one under the B-spline, away from the edges.
        image.data.iter_mut().enumerate().for_each(|(n, value)| *value = (n % 40) as f32 / 40.0);
        image.info.globe = Some(jupiter(10.0, [20.0, 15.0]));
        let large = enlarged(&image, 3);
        assert_eq!((large.width, large.height), (120, 90));
        // (61 + 0.5) / 3 - 0.5 = 20.
        assert!((large.data[45 * 120 + 61] - 20.0 / 40.0).abs() < 1e-5);
        let globe = large.info.globe.unwrap();
        assert_eq!((globe.x_px, globe.y_px, globe.equatorial_radius_px), (61.0, 46.0, 30.0));
        assert!((globe.arcsec_per_px - 0.75).abs() < 1e-12);
    }

    // The net's equator crosses the central meridian in the middle of a disc seen from above the equator.
    #[test]
    fn the_net_lies_on_the_globe() {
        let mut globe = jupiter(60.0, [350.0, 80.0]);
        (globe.latitude_rad, globe.central_meridian_ii_deg) = (0.0, Some(90.0));
        let view = GlobeView::new(&globe, "auto").unwrap();
        let image = Image::new(700, 160, 3);
        let got = drawn(&image, &Labels::default(), Some(&view), true);
        let blue = |x: usize, y: usize| got.channel(2)[y * got.width + x];
        assert!(blue(350, 80) > 0.4);
        // Between the lines and off the disc there is nothing.
        assert!(blue(410 + 4, 80) == 0.0 && blue(350 - 80, 20) == 0.0);
        let lit = (0..160).flat_map(|y| (0..700).map(move |x| (x, y))).filter(|(x, y)| blue(*x, *y) > 0.0).count();
        assert!((600..6000).contains(&lit), "{lit}");
    }
}
