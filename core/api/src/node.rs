//! The six node shapes: what a method's author writes.
//!
//! A [`Method`] is described once and makes a [`Node`] from checked parameters and facts. Before a pass the engine
//! calls the node's `start` with everything that is finished ([`Bound`]); what comes back works on frames, on any
//! number of threads at once (`&self`), each with a [`Scratch`] of its own.

use std::any::Any;
use std::collections::BTreeMap;
use std::io::{Seek, Write};
use std::path::PathBuf;
use std::sync::Arc;

use crate::{
    ClipInfo, Context, Description, Facts, Fault, Frame, GlobalRow, Image, Motion, Outcome, Parameters, Placement,
    Record, Region, Row, Table,
};

/// A finished value.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A row per frame.
    Table(Arc<Table>),
    /// Where each frame belongs.
    Motion(Arc<Motion>),
    /// A picture.
    Image(Arc<Image>),
    /// Facts for the report.
    Record(Arc<Record>),
}

/// What is finished when a node starts: its linked values by port.
#[derive(Debug, Clone, Default)]
pub struct Bound {
    /// Values by port name; a `many` port may have several. A table or motion that is measured in the same pass is not
    /// here: it comes with each frame.
    pub values: BTreeMap<String, Vec<Value>>,
    /// What recipe, capture and build determine, as JSON, to be written into results.
    pub provenance: String,
}

macro_rules! getters {
    ($one:ident, $maybe:ident, $all:ident, $variant:ident, $type:ty, $word:literal) => {
        #[doc = concat!("All ", $word, "s linked to a port.")]
        pub fn $all(&self, port: &str) -> Vec<&Arc<$type>> {
            let values = self.values.get(port).map(Vec::as_slice).unwrap_or_default();
            values.iter().filter_map(|v| if let Value::$variant(x) = v { Some(x) } else { None }).collect()
        }
        #[doc = concat!("The ", $word, " linked to a port, if any.")]
        pub fn $maybe(&self, port: &str) -> Option<&Arc<$type>> {
            self.$all(port).first().copied()
        }
        #[doc = concat!("The ", $word, " linked to a required port.")]
        ///
        /// # Errors
        /// If nothing is linked.
        pub fn $one(&self, port: &str) -> Outcome<&Arc<$type>> {
            self.$maybe(port).ok_or_else(|| Fault::request(format!(concat!("no ", $word, " is linked to `{}`"), port)))
        }
    };
}

impl Bound {
    getters!(table, maybe_table, tables, Table, Table, "table");
    getters!(motion, maybe_motion, motions, Motion, Motion, "motion");
    getters!(image, maybe_image, images, Image, Image, "image");
    getters!(record, maybe_record, records, Record, Record, "record");

    /// Adds a value to a port; for tests and hosts.
    #[must_use]
    pub fn with(mut self, port: &str, value: Value) -> Self {
        self.values.entry(port.into()).or_default().push(value);
        self
    }
}

/// Working memory of one thread; any type, made by a node's `worker`.
pub type Scratch = Box<dyn Any + Send>;

/// What a reduce hands from `prepare` to `add`; any type.
pub type Item = Box<dyn Any + Send>;

/// The scratch as the type it was made as.
///
/// # Errors
/// If it is of another type: a mistake of the node.
pub fn scratch_of<T: 'static>(scratch: &mut Scratch) -> Outcome<&mut T> {
    scratch.downcast_mut::<T>().ok_or_else(|| Fault::internal("the scratch is of another type"))
}

/// One frame and what belongs to it.
#[derive(Debug)]
pub struct FrameInput<'a> {
    /// The frame, after the maps before this node.
    pub frame: &'a Frame,
    /// Its row of the linked table, if a table is linked.
    pub row: Option<Row<'a>>,
    /// Its place by the linked motions, if any is linked.
    pub placement: Option<&'a Placement>,
}

