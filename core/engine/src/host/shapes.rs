//! A plugin's methods as methods like any other: the engine sees no difference between linked and loaded.

use std::collections::BTreeSet;
use std::ffi::c_void;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use stillair_api::abi::lend::{self, Lender};
use stillair_api::abi::prefix::blank;
use stillair_api::abi::raw;
use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, Finish, Frame, FrameInput, FrameReader, Item, Map, MapRun,
    Measure, MeasureRow, MeasureRun, Memory, Method, Node, Outcome, OutputFile, Parameters, PortType, Reduce,
    ReduceRun, Region, Row, Scratch, Shape, Sink, SinkRun, Source, StreamShape, Table, Transform, Value, scratch_of,
};

use super::call::{Call, State};
use super::handles::{ItemHandle, NodeHandle, RunHandle, WorkerHandle, ask};
use super::table::Loaded;

/// A method behind a table.
pub(super) struct AdaptedMethod(pub Arc<Loaded>);

impl Method for AdaptedMethod {
    fn describe(&self) -> Description {
        self.0.description.clone()
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let loaded = &self.0;
        let call = Call { parameters: Some(parameters), facts: Some(facts), ..Call::default() };
        let mut pointer = std::ptr::null_mut();
        let status = ask!(loaded, create(loaded.address, call.handle(), &raw mut pointer));
        call.end(status)?;
        let node = AdaptedNode(Arc::new(NodeHandle { loaded: loaded.clone(), pointer }));
        Ok(match loaded.description.shape {
            Shape::Source => Node::Source(Box::new(node)),
            Shape::Map => Node::Map(Box::new(node)),
            Shape::Measure => Node::Measure(Box::new(node)),
            Shape::Reduce => Node::Reduce(Box::new(node)),
            Shape::Transform => Node::Transform(Box::new(node)),
            Shape::Sink => Node::Sink(Box::new(node)),
        })
    }
}

#[derive(Clone)]
struct AdaptedNode(Arc<NodeHandle>);

impl AdaptedNode {
    fn start(
        &self,
        context: &dyn Context,
        bound: &Bound,
        info: Option<&ClipInfo>,
        paths: &[String],
    ) -> Outcome<AdaptedRun> {
        let loaded = &self.0.loaded;
        let mut lender = Lender::default();
        let mut views = Vec::new();
        let mut frames: BTreeSet<usize> = info.map(|i| i.frames).into_iter().collect();
        for (port, values) in &bound.values {
            for value in values {
                views.push(lender.bound(port, value));
                match value {
                    Value::Table(table) => _ = frames.insert(Table::rows(table)),
                    Value::Motion(motion) => frames.extend(motion.global.as_ref().map(Vec::len)),
                    _ => {}
                }
            }
        }
        let call = Call {
            context: Some(context),
            paths,
            clip: info.map(|i| lender.clip(i, 0)),
            bound: &views,
            provenance: &bound.provenance,
            ..Call::default()
        };
        let mut pointer = std::ptr::null_mut();
        let status = ask!(loaded, start(self.0.pointer, call.handle(), &raw mut pointer));
        let said = call.end(status)?;
        let lock = match loaded.table.threading {
            raw::STILLAIR_THREADS_RUN => Some(Arc::default()),
            _ => loaded.library.clone(),
        };
        let run = RunHandle { node: self.0.clone(), pointer, bound: bound.clone(), lock, frames };
        Ok(AdaptedRun { run: Arc::new(run), clip: said.clip })
    }

    /// Bytes that the plugin says it needs, and the stream that goes out.
    fn need(&self, stream: StreamShape) -> (Memory, StreamShape) {
        let loaded = &self.0.loaded;
        let mut memory: raw::MemoryView = blank();
        let StreamShape { frames, width, height, planes } = stream;
        let view = raw::StreamView { frames, width, height, planes, ..blank() };
        let mut out = view;
        if let Some(function) = loaded.table.memory {
            // SAFETY: as the boundary says.
            unsafe { function(self.0.pointer, &raw const view, &raw mut memory, &raw mut out) };
        }
        let out = StreamShape { frames: out.frames, width: out.width, height: out.height, planes: out.planes };
        let Description { inputs, outputs, shape, .. } = &loaded.description;
        let bytes = stream.frame_bytes().max(out.frame_bytes());
        let pictures = inputs.iter().chain(outputs).filter(|p| p.kind == PortType::Image).count() as u64;
        // Both sides have their own copy: of a frame in and out, of a picture with its weights and half-stacks.
        let copies = if *shape == Shape::Map { 2 } else { 1 };
        let memory = Memory {
            worker: memory.worker.saturating_add(copies * bytes),
            item: memory.item,
            state: memory.state.saturating_add(4 * pictures * bytes),
        };
        (memory, out)
    }
}

/// A run and what it said of the stream that goes out.
struct AdaptedRun {
    run: Arc<RunHandle>,
    clip: Option<(ClipInfo, u64)>,
}

