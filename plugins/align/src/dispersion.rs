//! How far the air spreads the colours: the shift of red and blue against green, the same in every frame.
//!
//! The frames' colour planes are added at their places; the three mean pictures are then registered on green, frequencies
//! and places weighing as much as the colours agree there, limb, terminator and poles shaded as each colour has them
//! ([`stillair_maths::registration::unlike_shift`]).
//!
//! The air spreads the colours along one line: red `R` lies opposite blue `B`, `R = -q B`, with `q = (n(G) - n(R)) /
//! (n(B) - n(G))` from the refractivities of air. The two shifts are joined to this by least squares, each by its
//! certainty, `q` being sure to a fifth (filters differ) and the rest to two hundredths of a pixel.
//!
//! Sources: differential refraction, Filippenko 1982, PASP 94, 715; generalised least squares, Aitken 1935, Proc. R. Soc.
//! Edinburgh 55, 42.

use std::sync::{Arc, Mutex};

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, FrameInput, Item, Layout, Memory, Method,
    Motion, Node, Outcome, Parameter, Parameters, PortType, Reduce, ReduceRun, Scratch, Shape, StreamShape, Value,
};
use stillair_maths::fft::Complex32;
use stillair_maths::fit::solve;
use stillair_maths::registration::{Shaded, UnlikeShift, unlike_shift};

use crate::plane::{TransformScratch, Transformer, border_level};
use crate::rounds::{Band, RoundScratch};
use crate::sampling::{self, DEFAULT_SAMPLING, pixels_per_resolution};

/// A spread beyond this many px is not believed.
const LARGEST_PX: f64 = 12.0;

/// Lowest frequency as a share of the cut-off.
const LOW: f64 = 0.05;

/// Shift of red over that of blue, of the other sign. Filippenko's refractivities give 0.57 (600, 535 and 460 nm) to 0.97
/// (620, 530 and 470 nm) for what colour cameras' filters are about.
const RED_OVER_BLUE: f64 = 0.8;

/// How unsure that ratio is, as a share of it, and what the air does not explain, px.
const UNSURE: (f64, f64) = (0.2, 0.02);

/// Variance of a measured shift over what its certainty says: markings of another colour are no noise.
const MARKINGS: f64 = 2.0;

/// The method `align.dispersion`.
pub struct Dispersion;

impl Method for Dispersion {
    fn describe(&self) -> Description {
        let mut description = Description::new(
            "align.dispersion",
            Shape::Reduce,
            "Measures how far red and blue lie from green, to be undone within the one resampling",
        )
        .help(
            "The air refracts blue more than red, so that the colours of one frame lie apart along the vertical, the more \
             the lower the target stands. Adds the colour planes of all frames by their places and registers the mean red \
             and blue on the mean green. Link its motion beside that of align.correlate to the stack: each colour is \
             then moved in the same resampling. Frames without colours give no shift. Each colour may shade the disc \
             in its own way (limb, terminator, poles). Markings that differ between the colours still pull by some \
             hundredths of a pixel. Red and blue are expected on one line through green, as the air spreads them.",
        )
        .source(
            "differential refraction: Filippenko 1982, PASP 94, 715; generalised least squares: Aitken 1935, Proc. R. Soc. \
             Edinburgh 55, 42",
        )
        .contract("align")
        .input("frames", PortType::Frames, "the frames with their colours filled in")
        .input("table", PortType::Table, "the weights (column weight)")
        .input("motion", PortType::Motion, "where the frames belong")
        .output("motion", PortType::Motion, "a shift for each colour")
        .parameter(Parameter::number(
            "high",
            "cutoff",
            0.1,
            1.0,
            0.9,
            "highest frequency used, as a share of the telescope's cut-off",
        ));
        if let Some(port) = description.inputs.last_mut() {
            port.many = true;
        }
        for fact in sampling::FACTS {
            description = description.fact(fact);
        }
        description
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let sampling = pixels_per_resolution(facts, true).unwrap_or(DEFAULT_SAMPLING).clamp(0.5, 20.0);
        Ok(Node::Reduce(Box::new(DispersionNode { high: parameters.number("high")?, sampling })))
    }
}

