//! Tables and motions of measures in the making.

use std::sync::Arc;

use stillair_api::{MeasureRow, Motion, PortType, Table, Value};

use super::{PassJob, PassResult, Rows, Stream, Work};
use crate::plan::OutputRef;

/// Columns and motion of a measure in the making.
pub(super) struct Fresh {
    columns: Vec<Vec<f64>>,
    motion: Vec<stillair_api::GlobalRow>,
}

impl Fresh {
    pub(super) fn put(&mut self, index: usize, row: &MeasureRow) {
        for (column, value) in self.columns.iter_mut().zip(&row.values) {
            column[index] = *value;
        }
        if let (Some(slot), Some(global)) = (self.motion.get_mut(index), row.motion) {
            *slot = global;
        }
    }
}

pub(super) fn fresh_columns(job: &PassJob<'_>, streams: &[Stream], active: &[bool], frames: usize) -> Vec<Fresh> {
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

/// Makes the tables and motions of the measures, and lets later sweeps read them as finished.
pub(super) fn finish_measures(
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
