//! One pass: a clip is read, fused maps and measures work on each frame, reduces and sinks take them in order.

use std::path::Path;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Instant;

use rayon::prelude::*;
use stillair_api::{
    ClipInfo, Context, Fault, Finish, Frame, FrameInput, FrameReader, Item, MapRun, MeasureRow, MeasureRun, Motion,
    Node, Outcome, Placement, PortType, ReduceRun, Region, Row, Scratch, SinkRun, Table, Value,
};

use super::context::NodeContext;
use super::output::{Making, Written};
use super::store::Store;
use super::{Event, Events};
use crate::plan::{OutputRef, Pass, Plan};

/// A fault and the node at which it happened.
pub(super) type At = (Fault, usize);

/// All that a pass works with.
pub(super) struct PassJob<'a> {
    pub plan: &'a Plan,
    pub pass: &'a Pass,
    pub number: (usize, usize),
    pub nodes: &'a [Option<Node>],
    pub contexts: &'a [NodeContext<'a>],
    pub store: &'a Store,
    pub reader: &'a dyn FrameReader,
    pub exposure_s: Option<f64>,
    pub batch: usize,
    pub provenance: &'a str,
    pub folder: &'a Path,
    pub events: &'a dyn Events,
}

/// What a pass gives.
#[derive(Default)]
pub(super) struct PassResult {
    pub outputs: Vec<(OutputRef, Value)>,
    pub written: Vec<Written>,
    /// Per node: seconds of work summed over threads, frames, sweeps.
    pub timings: Vec<(usize, f64, usize, u32)>,
    pub frames_read: usize,
    pub bytes_read: u64,
    pub read_seconds: f64,
    pub sweeps: u32,
}

enum Work {
    Map(Box<dyn MapRun>),
    Measure(Box<dyn MeasureRun>),
    Reduce(Box<dyn ReduceRun>),
    Sink(Mutex<Box<dyn SinkRun>>, Option<Making>),
}

/// Where a node's rows come from: a finished table, and measures of this pass whose columns are fresh.
#[derive(Clone)]
struct Rows {
    base: Arc<Table>,
    fresh: Vec<usize>,
}

/// A node of the pass at work.
struct Stream {
    node: usize,
    work: Work,
    /// Position of the map before it; `None` = the source.
    upstream: Option<usize>,
    rows: Option<Rows>,
    motions: Vec<Arc<Motion>>,
    /// Position of the measure whose motion is fresh.
    fresh_motion: Option<usize>,
    nanos: AtomicU64,
    frames: AtomicUsize,
    sweeps: u32,
}

impl Stream {
    fn is_map(&self) -> bool {
        matches!(self.work, Work::Map(_))
    }

    fn places(&self) -> bool {
        !self.motions.is_empty() || self.fresh_motion.is_some()
    }

    /// Whether the finished tables leave a chance that the frame is wanted.
    fn may_want(&self, index: usize) -> bool {
        self.rows.as_ref().is_none_or(|rows| rows.base.weight(index) > 0.0)
    }
}

/// Buffers of one thread.
struct Worker {
    bytes: Vec<u8>,
    raw: Frame,
    frames: Vec<Frame>,
    scratch: Vec<Scratch>,
}

/// The sink behind its lock, which only makes it shareable: nobody else holds it.
fn lock(sink: &mut Mutex<Box<dyn SinkRun>>) -> &mut dyn SinkRun {
    sink.get_mut().unwrap_or_else(std::sync::PoisonError::into_inner).as_mut()
}

/// What became of one frame.
struct Done {
    index: usize,
    rows: Vec<Option<MeasureRow>>,
    items: Vec<Option<Item>>,
    frames: Vec<Option<Frame>>,
}

