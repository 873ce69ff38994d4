//! Drizzle: each sample falls as a small square drop onto a finer grid, `I(q) = sum w a d / sum w a`.
//!
//! `a` is the share of a sample's drop that overlaps the output pixel q; the drop is a square of `pixfrac` pixels of the
//! capture about the place where the motions put the sample, w the frame's weight, d the sample (Fruchter & Hook 2002,
//! PASP 114, 144). Nothing is interpolated, so frames that are displaced by fractions of a pixel bring back what a
//! coarse sampling folded. A mosaic's samples fall into the picture of their own colour. Drops are not turned with the
//! frame: below a few degrees that changes nothing.
//!
//! Scale where it is not given: `clamp(2.4 / Q, 1, 2)` to the nearest of 1, 1.5 and 2, Q being the pixels per lambda/D;
//! drops of 1, 0.7 and 0.6 px then. It pays where Q is below about 2: finer
//! sampling folds nothing that drops could bring back.

use std::sync::{Arc, Mutex};

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, Frame, FrameInput, Image, Item, Layout, Memory,
    Method, Node, Outcome, Parameter, Parameters, Placement, Reduce, ReduceRun, Scratch, Shape, StreamShape, Value,
    columns, scratch_of,
};
use stillair_maths::resample::Kernel;

use crate::accumulate::Accumulator;
use crate::bend;
use crate::mean::{Pool, describe_picture, no_frames, ports, take_in, warn_of_lost};
use crate::optics::Optics;
use crate::resample::{Canvas, Cover, Resampled, Workspace, origin};

/// Pixels per lambda/D that planets are usually taken with and the finest that a scale aims at.
const WANTED_SAMPLING: f64 = 2.4;
/// Pixels per lambda/D from which on a scale above 1 does not pay.
const FINE_SAMPLING: f64 = 2.0;
/// Share of the picture's sides that counts as its middle.
const MIDDLE: f64 = 0.6;
/// Scatter of the weights in the middle, over their median, from which on larger drops are advised.
const UNEVEN: f64 = 0.2;

/// The method `stack.drizzle`.
pub struct Drizzle;

impl Method for Drizzle {
    fn describe(&self) -> Description {
        ports(Description::new(
            "stack.drizzle",
            Shape::Reduce,
            "Lets each sample fall as a small drop onto a finer grid",
        ))
        .help(
            "For captures sampled too coarsely (below some 2 px per lambda/D, or through a colour mosaic below 1): \
                 frames that differ by fractions of a pixel together hold what each of them misses. Takes mosaics as \
                 they are, mono and colour frames; local shifts, field rotation and the globe's rotation come in as in \
                 stack.mean. The scale follows from telescope and camera; on finely sampled captures it is 1, where \
                 stack.mean does as well with less noise, and a larger one only makes a larger picture with \
                 correlated noise: a warning says so. Weights are kept with the picture; pixels on which no drop fell \
                 take their neighbours' value, are counted in the record and warned of. The noise of neighbouring \
                 pixels is correlated.",
        )
        .source("Fruchter & Hook 2002, PASP 114, 144; choice of scale: own simulation")
        .parameter(Parameter::auto_number(
            "scale",
            "",
            1.0,
            3.0,
            "pixels of the picture per pixel of the capture; auto = from the sampling, 1 where it is unknown",
        ))
        .parameter(Parameter::auto_number(
            "pixfrac",
            "px",
            0.1,
            1.0,
            "side of a drop in pixels of the capture; auto = 1 at scale 1, 0.7 at 1.5, 0.6 at 2, 0.5 above",
        ))
        .fact("telescope.aperture_mm")
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(DrizzleNode {
            scale: parameters.auto_number("scale")?,
            pixfrac: parameters.auto_number("pixfrac")?,
            aperture_mm: facts.number("telescope.aperture_mm").filter(|v| v.is_finite() && *v > 0.0),
            optics: Optics::from_facts(facts),
        })))
    }
}

struct DrizzleNode {
    scale: Option<f64>,
    pixfrac: Option<f64>,
    aperture_mm: Option<f64>,
    optics: Optics,
}

/// Scale for so many pixels per lambda/D.
fn scale_for(sampling: f64) -> f64 {
    let wished = (WANTED_SAMPLING / sampling).clamp(1.0, 2.0);
    libm::round(2.0 * wished) * 0.5
}

