//! The weighted mean of all frames: `I(p) = sum_k w_k f_k(m_k(p)) / sum_k w_k`.
//!
//! Frame `f_k` is read at the place `m_k(p)` where its motions say that it shows the picture's point `p`, through one
//! interpolation. With weights that follow each frame's sharpness this is the linear combination that carries the
//! most of the object's detail through the noise, better than any hard choice of frames. Used frames alternate
//! between two half-stacks whose difference shows the noise and whose correlation shows the resolution.
//!
//! Sources: the weighted mean as the best linear combination, common practice; the B-spline: Unser, Aldroubi & Eden
//! 1993, IEEE Trans. Signal Process. 41, 821; the kernels' mean transfer over random shifts as measured in
//! `stillair_maths::resample`.

use std::sync::{Arc, Mutex};

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, Finish, FrameInput, Item, Layout, Memory, Method, Node,
    Outcome, Parameter, Parameters, PortType, Reduce, ReduceRun, Scratch, Shape, StreamShape, Value, columns,
    scratch_of,
};
use stillair_maths::resample::Kernel;

use crate::accumulate::{Accumulator, Contribution, Sums, blank_outside};
use crate::optics::{self, Optics};
use crate::resample::{Canvas, Cover, Workspace, place};

/// The method `stack.mean`.
pub struct Mean;

/// The kernel parameter, shared by the stacks.
pub fn kernel_parameter() -> Parameter {
    Parameter::choice(
        "kernel",
        &["bspline", "lanczos4"],
        "bspline",
        "interpolation: bspline (cubic, does not ring at a limb; always taken for a mosaic) or lanczos4 (keeps a little more \
         of the finest detail)",
    )
}

/// Reads the kernel parameter.
///
/// # Errors
/// If it is not set.
pub fn kernel_of(parameters: &Parameters) -> Outcome<Kernel> {
    Ok(if parameters.text("kernel")? == "lanczos4" { Kernel::Lanczos4 } else { Kernel::CubicBSpline })
}

/// The kernel and its transfer in words.
pub fn kernel_words(kernel: Kernel) -> &'static str {
    match kernel {
        Kernel::Lanczos4 => {
            "one resampling by Lanczos with four lobes: mean transfer 1.00, 1.01, 0.95 at 0.21, 0.29, 0.375 cycles/px"
        }
        _ => {
            "one resampling by the interpolating cubic B-spline: mean transfer 0.994, 0.968, 0.878 at 0.21, 0.29, \
             0.375 cycles/px"
        }
    }
}

/// Ports that all stacks share.
pub fn ports(description: Description) -> Description {
    let mut description = description
        .contract("stack")
        .input("frames", PortType::Frames, "the frames")
        .input("table", PortType::Table, "the weights (column weight)")
        .input("motion", PortType::Motion, "where the frames belong; several layers compose")
        .output("image", PortType::Image, "the stack, linear, with its two half-stacks");
    if let Some(port) = description.inputs.last_mut() {
        port.many = true;
    }
    for fact in optics::FACTS {
        description = description.fact(fact);
    }
    description
}

impl Method for Mean {
    fn describe(&self) -> Description {
        ports(Description::new("stack.mean", Shape::Reduce, "Weighted mean of all frames, each resampled once"))
            .help(
                "Adds every frame of weight above 0 at its place and divides by the sum of weights. Frames may come with \
                 their colours filled in, without colours, or as a colour mosaic: then each sample counts where it \
                 fell, in the picture of its own colour, which keeps the blur of filling in out of the stack and \
                 costs less, and is the better choice above some 50 frames. Shifts, the shift \
                 of each colour, field rotation and local shifts are composed into one resampling per frame, so that \
                 no detail is lost twice. The picture has the size of the incoming frames with the target's reference \
                 point in its middle; pixels that some frames do not show weigh less, and the weights are kept with \
                 the picture. Also gives two half-stacks of every other frame. Does not reject outliers: use \
                 stack.clipped where satellites, cosmic rays or hot pixels cross the target.",
            )
            .source(
                "weighted mean: common practice; cubic B-spline: Unser, Aldroubi & Eden 1993, IEEE Trans. Signal \
                 Process. 41, 821",
            )
            .parameter(kernel_parameter())
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let kernel = kernel_of(parameters)?;
        Ok(Node::Reduce(Box::new(MeanNode { kernel, optics: Optics::from_facts(facts) })))
    }
}