/// Moves a plane by linear interpolation: `out` position (x, y) shows `source` position (x + x0, y + y0); the edge is
/// replicated. The blur is the same in every colour and does not move the match.
pub fn moved(source: &[f32], width: usize, height: usize, x0: f64, y0: f64, out: &mut [f32]) {
    let (fx, fy) = (x0.floor(), y0.floor());
    let (u, v) = ((x0 - fx) as f32, (y0 - fy) as f32);
    let bound = |shift: f64, n: usize| shift.clamp(-(n as f64) - 1.0, n as f64 + 1.0) as isize;
    let (dx, dy) = (bound(fx, width), bound(fy, height));
    let (w, h) = (width as isize, height as isize);
    // Where both columns of the kernel lie inside.
    let from = (-dx).clamp(0, w) as usize;
    let to = (w - 1 - dx).clamp(from as isize, w) as usize;
    for (y, row) in out.chunks_exact_mut(width).enumerate() {
        let line = |y: isize| &source[y.clamp(0, h - 1) as usize * width..][..width];
        let (above, below) = (line(y as isize + dy), line(y as isize + dy + 1));
        let at = |x: isize| {
            let x = x.clamp(0, w - 1) as usize;
            above[x] + v * (below[x] - above[x])
        };
        let edge = |x: usize| {
            let x = x as isize + dx;
            at(x) + u * (at(x + 1) - at(x))
        };
        for (x, value) in row.iter_mut().enumerate().take(from) {
            *value = edge(x);
        }
        if to > from {
            let start = (from as isize + dx) as usize;
            let n = to - from;
            let (a0, a1) = (&above[start..start + n], &above[start + 1..start + 1 + n]);
            let (b0, b1) = (&below[start..start + n], &below[start + 1..start + 1 + n]);
            for (x, value) in row[from..to].iter_mut().enumerate() {
                let (left, right) = (a0[x] + v * (b0[x] - a0[x]), a1[x] + v * (b1[x] - a1[x]));
                *value = left + u * (right - left);
            }
        }
        for (x, value) in row.iter_mut().enumerate().skip(to) {
            *value = edge(x);
        }
    }
}

/// Shifts (x, y) of the three planes of a mean picture against green, `None` where a plane does not match; `cutoff` is
/// the optical one in cycles per px, `high` the highest frequency used.
pub fn colour_shifts(
    planes: &[Vec<f32>; 3],
    width: usize,
    height: usize,
    cutoff: f64,
    high: f64,
) -> [Option<[f64; 2]>; 3] {
    let transformer = Transformer::with_room(width, height, 1.25);
    let band = Band::new(&transformer.plan, (LOW * cutoff).min(0.5 * high), high);
    let mut scratch = TransformScratch::default();
    let mut ring = Vec::new();
    let mut pack = |plane: &[f32], level: f32| {
        transformer.transform(plane, level, &mut scratch);
        band.set.gather(&scratch.spectrum)
    };
    let [red, green, blue] = planes;
    let mut level = |plane: &[f32]| border_level(plane, width, height, &mut ring);
    let (red, blue) = (pack(red, level(red)), pack(blue, level(blue)));
    let sky = level(green);
    let green: Vec<f32> = green.iter().map(|value| value - sky).collect();
    let green = Shaded::new(&green, width, |plane| pack(plane, 0.0));
    let mut round = RoundScratch::default();
    let mut on_green = |moving: &[Complex32]| {
        unlike_shift(&transformer.plan, &band.set, moving, &green, cutoff, LARGEST_PX, |packed, shift, out| {
            band.undo_shift(packed, shift, out, &mut round);
        })
    };
    match (on_green(&red), on_green(&blue)) {
        (Some(red), Some(blue)) => {
            let [red, blue] = on_one_line(&red, &blue);
            [Some(red), Some([0.0; 2]), Some(blue)]
        }
        (red, blue) => [red.map(|r| r.shift_px), Some([0.0; 2]), blue.map(|b| b.shift_px)],
    }
}

