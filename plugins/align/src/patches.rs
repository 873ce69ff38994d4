//! Local shifts and local grades: how each part of a frame lies against a reference stack, and how sharp it is there.
//!
//! The picture is covered by patches of some 24 lambda/D that overlap by half. Under a Hann window each patch of a frame
//! is registered on the same patch of the reference as in [`crate::correlate`]: the shift maximises the half-whitened
//! correlation, by Newton's method; its covariance is that of a linear estimate in white noise, so that a patch on a
//! straight edge is known only across it. Shifts that stand off their neighbours are dropped. What remains is taken for
//! noise plus a smooth field whose covariance falls as `exp(-(r / L)^(5/3))`, the structure of Kolmogorov turbulence
//! (Tatarski 1961); its strength and its length L are measured from the shifts themselves, and the field at every
//! node is the linear estimate of least error from the patches about it (simple kriging: Cressie 1993, Statistics for
//! Spatial Data, section 3.4.5). Seeing has no preferred side: the mean over time is taken off at every node, else the
//! reference's own distortion would stay. The local grade is the projection onto the reference (`q`, as
//! grade.projection), and `q^power` the local weight, interpolated between nodes, so that no seam can show.
//!
//! Sources: patch registration on solar granulation: November 1986, Appl. Opt. 25, 392; weights that follow local
//! sharpness: Vorontsov & Carhart 2001, J. Opt. Soc. Am. A 18, 1312 (from memory); sizes, exponent and gain (6 to 8 dB
//! over whole frames): measured on simulated terrain.

pub mod bends;
mod field;
mod grid;
mod look;

use std::sync::Arc;

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, FrameInput, Image, Item, Layout, LocalLayer,
    Memory, Method, Motion, Node, Outcome, Parameter, Parameters, PortType, Reduce, ReduceRun, Scratch, Shape,
    StreamShape, Table, Value, scratch_of,
};
use stillair_maths::robust::median;

use crate::plane::registration_plane;
use crate::sampling::{self, DEFAULT_SAMPLING, pixels_per_resolution};
use field::{Fields, Shifts};
use grid::Grid;
use look::{Look, LookScratch, Seen};

/// Fewest patches with structure from which a bent field is estimated; below, only an affine one.
const FEWEST: usize = 9;

/// What patches are measured on.
fn inputs(description: Description) -> Description {
    description
        .input("frames", PortType::Frames, "the frames, mosaic, colour or mono, of the reference's size")
        .input("table", PortType::Table, "weights (column weight) and noise of each frame")
        .input("motion", PortType::Motion, "where the frames lie as a whole")
        .many()
        .input("reference", PortType::Image, "the stack to hold the patches against, best the plain mean")
        .whole()
}

/// The method `align.patches`.
pub struct Patches;

