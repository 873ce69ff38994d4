//! Starting the nodes of a pass with what is finished.

use std::sync::atomic::{AtomicU64, AtomicUsize};
use std::sync::{Arc, Mutex};

use stillair_api::{ClipInfo, Fault, Node, PortType, Table, Value};

use super::{At, PassJob, Rows, Stream, Work};
use crate::plan::OutputRef;
use crate::run::output::Making;

/// Starts every node of the pass with what is finished.
pub(super) fn start(job: &PassJob<'_>) -> Result<Vec<Stream>, At> {
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
        let bound = job.store.bound(job.plan, index, job.provenance, job.measured);
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
pub(super) fn rows_of(
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
