//! What a long clip itself tells of its globe's rotation: which way it turns, and how far registration went along.
//!
//! The frames of the first and of the last third are added apart. Between the two the surface moved by a known angle: their
//! difference is fitted as `d = k (f_late - f_early) + a f_x + b f_y + c f + e`, f being the mean of both turned to either
//! instant as if the globe turned to the right of its pole. The limb does not turn, so that a and b are what the whole disc
//! moved against the registered frames: features that move carry a registration along for a part of their way. k is near 1
//! or near -1; its size tells whether the picture shows the rotation at all. Frames by turns make two such fits, each with
//! the other's f, so that noise does not lower k; both must agree. Where a stated orientation or k gives the sense, a and b
//! are fitted once more with k held. Rotation: Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130, 22; least squares:
//! textbook.

use std::sync::Arc;

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, Frame, FrameInput, Globe, Image, Item, Layout,
    LocalLayer, Memory, Method, Motion, Node, Outcome, Parameters, PortType, Reduce, ReduceRun, Scratch, Shape,
    StreamShape, Value, columns,
};
use stillair_maths::filters::gradient;
use stillair_maths::fit::least_squares;
use stillair_maths::resample::{Kernel, Prepared, Similarity};

use crate::carry::{Map, View, figure};
use crate::compare::blurred;
use crate::geometry::place;
use crate::situation::{FACTS, Given, Situation};
use crate::spheroid::hindrance;

/// Clips in which nothing moves by more than this from the mean instant need no sense, px (the default of
/// derotate.spheroid).
const LEAST_PX: f64 = 0.25;

/// Share of the known rotation that both fits must find, with one sign.
const LEAST_SHARE: f64 = 0.35;

/// What lies within this share of the outline is compared: the limb and a little sky hold the disc's place.
const WITHIN: f64 = 1.25;

/// A disc that moved by more than this between the first and the last third was not followed but lost, px.
const MOST_PX: f64 = 4.0;

/// Detail that is compared lies between these widths of Gaussians, px.
const DETAIL_PX: (f64, f64) = (1.2, 8.0);

/// The method `derotate.sense`.
pub struct Sense;

impl Method for Sense {
    fn describe(&self) -> Description {
        let description =
            Description::new("derotate.sense", Shape::Reduce, "Measures on a long clip which way its globe turns")
                .help(
                    "Hands the linked picture on. Where the clip is long enough for the rotation to show, the globe is \
                     placed on the picture as by derotate.geometry, and the first and the last third of the frames tell \
                     which way it turns, where the session gives no orientation, for derotate.spheroid. They tell too how \
                     far the frames' places followed the turning features instead of the disc: the motion takes that \
                     back, to be linked to the stack beside the others. Where both halves of the frames do not agree on \
                     the rotation, the picture goes on as it came, the motion is empty and the record says so.",
                )
                .source("rotation: Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130, 22; least squares: textbook")
                .contract("derotate.sense")
                .input("frames", PortType::Frames, "the frames")
                .input("table", PortType::Table, "times and weights of the frames")
                .input("motion", PortType::Motion, "where the frames belong")
                .input("image", PortType::Image, "a first stack")
                .output("image", PortType::Image, "the same picture, with the globe where its sense is known")
                .output("motion", PortType::Motion, "the disc's own motion against the frames' places")
                .through("image");
        FACTS.iter().fold(description, |d, fact| d.fact(fact))
    }

    fn create(&self, _parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(SenseNode { given: Given::from_facts(facts) })))
    }
}

struct SenseNode {
    given: Given,
}

/// Times between which frames count as early or late: the end of the first third and the beginning of the last, s.
fn thirds(info: &ClipInfo) -> Option<[f64; 2]> {
    let times = || info.time_s.iter().copied().filter(|t| t.is_finite());
    let (first, last) = (times().fold(f64::INFINITY, f64::min), times().fold(f64::NEG_INFINITY, f64::max));
    (last > first).then(|| [first + (last - first) / 3.0, last - (last - first) / 3.0])
}