impl Method for Patches {
    fn describe(&self) -> Description {
        let mut description = Description::new(
            "align.patches",
            Shape::Reduce,
            "Places and weighs each part of a frame against a reference stack",
        )
        .help(
            "Where the field is wide or the seeing strong, every part of a frame is shifted and blurred on its own. This \
             measures patches that overlap by half, a few tens of lambda over D wide, against a reference stack, and \
             smooths their shifts by their own statistics. Link its motion beside the global one, so that both end in \
             one resampling. Best against the plain mean of all frames, run twice, the second time against the mean \
             with the first local shifts. With `power` above 0 local weights come along: give the stack a table \
             whose weights are 1 then, for they hold the frame's own sharpness too. A target with fewer than nine \
             patches of structure gets a shift, stretch and shear per frame instead of a bent field. Turned frames \
             are met at their patches' centres, good to a degree. On simulated globes of 24 to 42 lambda/D in radius, \
             whose field the seeing bends, the interior's resolution against the truth rose by 3 to 20 % and the \
             sharpened picture gained 0.8 and 1.5 dB on two at 24 lambda/D (none on a third, under clouds), for some \
             2.5 times the work of the job; one round against the running stack (recipe planet-patches) did nearly as \
             well as two, which gave 5 % more resolution at 42 lambda/D. On one globe of 8 lambda/D it gained nothing.",
        )
        .source(
            "patch registration: November 1986, Appl. Opt. 25, 392; kriging: Cressie 1993, Statistics for Spatial \
             Data; structure of the field: Tatarski 1961; measured on simulated terrain",
        )
        .contract("align");
        description =
            inputs(description).output("motion", PortType::Motion, "local shifts, grades and weights; no global layer");
        description = description
            .parameter(Parameter::number("size", "lambda/D", 6.0, 200.0, 24.0, "width of a patch"))
            .parameter(Parameter::number("whitening", "", 0.0, 1.0, 0.5, "as align.correlate"))
            .parameter(Parameter::number("low", "cutoff", 0.0, 1.0, 0.07, "lowest frequency, of the cut-off"))
            .parameter(Parameter::number("high", "cutoff", 0.05, 1.0, 0.58, "highest frequency, of the cut-off"))
            .parameter(Parameter::auto_number(
                "sampling",
                "px",
                0.5,
                20.0,
                "pixels per wavelength over aperture; auto = from the telescope and the camera, else 2.4",
            ))
            .parameter(Parameter::number(
                "power",
                "",
                0.0,
                8.0,
                2.0,
                "power of the local grade that gives the local weight; 0 = shifts only",
            ))
            .parameter(Parameter::number(
                "doubt",
                "px",
                0.01,
                5.0,
                0.3,
                "a patch whose shift is less certain than this (standard deviation, at 2.4 px per lambda/D) is not used",
            ));
        for fact in sampling::FACTS {
            description = description.fact(fact);
        }
        description
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(PatchesNode::of(parameters, facts)?)))
    }
}

struct PatchesNode {
    size: f64,
    whitening: f64,
    band: (f64, f64),
    sampling: Option<f64>,
    power: f64,
    doubt: f64,
    facts: Facts,
}

impl PatchesNode {
    /// # Errors
    /// If the band of frequencies is empty.
    fn of(parameters: &Parameters, facts: &Facts) -> Outcome<Self> {
        let band = (parameters.number("low")?, parameters.number("high")?);
        if band.0 >= band.1 {
            return Err(Fault::request(format!("`low` ({}) is not below `high` ({})", band.0, band.1))
                .remedy("give a band of frequencies, such as 0.07 to 0.58"));
        }
        Ok(Self {
            size: parameters.number("size")?,
            whitening: parameters.number("whitening")?,
            band,
            sampling: parameters.auto_number("sampling")?,
            power: parameters.number("power")?,
            doubt: parameters.number("doubt")?,
            facts: facts.clone(),
        })
    }

    fn sampling_for(&self, layout: Layout) -> f64 {
        let known = self.sampling.or_else(|| pixels_per_resolution(&self.facts, layout != Layout::Mono));
        known.map_or(DEFAULT_SAMPLING, |q| q.clamp(0.5, 20.0))
    }
}

/// Median noise of a pixel over the frames that are used; 0 where the table does not tell.
fn usual_noise(table: Option<&Arc<Table>>) -> f64 {
    let Some(table) = table else { return 0.0 };
    let of = |name: &str| {
        let values: Vec<f64> = table.values(name).map_or(Vec::new(), |v| {
            v.iter().enumerate().filter(|(i, _)| table.weight(*i) > 0.0).map(|(_, v)| *v).collect()
        });
        Some(median(&values)).filter(|v| v.is_finite())
    };
    of("target_noise").or_else(|| of(stillair_api::columns::NOISE)).unwrap_or(0.0)
}

