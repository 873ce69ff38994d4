//! How far the air spreads the colours: the shift of red and blue against green, the same in every frame.
//!
//! The frames' colour planes are added at their places; the three mean pictures are then registered on green. Belts and
//! spots differ from colour to colour, so the weight of each frequency follows from how well the colours agree there:
//! in rings of frequency the other colour `C` is `a G e^(-2 pi i u.s)` plus what is left, and the shift maximises
//! `Re sum w C conj(G) e^(2 pi i u.s)` with `w = a / sigma^2`, `sigma^2` being the ring's mean square of what is left.
//! Single coefficients far off the model count less (Student's t). Factors, scatter and shift are set anew in turn. Where
//! noise rules, or where the colours show different things, frequencies weigh little of themselves.
//!
//! Sources: differential refraction, Filippenko 1982, PASP 94, 715; iterated weights for Student's t: Lange, Little &
//! Taylor 1989, J. Am. Stat. Assoc. 84, 881.

use std::sync::{Arc, Mutex};

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, FrameInput, Item, Layout, Memory, Method,
    Motion, Node, Outcome, Parameter, Parameters, PortType, Reduce, ReduceRun, Scratch, Shape, StreamShape, Value,
};
use stillair_maths::fft::Complex32;
use stillair_maths::registration::unlike_shift;

use crate::plane::{TransformScratch, Transformer, border_level};
use crate::rounds::{Band, RoundScratch};
use crate::sampling::{self, DEFAULT_SAMPLING, pixels_per_resolution};

/// A spread beyond this many px is not believed.
const LARGEST_PX: f64 = 12.0;

/// Lowest frequency as a share of the cut-off.
const LOW: f64 = 0.07;

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
             then moved in the same resampling. Frames without colours give no shift. Colour differences across the \
             disc (a terminator, a polar hood) can pull the result by a few hundredths of a pixel.",
        )
        .source(
            "differential refraction: Filippenko 1982, PASP 94, 715; iterated weights: Lange, Little & Taylor 1989, J. Am. \
             Stat. Assoc. 84, 881",
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

/// Shift (x, y) of a packed spectrum against a packed reference, by iterated weights; `None` where they do not match.
fn register(
    band: &Band,
    moving: &[Complex32],
    reference: &[Complex32],
    cutoff: f64,
    scratch: &mut RoundScratch,
) -> Option<[f64; 2]> {
    unlike_shift(&band.set, moving, reference, cutoff, LARGEST_PX, |packed, shift, out| {
        band.undo_shift(packed, shift, out, scratch);
    })
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
    let transformer = Transformer::with_room(width, height, 1.5);
    let band = Band::new(&transformer.plan, (LOW * cutoff).min(0.5 * high), high);
    let mut scratch = TransformScratch::default();
    let mut ring = Vec::new();
    let spectra: [Vec<Complex32>; 3] = std::array::from_fn(|colour| {
        let plane = &planes[colour];
        let level = border_level(plane, width, height, &mut ring);
        transformer.transform(plane, level, &mut scratch);
        band.set.gather(&scratch.spectrum)
    });
    let mut round = RoundScratch::default();
    std::array::from_fn(|colour| match colour {
        1 => Some([0.0; 2]),
        _ => register(&band, &spectra[colour], &spectra[1], cutoff, &mut round),
    })
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
        Memory { worker: 0, item: stream.frame_bytes() + 64, state: pixels * 4 * 3 + pixels * 64 }
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