pub(super) fn run_pass(job: &PassJob<'_>) -> Result<PassResult, At> {
    let mut streams = start(job)?;
    let info = job.reader.info();
    let mut result = PassResult::default();
    let mut active: Vec<bool> = vec![true; streams.len()];
    let workers: Mutex<Vec<Worker>> = Mutex::default();
    let (read_nanos, bytes_read, frames_read) = (AtomicU64::new(0), AtomicU64::new(0), AtomicUsize::new(0));
    loop {
        result.sweeps += 1;
        announce(job, &streams, &active, info.frames, result.sweeps);
        let needed = needed_maps(&streams, &active);
        let wanted: Vec<usize> = (0..info.frames)
            .filter(|&i| streams.iter().zip(&active).any(|(s, a)| *a && !s.is_map() && s.may_want(i)))
            .collect();
        let mut columns = fresh_columns(job, &streams, &active, info.frames);
        let mut done_frames = 0;
        for batch in wanted.chunks(job.batch.max(1)) {
            let one = |&index: &usize| -> Result<Done, At> {
                let taken = workers.lock().ok().and_then(|mut w| w.pop());
                let mut worker = taken.unwrap_or_else(|| new_worker(&streams));
                let done = FrameTask { job, streams: &streams, active: &active, needed: &needed }.run(
                    index,
                    &mut worker,
                    &read_nanos,
                    &bytes_read,
                    &frames_read,
                );
                if let Ok(mut pool) = workers.lock() {
                    pool.push(worker);
                }
                done
            };
            let mut done: Vec<Done> =
                batch.par_iter().map(one).collect::<Vec<_>>().into_iter().collect::<Result<_, _>>()?;
            for frame in &mut done {
                for (position, row) in frame.rows.iter().enumerate() {
                    if let Some(row) = row {
                        columns[position].put(frame.index, row);
                    }
                }
            }
            take_in_order(job, &mut streams, &active, &mut done)?;
            done_frames += batch.len();
            job.events.event(&Event::Progress { done: done_frames, total: wanted.len() });
        }
        // A pass over no frame still must notice the wish to stop.
        if job.contexts.first().is_some_and(Context::cancelled) {
            return Err((Fault::cancelled(), job.pass.source));
        }
        finish_measures(job, &mut streams, &active, columns, &mut result);
        let again = finish_ordered(job, &mut streams, &mut active, &mut result)?;
        if !again {
            break;
        }
    }
    for stream in &streams {
        let seconds = stream.nanos.load(Ordering::Relaxed) as f64 * 1e-9;
        result.timings.push((stream.node, seconds, stream.frames.load(Ordering::Relaxed), stream.sweeps));
    }
    result.frames_read = frames_read.into_inner();
    result.bytes_read = bytes_read.into_inner();
    result.read_seconds = read_nanos.into_inner() as f64 * 1e-9;
    Ok(result)
}

fn announce(job: &PassJob<'_>, streams: &[Stream], active: &[bool], frames: usize, sweep: u32) {
    let named: Vec<&str> = streams
        .iter()
        .zip(active)
        .filter(|(s, a)| **a && !s.is_map())
        .map(|(s, _)| job.plan.nodes[s.node].step.as_str())
        .collect();
    let (pass, passes) = job.number;
    job.events.event(&Event::PassStarted { pass, passes, what: named.join(", "), frames, sweep });
}