impl Reduce for PatchesNode {
    fn start(&self, context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        let run = start(self, context, bound, info)?;
        if run.look.used() == 0 {
            context
                .warn("no patch of the reference shows structure enough to be placed: the local shifts are all zero");
        }
        Ok(Box::new(run))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let pixels = (stream.width * stream.height) as u64;
        // Patches of the default size overlap fourfold; their packed spectra are a fraction of their pixels.
        let patches = pixels / 200 + 64;
        Memory {
            worker: pixels * 4 + (1 << 20),
            item: patches * 16,
            state: pixels * 16 + patches * stream.frames as u64 * 48,
        }
    }
}

/// Prepares a run over the patches of the reference.
fn start(node: &PatchesNode, context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<PatchesRun> {
    let image = bound.image("reference")?;
    check_reference(image, info)?;
    if bound.motions("motion").iter().any(|m| m.spin.is_some()) {
        return Err(Fault::request("patches cannot be measured through a motion that undoes the globe's rotation")
            .remedy("leave the derotation out of this step's `motion`; give it to the stack"));
    }
    let q = node.sampling_for(info.layout);
    let grid = Grid::new(info.width, info.height, node.size * q)?;
    // Interpolated green of a mosaic carries less.
    let limit = if matches!(info.layout, Layout::Mosaic(_)) { 0.35 } else { 0.45 };
    let high = (node.band.1 / q).min(limit);
    let bands = [(node.band.0 / q).min(0.5 * high), high, (0.1 / q).min(0.5 * high), (0.8 / q).min(limit)];
    let channel = image.channel(if image.channels == 3 { 1 } else { 0 });
    let noise = usual_noise(bound.maybe_table("table"));
    let scale = (q / DEFAULT_SAMPLING).max(1.0);
    let look = Look::new(&grid, channel, bands, node.whitening, noise, node.doubt * scale);
    context.record(Entry::number("patch", grid.side as f64, "px", "width of a patch"));
    context.record(Entry::number("patches", grid.count() as f64, "", "patches of a frame"));
    context.record(Entry::number("patches-used", look.used() as f64, "", "patches with structure enough"));
    Ok(PatchesRun {
        scale,
        power: node.power,
        frames: info.frames,
        origin: [0, 1].map(|k| image.info.reference_px[k]),
        grid,
        look,
        seen: Vec::new(),
    })
}

/// # Errors
/// If the reference has not the frames' size or scale.
fn check_reference(image: &Image, info: &ClipInfo) -> Outcome<()> {
    if image.width != info.width || image.height != info.height || (image.info.px_per_capture_px - 1.0).abs() > 1e-9 {
        return Err(Fault::request(format!(
            "the reference is {} x {} px at {} px per px of the capture, the frames are {} x {}",
            image.width, image.height, image.info.px_per_capture_px, info.width, info.height
        ))
        .remedy("link a stack of these frames at scale 1, such as that of stack.mean"));
    }
    if image.data.iter().any(|v| !v.is_finite()) || image.info.reference_px.iter().any(|v| !v.is_finite()) {
        return Err(Fault::data("the reference holds values that are not numbers, or has no reference point"));
    }
    Ok(())
}

/// Buffers of one thread.
#[derive(Default)]
struct Work {
    plane: Vec<f32>,
    look: LookScratch,
}

struct PatchesRun {
    /// Pixels per lambda/D over the usual.
    scale: f64,
    power: f64,
    frames: usize,
    /// The reference point on the reference picture.
    origin: [f64; 2],
    grid: Grid,
    look: Look,
    seen: Vec<(usize, Vec<Seen>)>,
}

impl ReduceRun for PatchesRun {
    fn worker(&self) -> Scratch {
        Box::new(Work::default())
    }

    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let work = scratch_of::<Work>(scratch)?;
        let (frame, global) = (input.frame, input.placement()?.global);
        if [frame.width(), frame.height()] != self.grid.size {
            return Err(Fault::data(format!("frame {} has another size than the first", frame.index)));
        }
        let mut out: Vec<Seen> = Vec::new();
        if global.is_known() && input.row()?.weight() > 0.0 {
            registration_plane(frame, &mut work.plane);
            let (sin, cos) = libm::sincos(global.rotation_rad);
            let (sin, cos) = (global.scale * sin, global.scale * cos);
            // How far the content at a place of the picture is displaced in this frame.
            let displaced = |at: [f64; 2]| {
                let [u, v] = [at[0] - self.origin[0], at[1] - self.origin[1]];
                [
                    global.x_px - frame.region.x as f64 + cos * u - sin * v - at[0],
                    global.y_px - frame.region.y as f64 + sin * u + cos * v - at[1],
                ]
            };
            self.look.frame(&self.grid, &work.plane, displaced, &mut work.look, &mut out);
        }
        Ok(Box::new(out))
    }

    fn add(&mut self, _context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        for (index, item) in items {
            let seen = item.downcast::<Vec<Seen>>().map_err(|_| Fault::internal("the item is of another type"))?;
            if !seen.is_empty() {
                self.seen.push((index, *seen));
            }
        }
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        if self.seen.is_empty() {
            return Err(Fault::data("no frame is left to register")
                .remedy("look into the table of frames for the reasons of rejection"));
        }
        let mut shifts = Shifts::new(&self.grid, &self.seen, 4.0 * self.scale);
        let dropped = shifts.drop_outliers(1.5 * self.scale);
        let whole = (self.seen.len() * self.look.used().max(1)) as f64;
        context.record(Entry::number("dropped", dropped as f64 / whole, "", "share of shifts that stood off"));
        let weights = shifts.weights(self.power);
        shifts.centre();
        let fields = if self.look.used() >= FEWEST {
            let structure = shifts.structure(self.look.noise());
            context.record(Entry::number(
                "field",
                structure.strength.sqrt(),
                "px",
                "rms of the local shifts, one axis",
            ));
            context.record(Entry::number("field-length", structure.length_px, "px", "over which they fall off"));
            context.record(Entry::number(
                "shift-noise",
                structure.nugget.sqrt(),
                "px",
                "rms error of a patch, one axis",
            ));
            Fields::kriged(context, &shifts, &structure, self.look.noise())?
        } else {
            Fields::affine(&shifts)
        };
        let Fields { mut shift_px, covariance_px2 } = fields;
        let weight = field::at_nodes(&self.grid, &weights);
        field::take_mean(&mut shift_px, &weight, self.grid.node_count());
        let nodes = self.grid.node_count();
        let rms =
            (shift_px.iter().map(|s| f64::from(s[0] * s[0] + s[1] * s[1])).sum::<f64>() / shift_px.len() as f64).sqrt();
        context.record(Entry::number("local-shift", rms, "px", "rms of the local shifts over frames and field"));
        let mut layer = LocalLayer {
            first_px: [0, 1].map(|k| self.grid.node_px(0)[k] - self.origin[k]),
            step_px: [self.grid.step; 2],
            nodes: self.grid.nodes,
            shift_px: vec![[0.0; 2]; self.frames * nodes],
            covariance_px2: vec![[0.0; 3]; self.frames * nodes],
            grade: vec![1.0; self.frames * nodes],
            weight: vec![1.0; if self.power > 0.0 { self.frames * nodes } else { 0 }],
        };
        let grades = field::at_nodes(&self.grid, &shifts.grades());
        for (slot, (index, _)) in self.seen.iter().enumerate() {
            let (to, from) = (index * nodes..(index + 1) * nodes, slot * nodes..(slot + 1) * nodes);
            layer.shift_px[to.clone()].copy_from_slice(&shift_px[from.clone()]);
            layer.covariance_px2[to.clone()].copy_from_slice(&covariance_px2);
            layer.grade[to.clone()].copy_from_slice(&grades[from.clone()]);
            if self.power > 0.0 {
                layer.weight[to].copy_from_slice(&weight[from]);
            }
        }
        let motion = Motion { local: Some(Arc::new(layer)), ..Motion::default() };
        Ok(Finish::Done(vec![Value::Motion(Arc::new(motion))]))
    }
}

#[cfg(test)]
#[path = "patches/tests.rs"]
mod tests;
