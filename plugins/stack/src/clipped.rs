//! The weighted mean with outliers pulled in: two sweeps, the second with every sample held within
//! `m(p) +- k sigma(p)` of the first's mean `m` (winsorised, so that nothing is thrown away and no weight is lost).
//!
//! The scatter `sigma` is not each pixel's own, which an outlier would inflate, but a model fitted to all pixels:
//! `sigma^2 = a + b I + c |grad I|^2`: read noise, photon noise and what seeing and misplacement do at edges. Without
//! the last term the limb would be taken for an outlier and move. `a`, `b` and `c` come from medians of the
//! measured variances in bins of brightness and of gradient. A frame's brightness against the others (column flux)
//! scales what is expected of it.
//!
//! Source: clipping by a noise model instead of the sample's own scatter, and the gradient term: common practice in
//! drizzling dithered images (Fruchter & Hook 2002, PASP 114, 144, section 5).

use std::sync::{Arc, Mutex};

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Finish, FrameInput, Item, Memory, Method, Node, Outcome,
    Parameter, Parameters, Reduce, ReduceRun, Scratch, Shape, StreamShape, Value, columns, scratch_of,
};
use stillair_maths::resample::Kernel;

use crate::accumulate::{Accumulator, Contribution};
use crate::mean::{
    Pool, contribution, describe_picture, kernel_of, kernel_parameter, kernel_words, memory, no_frames, ports,
    refuse_mosaic, same_canvas, warn_of_lost,
};
use crate::optics::Optics;
use crate::resample::{Canvas, Workspace};

/// Fewer frames than this say too little of their scatter; nothing is clipped then.
const FEWEST_FRAMES: usize = 8;

/// Bins of brightness, and of gradient, for the noise model.
const BINS: usize = 16;

/// The method `stack.clipped`.
pub struct Clipped;

impl Method for Clipped {
    fn describe(&self) -> Description {
        ports(Description::new(
            "stack.clipped",
            Shape::Reduce,
            "Weighted mean with outliers pulled in to a few sigma, in two sweeps",
        ))
        .help(
            "As stack.mean, but samples further from the mean than `sigma` times the expected scatter count as if they \
             stood at that distance. The scatter is modelled from all pixels as read noise, photon noise and a part that \
             grows with the gradient, so that seeing at the limb is not taken for an outlier. Removes satellites, \
             cosmic rays and moving hot pixels; costs twice the time of stack.mean. With fewer than 8 frames nothing \
             is clipped.",
        )
        .source(
            "clipping by a noise model with a gradient term: Fruchter & Hook 2002, PASP 114, 144, section 5; \
             winsorising: common practice",
        )
        .parameter(kernel_parameter())
        .parameter(Parameter::number(
            "sigma",
            "",
            1.5,
            20.0,
            4.0,
            "how many times the expected scatter a sample may lie from the mean",
        ))
        .sweeps(2)
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let (kernel, sigma) = (kernel_of(parameters)?, parameters.number("sigma")?);
        Ok(Node::Reduce(Box::new(ClippedNode { kernel, sigma, optics: Optics::from_facts(facts) })))
    }
}

/// Variance of a sample by the model.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct NoiseModel {
    /// Constant part, white levels squared.
    pub read: f64,
    /// Per white level of brightness.
    pub photon: f64,
    /// Per squared white level per px of gradient, px^2.
    pub edge: f64,
}

impl NoiseModel {
    /// Variance at a brightness and a squared gradient.
    pub fn variance(&self, brightness: f64, gradient_squared: f64) -> f64 {
        (self.read + self.photon * brightness.max(0.0) + self.edge * gradient_squared).max(0.0)
    }

