//! The per-frame tables of a run as CSV: one file per clip, a column per step and quantity.

use std::collections::HashMap;
use std::sync::Arc;

use serde::Serialize;
use stillair_api::{Column, Motion, Outcome, Table, Value, columns};

use crate::plan::{OutputRef, Plan};

/// Tables and motions in the order of their making, by source.
#[derive(Default)]
pub(super) struct FrameTables {
    values: Vec<(OutputRef, Value)>,
}

/// One clip's per-frame numbers.
pub(super) struct FrameCsv {
    pub content: Vec<u8>,
    /// Name in the file of each column, by the address of its values.
    names: HashMap<*const f64, String>,
}

/// Which columns of `tables/frames*.csv` hold what the main stack was made from.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub(super) struct MainColumns {
    pub file: String,
    pub weight: Option<String>,
    pub grade: Option<String>,
    pub flux: Option<String>,
    pub transparency: Option<String>,
    pub reason: Option<String>,
    pub x_px: Option<String>,
    pub y_px: Option<String>,
}

impl FrameTables {
    /// Keeps a table or motion, in the plan's order of nodes: steps end in any order.
    pub fn keep(&mut self, output: OutputRef, value: &Value) {
        if matches!(value, Value::Table(_) | Value::Motion(_)) {
            let place = self.values.partition_point(|(o, _)| (o.node, o.port) <= (output.node, output.port));
            self.values.insert(place, (output, value.clone()));
        }
    }

    pub fn table(&self, output: OutputRef) -> Option<&Arc<Table>> {
        self.values.iter().find_map(|(o, v)| match v {
            Value::Table(table) if *o == output => Some(table),
            _ => None,
        })
    }

    /// All numbers of one source's frames.
    pub fn csv(&self, plan: &Plan, sources: &HashMap<usize, usize>, source: usize) -> Outcome<Option<FrameCsv>> {
        let mut header: Vec<String> = Vec::new();
        let mut cells: Vec<Vec<String>> = Vec::new();
        let mut names = HashMap::new();
        for (output, value) in &self.values {
            if sources.get(&output.node) != Some(&source) {
                continue;
            }
            let step = &plan.nodes[output.node].step;
            match value {
                Value::Table(table) => {
                    for column in table.columns() {
                        let address = column.data.as_ptr();
                        if names.contains_key(&address)
                            || (is_base(&column.spec.name) && header.contains(&column.spec.name))
                        {
                            continue;
                        }
                        let name = column_name(step, column);
                        names.insert(address, name.clone());
                        header.push(name);
                        cells.push(column.data.iter().map(|v| cell(column, *v)).collect());
                    }
                }
                Value::Motion(motion) => motion_columns(step, motion, &mut header, &mut cells),
                _ => {}
            }
        }
        if header.is_empty() {
            return Ok(None);
        }
        let rows = cells.iter().map(Vec::len).max().unwrap_or(0);
        let mut writer = csv::Writer::from_writer(Vec::new());
        let broken = |e: csv::Error| stillair_api::Fault::internal(e.to_string());
        writer.write_record(&header).map_err(broken)?;
        for row in 0..rows {
            writer.write_record(cells.iter().map(|c| c.get(row).map_or("", String::as_str))).map_err(broken)?;
        }
        let content = writer.into_inner().map_err(|e| stillair_api::Fault::internal(e.to_string()))?;
        Ok(Some(FrameCsv { content, names }))
    }
}

impl FrameCsv {
    /// Names of the columns that the main stack's table holds.
    pub fn main_columns(&self, file: &str, table: &Table) -> MainColumns {
        let name = |column: Option<&Column>| column.and_then(|c| self.names.get(&c.data.as_ptr())).cloned();
        MainColumns {
            file: file.into(),
            weight: name(table.column(columns::WEIGHT)),
            grade: name(table.latest_grade()),
            flux: name(table.column(columns::FLUX)),
            transparency: name(table.column(columns::TRANSPARENCY)),
            reason: name(table.column(columns::REASON)),
            x_px: name(table.column(columns::X_PX)),
            y_px: name(table.column(columns::Y_PX)),
        }
    }
}

fn is_base(name: &str) -> bool {
    [columns::INDEX, columns::TIME_S, columns::EXPOSURE_S].contains(&name)
}

fn column_name(step: &str, column: &Column) -> String {
    let name = &column.spec.name;
    if is_base(name) {
        return name.clone();
    }
    let plain = name.trim_end_matches(|c: char| c.is_ascii_digit());
    let plain = plain.strip_suffix('_').filter(|_| plain.len() < name.len()).unwrap_or(name);
    format!("{step}.{plain}")
}

fn cell(column: &Column, value: f64) -> String {
    if value.is_nan() {
        return String::new();
    }
    if !column.spec.categories.is_empty() {
        return column.spec.categories.get(value as usize).cloned().unwrap_or_default();
    }
    format!("{value}")
}

fn motion_columns(step: &str, motion: &Motion, header: &mut Vec<String>, cells: &mut Vec<Vec<String>>) {
    let Some(rows) = &motion.global else { return };
    let number = |v: f64| if v.is_nan() { String::new() } else { format!("{v}") };
    header.push(format!("{step}.motion_x_px"));
    cells.push(rows.iter().map(|r| number(r.x_px)).collect());
    header.push(format!("{step}.motion_y_px"));
    cells.push(rows.iter().map(|r| number(r.y_px)).collect());
    if rows.iter().any(|r| r.rotation_rad != 0.0) {
        header.push(format!("{step}.rotation_deg"));
        cells.push(rows.iter().map(|r| number(r.rotation_rad.to_degrees())).collect());
    }
    if rows.iter().any(|r| r.scale != 1.0) {
        header.push(format!("{step}.scale"));
        cells.push(rows.iter().map(|r| number(r.scale)).collect());
    }
}