/// Starts every node of the pass with what is finished.
fn start(job: &PassJob<'_>) -> Result<Vec<Stream>, At> {
    let source_info = job.reader.info().clone();
    let mut streams: Vec<Stream> = Vec::new();
    for &index in &job.pass.nodes {
        let at = |fault: Fault| (fault, index);
        let node = &job.plan.nodes[index];
        let position_of = |streams: &[Stream], wanted: usize| streams.iter().position(|s| s.node == wanted);
        let mut upstream = None;
        let mut rows = None;
        let mut motions = Vec::new();
        let mut fresh_motion = None;
        for (port, outputs) in node.description.inputs.iter().zip(&node.inputs) {
            for output in outputs {
                let fresh = position_of(&streams, output.node).filter(|p| matches!(streams[*p].work, Work::Measure(_)));
                match port.kind {
                    PortType::Frames => upstream = position_of(&streams, output.node),
                    PortType::Table if rows.is_none() => rows = rows_of(job, &streams, fresh, *output, &source_info),
                    PortType::Motion => match (fresh, job.store.get(*output)) {
                        (Some(position), _) => fresh_motion = Some(position),
                        (None, Some(Value::Motion(motion))) => motions.push(motion.clone()),
                        _ => {}
                    },
                    _ => {}
                }
            }
        }
        let info = match upstream.map(|u| &streams[u].work) {
            Some(Work::Map(map)) => map.info().clone(),
            _ => source_info.clone(),
        };
        let bound = job.store.bound(job.plan, index, job.provenance);
        let context = &job.contexts[index];
        let work = match &job.nodes[index] {
            Some(Node::Map(map)) => Work::Map(map.start(context, &bound, &info).map_err(at)?),
            Some(Node::Measure(measure)) => Work::Measure(measure.start(context, &bound, &info).map_err(at)?),
            Some(Node::Reduce(reduce)) => Work::Reduce(reduce.start(context, &bound, &info).map_err(at)?),
            Some(Node::Sink(sink)) => {
                let mut run = sink.start(context, &bound, Some(&info)).map_err(at)?;
                let name = format!("{}.{}", sink.file_stem(), node.description.extension);
                let mut making = Making::start(&job.folder.join("results").join(name)).map_err(at)?;
                run.begin(context, making.writer()).map_err(|f| at(making.named(f)))?;
                Work::Sink(Mutex::new(run), Some(making))
            }
            _ => return Err(at(Fault::internal("a node of a pass does not work on frames"))),
        };
        streams.push(Stream {
            node: index,
            work,
            upstream,
            rows,
            motions,
            fresh_motion,
            nanos: AtomicU64::new(0),
            frames: AtomicUsize::new(0),
            sweeps: 0,
        });
    }
    Ok(streams)
}

/// Rows of a table link: finished, or fresh from a measure of this pass on top of what that measure got.
fn rows_of(
    job: &PassJob<'_>,
    streams: &[Stream],
    fresh: Option<usize>,
    output: OutputRef,
    info: &ClipInfo,
) -> Option<Rows> {
    if let Some(position) = fresh {
        let mut rows = streams[position].rows.clone().unwrap_or_else(|| Rows {
            base: Arc::new(Table::for_frames(&info.time_s, job.exposure_s)),
            fresh: Vec::new(),
        });
        rows.fresh.push(position);
        return Some(rows);
    }
    match job.store.get(output) {
        Some(Value::Table(table)) => Some(Rows { base: table.clone(), fresh: Vec::new() }),
        _ => None,
    }
}

/// Maps that an active node stands on.
fn needed_maps(streams: &[Stream], active: &[bool]) -> Vec<bool> {
    let mut needed = vec![false; streams.len()];
    for position in (0..streams.len()).rev() {
        let stream = &streams[position];
        let wanted = if stream.is_map() { needed[position] } else { active[position] };
        if let (true, Some(upstream)) = (wanted, stream.upstream) {
            needed[upstream] = true;
        }
    }
    needed
}

fn new_worker(streams: &[Stream]) -> Worker {
    let scratch = |stream: &Stream| match &stream.work {
        Work::Map(map) => map.worker(),
        Work::Measure(measure) => measure.worker(),
        Work::Reduce(reduce) => reduce.worker(),
        Work::Sink(..) => Box::new(()) as Scratch,
    };
    Worker {
        bytes: Vec::new(),
        raw: Frame::empty(),
        frames: streams.iter().map(|_| Frame::empty()).collect(),
        scratch: streams.iter().map(scratch).collect(),
    }
}

/// The work on one frame.
struct FrameTask<'a> {
    job: &'a PassJob<'a>,
    streams: &'a [Stream],
    active: &'a [bool],
    needed: &'a [bool],
}

