//! One pass: a clip is read, fused maps and measures work on each frame, reduces and sinks take them in order.

mod frame;
mod fresh;
mod order;
mod start;

use std::path::Path;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use rayon::prelude::*;
use stillair_api::{Context, Fault, FrameReader, MapRun, MeasureRun, Motion, Node, ReduceRun, SinkRun, Table, Value};

use self::frame::{Done, FrameTask, Worker, new_worker};
use self::fresh::{finish_measures, fresh_columns};
use self::order::{finish_ordered, take_in_order};
use self::start::start;

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
    /// Nodes that the plan measures in this pass, whether they run or are known already.
    pub measured: &'a [usize],
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

/// The sink behind its lock, which only makes it shareable: nobody else holds it.
fn lock(sink: &mut Mutex<Box<dyn SinkRun>>) -> &mut dyn SinkRun {
    sink.get_mut().unwrap_or_else(std::sync::PoisonError::into_inner).as_mut()
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
