//! A stack for each band of grades, all in one pass.
//!
//! The usable frames are ranked by their grade and cut into bands; the first `b` of `K` bands hold `(b / K)^2` of the
//! frames ([`stillair_maths::bands`]). Each band is summed by itself as `stack.mean` sums all frames, with half-stacks.
//! Sums being linear, the stack of any share of the frames with any weight for each band is a combination of these, so
//! that every choice of frames can be tried without reading them again (`select.auto`).
//!
//! Source: partial sums over ranked frames: own derivation.

use std::sync::{Arc, Mutex};

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, FrameInput, Image, Item, Layout, Memory,
    Method, Node, Outcome, Parameter, Parameters, Reduce, ReduceRun, Scratch, Shape, StreamShape, Table, Value,
    scratch_of,
};
use stillair_maths::bands;
use stillair_maths::resample::Kernel;

use crate::accumulate::{Accumulator, Contribution};
use crate::mean::{
    Pool, contribution, describe_picture, kernel_of, kernel_parameter, kernel_words, memory, no_frames, ports,
    same_canvas, warn_of_lost,
};
use crate::optics::Optics;
use crate::resample::{Canvas, Workspace};

/// The method `stack.bins`.
pub struct Bins;

impl Method for Bins {
    fn describe(&self) -> Description {
        let mut description = ports(Description::new(
            "stack.bins",
            Shape::Reduce,
            "A stack for each band of grades, one under the other on one picture",
        ));
        if let Some(table) = description.inputs.iter_mut().find(|p| p.name == "table") {
            table.whole = true;
            table.help = "the weights (column weight) and the grades".into();
        }
        if let Some(image) = description.outputs.last_mut() {
            image.help = "the bands' stacks, the best on top, linear, each with its two half-stacks".into();
        }
        description
            .help(
                "Ranks the frames of weight above 0 by their grade, cuts them into bands (the best bands the smallest) and \
                 stacks each band by itself in one pass, as stack.mean would. The bands lie one under the other on one \
                 picture, the best on top. For select.auto, which finds from them what share of the frames is worth \
                 keeping; and to see with one's own eyes what the grade is worth. Needs as much memory as so many \
                 stacks.",
            )
            .source("partial sums over ranked frames: own derivation")
            .parameter(Parameter::integer("bands", "", 2, 32, 10, "how many bands; fewer where frames are few"))
            .parameter(Parameter::text("by", "auto", "column to rank by; auto = the latest column of grades"))
            .parameter(kernel_parameter())
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(BinsNode {
            bands: parameters.integer("bands")? as usize,
            by: parameters.text("by")?.into(),
            kernel: kernel_of(parameters)?,
            optics: Optics::from_facts(facts),
        })))
    }
}

struct BinsNode {
    bands: usize,
    by: String,
    kernel: Kernel,
    optics: Optics,
}

/// Band of every frame of a table.
///
/// # Errors
/// If there is no such column, or no frame with a weight and a grade.
fn bands_of(table: &Table, by: &str, wanted: usize) -> Outcome<Vec<Option<usize>>> {
    let column = if by == "auto" { table.latest_grade() } else { table.column(by) };
    let column = column.ok_or_else(|| {
        Fault::request("the table has no such column of grades")
            .remedy("link the table of a grade method, or name a column in `by`")
    })?;
    let bands = bands::of_grades(&column.data, |i| table.weight(i) > 0.0, wanted);
    if bands.iter().all(Option::is_none) {
        return Err(no_frames());
    }
    Ok(bands)
}