impl FrameTask<'_> {
    fn run(
        &self,
        index: usize,
        worker: &mut Worker,
        read_nanos: &AtomicU64,
        bytes_read: &AtomicU64,
        frames_read: &AtomicUsize,
    ) -> Result<Done, At> {
        let source = self.job.pass.source;
        if self.job.contexts[source].cancelled() {
            return Err((Fault::cancelled(), source));
        }
        let count = self.streams.len();
        let mut done = Done {
            index,
            rows: vec![None; count],
            items: (0..count).map(|_| None).collect(),
            frames: (0..count).map(|_| None).collect(),
        };
        let began = Instant::now();
        let region = self.region(index).map_err(|f| (f, source))?;
        self.job.reader.read(index, region, &mut worker.bytes, &mut worker.raw).map_err(|f| (f, source))?;
        read_nanos.fetch_add(began.elapsed().as_nanos() as u64, Ordering::Relaxed);
        bytes_read.fetch_add(worker.bytes.len() as u64, Ordering::Relaxed);
        frames_read.fetch_add(1, Ordering::Relaxed);
        for (position, stream) in self.streams.iter().enumerate() {
            let wanted = if stream.is_map() { self.needed[position] } else { self.active[position] };
            if !wanted || (!stream.is_map() && !stream.may_want(index)) {
                continue;
            }
            self.step(position, index, worker, &mut done).map_err(|f| (f, stream.node))?;
        }
        Ok(done)
    }

    /// The part of the frame that is read: what the first maps need, or all of it.
    fn region(&self, index: usize) -> Outcome<Region> {
        let whole = self.job.reader.info().region();
        let mut union: Option<Region> = None;
        for (position, stream) in self.streams.iter().enumerate() {
            let wanted = if stream.is_map() { self.needed[position] } else { self.active[position] };
            if !wanted || stream.upstream.is_some() {
                continue;
            }
            let Work::Map(map) = &stream.work else { return Ok(whole) };
            let row = stream.rows.as_ref().map(|rows| rows.base.row(index));
            let Some(window) = map.window(index, row.as_ref())? else { return Ok(whole) };
            union = Some(union.map_or(window, |u| joined(u, window)));
        }
        Ok(union.unwrap_or(whole))
    }

    fn step(&self, position: usize, index: usize, worker: &mut Worker, done: &mut Done) -> Outcome<()> {
        let stream = &self.streams[position];
        let row = stream.rows.as_ref().map(|rows| self.row(rows, index, &done.rows));
        if !stream.is_map() && row.as_ref().is_some_and(|r| r.weight() == 0.0) {
            return Ok(());
        }
        let placement = if stream.places() { Some(self.placement(stream, index, &done.rows)?) } else { None };
        if placement.as_ref().is_some_and(|p| !p.global.is_known()) {
            return Ok(());
        }
        let began = Instant::now();
        let (before, after) = worker.frames.split_at_mut(position);
        let frame = stream.upstream.map_or(&worker.raw, |u| &before[u]);
        let scratch = &mut worker.scratch[position];
        let input = FrameInput { frame, row, placement: placement.as_ref() };
        match &stream.work {
            Work::Map(map) => map.frame(scratch, &input, &mut after[0])?,
            Work::Measure(measure) => done.rows[position] = Some(measure.frame(scratch, &input)?),
            Work::Reduce(reduce) => done.items[position] = Some(reduce.prepare(scratch, &input)?),
            Work::Sink(..) => done.frames[position] = Some(frame.clone()),
        }
        stream.nanos.fetch_add(began.elapsed().as_nanos() as u64, Ordering::Relaxed);
        stream.frames.fetch_add(1, Ordering::Relaxed);
        Ok(())
    }

    fn row<'r>(&'r self, rows: &'r Rows, index: usize, measured: &[Option<MeasureRow>]) -> Row<'r> {
        row_of(self.job, self.streams, rows, index, measured)
    }

    fn placement(&self, stream: &Stream, index: usize, measured: &[Option<MeasureRow>]) -> Outcome<Placement> {
        placement_of(stream, index, measured)
    }
}

fn row_of<'r>(
    job: &PassJob<'r>,
    streams: &[Stream],
    rows: &'r Rows,
    index: usize,
    measured: &[Option<MeasureRow>],
) -> Row<'r> {
    if rows.fresh.is_empty() {
        return rows.base.row(index);
    }
    let mut fresh = Vec::new();
    for &position in &rows.fresh {
        let columns = &job.plan.nodes[streams[position].node].description.columns;
        for (number, column) in columns.iter().enumerate() {
            let value = measured[position].as_ref().and_then(|r| r.values.get(number)).copied();
            fresh.push((column, value.unwrap_or(f64::NAN)));
        }
    }
    Row::with_fresh(&rows.base, index, fresh)
}

