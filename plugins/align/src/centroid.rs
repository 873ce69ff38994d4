//! A frame's place from the target's centre: fast and robust, blind to the seeing's core.
//!
//! Either the centre that `find` put into the table, or measured anew on interpolated green: the centroid of all pixels
//! brighter than a quarter of the 99th percentile above the sky, after a blur of 2 px, each counting the same.
//!
//! Source: centroid of a thresholded disc, common practice; its scatter on a noisy disc, about twice the bound, was
//! measured on simulated frames.

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, FrameInput, GlobalRow, Measure, MeasureRow, MeasureRun, Memory,
    Method, Node, Outcome, Parameter, Parameters, PortType, Scratch, Shape, StreamShape, columns, scratch_of,
};
use stillair_maths::border::Border;
use stillair_maths::filters;

use crate::plane::{border_level, registration_plane};

/// Blur before the threshold, px.
const BLUR_PX: f64 = 2.0;

/// Threshold as a share of the bright end above the sky.
const THRESHOLD: f32 = 0.25;

/// The method `align.centroid`.
pub struct Centroid;

impl Method for Centroid {
    fn describe(&self) -> Description {
        Description::new("align.centroid", Shape::Measure, "Places each frame by the centre of the target's light")
            .help(
                "Needs no reference and no second look, so it costs next to nothing; for quick looks and as the start of \
                 align.correlate. Under seeing it follows the centroid of the blur and not its sharp core: stacks are \
                 1.3 to 3 dB poorer than with align.correlate. A phase or a moon across the limb moves it.",
            )
            .source("centroid of a thresholded disc: common practice")
            .contract("align")
            .input("frames", PortType::Frames, "the frames, mosaic, colour or mono")
            .input("table", PortType::Table, "the target's centre (columns x_px, y_px) from a find step")
            .output("motion", PortType::Motion, "a shift per frame")
            .parameter(Parameter::choice(
                "centre",
                &["table", "measured"],
                "table",
                "table: as the find step found it; measured: anew on interpolated green",
            ))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Measure(Box::new(CentroidNode { measured: parameters.text("centre")? == "measured" })))
    }
}

/// Buffers of [`centroid`].
#[derive(Debug, Default)]
pub struct CentroidScratch {
    blurred: Vec<f32>,
    work: Vec<f32>,
    ring: Vec<f32>,
}

/// Centroid (x, y) of the pixels above the threshold; `None` where nothing stands out.
pub fn centroid(plane: &[f32], width: usize, height: usize, scratch: &mut CentroidScratch) -> Option<[f64; 2]> {
    let CentroidScratch { blurred, work, ring } = scratch;
    blurred.resize(plane.len(), 0.0);
    filters::gaussian(plane, width, height, BLUR_PX, Border::Nearest, blurred, work);
    let sky = border_level(blurred, width, height, ring);
    ring.clear();
    ring.extend_from_slice(blurred);
    let rank = (ring.len() * 99 / 100).min(ring.len().checked_sub(1)?);
    let bright = *ring.select_nth_unstable_by(rank, f32::total_cmp).1 - sky;
    if !bright.is_finite() || bright <= 0.0 {
        return None;
    }
    let limit = sky + THRESHOLD * bright;
    let (mut count, mut sx, mut sy) = (0.0, 0.0, 0.0);
    for (y, row) in blurred.chunks_exact(width).enumerate() {
        let (mut inside, mut columns) = (0_u32, 0_u64);
        for (x, value) in row.iter().enumerate() {
            if *value > limit {
                inside += 1;
                columns += x as u64;
            }
        }
        count += f64::from(inside);
        sx += columns as f64;
        sy += y as f64 * f64::from(inside);
    }
    (count > 0.0).then(|| [sx / count, sy / count])
}

struct CentroidNode {
    measured: bool,
}

impl Measure for CentroidNode {
    fn start(&self, _context: &dyn Context, _bound: &Bound, _info: &ClipInfo) -> Outcome<Box<dyn MeasureRun>> {
        Ok(Box::new(CentroidRun { measured: self.measured }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { worker: (stream.width * stream.height * 24) as u64, ..Memory::default() }
    }
}

struct CentroidRun {
    measured: bool,
}

#[derive(Default)]
struct Work {
    plane: Vec<f32>,
    centroid: CentroidScratch,
}

impl MeasureRun for CentroidRun {
    fn worker(&self) -> Scratch {
        Box::new(Work::default())
    }

    fn frame(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<MeasureRow> {
        let motion = if self.measured {
            let work = scratch_of::<Work>(scratch)?;
            let frame = input.frame;
            registration_plane(frame, &mut work.plane);
            let found = centroid(&work.plane, frame.width(), frame.height(), &mut work.centroid);
            found.map_or(GlobalRow::unknown(), |[x, y]| {
                GlobalRow::at(x + frame.region.x as f64, y + frame.region.y as f64)
            })
        } else {
            let row = input.row()?;
            GlobalRow::at(row.number(columns::X_PX), row.number(columns::Y_PX))
        };
        Ok(MeasureRow { values: Vec::new(), motion: Some(motion) })
    }
}