/// Side of a drop for a scale.
fn pixfrac_for(scale: f64) -> f64 {
    match scale {
        s if s < 1.25 => 1.0,
        s if s < 1.75 => 0.7,
        s if s < 2.25 => 0.6,
        _ => 0.5,
    }
}

impl DrizzleNode {
    /// Pixels per lambda/D in the middle colour.
    fn sampling(&self, layout: Layout) -> Option<f64> {
        let channels = Canvas::planes_of(layout);
        let nm = self.optics.wavelengths_nm(channels)[channels / 2];
        let lambda_over_d_rad = nm * 1e-6 / self.aperture_mm?;
        Some(lambda_over_d_rad.to_degrees() * 3600.0 / self.optics.arcsec_per_px?)
    }
}

impl Reduce for DrizzleNode {
    fn start(&self, context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        let sampling = self.sampling(info.layout);
        let scale = self.scale.unwrap_or_else(|| sampling.map_or(1.0, scale_for));
        let pixfrac = self.pixfrac.unwrap_or_else(|| pixfrac_for(scale));
        context.record(Entry::number("scale", scale, "", "pixels of the picture per pixel of the capture"));
        context.record(Entry::number("pixfrac", pixfrac, "px", "side of a drop in pixels of the capture"));
        if let Some(q) = sampling {
            context.record(Entry::number("sampling", q, "px", "pixels per wavelength over aperture"));
            if q >= FINE_SAMPLING && scale > 1.0 {
                context.warn(&format!(
                    "the capture has {q:.1} px per lambda/D: nothing is lost between its pixels, and a scale of {scale} \
                     brings no detail; stack.mean does as well with less noise"
                ));
            }
        }
        Ok(Box::new(DrizzleRun {
            drops: Drops { scale, pixfrac },
            optics: self.optics.clone(),
            info: info.clone(),
            sums: None,
            canvas: Mutex::new(None),
            pool: Pool::default(),
        }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let scale = self.scale.unwrap_or(2.0);
        let samples = (stream.width * stream.height) as f64 * 3.0 * scale * scale
            + 3.0 * (stream.width + stream.height) as f64 * scale;
        let samples = samples as usize;
        let plane = (stream.width + 32) * (stream.height + 32) * 4;
        Memory {
            worker: (plane * 8) as u64,
            item: (samples * 8) as u64 + 256,
            state: Accumulator::bytes(samples, false),
        }
    }
}

/// Size of the drops and of the grid.
#[derive(Debug, Clone, Copy)]
struct Drops {
    scale: f64,
    pixfrac: f64,
}

/// The picture for frames like this one, at the scale and at scale 1.
fn canvases(frame: &Frame, scale: f64) -> (Canvas, Canvas) {
    let planes = Canvas::planes_of(frame.layout);
    let base = Canvas::new(frame.width(), frame.height(), planes);
    let size = |n: usize| libm::ceil(n as f64 * scale - 1e-9) as usize;
    let mut canvas = Canvas::new(size(base.width), size(base.height), planes);
    canvas.centre = base.centre.map(|c| (c + 0.5) * scale - 0.5);
    (canvas, base)
}

/// Output pixels that a drop from `low` to `high` meets, in units where pixel k reaches from k - 0.5 to k + 0.5, and
/// the share of the drop in the first of them and so on.
fn overlaps(low: f64, high: f64, count: usize, mut each: impl FnMut(usize, f32)) {
    let first = (low + 0.5).floor().max(0.0);
    let last = (high + 0.5).ceil().min(count as f64);
    let inverse = 1.0 / (high - low);
    let mut k = first;
    while k < last {
        let share = (high.min(k + 0.5) - low.max(k - 0.5)) * inverse;
        if share > 0.0 {
            each(k as usize, share as f32);
        }
        k += 1.0;
    }
}

/// Lets a frame's samples fall onto the canvas: mean of what fell and sum of shares in every pixel.
///
/// # Errors
/// Where a layer holds nothing for the frame.
fn fall(
    frame: &Frame,
    placement: &Placement,
    (canvas, base): &(Canvas, Canvas),
    drops: Drops,
    work: &mut Workspace,
    out: &mut Resampled,
) -> Outcome<()> {
    let samples = canvas.planes * canvas.area();
    out.data.clear();
    out.data.resize(samples, 0.0);
    out.factors.clear();
    out.factors.resize(samples, 0.0);
    out.cover = Cover::Factors;
    let bent = bend::fields(placement, base, work)?;
    let Workspace { displacement, share, gain, .. } = work;
    let global = placement.global;
    let (sin, cos) = libm::sincos(global.rotation_rad);
    let (sin, cos) = (sin / global.scale, cos / global.scale);
    let (w, h) = (frame.width(), frame.height());
    let half = 0.5 * drops.pixfrac * drops.scale;
    let nearest = |at: [f64; 2]| {
        let on = |k: usize, n: usize| (at[k] + base.centre[k] + 0.5).floor().clamp(0.0, n as f64 - 1.0) as usize;
        on(1, base.height) * base.width + on(0, base.width)
    };
    let mut columns: Vec<(usize, f32)> = Vec::with_capacity(8);
    for colour in 0..canvas.planes {
        let [px, py] = origin(frame, placement, colour);
        let source = frame.plane(if frame.layout == Layout::Rgb { colour } else { 0 });
        let (sums, shares) = (
            &mut out.data[colour * canvas.area()..(colour + 1) * canvas.area()],
            &mut out.factors[colour * canvas.area()..(colour + 1) * canvas.area()],
        );
        // Place on the picture of the frame's position, from the reference point.
        let back = |x: f64, y: f64| [cos * x + sin * y, -sin * x + cos * y];
        for y in 0..h {
            for x in 0..w {
                if let Layout::Mosaic(pattern) = frame.layout
                    && pattern.colour_at(x, y) != colour
                {
                    continue;
                }
                let (dx, dy) = (x as f64 - px, y as f64 - py);
                let mut at = back(dx, dy);
                let (mut weight, mut value) = (1.0, source[y * w + x]);
                if bent {
                    // The shift is known on the picture: its place there is found in two steps, as it changes slowly.
                    for _ in 0..2 {
                        let i = nearest(at);
                        at = back(dx - f64::from(displacement[0][i]), dy - f64::from(displacement[1][i]));
                    }
                    let i = nearest(at);
                    weight = share[i];
                    value *= gain.get(i).copied().unwrap_or(1.0);
                }
                if weight <= 0.0 {
                    continue;
                }
                let [u, v] = [0, 1].map(|k| at[k] * drops.scale + canvas.centre[k]);
                columns.clear();
                overlaps(u - half, u + half, canvas.width, |k, a| columns.push((k, a)));
                overlaps(v - half, v + half, canvas.height, |row, b| {
                    for (column, a) in &columns {
                        let i = row * canvas.width + column;
                        sums[i] += weight * a * b * value;
                        shares[i] += weight * a * b;
                    }
                });
            }
        }
    }
    for (value, factor) in out.data.iter_mut().zip(&out.factors) {
        *value = if *factor > 0.0 { *value / factor } else { 0.0 };
    }
    Ok(())
}

struct DrizzleRun {
    drops: Drops,
    optics: Optics,
    info: ClipInfo,
    sums: Option<Accumulator>,
    canvas: Mutex<Option<Canvas>>,
    pool: Pool,
}

impl ReduceRun for DrizzleRun {
    fn worker(&self) -> Scratch {
        Box::new(Workspace::new(Kernel::CubicBSpline))
    }

    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let work = scratch_of::<Workspace>(scratch)?;
        let both = canvases(input.frame, self.drops.scale);
        {
            let mut known = self.canvas.lock().map_err(|_| Fault::internal("a thread failed while stacking"))?;
            if known.is_some_and(|first| first != both.0) {
                return Err(Fault::data(format!("frame {} has another size than the first", input.frame.index))
                    .remedy("stack frames of one size: crop.follow and crop.fixed give such"));
            }
            *known = Some(both.0);
        }
        let mut item = self.pool.take();
        let placement = input.placement()?;
        item.weight = 0.0;
        if placement.global.is_known() {
            fall(input.frame, placement, &both, self.drops, work, &mut item.resampled)?;
            let row = input.row()?;
            item.weight = row.weight() as f32;
            item.exposure_s = row.number(columns::EXPOSURE_S);
            item.time_s = row.number(columns::TIME_S);
            item.in_parts = placement.in_parts();
        }
        Ok(Box::new(item))
    }

    fn add(&mut self, context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        take_in(context, items, &mut self.sums, &self.canvas, &self.pool)
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let sums = self.sums.take().filter(|s| s.frames() > 0).ok_or_else(no_frames)?;
        warn_of_lost(context, sums.placeless());
        let Drops { scale, pixfrac } = self.drops;
        let words = format!(
            "stack.drizzle of {} frames at scale {scale}, drops of {pixfrac} px; noise of neighbouring pixels is correlated",
            sums.frames()
        );
        let mut image = describe_picture(sums.finish(false), &self.optics, &self.info, words);
        image.info.px_per_capture_px = scale;
        image.info.arcsec_per_px = image.info.arcsec_per_px.map(|a| a / scale);
        tell_of_weights(context, &image);
        Ok(Finish::Done(vec![Value::Image(Arc::new(image))]))
    }
}

/// Records holes and unevenness of the weights in the picture's middle, and warns of them.
fn tell_of_weights(context: &dyn Context, image: &Image) {
    let Some(weight) = &image.weight else { return };
    let edge = |n: usize| (0.5 * (1.0 - MIDDLE) * n as f64) as usize;
    let (left, top) = (edge(image.width), edge(image.height));
    let (mut holes, mut worst, mut all) = (0_usize, 0.0_f64, 0_usize);
    for plane in weight.chunks_exact(image.area().max(1)) {
        let mut values: Vec<f32> = Vec::new();
        for row in plane.chunks_exact(image.width).skip(top).take(image.height - 2 * top) {
            values.extend_from_slice(&row[left..image.width - left]);
        }
        holes += values.iter().filter(|w| **w <= 0.0).count();
        all += values.len();
        let mean = values.iter().map(|w| f64::from(*w)).sum::<f64>() / values.len().max(1) as f64;
        let variance = values.iter().map(|w| (f64::from(*w) - mean).powi(2)).sum::<f64>() / values.len().max(1) as f64;
        if mean > 0.0 {
            worst = worst.max(variance.sqrt() / mean);
        }
    }
    let share = holes as f64 / all.max(1) as f64;
    context.record(Entry::number("holes", share, "", "share of pixels in the middle on which no drop fell"));
    context.record(Entry::number("unevenness", worst, "", "scatter of the weights in the middle over their mean"));
    if holes > 0 {
        context.warn(&format!(
            "on {:.1} % of the pixels in the middle no drop fell; they were given their neighbours' value: take more \
             frames, a larger pixfrac or a smaller scale",
            100.0 * share
        ));
    } else if worst > UNEVEN {
        context.warn(&format!(
            "the drops fell unevenly (weights scatter by {:.0} %): noise differs from pixel to pixel; a larger pixfrac \
             or more frames help",
            100.0 * worst
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_description_keeps_to_its_contract() {
        assert_eq!(stillair_api::contract::breaches(&Drizzle.describe()), Vec::<String>::new());
    }

    /// By the rule of the module's head.
    #[test]
    fn the_scale_follows_the_sampling() {
        for (sampling, scale) in [(0.83, 2.0), (1.2, 2.0), (1.6, 1.5), (1.9, 1.5), (2.0, 1.0), (3.0, 1.0)] {
            assert_eq!(scale_for(sampling), scale, "{sampling}");
        }
    }

    /// Worked by hand: a drop from 0.3 to 1.3 has a fifth in the pixel about 0, the rest in that about 1.
    #[test]
    fn a_drop_is_shared_by_overlap() {
        let mut found = Vec::new();
        overlaps(0.3, 1.3, 4, |k, share| found.push((k, share)));
        assert_eq!(found.len(), 2);
        assert!((found[0].1 - 0.2).abs() < 1e-6 && (found[1].1 - 0.8).abs() < 1e-6, "{found:?}");
        found.clear();
        overlaps(-0.9, 0.1, 4, |k, share| found.push((k, share)));
        assert!(found.len() == 1 && (found[0].1 - 0.6).abs() < 1e-6, "{found:?}");
    }
}