impl AdaptedRun {
    fn outgoing(self) -> Outcome<(Arc<RunHandle>, ClipInfo, u64)> {
        let lacks = || Fault::internal("the plugin did not say what its stream is");
        let (info, worker_bytes) = self.clip.ok_or_else(lacks)?;
        Ok((self.run, info, worker_bytes))
    }
}

fn pointer_of(scratch: &mut Scratch) -> Outcome<*mut c_void> {
    scratch_of::<WorkerHandle>(scratch)?.pointer.clone()
}

struct AdaptedStream {
    run: Arc<RunHandle>,
    info: ClipInfo,
    worker_bytes: u64,
}

impl Source for AdaptedNode {
    fn open(&self, context: &dyn Context, paths: &[PathBuf]) -> Outcome<Box<dyn FrameReader>> {
        let utf8 = |path: &PathBuf| {
            path.to_str().map(String::from).ok_or_else(|| {
                Fault::request(format!("{}: the path is not UTF-8", path.display())).remedy("rename the file")
            })
        };
        let paths = paths.iter().map(utf8).collect::<Outcome<Vec<_>>>()?;
        let (run, info, worker_bytes) = self.start(context, &Bound::default(), None, &paths)?.outgoing()?;
        Ok(Box::new(AdaptedStream { run, info, worker_bytes }))
    }
}

impl FrameReader for AdaptedStream {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn read(&self, index: usize, region: Region, bytes: &mut Vec<u8>, out: &mut Frame) -> Outcome<()> {
        let wanted = raw::FrameView {
            index,
            x: region.x,
            y: region.y,
            width: region.width,
            height: region.height,
            layout: lend::layout(self.info.layout.shifted(region.x, region.y)),
            planes: self.info.layout.planes() as u32,
            ..blank()
        };
        let view = raw::InputView { frame: &raw const wanted, ..blank() };
        let state = State { buffer: Some(&mut *out), ..State::default() };
        let (said, _) = self.run.frame_view(std::ptr::null_mut(), &view, None, state)?;
        let read = said.row.first().copied().unwrap_or_default();
        let filled = said.filled;
        bytes.resize((read as usize).min(1 << 32), 0);
        if !filled || out.region != region || out.index != index || out.layout.planes() != self.info.layout.planes() {
            return Err(Fault::internal(format!("frame {index}: the plugin gave another part than was asked for")));
        }
        Ok(())
    }

    fn worker_bytes(&self) -> u64 {
        self.worker_bytes + self.info.region().area() as u64 * self.info.layout.planes() as u64 * 4
    }
}

