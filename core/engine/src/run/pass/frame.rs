//! The work of one thread on one frame of a pass.

use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::time::Instant;

use stillair_api::{
    Context, Fault, Frame, FrameInput, Item, MeasureRow, Motion, Outcome, Placement, Region, Row, Scratch,
};

use super::{At, PassJob, Rows, Stream, Work};

/// Buffers of one thread.
pub(super) struct Worker {
    bytes: Vec<u8>,
    raw: Frame,
    frames: Vec<Frame>,
    scratch: Vec<Scratch>,
}

pub(super) fn new_worker(streams: &[Stream]) -> Worker {
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

/// What became of one frame.
pub(super) struct Done {
    pub index: usize,
    pub rows: Vec<Option<MeasureRow>>,
    pub items: Vec<Option<Item>>,
    pub frames: Vec<Option<Frame>>,
}

/// The work on one frame.
pub(super) struct FrameTask<'a> {
    pub job: &'a PassJob<'a>,
    pub streams: &'a [Stream],
    pub active: &'a [bool],
    pub needed: &'a [bool],
}

impl FrameTask<'_> {
    pub(super) fn run(
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

pub(super) fn row_of<'r>(
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

pub(super) fn placement_of(stream: &Stream, index: usize, measured: &[Option<MeasureRow>]) -> Outcome<Placement> {
    let motions: Vec<&Motion> = stream.motions.iter().map(AsRef::as_ref).collect();
    let Some(fresh) = stream.fresh_motion else { return Placement::compose(index, &motions) };
    let global = measured[fresh].as_ref().and_then(|r| r.motion).unwrap_or_else(stillair_api::GlobalRow::unknown);
    let mut placement = Placement::global(index, global);
    for motion in motions {
        placement.add_layers(motion)?;
    }
    Ok(placement)
}

pub(super) fn joined(a: Region, b: Region) -> Region {
    let (x, y) = (a.x.min(b.x), a.y.min(b.y));
    let (right, bottom) = ((a.x + a.width).max(b.x + b.width), (a.y + a.height).max(b.y + b.height));
    Region { x, y, width: right - x, height: bottom - y }
}
