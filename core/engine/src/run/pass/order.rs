//! What happens in the order of the frames: reduces add, sinks write, sweeps end.

use std::sync::atomic::Ordering;
use std::time::Instant;

use stillair_api::{Fault, Finish, FrameInput};

use super::frame::{Done, placement_of, row_of};
use super::{At, PassJob, PassResult, Stream, Work, lock};
use crate::plan::OutputRef;

/// Hands the items of a batch to the reduces, and its frames to the sinks, in the order of the frames.
pub(super) fn take_in_order(
    job: &PassJob<'_>,
    streams: &mut [Stream],
    active: &[bool],
    done: &mut [Done],
) -> Result<(), At> {
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

pub(super) fn sink_frames(
    job: &PassJob<'_>,
    streams: &mut [Stream],
    position: usize,
    done: &mut [Done],
) -> Result<(), At> {
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

/// Ends a sweep for reduces and sinks; says whether some reduce wants another.
pub(super) fn finish_ordered(
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