/// Red and blue brought together with what the air does: least of `(R - r)' I_R (R - r) + (B - b)' I_B (B - b) + (R + q
/// B)' K (R + q B)`, `K` being the inverse of the variance `(0.2 q)^2 B B' + 0.02^2`. One of no known certainty
/// follows the other; two stay as they are.
fn on_one_line(red: &UnlikeShift, blue: &UnlikeShift) -> [[f64; 2]; 2] {
    let q = RED_OVER_BLUE;
    let (r, b) = (red.shift_px, blue.shift_px);
    let certain = |fit: &UnlikeShift| fit.information.map(|row| row.map(|v| v / MARKINGS));
    let (of_red, of_blue) = (certain(red), certain(blue));
    let mut joined = [r, b];
    // The variance follows the shift, which it hardly changes.
    for _ in 0..3 {
        let along = joined[1].map(|v| UNSURE.0 * q * v);
        let variance = |i: usize, k: usize| along[i] * along[k] + if i == k { UNSURE.1 * UNSURE.1 } else { 0.0 };
        let determinant = variance(0, 0) * variance(1, 1) - variance(0, 1) * variance(0, 1);
        let tie = [[variance(1, 1), -variance(0, 1)], [-variance(0, 1), variance(0, 0)]]
            .map(|row| row.map(|v| v / determinant));
        let mut matrix = [[0.0; 4]; 4];
        let mut right = [0.0; 4];
        for i in 0..2 {
            for k in 0..2 {
                matrix[i][k] = of_red[i][k] + tie[i][k];
                matrix[i][k + 2] = q * tie[i][k];
                matrix[i + 2][k] = q * tie[i][k];
                matrix[i + 2][k + 2] = of_blue[i][k] + q * q * tie[i][k];
                right[i] += of_red[i][k] * r[k];
                right[i + 2] += of_blue[i][k] * b[k];
            }
        }
        let Some(found) = solve(&matrix, &right) else { return [r, b] };
        joined = [[found[0], found[1]], [found[2], found[3]]];
    }
    joined
}

struct DispersionNode {
    high: f64,
    sampling: f64,
}