impl<'a> FrameInput<'a> {
    /// The row of the linked table.
    ///
    /// # Errors
    /// If no table is linked.
    pub fn row(&self) -> Outcome<&Row<'a>> {
        self.row.as_ref().ok_or_else(|| Fault::request("no table is linked to `table`"))
    }

    /// The place by the linked motions.
    ///
    /// # Errors
    /// If no motion is linked.
    pub fn placement(&self) -> Outcome<&'a Placement> {
        self.placement.ok_or_else(|| Fault::request("no motion is linked to `motion`"))
    }
}

/// Size of the stream that enters a node, for the memory bound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StreamShape {
    /// Frames of the clip.
    pub frames: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Planes in memory.
    pub planes: usize,
}

impl StreamShape {
    /// Bytes of one frame as `f32`.
    pub fn frame_bytes(self) -> u64 {
        (self.width * self.height * self.planes * 4) as u64
    }
}

/// An upper bound of the bytes a node needs beside the frame buffers, which the engine counts itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Memory {
    /// Per worker thread.
    pub worker: u64,
    /// Per item in flight between `prepare` and `add`.
    pub item: u64,
    /// Once: accumulators, finished values, tables.
    pub state: u64,
}

/// A method: described as data, made into a node.
pub trait Method: Send + Sync {
    /// Everything said of the method beside its code.
    fn describe(&self) -> Description;

    /// Makes a node. Parameters are complete and within range; facts are those the description names.
    ///
    /// # Errors
    /// If parameters contradict each other or a needed fact is missing.
    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node>;
}

/// A node of one of the six shapes.
pub enum Node {
    /// Files or parameters to frames.
    Source(Box<dyn Source>),
    /// Frame to frame.
    Map(Box<dyn Map>),
    /// Frame to row and/or motion.
    Measure(Box<dyn Measure>),
    /// All frames to values.
    Reduce(Box<dyn Reduce>),
    /// Values to values.
    Transform(Box<dyn Transform>),
    /// Values or frames to a file.
    Sink(Box<dyn Sink>),
}

/// Files or parameters to frames.
pub trait Source: Send + Sync {
    /// Opens the input. `paths` has one path for a reader of files, none for a simulator.
    ///
    /// # Errors
    /// Names the file, the place and the remedy.
    fn open(&self, context: &dyn Context, paths: &[PathBuf]) -> Outcome<Box<dyn FrameReader>>;
}

/// An open clip with random access.
pub trait FrameReader: Send + Sync {
    /// What is known of the clip.
    fn info(&self) -> &ClipInfo;

    /// Reads a region of frame `index` into `out` (which is reshaped). `bytes` is a buffer to be reused.
    ///
    /// # Errors
    /// A short read names the frame.
    fn read(&self, index: usize, region: Region, bytes: &mut Vec<u8>, out: &mut Frame) -> Outcome<()>;

    /// Bytes of working memory per thread beside `bytes` and `out`.
    fn worker_bytes(&self) -> u64 {
        0
    }
}

/// Frame to frame.
pub trait Map: Send + Sync {
    /// Gets ready for a pass over a stream described by `info`.
    ///
    /// # Errors
    /// If the stream or the values do not suit.
    fn start(&self, context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MapRun>>;

    /// Bytes needed beside the frames in and out.
    fn memory(&self, _stream: StreamShape) -> Memory {
        Memory::default()
    }

    /// Shape of the stream that comes out, at most, for the memory bound.
    fn output(&self, stream: StreamShape) -> StreamShape {
        stream
    }
}

/// A map at work.
pub trait MapRun: Send + Sync {
    /// The stream that comes out.
    fn info(&self) -> &ClipInfo;

    /// Working memory for one thread.
    fn worker(&self) -> Scratch {
        Box::new(())
    }

    /// Which part of the incoming frame is needed, in full-frame coordinates; `None` = all of it. Only a map that
    /// reads its row gets one.
    ///
    /// # Errors
    /// If the row lacks what it needs.
    fn window(&self, _index: usize, _row: Option<&Row<'_>>) -> Outcome<Option<Region>> {
        Ok(None)
    }