fn placement_of(stream: &Stream, index: usize, measured: &[Option<MeasureRow>]) -> Outcome<Placement> {
    let motions: Vec<&Motion> = stream.motions.iter().map(AsRef::as_ref).collect();
    let Some(fresh) = stream.fresh_motion else { return Placement::compose(index, &motions) };
    let global = measured[fresh].as_ref().and_then(|r| r.motion).unwrap_or_else(stillair_api::GlobalRow::unknown);
    let mut placement = Placement::global(index, global);
    for motion in motions {
        placement.add_layers(motion)?;
    }
    Ok(placement)
}

fn joined(a: Region, b: Region) -> Region {
    let (x, y) = (a.x.min(b.x), a.y.min(b.y));
    let (right, bottom) = ((a.x + a.width).max(b.x + b.width), (a.y + a.height).max(b.y + b.height));
    Region { x, y, width: right - x, height: bottom - y }
}

/// Columns and motion of a measure in the making.
struct Fresh {
    columns: Vec<Vec<f64>>,
    motion: Vec<stillair_api::GlobalRow>,
}

impl Fresh {
    fn put(&mut self, index: usize, row: &MeasureRow) {
        for (column, value) in self.columns.iter_mut().zip(&row.values) {
            column[index] = *value;
        }
        if let (Some(slot), Some(global)) = (self.motion.get_mut(index), row.motion) {
            *slot = global;
        }
    }
}

fn fresh_columns(job: &PassJob<'_>, streams: &[Stream], active: &[bool], frames: usize) -> Vec<Fresh> {
    let of = |(stream, active): (&Stream, &bool)| {
        let description = &job.plan.nodes[stream.node].description;
        let is_measure = *active && matches!(stream.work, Work::Measure(_));
        let columns = if is_measure { description.columns.len() } else { 0 };
        let moves = is_measure && description.outputs.iter().any(|o| o.kind == PortType::Motion);
        let unknown = stillair_api::GlobalRow::unknown();
        Fresh {
            columns: vec![vec![f64::NAN; frames]; columns],
            motion: if moves { vec![unknown; frames] } else { Vec::new() },
        }
    };
    streams.iter().zip(active).map(of).collect()
}

/// Hands the items of a batch to the reduces, and its frames to the sinks, in the order of the frames.
fn take_in_order(job: &PassJob<'_>, streams: &mut [Stream], active: &[bool], done: &mut [Done]) -> Result<(), At> {
    for position in 0..streams.len() {
        if !active[position] {
            continue;
        }
        let began = Instant::now();
        let node = streams[position].node;
        let at = |fault: Fault| (fault, node);
        let context = &job.contexts[node];
        match &mut streams[position].work {
            Work::Reduce(reduce) => {
                let items =
                    done.iter_mut().filter_map(|d| d.items[position].take().map(|item| (d.index, item))).collect();
                reduce.add(context, items).map_err(at)?;
            }
            Work::Sink(..) => sink_frames(job, streams, position, done)?,
            _ => continue,
        }
        streams[position].nanos.fetch_add(began.elapsed().as_nanos() as u64, Ordering::Relaxed);
    }
    Ok(())
}

fn sink_frames(job: &PassJob<'_>, streams: &mut [Stream], position: usize, done: &mut [Done]) -> Result<(), At> {
    let node = streams[position].node;
    for frame in done {
        let Some(pixels) = frame.frames[position].take() else { continue };
        let rows = streams[position].rows.clone();
        let row = rows.as_ref().map(|rows| row_of(job, streams, rows, frame.index, &frame.rows));
        let placement = if streams[position].places() {
            Some(placement_of(&streams[position], frame.index, &frame.rows).map_err(|f| (f, node))?)
        } else {
            None
        };
        let input = FrameInput { frame: &pixels, row, placement: placement.as_ref() };
        if let Work::Sink(sink, Some(making)) = &mut streams[position].work {
            lock(sink).frame(&input, making.writer()).map_err(|f| (making.named(f), node))?;
        }
    }
    Ok(())
}