impl Reduce for BinsNode {
    fn start(&self, _context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        let mosaic = matches!(info.layout, Layout::Mosaic(_));
        let kernel = if mosaic { Kernel::CubicBSpline } else { self.kernel };
        let band = bands_of(bound.table("table")?, &self.by, self.bands)?;
        let count = band.iter().flatten().max().map_or(1, |last| last + 1);
        Ok(Box::new(BinsRun {
            kernel,
            deferred: kernel == Kernel::CubicBSpline,
            optics: self.optics.clone(),
            info: info.clone(),
            band,
            sums: Vec::new(),
            count,
            canvas: Mutex::new(None),
            pool: Pool::default(),
        }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let one = memory(stream, false);
        Memory { state: one.state * self.bands as u64, ..one }
    }
}

struct BinsRun {
    kernel: Kernel,
    deferred: bool,
    optics: Optics,
    info: ClipInfo,
    /// Band of each frame.
    band: Vec<Option<usize>>,
    /// Sums of each band, empty before the first frame.
    sums: Vec<Accumulator>,
    count: usize,
    canvas: Mutex<Option<Canvas>>,
    pool: Pool,
}

impl ReduceRun for BinsRun {
    fn worker(&self) -> Scratch {
        Box::new(Workspace::new(self.kernel))
    }

    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let canvas = same_canvas(&self.canvas, input)?;
        let work = scratch_of::<Workspace>(scratch)?;
        let mut item = contribution(input, &canvas, self.deferred, work, self.pool.take(), |_| ())?;
        if self.band.get(input.frame.index).copied().flatten().is_none() {
            item.weight = 0.0;
        }
        Ok(Box::new(item))
    }

    fn add(&mut self, context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        if let (true, Some(canvas)) = (self.sums.is_empty(), self.canvas.lock().ok().and_then(|c| *c)) {
            self.sums = (0..self.count).map(|_| Accumulator::new(canvas, false)).collect();
        }
        let mut used: Vec<Contribution> = Vec::with_capacity(items.len());
        for (index, item) in items {
            let item = item.downcast().map_err(|_| Fault::internal("the item is of another type"))?;
            let band = self.band.get(index).copied().flatten();
            if let Some(sums) = band.and_then(|b| self.sums.get_mut(b)) {
                sums.add(context, std::slice::from_ref(&*item));
            }
            used.push(*item);
        }
        self.pool.give(used);
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        if self.sums.iter().all(|s| s.frames() == 0) {
            return Err(no_frames());
        }
        warn_of_lost(context, self.sums.iter().map(Accumulator::placeless).sum());
        let frames: Vec<usize> = self.sums.iter().map(Accumulator::frames).collect();
        context.record(Entry::number("bands", frames.len() as f64, "", "bands of grades, each stacked by itself"));
        let mut whole: Option<(Image, Vec<Image>)> = None;
        for sums in std::mem::take(&mut self.sums) {
            if sums.frames() == 0 {
                return Err(Fault::data("the frames of a whole band have no place")
                    .remedy("give frames without a place the weight 0 (select.usable does), or take fewer `bands`"));
            }
            let words = String::new();
            let image = describe_picture(sums.finish(self.deferred), &self.optics, &self.info, words);
            match &mut whole {
                Some((_, rest)) => rest.push(image),
                None => whole = Some((image, Vec::new())),
            }
        }
        let (first, rest) = whole.ok_or_else(no_frames)?;
        let mut image = one_under_the_other(first, &rest);
        let total: usize = frames.iter().sum();
        image.info.frames_used = total;
        image.info.frames_effective = total as f64;
        let words = format!(
            "stack.bins of {total} frames in {} bands by grade, the best on top; {}",
            frames.len(),
            kernel_words(self.kernel)
        );
        if let Some(first) = image.info.history.first_mut() {
            *first = words;
        }
        Ok(Finish::Done(vec![Value::Image(Arc::new(image))]))
    }
}

/// Pictures of one size under each other; a band of one frame is both of its halves.
fn one_under_the_other(first: Image, rest: &[Image]) -> Image {
    let mut out = Image { width: first.width, height: first.height * (rest.len() + 1), ..Image::default() };
    out.channels = first.channels;
    let samples = out.width * out.height * out.channels;
    let mut halves = [Vec::with_capacity(samples), Vec::with_capacity(samples)];
    for channel in 0..first.channels {
        for image in std::iter::once(&first).chain(rest) {
            out.data.extend_from_slice(image.channel(channel));
            for (half, to) in halves.iter_mut().enumerate() {
                to.extend_from_slice(image.half(half, channel).unwrap_or(image.channel(channel)));
            }
        }
    }
    out.halves = Some(halves);
    out.info = first.info;
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::ColumnSpec;

    #[test]
    fn the_description_keeps_to_its_contract() {
        assert_eq!(stillair_api::contract::breaches(&Bins.describe()), Vec::<String>::new());
    }

    #[test]
    fn frames_without_weight_or_grade_are_in_no_band() {
        let mut table = Table::for_frames(&[0.0; 6], None);
        table.push(ColumnSpec::number("weight", "", ""), vec![1.0, 0.0, 1.0, 1.0, 1.0, 1.0]);
        assert!(bands_of(&table, "auto", 2).unwrap_err().to_string().contains("grades"));
        table.push(ColumnSpec::number("grade_projection", "", ""), vec![0.1, 0.9, 0.8, 0.7, f64::NAN, 0.2]);
        assert_eq!(bands_of(&table, "auto", 2).unwrap(), [Some(1), None, Some(0), Some(0), None, Some(1)]);
    }

    #[test]
    fn bands_lie_under_each_other_in_every_channel() {
        let picture = |value: f32| {
            let mut image = Image::new(2, 1, 3);
            image.data = (0..6).map(|i| value + (i / 2) as f32).collect();
            image
        };
        let out = one_under_the_other(picture(0.0), &[picture(10.0)]);
        assert_eq!((out.width, out.height, out.channels), (2, 2, 3));
        assert_eq!(out.channel(1), [1.0, 1.0, 11.0, 11.0]);
        assert_eq!(out.half(1, 2).unwrap(), [2.0, 2.0, 12.0, 12.0]);
    }
}
