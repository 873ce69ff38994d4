//! How much the air bends the field, from some frames of a clip.
//!
//! Patches of some frames are registered on those of a reference stack as in [`super`]; the covariance of their shifts
//! over distance tells noise from a smooth field. A stack of whole frames keeps the field as blur. Sources: as
//! [`super`].

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Finish, FrameInput, Item, Memory, Method, Node, Outcome,
    Parameter, Parameters, PortType, Record, Reduce, ReduceRun, Scratch, Shape, StreamShape, Value,
};

use super::field::Shifts;
use super::{FEWEST, Patches, PatchesNode, PatchesRun, grid, inputs, start};
use crate::sampling;

/// Width of a patch, lambda/D: nine of them show structure on a globe of 8 lambda/D in radius.
const SIZE: f64 = 16.0;

/// So many patches over all frames are enough, but not fewer frames than that.
const PATCHES: usize = 3000;
const FRAMES: usize = 64;

/// A field of less is none, px.
const TOLD_PX: f64 = 0.01;

/// Fewer frames tell nothing: what a few have in common passes for field.
const LEAST: usize = 16;

/// The method `align.bends`.
pub struct Bends;

impl Method for Bends {
    fn describe(&self) -> Description {
        let description = Description::new(
            "align.bends",
            Shape::Reduce,
            "Measures how much the air bends the field, from some of the frames",
        )
        .help(
            "Registers patches of some frames, spread evenly over their weights, on a reference stack and tells \
             how much they move against each other. A stack of whole frames keeps that as blur: give the record to \
             sharpen.wiener, which else takes the usual. Nothing is moved. A target with fewer than nine patches of \
             structure, or a clip of fewer than 16 frames, tells nothing.",
        )
        .source(
            "patch registration: November 1986, Appl. Opt. 25, 392; covariances: Cressie 1993, Statistics for Spatial \
             Data; structure of the field: Tatarski 1961",
        );
        let description = inputs(description).output("record", PortType::Record, "the field's strength and length");
        let description = description.parameter(Parameter::integer(
            "sample",
            "",
            8,
            10_000,
            150,
            "most frames looked at; fewer where many patches show structure",
        ));
        sampling::FACTS.iter().fold(description, |d, fact| d.fact(fact))
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let defaults = Patches.describe().defaults();
        let patches = PatchesNode { size: SIZE, power: 0.0, ..PatchesNode::of(&defaults, facts)? };
        let sample = usize::try_from(parameters.integer("sample")?).unwrap_or(usize::MAX);
        Ok(Node::Reduce(Box::new(BendsNode { patches, sample })))
    }
}

struct BendsNode {
    patches: PatchesNode,
    sample: usize,
}

impl Reduce for BendsNode {
    fn start(&self, context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        if info.width.min(info.height) < grid::SMALLEST {
            return Ok(Box::new(BendsRun { run: None, chosen: Vec::new() }));
        }
        let run = start(&self.patches, context, bound, info)?;
        // Frames spread evenly over the sum of weights, as the stack takes them: many patches need fewer.
        let table = bound.table("table")?;
        let counted: Vec<usize> = (0..info.frames).filter(|frame| table.weight(*frame) > 0.0).collect();
        let enough = (PATCHES / run.look.used().max(1)).max(FRAMES);
        let taken = counted.len().min(self.sample).min(enough);
        let total: f64 = counted.iter().map(|frame| table.weight(*frame)).sum();
        let mut chosen = vec![false; info.frames];
        let (mut sum, mut next) = (0.0, 0);
        for frame in counted {
            sum += table.weight(frame);
            let reached = libm::floor(sum / total * taken as f64 + 0.5) as usize;
            chosen[frame] = reached > next;
            next = next.max(reached);
        }
        Ok(Box::new(BendsRun { run: Some(run), chosen }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let frames = stream.frames.min(self.sample);
        self.patches.memory(StreamShape { frames, ..stream })
    }
}

struct BendsRun {
    /// `None` where the frames are too small for patches.
    run: Option<PatchesRun>,
    chosen: Vec<bool>,
}

impl ReduceRun for BendsRun {
    fn worker(&self) -> Scratch {
        self.run.as_ref().map_or_else(|| Box::new(()) as Scratch, PatchesRun::worker)
    }

    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        match &self.run {
            Some(run) if self.chosen.get(input.frame.index).copied().unwrap_or(false) => run.prepare(scratch, input),
            _ => Ok(Box::new(Vec::<super::Seen>::new())),
        }
    }

    fn add(&mut self, context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        self.run.as_mut().map_or(Ok(()), |run| run.add(context, items))
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let mut record = Record::default();
        let frames = self.run.as_ref().map_or(0, |run| run.seen.len());
        record.entries.push(Entry::number("frames", frames as f64, "", "frames looked at"));
        if let Some(run) = self.run.as_ref().filter(|run| frames >= LEAST && run.look.used() >= FEWEST) {
            let mut shifts = Shifts::new(&run.grid, &run.seen, 4.0 * run.scale);
            shifts.drop_outliers(1.5 * run.scale);
            shifts.centre();
            let structure = shifts.structure(run.look.noise());
            // What does not fall off over distance is noise: then nothing is told.
            let told = structure.strength.sqrt() > TOLD_PX;
            let mut say = |name: &str, value: f64, help: &str| {
                record.entries.push(Entry::number(name, value, "px", help));
            };
            if told {
                say("field", structure.strength.sqrt(), "rms of local shifts, one axis");
            }
            say("field-length", structure.length_px, "over which they fall off");
            say("shift-noise", structure.nugget.sqrt(), "rms error of a patch, one axis");
        }
        record.entries.iter().for_each(|entry| context.record(entry.clone()));
        Ok(Finish::Done(vec![Value::Record(std::sync::Arc::new(record))]))
    }
}
