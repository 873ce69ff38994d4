//! Joins the stacks of overlapping fields to one picture.
//!
//! Every two panels are laid upon one another by the peak of their whitened cross-correlation (Kuglin & Hines 1975),
//! padded so that small overlaps count too; of the highest peaks that one is believed whose overlap correlates best, and
//! refined to a fraction of a pixel there. All pairs that match then give the panels' places by least squares, each
//! pair weighing with its overlap. Levels: the logarithms of the pairs' ratios of brightness give each panel's factor by
//! least squares, their mean held at zero. Where panels overlap the picture is their mean weighted by the panel's own
//! weight and by a ramp from its edge (feathering: Szeliski 2006, Found. Trends Comput. Graph. Vis. 2, 1, section 6.2).
//! Each panel is resampled once more, by the B-spline.

mod place;

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Fault, Image, Memory, Method, Node, Outcome, Parameter, Parameters,
    PortType, Shape, StreamShape, Transform, Value,
};
use stillair_maths::resample::{Kernel, Prepared, covered, shift_window};

use place::{Pair, levels, match_panels, places};

/// Below this share of a panel's usual weight a pixel is not used.
const THIN: f32 = 0.05;

/// The method `stack.panels`.
pub struct Panels;

impl Method for Panels {
    fn describe(&self) -> Description {
        Description::new("stack.panels", Shape::Transform, "Joins the stacks of overlapping fields to one picture")
            .help(
                "Finds where overlapping panels lie by their common ground, matches their brightness and blends them \
                 over a ramp, so that no seam shows. Panels may come in any order; each must overlap another by about \
                 a tenth and show structure there. They must be of one scale and orientation, as from one night with \
                 one camera that was not turned. Join unsharpened stacks and sharpen the whole. What no panel shows is \
                 black, with weight 0.",
            )
            .source(
                "Kuglin & Hines 1975, Proc. IEEE Int. Conf. Cybernetics and Society, 163; Szeliski 2006, Found. Trends \
                 Comput. Graph. Vis. 2, 1",
            )
            .contract("stack.panels")
            .input("images", PortType::Image, "the panels: linear stacks of overlapping fields")
            .many()
            .output("image", PortType::Image, "the joined picture, with weights and half-stacks")
            .parameter(Parameter::number(
                "feather",
                "px",
                1.0,
                1000.0,
                40.0,
                "width of the ramp from a panel's edge over which it is blended in",
            ))
            .parameter(Parameter::number(
                "agreement",
                "",
                0.1,
                1.0,
                0.5,
                "least correlation of an overlap that is believed",
            ))
            .parameter(Parameter::choice(
                "levels",
                &["match", "keep"],
                "match",
                "match: brightness of the panels made equal where they overlap",
            ))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(PanelsNode {
            feather: parameters.number("feather")?,
            agreement: parameters.number("agreement")?,
            matched: parameters.text("levels")? == "match",
        })))
    }
}

struct PanelsNode {
    feather: f64,
    agreement: f64,
    matched: bool,
}

/// # Errors
/// If panels differ in channels or scale, or are empty.
fn check(images: &[&Image]) -> Outcome<()> {
    let first = images.first().ok_or_else(|| Fault::request("no panel is linked to `images`"))?;
    for (i, image) in images.iter().enumerate() {
        if image.area() == 0 || image.data.iter().any(|v| !v.is_finite()) {
            return Err(Fault::data(format!("panel {} has no pixels, or some that are not numbers", i + 1)));
        }
        let same = image.channels == first.channels
            && (image.info.px_per_capture_px - first.info.px_per_capture_px).abs() < 1e-9;
        if !same {
            return Err(Fault::data(format!("panel {} has other colours or another scale than panel 1", i + 1))
                .remedy("join panels of one camera, stacked by the same steps"));
        }
    }
    Ok(())
}