    /// Fits medians of `variance` in bins of brightness where gradients are below their median, then of what
    /// remains over the gradient in the upper quarter of gradients.
    pub fn fit(brightness: &[f32], gradient_squared: &[f32], variance: &[f32]) -> Self {
        let mut order: Vec<usize> = (0..brightness.len()).collect();
        order.retain(|&i| variance[i] > 0.0 && brightness[i].is_finite());
        if order.len() < 4 * BINS {
            return Self { read: f64::from(median(order.iter().map(|&i| variance[i]).collect())), ..Self::default() };
        }
        order.sort_by(|&a, &b| gradient_squared[a].total_cmp(&gradient_squared[b]).then(a.cmp(&b)));
        let (flat, rest) = order.split_at(order.len() / 2);
        let steep = &rest[rest.len() / 2..];
        let mut flat = flat.to_vec();
        flat.sort_by(|&a, &b| brightness[a].total_cmp(&brightness[b]).then(a.cmp(&b)));
        let points: Vec<(f64, f64)> = flat
            .chunks(flat.len().div_ceil(BINS))
            .map(|bin| {
                let level = median(bin.iter().map(|&i| brightness[i]).collect());
                let scatter = median(bin.iter().map(|&i| variance[i]).collect());
                (f64::from(level), f64::from(scatter))
            })
            .collect();
        let (read, photon) = line(&points);
        let mut model = Self { read, photon, edge: 0.0 };
        let excess = steep.iter().filter(|&&i| gradient_squared[i] > 0.0).map(|&i| {
            let flat = model.variance(f64::from(brightness[i]), 0.0);
            ((f64::from(variance[i]) - flat) / f64::from(gradient_squared[i])) as f32
        });
        model.edge = f64::from(median(excess.collect())).max(0.0);
        model
    }
}

/// Lower median; 0 of nothing.
fn median(mut values: Vec<f32>) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = (values.len() - 1) / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

/// Least-squares line with both coefficients at least 0.
fn line(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    let (mx, my) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p.0 / n, y + p.1 / n));
    let (mut xx, mut xy) = (0.0, 0.0);
    for (x, y) in points {
        xx += (x - mx) * (x - mx);
        xy += (x - mx) * (y - my);
    }
    let slope = if xx > 0.0 { (xy / xx).max(0.0) } else { 0.0 };
    let offset = my - slope * mx;
    if offset >= 0.0 {
        return (offset, slope);
    }
    let (xx, xy) = points.iter().fold((0.0, 0.0), |(a, b), (x, y)| (a + x * x, b + x * y));
    (0.0, if xx > 0.0 { (xy / xx).max(0.0) } else { 0.0 })
}

/// Squared central-difference gradient of each plane.
fn gradient_squared(picture: &[f32], canvas: &Canvas) -> Vec<f32> {
    let area = canvas.area();
    let (mut gx, mut gy) = (vec![0.0; area], vec![0.0; area]);
    let mut out = Vec::with_capacity(picture.len());
    for plane in picture.chunks_exact(area.max(1)) {
        stillair_maths::filters::gradient(plane, canvas.width, canvas.height, &mut gx, &mut gy);
        out.extend(gx.iter().zip(&gy).map(|(x, y)| x * x + y * y));
    }
    out
}

struct ClippedNode {
    kernel: Kernel,
    sigma: f64,
    optics: Optics,
}