impl Map for AdaptedNode {
    fn start(&self, context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MapRun>> {
        let (run, info_out, worker_bytes) = self.start(context, bound, Some(info), &[])?.outgoing()?;
        let whole = info.region();
        Ok(Box::new(AdaptedMap { stream: AdaptedStream { run, info: info_out, worker_bytes }, whole }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        self.need(stream).0
    }

    fn output(&self, stream: StreamShape) -> StreamShape {
        self.need(stream).1
    }
}

struct AdaptedMap {
    stream: AdaptedStream,
    whole: Region,
}

impl MapRun for AdaptedMap {
    fn info(&self) -> &ClipInfo {
        &self.stream.info
    }

    fn worker(&self) -> Scratch {
        self.stream.run.worker()
    }

    fn window(&self, index: usize, row: Option<&Row<'_>>) -> Outcome<Option<Region>> {
        let run = &self.stream.run;
        let Some(function) = run.loaded().table.window else { return Ok(None) };
        let mut region = [0_usize; 4];
        let lookup = |column: &str| row.and_then(|row| row.get(column));
        let call = Call { row: Some(&lookup), ..Call::default() };
        let _one = run.locked();
        // SAFETY: as the boundary says; there is room for four numbers.
        let status = unsafe { function(run.pointer, call.handle(), index, region.as_mut_ptr()) };
        call.end(status)?;
        let [x, y, width, height] = region;
        if region == [0; 4] {
            return Ok(None);
        }
        let inside =
            |from: usize, size: usize, most: usize| size > 0 && from.checked_add(size).is_some_and(|e| e <= most);
        if !inside(x, width, self.whole.width) || !inside(y, height, self.whole.height) {
            return Err(Fault::internal(format!("frame {index}: the plugin wants a window outside of the frame")));
        }
        Ok(Some(Region { x, y, width, height }))
    }

    fn frame(&self, scratch: &mut Scratch, input: &FrameInput<'_>, out: &mut Frame) -> Outcome<()> {
        let state = State { buffer: Some(out), ..State::default() };
        let (said, _) = self.stream.run.frame(pointer_of(scratch)?, input, state)?;
        if said.filled { Ok(()) } else { Err(Fault::internal("the plugin gave no frame")) }
    }
}

impl Measure for AdaptedNode {
    fn start(&self, context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MeasureRun>> {
        Ok(Box::new(self.start(context, bound, Some(info), &[])?))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        self.need(stream).0
    }
}

impl MeasureRun for AdaptedRun {
    fn worker(&self) -> Scratch {
        self.run.worker()
    }

    fn frame(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<MeasureRow> {
        let (said, _) = self.run.frame(pointer_of(scratch)?, input, State::default())?;
        let columns = self.run.loaded().description.columns.len();
        if said.row.len() != columns {
            return Err(Fault::internal(format!("the plugin gave {} values for {columns} columns", said.row.len())));
        }
        Ok(MeasureRow { values: said.row, motion: said.place })
    }
}

impl Reduce for AdaptedNode {
    fn start(&self, context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        Ok(Box::new(self.start(context, bound, Some(info), &[])?))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        self.need(stream).0
    }
}

impl ReduceRun for AdaptedRun {
    fn worker(&self) -> Scratch {
        self.run.worker()
    }

    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let (_, pointer) = self.run.frame(pointer_of(scratch)?, input, State::default())?;
        if pointer.is_null() {
            return Err(Fault::internal("the plugin gave no item"));
        }
        Ok(Box::new(ItemHandle { run: self.run.clone(), pointer }))
    }

    fn add(&mut self, context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        let wrong = || Fault::internal("an item of another type");
        let mut handles = Vec::new();
        for (index, item) in items {
            handles.push((index, item.downcast::<ItemHandle>().map_err(|_| wrong())?));
        }
        let loaded = self.run.loaded();
        let call = Call { context: Some(context), ..Call::default() };
        let indices: Vec<usize> = handles.iter().map(|(index, _)| *index).collect();
        // From here on the items are the plugin's.
        let take =
            |(_, handle): &mut (usize, Box<ItemHandle>)| std::mem::replace(&mut handle.pointer, std::ptr::null_mut());
        let pointers: Vec<*mut c_void> = handles.iter_mut().map(take).collect();
        let status =
            ask!(loaded, add(self.run.pointer, call.handle(), indices.as_ptr(), pointers.as_ptr(), pointers.len()));
        call.end(status)?;
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let call = Call { context: Some(context), ..Call::default() };
        let mut again = 0;
        let status = ask!(self.run.loaded(), finish(self.run.pointer, call.handle(), &raw mut again));
        let said = call.end(status)?;
        if again != 0 { Ok(Finish::Again) } else { self.run.values(said).map(Finish::Done) }
    }
}

impl Transform for AdaptedNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let started = self.start(context, bound, None, &[])?;
        let call = Call { context: Some(context), ..Call::default() };
        let mut again = 0;
        let status = ask!(started.run.loaded(), finish(started.run.pointer, call.handle(), &raw mut again));
        started.run.values(call.end(status)?)
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        self.need(stream).0
    }
}

impl Sink for AdaptedNode {
    fn start(&self, context: &dyn Context, bound: &Bound, info: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        Ok(Box::new(self.start(context, bound, info, &[])?))
    }

    fn file_stem(&self) -> String {
        let loaded = &self.0.loaded;
        let ask = || -> Outcome<Option<String>> {
            let call = Call::default();
            let status = ask!(loaded, file_stem(self.0.pointer, call.handle()));
            Ok(call.end(status)?.text)
        };
        let plain = |name: &String| {
            !name.is_empty() && name.len() <= 120 && !name.starts_with('.') && !name.contains(['/', '\\', ':', '\0'])
        };
        // A name that could leave the run's folder, or none at all, gives way to the method's.
        ask().ok().flatten().filter(plain).unwrap_or_else(|| loaded.description.method.replace('.', "-"))
    }
}

impl SinkRun for AdaptedRun {
    fn begin(&mut self, context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        let Some(begin) = self.run.loaded().table.begin else { return Ok(()) };
        let state = Mutex::new(State { file: Some(out), ..State::default() });
        let call = Call { context: Some(context), state, ..Call::default() };
        // SAFETY: as the boundary says.
        let status = unsafe { begin(self.run.pointer, call.handle()) };
        call.end(status).map(|_| ())
    }

    fn frame(&mut self, input: &FrameInput<'_>, out: &mut dyn OutputFile) -> Outcome<()> {
        if self.run.loaded().table.frame.is_none() {
            return Ok(());
        }
        let state = State { file: Some(out), ..State::default() };
        self.run.frame(std::ptr::null_mut(), input, state).map(|_| ())
    }

    fn end(&mut self, context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        let state = Mutex::new(State { file: Some(out), ..State::default() });
        let call = Call { context: Some(context), state, ..Call::default() };
        let mut again = 0;
        let status = ask!(self.run.loaded(), finish(self.run.pointer, call.handle(), &raw mut again));
        call.end(status).map(|_| ())
    }
}