/// The panel's weight at every pixel: its own over the usual one, times a ramp from the edge.
fn ramp(image: &Image, feather: f64) -> Vec<f32> {
    let (w, h) = (image.width, image.height);
    let mut usual = 1.0;
    if let Some(weight) = &image.weight {
        let mut sorted: Vec<f32> = weight[..w * h].iter().step_by(5).copied().collect();
        sorted.sort_by(f32::total_cmp);
        usual = sorted.get(sorted.len() / 2).copied().unwrap_or(1.0).max(f32::MIN_POSITIVE);
    }
    let own = |at: usize| image.weight.as_ref().map_or(1.0, |v| v[at] / usual);
    // Distance to the nearest pixel that is not well covered, by two sweeps of the chessboard metric.
    let mut distance: Vec<f32> = (0..w * h).map(|at| if own(at) < THIN { 0.0 } else { f32::INFINITY }).collect();
    let step = |distance: &mut [f32], x: usize, y: usize, back: bool| {
        let at = y * w + x;
        let edge = if back { (w - x).min(h - y) } else { (x + 1).min(y + 1) } as f32;
        let mut least = distance[at].min(edge);
        let (dx, dy) = if back { (1_isize, 1_isize) } else { (-1, -1) };
        for (u, v) in [(dx, 0), (0, dy), (dx, dy), (-dx, dy)] {
            let (x, y) = (x as isize + u, y as isize + v);
            if x >= 0 && y >= 0 && (x as usize) < w && (y as usize) < h {
                least = least.min(distance[y as usize * w + x as usize] + 1.0);
            }
        }
        distance[at] = least;
    };
    for y in 0..h {
        (0..w).for_each(|x| step(&mut distance, x, y, false));
    }
    for y in (0..h).rev() {
        (0..w).rev().for_each(|x| step(&mut distance, x, y, true));
    }
    (0..w * h)
        .map(|at| {
            if distance[at] < 0.5 {
                return 0.0;
            }
            let t = (f64::from(distance[at]) / feather).min(1.0);
            let smooth = t * t * (3.0 - 2.0 * t);
            // Never quite nothing, so that a pixel that only one panel shows keeps its value.
            (smooth.max(1e-3)) as f32 * own(at).min(1.0)
        })
        .collect()
}

/// Sums of one picture and its halves.
struct Canvas {
    width: usize,
    height: usize,
    sum: [Vec<f32>; 3],
    weight: Vec<f32>,
}

impl PanelsNode {
    fn join(&self, images: &[&Image], places: &[[f64; 2]], factors: &[f64]) -> Image {
        let first = images[0];
        let least = |k: usize| places.iter().map(|p| p[k]).fold(f64::INFINITY, f64::min).floor();
        let corner = [least(0), least(1)];
        let most = |k: usize| {
            let end = |(p, i): (&[f64; 2], &&Image)| p[k] + [i.width, i.height][k] as f64;
            places.iter().zip(images).map(end).fold(f64::NEG_INFINITY, f64::max)
        };
        let [width, height] = [0, 1].map(|k| (most(k) - corner[k]).ceil() as usize);
        let samples = width * height * first.channels;
        let halves = images.iter().all(|i| i.halves.is_some());
        let sums = if halves { 3 } else { 1 };
        let mut canvas = Canvas {
            width,
            height,
            sum: std::array::from_fn(|k| vec![0.0; if k < sums { samples } else { 0 }]),
            weight: vec![0.0; samples],
        };
        let mut prepared = Prepared::new(Kernel::CubicBSpline);
        let mut line = Prepared::new(Kernel::Bilinear);
        for ((image, place), factor) in images.iter().zip(places).zip(factors) {
            canvas.add(
                image,
                [place[0] - corner[0], place[1] - corner[1]],
                *factor,
                self.feather,
                (&mut prepared, &mut line),
            );
        }
        let Canvas { sum: [mut data, mut a, mut b], weight, .. } = canvas;
        for picture in [&mut data, &mut a, &mut b] {
            for (v, w) in picture.iter_mut().zip(&weight) {
                *v = if *w > 0.0 { *v / w } else { 0.0 };
            }
        }
        let mut out = Image { width, height, channels: first.channels, data, ..Image::default() };
        out.halves = halves.then_some([a, b]);
        out.weight = Some(weight);
        out.info = first.info.clone();
        out.info.disc = None;
        out.info.frames_used = images.iter().map(|i| i.info.frames_used).sum();
        out.info.frames_effective = images.iter().map(|i| i.info.frames_effective).sum::<f64>() / images.len() as f64;
        out.info.exposure_total_s = images.iter().map(|i| i.info.exposure_total_s).sum();
        let middles: Option<Vec<i64>> = images.iter().map(|i| i.info.middle_unix_ns).collect();
        out.info.middle_unix_ns =
            middles.map(|m| (m.iter().map(|v| i128::from(*v)).sum::<i128>() / m.len() as i128) as i64);
        out.info.reference_px = [(width as f64 - 1.0) * 0.5, (height as f64 - 1.0) * 0.5];
        out.info.history.push(format!(
            "stack.panels of {} fields, each resampled once more by the cubic B-spline, feathered over {} px",
            images.len(),
            self.feather
        ));
        out
    }
}