    /// Makes one frame; `out` is to be reshaped.
    ///
    /// # Errors
    /// If the frame cannot be made.
    fn frame(&self, scratch: &mut Scratch, input: &FrameInput<'_>, out: &mut Frame) -> Outcome<()>;
}

/// What a measure says of a frame.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MeasureRow {
    /// A value for each column of the description.
    pub values: Vec<f64>,
    /// The frame's place, for a measure that gives a motion.
    pub motion: Option<GlobalRow>,
}

/// Frame to row and/or motion.
pub trait Measure: Send + Sync {
    /// Gets ready for a pass over a stream described by `info`.
    ///
    /// # Errors
    /// If the stream or the values do not suit.
    fn start(&self, context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MeasureRun>>;

    /// Bytes needed.
    fn memory(&self, _stream: StreamShape) -> Memory {
        Memory::default()
    }
}

/// A measure at work.
pub trait MeasureRun: Send + Sync {
    /// Working memory for one thread.
    fn worker(&self) -> Scratch {
        Box::new(())
    }

    /// Measures one frame.
    ///
    /// # Errors
    /// Only for what must stop the run; a frame that cannot be measured gives NaN.
    fn frame(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<MeasureRow>;
}

/// All frames to values, in one or more sweeps.
pub trait Reduce: Send + Sync {
    /// Gets ready for a pass over a stream described by `info`.
    ///
    /// # Errors
    /// If the stream or the values do not suit.
    fn start(&self, context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>>;

    /// Bytes needed.
    fn memory(&self, _stream: StreamShape) -> Memory {
        Memory::default()
    }
}

/// Whether a reduce is done or wants another sweep over the frames.
#[derive(Debug)]
pub enum Finish {
    /// The outputs, in the order of the description's ports.
    Done(Vec<Value>),
    /// Another sweep, up to the declared number.
    Again,
}

/// A reduce at work.
pub trait ReduceRun: Send + Sync {
    /// Working memory for one thread.
    fn worker(&self) -> Scratch {
        Box::new(())
    }

    /// Works on one frame, in parallel with others.
    ///
    /// # Errors
    /// Only for what must stop the run.
    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item>;

    /// Adds items in the order of their frames. How many come in one call must not matter to the result; the node
    /// may work on bands of rows in parallel.
    ///
    /// # Errors
    /// Only for what must stop the run.
    fn add(&mut self, context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()>;

    /// Ends a sweep.
    ///
    /// # Errors
    /// If no result can be given (no frame was added, say).
    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish>;
}

/// Values to values.
pub trait Transform: Send + Sync {
    /// Computes the outputs, in the order of the description's ports.
    ///
    /// # Errors
    /// If the values do not suit.
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>>;

    /// Bytes needed for pictures of the given shape beside inputs and outputs.
    fn memory(&self, _stream: StreamShape) -> Memory {
        Memory::default()
    }
}

/// The file a sink writes: made beside its place, synced and renamed by the engine.
pub trait OutputFile: Write + Seek + Send {}

impl<T: Write + Seek + Send> OutputFile for T {}

/// Values or frames to a file.
pub trait Sink: Send + Sync {
    /// Starts a file. `info` is the linked stream, if frames are linked.
    ///
    /// # Errors
    /// If the values do not suit.
    fn start(&self, context: &dyn Context, bound: &Bound, info: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>>;

    /// Name of the file without its extension.
    fn file_stem(&self) -> String;
}

/// A sink at work.
pub trait SinkRun: Send {
    /// Writes what comes before the frames, or everything where no frames are linked.
    ///
    /// # Errors
    /// If writing fails.
    fn begin(&mut self, context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()>;

    /// Writes one frame; frames come in index order.
    ///
    /// # Errors
    /// If writing fails.
    fn frame(&mut self, _input: &FrameInput<'_>, _out: &mut dyn OutputFile) -> Outcome<()> {
        Ok(())
    }

    /// Writes what comes after the frames.
    ///
    /// # Errors
    /// If writing fails.
    fn end(&mut self, _context: &dyn Context, _out: &mut dyn OutputFile) -> Outcome<()> {
        Ok(())
    }
}