/// Makes the tables and motions of the measures, and lets later sweeps read them as finished.
fn finish_measures(
    job: &PassJob<'_>,
    streams: &mut [Stream],
    active: &[bool],
    columns: Vec<Fresh>,
    result: &mut PassResult,
) {
    let info = job.reader.info();
    let mut tables: Vec<Option<Arc<Table>>> = vec![None; streams.len()];
    let mut motions: Vec<Option<Arc<Motion>>> = vec![None; streams.len()];
    for (position, fresh) in columns.into_iter().enumerate() {
        let stream = &mut streams[position];
        if !active[position] || !matches!(stream.work, Work::Measure(_)) {
            continue;
        }
        stream.sweeps = 1;
        let description = &job.plan.nodes[stream.node].description;
        let base = match &stream.rows {
            Some(rows) => rows.fresh.last().and_then(|p| tables[*p].clone()).unwrap_or_else(|| rows.base.clone()),
            None => Arc::new(Table::for_frames(&info.time_s, job.exposure_s)),
        };
        let mut table = (*base).clone();
        for (spec, values) in description.columns.iter().zip(fresh.columns) {
            table.push(spec.clone(), values);
        }
        let table = Arc::new(table);
        let motion = Arc::new(Motion { global: Some(fresh.motion), ..Motion::default() });
        for (port, output) in description.outputs.iter().enumerate() {
            let value = match output.kind {
                PortType::Table => Value::Table(table.clone()),
                PortType::Motion => Value::Motion(motion.clone()),
                _ => continue,
            };
            result.outputs.push((OutputRef { node: stream.node, port }, value));
        }
        tables[position] = Some(table);
        motions[position] = Some(motion);
    }
    for stream in streams {
        if let Some(rows) = &mut stream.rows
            && let Some(table) = rows.fresh.last().and_then(|p| tables[*p].clone())
        {
            *rows = Rows { base: table, fresh: Vec::new() };
        }
        if let Some(motion) = stream.fresh_motion.and_then(|p| motions[p].clone()) {
            stream.motions.push(motion);
            stream.fresh_motion = None;
        }
    }
}

/// Ends a sweep for reduces and sinks; says whether some reduce wants another.
fn finish_ordered(
    job: &PassJob<'_>,
    streams: &mut [Stream],
    active: &mut [bool],
    result: &mut PassResult,
) -> Result<bool, At> {
    let mut again = false;
    for (stream, active) in streams.iter_mut().zip(active) {
        if !*active || stream.is_map() {
            continue;
        }
        let at = |fault: Fault| (fault, stream.node);
        let context = &job.contexts[stream.node];
        let description = &job.plan.nodes[stream.node].description;
        *active = false;
        let began = Instant::now();
        match &mut stream.work {
            Work::Reduce(reduce) => {
                stream.sweeps += 1;
                match reduce.finish(context).map_err(at)? {
                    Finish::Again if stream.sweeps < description.sweeps => {
                        *active = true;
                        again = true;
                    }
                    Finish::Again => {
                        let most = description.sweeps;
                        return Err(at(Fault::internal(format!("asked for more than its {most} declared sweeps"))));
                    }
                    Finish::Done(values) => {
                        let node = stream.node;
                        let outputs = values.into_iter().enumerate();
                        result.outputs.extend(outputs.map(|(port, value)| (OutputRef { node, port }, value)));
                    }
                }
            }
            Work::Sink(sink, making) => {
                if let Some(mut making) = making.take() {
                    lock(sink).end(context, making.writer()).map_err(|f| at(making.named(f)))?;
                    result.written.push(making.finish(job.folder).map_err(at)?);
                }
            }
            _ => {}
        }
        stream.nanos.fetch_add(began.elapsed().as_nanos() as u64, Ordering::Relaxed);
    }
    Ok(again)
}