impl Canvas {
    /// Adds a panel whose first pixel lies at `place`.
    fn add(
        &mut self,
        image: &Image,
        place: [f64; 2],
        factor: f64,
        feather: f64,
        (spline, line): (&mut Prepared, &mut Prepared),
    ) {
        let (w, h) = (image.width, image.height);
        // The part of the canvas that the panel covers.
        let [x0, y0] = place.map(|p| p.floor() as usize);
        let (bw, bh) = ((w + 1).min(self.width - x0), (h + 1).min(self.height - y0));
        let (sx, sy) = (x0 as f64 - place[0], y0 as f64 - place[1]);
        let (xa, xb, ya, yb) = covered(w, h, sx, sy, bw, bh);
        let mut weight = vec![0.0; bw * bh];
        shift_window(&ramp(image, feather), w, h, sx, sy, bw, bh, line, &mut weight);
        let mut value = vec![0.0; bw * bh];
        let area = self.width * self.height;
        for c in 0..image.channels {
            let pictures = [Some(image.channel(c)), image.half(0, c), image.half(1, c)];
            for (k, source) in pictures.into_iter().enumerate() {
                let Some(source) = source.filter(|_| !self.sum[k].is_empty()) else { continue };
                shift_window(source, w, h, sx, sy, bw, bh, spline, &mut value);
                for y in ya..yb {
                    let to = c * area + (y0 + y) * self.width + x0;
                    let sums = &mut self.sum[k][to + xa..to + xb];
                    let values = &value[y * bw + xa..y * bw + xb];
                    let weights = &weight[y * bw + xa..y * bw + xb];
                    for ((sum, v), w) in sums.iter_mut().zip(values).zip(weights) {
                        *sum += w * v * factor as f32;
                    }
                    if k == 0 {
                        for (sum, w) in self.weight[to + xa..to + xb].iter_mut().zip(weights) {
                            *sum += w;
                        }
                    }
                }
            }
        }
    }
}

impl Transform for PanelsNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let images: Vec<&Image> = bound.images("images").into_iter().map(AsRef::as_ref).collect();
        check(&images)?;
        if images.len() == 1 {
            return Ok(vec![Value::Image(Arc::new(images[0].clone()))]);
        }
        let pairs: Vec<Pair> = match_panels(context, &images, self.agreement)?;
        let places = places(images.len(), &pairs)?;
        let factors = if self.matched { levels(images.len(), &pairs) } else { vec![1.0; images.len()] };
        let misfit = |p: &Pair| {
            let off = |k: usize| places[p.second][k] - places[p.first][k] - p.offset_px[k];
            off(0) * off(0) + off(1) * off(1)
        };
        let rms = (pairs.iter().map(misfit).sum::<f64>() / pairs.len() as f64).sqrt();
        context.record(Entry::number("pairs", pairs.len() as f64, "", "pairs of panels that overlap"));
        context.record(Entry::number("misfit", rms, "px", "rms by which the pairs' places contradict one another"));
        let worst = pairs.iter().map(|p| p.agreement).fold(f64::INFINITY, f64::min);
        context.record(Entry::number("least-agreement", worst, "", "least correlation of an overlap"));
        for (i, (place, factor)) in places.iter().zip(&factors).enumerate() {
            let number = |name: &str, value: f64, unit: &str, help: &str| {
                context.record(Entry::number(&format!("panel-{}-{name}", i + 1), value, unit, help));
            };
            number("x", place[0], "px", "column of the panel's first pixel, from panel 1");
            number("y", place[1], "px", "row of the panel's first pixel, from panel 1");
            number("factor", *factor, "", "what the panel's brightness was multiplied by");
        }
        Ok(vec![Value::Image(Arc::new(self.join(&images, &places, &factors)))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        // Two panels padded to both their sizes, their spectra; the joined picture of up to nine panels with halves.
        let pixels = (stream.width * stream.height) as u64;
        Memory { state: pixels * 4 * (4 * 8 + 9 * 5 * 3), ..Memory::default() }
    }
}

#[cfg(test)]
#[path = "panels/tests.rs"]
mod tests;