struct MeanNode {
    kernel: Kernel,
    optics: Optics,
}

impl Reduce for MeanNode {
    fn start(&self, _context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        let mosaic = matches!(info.layout, Layout::Mosaic(_));
        let kernel = if mosaic { Kernel::CubicBSpline } else { self.kernel };
        Ok(Box::new(MeanRun {
            kernel,
            deferred: kernel == Kernel::CubicBSpline,
            optics: self.optics.clone(),
            info: info.clone(),
            sums: None,
            canvas: Mutex::new(None),
            pool: Pool::default(),
        }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        memory(stream, false)
    }
}

/// The memory bound of a stack.
pub fn memory(stream: StreamShape, squares: bool) -> Memory {
    // A mosaic has one plane and gives three.
    let samples = stream.width * stream.height * 3;
    let plane = (stream.width + 32) * (stream.height + 32) * 4;
    Memory { worker: (plane * 8) as u64, item: (samples * 8) as u64 + 256, state: Accumulator::bytes(samples, squares) }
}

/// Refuses frames that still carry their mosaic.
///
/// # Errors
/// If they do.
pub fn refuse_mosaic(info: &ClipInfo) -> Outcome<()> {
    if matches!(info.layout, Layout::Mosaic(_)) {
        return Err(Fault::request("the frames still carry their colour mosaic")
            .remedy("link the frames of a demosaic step to `frames`, such as demosaic.bilinear"));
    }
    Ok(())
}

/// Contributions to be used again.
#[derive(Debug, Default)]
pub struct Pool(Mutex<Vec<Contribution>>);

impl Pool {
    /// A contribution, with the buffers of an earlier one if there is one.
    pub fn take(&self) -> Contribution {
        self.0.lock().ok().and_then(|mut free| free.pop()).unwrap_or_default()
    }

    /// Gives contributions back.
    pub fn give(&self, used: Vec<Contribution>) {
        if let Ok(mut free) = self.0.lock() {
            free.extend(used);
        }
    }
}

/// The canvas for frames like this one.
pub fn canvas_for(input: &FrameInput<'_>) -> Canvas {
    Canvas::new(input.frame.width(), input.frame.height(), Canvas::planes_of(input.frame.layout))
}

/// Checks that a frame has the size of the first and gives the canvas.
///
/// # Errors
/// If it has another.
pub fn same_canvas(known: &Mutex<Option<Canvas>>, input: &FrameInput<'_>) -> Outcome<Canvas> {
    let canvas = canvas_for(input);
    let mut known = known.lock().map_err(|_| Fault::internal("a thread failed while stacking"))?;
    match *known {
        Some(first) if first != canvas => Err(Fault::data(format!(
            "frame {} is {} x {} px with {} planes, others are {} x {} with {}",
            input.frame.index, canvas.width, canvas.height, canvas.planes, first.width, first.height, first.planes
        ))
        .remedy("stack frames of one size: crop.follow and crop.fixed give such")),
        _ => {
            *known = Some(canvas);
            Ok(canvas)
        }
    }
}

/// Resamples a frame into a contribution, its samples passed through `adjust`; a frame without a place gets the
/// weight 0.
///
/// # Errors
/// As [`place`].
pub fn contribution(
    input: &FrameInput<'_>,
    canvas: &Canvas,
    deferred: bool,
    work: &mut Workspace,
    mut item: Contribution,
    adjust: impl FnOnce(&mut [f32]),
) -> Outcome<Contribution> {
    if !input.placement()?.global.is_known() {
        item.weight = 0.0;
        return Ok(item);
    }
    place(input.frame, input.placement()?, canvas, deferred, work, &mut item.resampled)?;
    adjust(&mut item.resampled.data);
    if let Cover::Rectangles(rectangles) = item.resampled.cover {
        blank_outside(&mut item.resampled.data, canvas, &rectangles);
    }
    let row = input.row()?;
    item.weight = row.weight() as f32;
    item.exposure_s = row.number(columns::EXPOSURE_S);
    item.time_s = row.number(columns::TIME_S);
    item.in_parts = input.placement()?.in_parts();
    Ok(item)
}

/// Turns sums into the finished picture with its description.
pub fn describe_picture(sums: Sums, optics: &Optics, info: &ClipInfo, words: String) -> stillair_api::Image {
    let mut image = sums.image;
    let exposure_s = if sums.exposure_s.is_finite() {
        Some(sums.exposure_s)
    } else {
        info.exposure_s.or(optics.exposure_s).map(|e| e * image.info.frames_used as f64)
    };
    image.info.exposure_total_s = exposure_s;
    image.info.middle_unix_ns = match info.start_unix_ns {
        Some(start) if sums.mean_time_s.is_finite() => Some(start + libm::round(sums.mean_time_s * 1e9) as i64),
        _ => info.middle_unix_ns(),
    };
    // Where not every frame has a time, the whole clip's span is what is known.
    let [clip_begin, clip_end] = info.span_unix_ns();
    (image.info.begin_unix_ns, image.info.end_unix_ns) = match info.start_unix_ns {
        Some(start) if sums.mean_time_s.is_finite() => {
            let [begin, end] = sums.span_s.map(|seconds| start + libm::round(seconds * 1e9) as i64);
            (Some(begin), Some(end))
        }
        _ => (clip_begin, clip_end),
    };
    image.info.arcsec_per_px = optics.arcsec_per_px;
    image.info.px_per_capture_px = 1.0;
    let filter = optics.filter(info).filter(|_| image.channels == 1);
    image.info.wavelength_nm = optics.wavelengths_through(image.channels, filter);
    image.info.filter = filter.map(str::to_owned);
    image.info.from_mosaic = optics::from_mosaic(info);
    image.info.mosaic_kept = matches!(info.layout, Layout::Mosaic(_));
    image.info.parts_placed = sums.in_parts;
    image.info.history.push(words);
    if sums.in_parts {
        image.info.history.push("parts of frames placed each on its own".into());
    }
    image
}

struct MeanRun {
    kernel: Kernel,
    deferred: bool,
    optics: Optics,
    info: ClipInfo,
    sums: Option<Accumulator>,
    canvas: Mutex<Option<Canvas>>,
    pool: Pool,
}

impl ReduceRun for MeanRun {
    fn worker(&self) -> Scratch {
        Box::new(Workspace::new(self.kernel))
    }

    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let canvas = same_canvas(&self.canvas, input)?;
        let work = scratch_of::<Workspace>(scratch)?;
        Ok(Box::new(contribution(input, &canvas, self.deferred, work, self.pool.take(), |_| ())?))
    }

    fn add(&mut self, context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        take_in(context, items, &mut self.sums, &self.canvas, &self.pool)
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let sums = self.sums.take().filter(|s| s.frames() > 0).ok_or_else(no_frames)?;
        warn_of_lost(context, sums.placeless());
        let mosaic = if matches!(self.info.layout, Layout::Mosaic(_)) {
            " as mosaics, each sample drizzled by the kernel"
        } else {
            ""
        };
        let words = format!("stack.mean of {} frames{mosaic}; {}", sums.frames(), kernel_words(self.kernel));
        let image = describe_picture(sums.finish(self.deferred), &self.optics, &self.info, words);
        Ok(Finish::Done(vec![Value::Image(Arc::new(image))]))
    }
}

/// Tells of frames that have a weight but no place.
pub fn warn_of_lost(context: &dyn Context, frames: usize) {
    if frames > 0 {
        context.warn(&format!("{frames} frames were left out because their place is unknown"));
    }
}

/// The fault of a stack of nothing.
pub fn no_frames() -> Fault {
    Fault::data("no frame is left to stack")
        .remedy("look into the table of frames for the reasons of rejection, or keep a larger share")
}

/// Adds the items of frames to the sums, which begin with the first canvas known, and gives the items back.
///
/// # Errors
/// If an item is of another type.
pub fn take_in(
    context: &dyn Context,
    items: Vec<(usize, Item)>,
    sums: &mut Option<Accumulator>,
    canvas: &Mutex<Option<Canvas>>,
    pool: &Pool,
) -> Outcome<()> {
    let items = unpack(items)?;
    if let (None, Some(canvas)) = (&sums, canvas.lock().ok().and_then(|c| *c)) {
        *sums = Some(Accumulator::new(canvas, false));
    }
    if let Some(sums) = sums {
        sums.add(context, &items);
    }
    pool.give(items);
    Ok(())
}

/// The contributions of items.
///
/// # Errors
/// If an item is of another type.
pub fn unpack(items: Vec<(usize, Item)>) -> Outcome<Vec<Contribution>> {
    let one = |(_, item): (usize, Item)| {
        item.downcast::<Contribution>().map(|c| *c).map_err(|_| Fault::internal("the item is of another type"))
    };
    items.into_iter().map(one).collect()
}
