//! A small host for a plugin's own tests: runs one node over frames in memory, on one thread, in order.

use std::sync::Mutex;

use crate::{
    Bound, ClipInfo, Context, Entry, Finish, Frame, FrameInput, Layout, Map, Measure, Motion, Outcome, Placement,
    Reduce, Table, TimesOrigin, Value,
};

/// A context that never cancels and keeps what it is told.
#[derive(Debug, Default)]
pub struct TestContext {
    /// Facts recorded.
    pub entries: Mutex<Vec<Entry>>,
    /// Warnings given.
    pub warnings: Mutex<Vec<String>>,
}

impl TestContext {
    /// Value of a recorded number.
    pub fn number(&self, wanted: &str) -> Option<f64> {
        let entries = self.entries.lock().ok()?;
        entries.iter().rev().find_map(|e| match e {
            Entry::Number { name, value, .. } if name == wanted => Some(*value),
            _ => None,
        })
    }
}

impl Context for TestContext {
    fn cancelled(&self) -> bool {
        false
    }

    fn parallel(&self, n: usize, task: &(dyn Fn(usize) + Sync)) {
        (0..n).for_each(task);
    }

    fn record(&self, entry: Entry) {
        if let Ok(mut entries) = self.entries.lock() {
            entries.push(entry);
        }
    }

    fn warn(&self, message: &str) {
        if let Ok(mut warnings) = self.warnings.lock() {
            warnings.push(message.into());
        }
    }

    fn reserve(&self, _bytes: u64) -> bool {
        false
    }
}

/// A clip description for frames in memory: 100 frames per second, 10 ms exposures, 8 bits.
pub fn clip_info(frames: usize, width: usize, height: usize, layout: Layout) -> ClipInfo {
    ClipInfo {
        frames,
        width,
        height,
        layout,
        bits: 8,
        white_level: 255.0,
        time_s: (0..frames).map(|i| i as f64 * 0.01).collect(),
        start_unix_ns: Some(1_900_000_000_000_000_000),
        times: TimesOrigin::Stamps,
        exposure_s: Some(0.01),
        header: Default::default(),
        notes: Vec::new(),
    }
}

fn placements(bound: &Bound, index: usize) -> Outcome<Option<Placement>> {
    let motions: Vec<&Motion> = bound.motions("motion").into_iter().map(AsRef::as_ref).collect();
    if motions.is_empty() { Ok(None) } else { Placement::compose(index, &motions).map(Some) }
}

/// Runs a map over frames (all of them, whatever their weight).
///
/// # Errors
/// What the node says.
pub fn run_map(node: &dyn Map, bound: &Bound, info: &ClipInfo, frames: &[Frame]) -> Outcome<Vec<Frame>> {
    let run = node.start(&TestContext::default(), bound, info)?;
    let mut scratch = run.worker();
    let table = bound.maybe_table("table");
    let one = |frame: &Frame| {
        let row = table.map(|t| t.row(frame.index));
        let mut windowed = frame.clone();
        if let Some(region) = run.window(frame.index, row.as_ref())? {
            windowed.copy_window(frame, region);
        }
        let placement = placements(bound, frame.index)?;
        let mut out = Frame::empty();
        run.frame(&mut scratch, &FrameInput { frame: &windowed, row, placement: placement.as_ref() }, &mut out)?;
        Ok(out)
    };
    frames.iter().map(one).collect()
}

/// Runs a measure over frames; rows by frame, and the table with the new columns (NaN where the weight is 0).
///
/// # Errors
/// What the node says.
pub fn run_measure(
    node: &dyn Measure,
    columns: &[crate::ColumnSpec],
    bound: &Bound,
    info: &ClipInfo,
    frames: &[Frame],
) -> Outcome<(Table, Motion)> {
    let run = node.start(&TestContext::default(), bound, info)?;
    let mut scratch = run.worker();
    let mut table =
        bound.maybe_table("table").map_or_else(|| Table::for_frames(&info.time_s, info.exposure_s), |t| (**t).clone());
    let mut data = vec![vec![f64::NAN; info.frames]; columns.len()];
    let mut motion = vec![crate::GlobalRow::unknown(); info.frames];
    for frame in frames {
        if table.weight(frame.index) == 0.0 {
            continue;
        }
        let placement = placements(bound, frame.index)?;
        let row = Some(table.row(frame.index));
        let measured = run.frame(&mut scratch, &FrameInput { frame, row, placement: placement.as_ref() })?;
        for (column, value) in data.iter_mut().zip(&measured.values) {
            column[frame.index] = *value;
        }
        if let Some(global) = measured.motion {
            motion[frame.index] = global;
        }
    }
    for (spec, values) in columns.iter().zip(data) {
        table.push(spec.clone(), values);
    }
    Ok((table, Motion { global: Some(motion), ..Motion::default() }))
}

/// Runs a reduce over frames, sweep after sweep; frames of weight 0 are left out.
///
/// # Errors
/// What the node says.
pub fn run_reduce(
    node: &dyn Reduce,
    context: &TestContext,
    bound: &Bound,
    info: &ClipInfo,
    frames: &[Frame],
) -> Outcome<Vec<Value>> {
    let mut run = node.start(context, bound, info)?;
    let mut scratch = run.worker();
    let table = bound.maybe_table("table");
    loop {
        for frame in frames {
            if table.is_some_and(|t| t.weight(frame.index) == 0.0) {
                continue;
            }
            let placement = placements(bound, frame.index)?;
            let row = table.map(|t| t.row(frame.index));
            let item = run.prepare(&mut scratch, &FrameInput { frame, row, placement: placement.as_ref() })?;
            run.add(context, vec![(frame.index, item)])?;
        }
        if let Finish::Done(values) = run.finish(context)? {
            return Ok(values);
        }
    }
}