impl Reduce for ClippedNode {
    fn start(&self, _context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        refuse_mosaic(info)?;
        Ok(Box::new(ClippedRun {
            kernel: self.kernel,
            sigma: self.sigma,
            optics: self.optics.clone(),
            info: info.clone(),
            sums: None,
            canvas: Mutex::new(None),
            pool: Pool::default(),
            flux: (0.0, 0.0),
            limits: None,
        }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        memory(stream, true)
    }
}

/// What the second sweep holds samples to.
struct Limits {
    mean: Vec<f32>,
    /// Largest distance from the mean for a frame of mean brightness.
    distance: Vec<f32>,
    /// Mean flux of the frames, NaN if unknown.
    flux: f64,
}

impl Limits {
    /// Pulls samples in; gives how many were outside.
    fn hold(&self, data: &mut [f32], flux: f64) -> u64 {
        let ratio = flux / self.flux;
        let ratio = if ratio.is_finite() && ratio > 0.0 { ratio as f32 } else { 1.0 };
        let mut outside = 0;
        for ((value, mean), distance) in data.iter_mut().zip(&self.mean).zip(&self.distance) {
            let expected = ratio * mean;
            let (low, high) = (expected - distance, expected + distance);
            if *value < low {
                *value = low;
                outside += 1;
            } else if *value > high {
                *value = high;
                outside += 1;
            }
        }
        outside
    }
}

/// A contribution with what the sweep needs of its row.
struct Clip {
    contribution: Contribution,
    flux: f64,
    outside: u64,
}

struct ClippedRun {
    kernel: Kernel,
    sigma: f64,
    optics: Optics,
    info: ClipInfo,
    sums: Option<Accumulator>,
    canvas: Mutex<Option<Canvas>>,
    pool: Pool,
    /// Weighted sum of flux, sum of weights.
    flux: (f64, f64),
    limits: Option<(Limits, u64)>,
}

impl ReduceRun for ClippedRun {
    fn worker(&self) -> Scratch {
        Box::new(Workspace::new(self.kernel))
    }

    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let canvas = same_canvas(&self.canvas, input)?;
        let work = scratch_of::<Workspace>(scratch)?;
        let flux = input.row()?.number(columns::FLUX);
        let mut outside = 0;
        let contribution = contribution(input, &canvas, false, work, self.pool.take(), |data| {
            if let Some((limits, _)) = &self.limits {
                outside = limits.hold(data, flux);
            }
        })?;
        Ok(Box::new(Clip { contribution, flux, outside }))
    }

    fn add(&mut self, context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        let mut contributions = Vec::with_capacity(items.len());
        for (_, item) in items {
            let clip =
                item.downcast::<Clip>().map_err(|_| stillair_api::Fault::internal("the item is of another type"))?;
            if clip.contribution.weight == 0.0 {
                contributions.push(clip.contribution);
                continue;
            }
            let weight = f64::from(clip.contribution.weight);
            self.flux.0 += weight * clip.flux;
            self.flux.1 += weight;
            if let Some((_, outside)) = &mut self.limits {
                *outside += clip.outside;
            }
            contributions.push(clip.contribution);
        }
        if let (None, Some(canvas)) = (&self.sums, self.canvas.lock().ok().and_then(|c| *c)) {
            self.sums = Some(Accumulator::new(canvas, self.limits.is_none()));
        }
        if let Some(sums) = &mut self.sums {
            sums.add(context, &contributions);
        }
        self.pool.give(contributions);
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let sums = self.sums.take().filter(|s| s.frames() > 0).ok_or_else(no_frames)?;
        let frames = sums.frames();
        let placeless = sums.placeless();
        let result = sums.finish(false);
        if self.limits.is_none() && frames >= FEWEST_FRAMES {
            let canvas = Canvas::new(result.image.width, result.image.height, result.image.channels);
            let gradient = gradient_squared(&result.image.data, &canvas);
            let model = NoiseModel::fit(&result.image.data, &gradient, &result.variance);
            let pixels = result.image.data.iter().zip(&gradient);
            let distance = pixels
                .map(|(level, g)| (self.sigma * model.variance(f64::from(*level), f64::from(*g)).sqrt()) as f32)
                .collect();
            let name = |part: &str| format!("noise-{part}");
            context.record(Entry::number(&name("read"), model.read.sqrt(), "white level", "scatter of a dark sample"));
            context.record(Entry::number(&name("photon"), model.photon, "white level", "variance over brightness"));
            context.record(Entry::number(&name("edge"), model.edge.sqrt(), "px", "scatter over gradient"));
            let flux = self.flux.0 / self.flux.1;
            self.limits = Some((Limits { mean: result.image.data, distance, flux }, 0));
            return Ok(Finish::Again);
        }
        warn_of_lost(context, placeless);
        let words = match &self.limits {
            Some((_, outside)) => {
                let share = *outside as f64 / (frames as f64 * result.image.data.len() as f64);
                context.record(Entry::number("clipped-share", share, "", "share of samples pulled in"));
                format!("stack.clipped at {} sigma of {frames} frames; {}", self.sigma, kernel_words(self.kernel))
            }
            None => {
                context.warn(&format!("{frames} frames are too few to tell outliers by; nothing was clipped"));
                format!("stack.clipped of {frames} frames, too few to clip; {}", kernel_words(self.kernel))
            }
        };
        let image = describe_picture(result, &self.optics, &self.info, words);
        Ok(Finish::Done(vec![Value::Image(Arc::new(image))]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_noise_model_finds_gain_read_noise_and_edge_jitter_of_made_up_variances() {
        // Photon transfer: variance = read^2 + level / gain (Janesick 2007, Photon Transfer, eq. 5.1).
        let n = 4000;
        let level: Vec<f32> = (0..n).map(|i| (i % 97) as f32 / 97.0).collect();
        let slope: Vec<f32> = (0..n).map(|i| if i % 3 == 0 { 0.01 * (i % 11) as f32 } else { 0.0 }).collect();
        let mut variance: Vec<f32> = level.iter().zip(&slope).map(|(l, g)| 1e-5 + 2e-3 * l + 0.04 * g).collect();
        for v in variance.iter_mut().step_by(50) {
            *v += 1.0;
        }
        let model = NoiseModel::fit(&level, &slope, &variance);
        assert!((model.photon - 2e-3).abs() < 1e-4, "{model:?}");
        assert!((model.read - 1e-5).abs() < 3e-5, "{model:?}");
        assert!((model.edge - 0.04).abs() < 2e-3, "{model:?}");
    }
}