impl Reduce for DispersionNode {
    fn start(&self, context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        if matches!(info.layout, Layout::Mosaic(_)) {
            return Err(Fault::request("the frames still carry their colour mosaic")
                .remedy("link the frames of a demosaic step to `frames`, such as demosaic.bilinear"));
        }
        if info.layout == Layout::Mono {
            context.record(Entry::text("dispersion", "none: frames without colours"));
        }
        let samples = info.width * info.height;
        Ok(Box::new(DispersionRun {
            cutoff: 1.0 / self.sampling,
            high: (self.high / self.sampling).min(0.45),
            colours: info.layout == Layout::Rgb,
            width: info.width,
            height: info.height,
            sums: std::array::from_fn(|_| if info.layout == Layout::Rgb { vec![0.0; samples] } else { Vec::new() }),
            weight: 0.0,
            pool: Mutex::new(Vec::new()),
        }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let pixels = (stream.width * stream.height) as u64;
        Memory { worker: 0, item: stream.frame_bytes() + 64, state: pixels * 4 * 3 + pixels * 128 }
    }
}

/// A frame on its way to the sums.
#[derive(Default)]
struct Planes {
    data: Vec<f32>,
    weight: f32,
}

struct DispersionRun {
    cutoff: f64,
    high: f64,
    colours: bool,
    width: usize,
    height: usize,
    sums: [Vec<f32>; 3],
    weight: f64,
    pool: Mutex<Vec<Planes>>,
}

impl ReduceRun for DispersionRun {
    fn prepare(&self, _scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let mut item = self.pool.lock().ok().and_then(|mut free| free.pop()).unwrap_or_default();
        item.weight = 0.0;
        if !self.colours {
            return Ok(Box::new(item));
        }
        let frame = input.frame;
        if frame.width() != self.width || frame.height() != self.height || frame.layout != Layout::Rgb {
            return Err(Fault::data(format!(
                "frame {} is not {} x {} px in colour",
                frame.index, self.width, self.height
            ))
            .remedy("use frames of one size: crop.follow and crop.fixed give such"));
        }
        let place = input.placement()?.global;
        if place.is_known() {
            let start = |at: f64, origin: usize, n: usize| at - origin as f64 - (n as f64 - 1.0) * 0.5;
            let x0 = start(place.x_px, frame.region.x, self.width);
            let y0 = start(place.y_px, frame.region.y, self.height);
            item.weight = input.row()?.weight() as f32;
            item.data.resize(frame.data.len(), 0.0);
            let area = self.width * self.height;
            for (plane, out) in frame.data.chunks_exact(area).zip(item.data.chunks_exact_mut(area)) {
                moved(plane, self.width, self.height, x0, y0, out);
            }
        }
        Ok(Box::new(item))
    }

    fn add(&mut self, _context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        for (_, item) in items {
            let item = item.downcast::<Planes>().map_err(|_| Fault::internal("the item is of another type"))?;
            if item.weight > 0.0 {
                self.weight += f64::from(item.weight);
                let area = self.width * self.height;
                for (sum, plane) in self.sums.iter_mut().zip(item.data.chunks_exact(area)) {
                    for (total, value) in sum.iter_mut().zip(plane) {
                        *total += item.weight * value;
                    }
                }
            }
            if let Ok(mut free) = self.pool.lock() {
                free.push(*item);
            }
        }
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let mut channel_px = [[0.0; 2]; 3];
        if self.colours {
            if self.weight <= 0.0 {
                return Err(Fault::data("no frame is left to measure the colours on")
                    .remedy("look into the table of frames for the reasons of rejection"));
            }
            let shifts = colour_shifts(&self.sums, self.width, self.height, self.cutoff, self.high);
            for (colour, name) in [(0, "red"), (2, "blue")] {
                let [x, y] = shifts[colour].unwrap_or_default();
                channel_px[colour] = [x, y];
                context.record(Entry::number(&format!("{name}-x"), x, "px", "shift against green, to the right"));
                context.record(Entry::number(&format!("{name}-y"), y, "px", "shift against green, down"));
                if shifts[colour].is_none() {
                    context.warn(&format!("{name} could not be registered on green and stays where it is"));
                }
            }
        }
        let motion = Motion { channel_px: Some(channel_px), ..Motion::default() };
        Ok(Finish::Done(vec![Value::Motion(Arc::new(motion))]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(shift_px: [f64; 2], xx: f64, yy: f64) -> UnlikeShift {
        UnlikeShift { shift_px, information: [[xx, 0.0], [0.0, yy]] }
    }

    // Worked by hand: what lies on the line stays; a sure blue takes along a red of no certainty; of two equally sure
    // ones, an error across the line is shared as least squares has it, R' = R - e / (1 + q^2), B' = B - q e / (1 + q^2)
    // up to the 0.02 px left free.
    #[test]
    fn red_and_blue_come_to_lie_on_one_line() {
        let on_line = on_one_line(&fit([-0.8, 0.4], 1e4, 1e4), &fit([1.0, -0.5], 1e4, 1e4));
        assert!((on_line[0][0] + 0.8).abs() < 1e-9 && (on_line[1][1] + 0.5).abs() < 1e-9, "{on_line:?}");
        let [red, blue] = on_one_line(&fit([5.0, 5.0], 0.0, 0.0), &fit([1.0, 0.0], 1e6, 1e6));
        assert!((red[0] + 0.8).abs() < 1e-3 && red[1].abs() < 1e-3 && (blue[0] - 1.0).abs() < 1e-6, "{red:?} {blue:?}");
        let [red, blue] = on_one_line(&fit([-0.8, 0.1], 50.0, 50.0), &fit([1.0, 0.0], 50.0, 50.0));
        let q = RED_OVER_BLUE;
        assert!((red[1] - (0.1 - 0.1 / (1.0 + q * q))).abs() < 2e-3, "{red:?}");
        assert!((blue[1] + 0.1 * q / (1.0 + q * q)).abs() < 2e-3, "{blue:?}");
        let unsure = on_one_line(&fit([1.0, 2.0], 0.0, 0.0), &fit([3.0, 4.0], 0.0, 0.0));
        assert_eq!(unsure, [[1.0, 2.0], [3.0, 4.0]]);
    }
}