impl SenseNode {
    /// The globe whose sense is worth measuring.
    fn wanted(&self, image: &Image, info: &ClipInfo) -> Option<(Globe, [f64; 2])> {
        let parts = thirds(info)?;
        let known = Situation::of(&self.given, image.info.middle_unix_ns).ok()?;
        let reach_s = 1.5 * (parts[1] - parts[0]);
        let moves = |radius_px: f64| radius_px * known.turn_rad_per_s.abs() * reach_s;
        // No disc is wider than the picture.
        if moves(0.5 * image.width.max(image.height) as f64) < LEAST_PX {
            return None;
        }
        // Where it cannot be placed, the steps that need it say why.
        let globe = place(image, &self.given).ok()?;
        (moves(globe.equatorial_radius_px) >= LEAST_PX && hindrance(&globe).is_none()).then_some((globe, parts))
    }
}

impl Reduce for SenseNode {
    fn start(&self, _context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        let image = bound.image("image")?.clone();
        let wanted = self.wanted(&image, info);
        let area = if wanted.is_some() { info.width * info.height } else { 0 };
        Ok(Box::new(SenseRun {
            image,
            wanted,
            size: (info.width, info.height),
            parts: std::array::from_fn(|_| Part { sum: vec![0.0; area], weight: 0.0, time: 0.0 }),
            counts: [0; 2],
            info: info.clone(),
            stated: self.given.up_position_angle_deg.is_some(),
        }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let area = (stream.width * stream.height) as u64;
        Memory { worker: 0, item: 4 * area + 64, state: 4 * 4 * area + 64 * area }
    }
}

/// A sum of frames.
struct Part {
    sum: Vec<f32>,
    weight: f64,
    time: f64,
}

/// A frame on its way to the sums.
struct Placed {
    late: usize,
    weight: f64,
    time_s: f64,
    plane: Vec<f32>,
}

struct SenseRun {
    image: Arc<Image>,
    wanted: Option<(Globe, [f64; 2])>,
    size: (usize, usize),
    /// Early and late, each of frames by turns.
    parts: [Part; 4],
    /// Frames added to early and late.
    counts: [usize; 2],
    info: ClipInfo,
    /// Whether the session gives the orientation.
    stated: bool,
}

/// The mean of a frame's planes at its place, the reference point in the middle. A mosaic is read as it is: its pattern is
/// no detail of the planet, and early and late have it alike.
fn placed(frame: &Frame, map: &Similarity, width: usize, height: usize) -> Vec<f32> {
    let planes = if frame.layout == Layout::Rgb { 3 } else { 1 };
    let mut out = vec![0.0; width * height];
    let (w, h) = (frame.width(), frame.height());
    for plane in 0..planes {
        let source = crate::outline::Plane { data: frame.plane(plane), width: w, height: h };
        for (at, value) in out.iter_mut().enumerate() {
            let (x, y) = map.apply((at % width) as f64, (at / width) as f64);
            *value += (source.at(x, y) / planes as f64) as f32;
        }
    }
    out
}

impl ReduceRun for SenseRun {
    fn prepare(&self, _scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let Some((_, [early, late])) = &self.wanted else { return Ok(Box::new(())) };
        let row = input.row()?;
        let (time_s, weight) = (row.number(columns::TIME_S), row.weight());
        let global = input.placement()?.global;
        let middle = *early < time_s && time_s < *late;
        if middle || !time_s.is_finite() || !global.is_known() || weight.is_nan() || weight <= 0.0 {
            return Ok(Box::new(()));
        }
        let (width, height) = self.size;
        let map = Similarity {
            centre: (0.5 * (width as f64 - 1.0), 0.5 * (height as f64 - 1.0)),
            target: (global.x_px - input.frame.region.x as f64, global.y_px - input.frame.region.y as f64),
            angle_rad: global.rotation_rad,
            scale: global.scale,
        };
        let plane = placed(input.frame, &map, width, height);
        Ok(Box::new(Placed { late: usize::from(time_s >= *late), weight, time_s, plane }))
    }

    fn add(&mut self, _context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        for (_, item) in items {
            let Ok(item) = item.downcast::<Placed>() else { continue };
            let part = &mut self.parts[2 * item.late + self.counts[item.late] % 2];
            self.counts[item.late] += 1;
            if part.sum.len() != item.plane.len() {
                return Err(Fault::data("the frames differ in size").remedy("crop.follow gives frames of one size"));
            }
            part.weight += item.weight;
            part.time += item.weight * item.time_s;
            part.sum.iter_mut().zip(&item.plane).for_each(|(sum, value)| *sum += item.weight as f32 * value);
        }
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let done =
            |image: Arc<Image>, motion| Ok(Finish::Done(vec![Value::Image(image), Value::Motion(Arc::new(motion))]));
        let Some((globe, _)) = &self.wanted else { return done(self.image.clone(), Motion::default()) };
        let mut globe = globe.clone();
        let fits = [0, 1].map(|half| self.fit(&globe, half, None));
        let [Some([a, ..]), Some([b, ..])] = fits else { return done(self.image.clone(), Motion::default()) };
        context.record(Entry::number(
            "rotation-share",
            0.5 * (a + b),
            "",
            "share of the known rotation between the clip's first and last third, negative to the left of the pole",
        ));
        let shows = a * b > 0.0 && a.abs().min(b.abs()) > LEAST_SHARE;
        if !self.stated {
            if !shows {
                context.record(Entry::text("sense", "the clip does not show which way the globe turns"));
                return done(self.image.clone(), Motion::default());
            }
            globe.turn_rad_per_s = globe.turn_rad_per_s.abs() * a.signum();
            globe.sense_measured = true;
        } else if shows && a * globe.turn_rad_per_s < 0.0 {
            context.warn(
                "the clip shows the globe turning the other way than the session's orientation has it: check \
                 orientation.up_position_angle_deg and orientation.mirrored",
            );
        }
        let held = globe.turn_rad_per_s.signum();
        let moved = [0, 1].map(|half| self.fit(&globe, half, Some(held)));
        let mut motion = Motion::default();
        if let [Some([_, ax, ay]), Some([_, bx, by])] = moved
            && let Some(span_s) = self.span_s()
        {
            let shift = [-0.5 * (ax + bx), -0.5 * (ay + by)];
            context.record(Entry::number(
                "followed-x",
                -shift[0],
                "px",
                "what registration went along with, to the right",
            ));
            context.record(Entry::number("followed-y", -shift[1], "px", "what registration went along with, down"));
            if libm::hypot(shift[0], shift[1]) < MOST_PX {
                motion.local = Some(Arc::new(self.drift(shift.map(|s| s / span_s))));
            }
        }
        let mut out = (*self.image).clone();
        out.info.globe = Some(globe);
        done(Arc::new(out), motion)
    }
}

impl SenseRun {
    /// Time from the early to the late frames, s.
    fn span_s(&self) -> Option<f64> {
        let mean = |late: usize| {
            let (a, b) = (&self.parts[2 * late], &self.parts[2 * late + 1]);
            (a.time + b.time) / (a.weight + b.weight)
        };
        Some(mean(1) - mean(0)).filter(|span| *span > 0.0)
    }

    /// A shift of every frame in proportion to the time since the clip's mean.
    fn drift(&self, px_per_s: [f64; 2]) -> LocalLayer {
        let (sum, weight) = self.parts.iter().fold((0.0, 0.0), |(s, w), part| (s + part.time, w + part.weight));
        let mean_s = sum / weight;
        let shift = |t: &f64| if t.is_finite() { px_per_s.map(|v| (v * (t - mean_s)) as f32) } else { [0.0; 2] };
        LocalLayer {
            first_px: [0.0; 2],
            step_px: [1.0; 2],
            nodes: [1, 1],
            shift_px: self.info.time_s.iter().map(shift).collect(),
            covariance_px2: Vec::new(),
            grade: Vec::new(),
            weight: Vec::new(),
        }
    }

    /// k, a and b of the fit to the difference of one half of the frames by the detail of the other; k may be held.
    fn fit(&self, globe: &Globe, half: usize, held: Option<f64>) -> Option<[f64; 3]> {
        let (width, height) = self.size;
        let mean = |late: usize, half: usize| -> Option<(Image, f64)> {
            let part = &self.parts[2 * late + half];
            if part.weight <= 0.0 {
                return None;
            }
            let mut image = Image::new(width, height, 1);
            let data: Vec<f32> = part.sum.iter().map(|v| (f64::from(*v) / part.weight) as f32).collect();
            image.data = blurred(&data, width, height, DETAIL_PX.0);
            Some((image, part.time / part.weight))
        };
        let (early, early_s) = mean(0, half)?;
        let (late, late_s) = mean(1, half)?;
        let (other_early, _) = mean(0, 1 - half)?;
        let (other_late, _) = mean(1, 1 - half)?;
        // The globe on these frames: the picture's reference point lies in their middle.
        let mut here = globe.clone();
        here.x_px += 0.5 * (width as f64 - 1.0) - self.image.info.reference_px[0];
        here.y_px += 0.5 * (height as f64 - 1.0) - self.image.info.reference_px[1];
        let to = figure(&here, [here.x_px, here.y_px]);
        let mut middle = Image::new(width, height, 1);
        for ((value, a), b) in middle.data.iter_mut().zip(&other_early.data).zip(&other_late.data) {
            *value = 0.5 * (a + b);
        }
        let mut prepared = Prepared::new(Kernel::CubicBSpline);
        let mut turned = |seconds: f64| -> Vec<f32> {
            let view = View::new(&middle, &here, 1.0, 1.0, seconds);
            let map = Map::new(&view, &to, width, height, &middle);
            map.carried(&mut prepared, &middle.data, &middle, &view.profiles[0], view.skies[0])
        };
        // What stood at the middle's instant is read where it is seen `seconds` before: the picture as it was then.
        let half_span = 0.5 * (late_s - early_s);
        let (then, later) = (turned(half_span), turned(-half_span));
        let detail = |data: Vec<f32>| -> Vec<f32> {
            let coarse = blurred(&data, width, height, DETAIL_PX.1);
            data.iter().zip(&coarse).map(|(a, b)| a - b).collect()
        };
        let moved = detail(later.iter().zip(&then).map(|(a, b)| a - b).collect());
        let difference = detail(late.data.iter().zip(&early.data).map(|(a, b)| a - b).collect());
        let (mut gx, mut gy) = (vec![0.0; width * height], vec![0.0; width * height]);
        gradient(&middle.data, width, height, &mut gx, &mut gy);
        let (gx, gy, level) = (detail(gx), detail(gy), detail(middle.data.clone()));
        let inside = |at: usize| {
            let (u, v) = to.to_pole_frame((at % width) as f64, (at / width) as f64);
            to.limb_distance(u, v) < WITHIN
        };
        let rows = (0..width * height).filter(|&at| inside(at)).map(|at| {
            let value = |of: &[f32]| f64::from(of[at]);
            let known = held.map_or(0.0, |k| k * value(&moved));
            let turned = if held.is_some() { 0.0 } else { value(&moved) };
            ([turned, value(&gx), value(&gy), value(&level), 1.0], value(&difference) - known, 1.0)
        });
        let Some(k) = held else {
            return least_squares(rows).map(|[k, a, b, ..]| [k, a, b]);
        };
        least_squares(rows.map(|([_, rest @ ..], value, weight)| (rest, value, weight))).map(|[a, b, ..]| [k, a, b])
    }
}
