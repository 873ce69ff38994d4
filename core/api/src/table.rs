//! A row per frame.

use std::borrow::Cow;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

/// Standard column names.
pub mod columns {
    /// Number of the frame, from 0.
    pub const INDEX: &str = "index";
    /// Seconds from the first frame.
    pub const TIME_S: &str = "time_s";
    /// Exposure in seconds.
    pub const EXPOSURE_S: &str = "exposure_s";
    /// Weight in the stack; 0 = not read.
    pub const WEIGHT: &str = "weight";
    /// Column of the target's centre in the full frame, px.
    pub const X_PX: &str = "x_px";
    /// Row of the target's centre in the full frame, px.
    pub const Y_PX: &str = "y_px";
    /// Width of the target's box, px.
    pub const WIDTH_PX: &str = "width_px";
    /// Height of the target's box, px.
    pub const HEIGHT_PX: &str = "height_px";
    /// Radius of a circle of the bright area, px.
    pub const RADIUS_PX: &str = "radius_px";
    /// Light of the target above the background, white levels times px.
    pub const FLUX: &str = "flux";
    /// Sky background, white levels.
    pub const BACKGROUND: &str = "background";
    /// Robust noise of a background pixel, white levels.
    pub const NOISE: &str = "noise";
    /// Bright end of the target above the background (98th percentile of the disc), white levels.
    pub const PEAK: &str = "peak";
    /// Share of the target's pixels at the white level.
    pub const CLIPPED: &str = "clipped";
    /// Share of the target's outline that lies on the frame's edge; 0 = whole.
    pub const CUT: &str = "cut";
    /// 1 where a target was found, else 0.
    pub const FOUND: &str = "found";
    /// Flux against its running high percentile.
    pub const TRANSPARENCY: &str = "transparency";
    /// 1 where a frame may be used, else 0.
    pub const USABLE: &str = "usable";
    /// Why a frame was rejected (a category; empty = kept).
    pub const REASON: &str = "reason";
    /// Every grade column begins with this; higher is sharper.
    pub const GRADE: &str = "grade";
}

/// Name, unit and meaning of a column.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ColumnSpec {
    /// Column name, snake case, unit at the end where it has one.
    pub name: String,
    /// Unit, "" for a pure number.
    pub unit: String,
    /// The names of a category's values, empty for numbers.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub categories: Vec<String>,
    /// What it says.
    pub help: String,
}

impl ColumnSpec {
    /// A column of numbers.
    pub fn number(name: &str, unit: &str, help: &str) -> Self {
        Self { name: name.into(), unit: unit.into(), categories: Vec::new(), help: help.into() }
    }

    /// A column of categories; values are indices into `categories`.
    pub fn category(name: &str, categories: &[&str], help: &str) -> Self {
        Self {
            name: name.into(),
            unit: String::new(),
            categories: categories.iter().map(|c| (*c).to_string()).collect(),
            help: help.into(),
        }
    }
}

/// The values of a column, one per frame; missing is NaN. A category's values are indices of its names.
pub type ColumnData = Arc<[f64]>;

/// A column of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Name, unit and meaning.
    pub spec: ColumnSpec,
    /// One value per frame.
    pub data: ColumnData,
}

/// A row per frame; columns are added, never rewritten. Cheap to clone.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table {
    rows: usize,
    columns: Vec<Column>,
}

impl Table {
    /// A table with `index`, `time_s`, `exposure_s`.
    pub fn for_frames(time_s: &[f64], exposure_s: Option<f64>) -> Self {
        let rows = time_s.len();
        let index: Vec<f64> = (0..rows).map(|i| i as f64).collect();
        let mut table = Self { rows, columns: Vec::new() };
        table.push(ColumnSpec::number(columns::INDEX, "", "number of the frame"), index);
        table.push(ColumnSpec::number(columns::TIME_S, "s", "time from the first frame"), time_s.to_vec());
        table.push(
            ColumnSpec::number(columns::EXPOSURE_S, "s", "exposure of the frame"),
            vec![exposure_s.unwrap_or(f64::NAN); rows],
        );
        table
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// All columns, in the order of their making.
    pub fn columns(&self) -> &[Column] {
        &self.columns
    }

    /// Adds a column. A name that stands already gets `_2`, `_3`, ...; look-ups by the plain name find the latest.
    ///
    /// # Panics
    /// If `data` is not one value per row: a mistake of the calling method.
    pub fn push(&mut self, mut spec: ColumnSpec, data: Vec<f64>) {
        assert_eq!(data.len(), self.rows, "column {} must have a value per frame", spec.name);
        let taken = |name: &str| self.columns.iter().any(|c| c.spec.name == name);
        if taken(&spec.name) {
            let base = spec.name.clone();
            let mut number = 2;
            while taken(&spec.name) {
                spec.name = format!("{base}_{number}");
                number += 1;
            }
        }
        self.columns.push(Column { spec, data: data.into() });
    }

    /// The latest column of that name.
    pub fn column(&self, name: &str) -> Option<&Column> {
        self.columns.iter().rev().find(|c| belongs(&c.spec.name, name))
    }

    /// The values of the latest column of that name.
    pub fn values(&self, name: &str) -> Option<&[f64]> {
        self.column(name).map(|c| &*c.data)
    }

    /// The latest column whose name begins with "grade".
    pub fn latest_grade(&self) -> Option<&Column> {
        self.columns.iter().rev().find(|c| c.spec.name.starts_with(columns::GRADE))
    }

    /// Weight of a frame: the column `weight`, 1 where there is none, 0 where it is missing.
    pub fn weight(&self, index: usize) -> f64 {
        self.values(columns::WEIGHT).map_or(1.0, |w| if w[index].is_finite() { w[index].max(0.0) } else { 0.0 })
    }

    /// A view of one row.
    pub fn row(&self, index: usize) -> Row<'_> {
        Row { table: self, index, fresh: Cow::Borrowed(&[]), lookup: None }
    }

    /// A table whose columns have their final names already; nothing if one of them is not `rows` long.
    pub fn of_columns(rows: usize, columns: Vec<Column>) -> Option<Self> {
        columns.iter().all(|c| c.data.len() == rows).then_some(Self { rows, columns })
    }

    /// The same table, sharing those columns of `others` that are equal to its own, down to the last bit of every
    /// value. Values that came from elsewhere as copies are so recognised as what they are.
    #[must_use]
    pub fn sharing(&self, others: &[&Table]) -> Self {
        let same_bits = |a: &[f64], b: &[f64]| a.iter().map(|v| v.to_bits()).eq(b.iter().map(|v| v.to_bits()));
        let known: Vec<&Column> = others.iter().flat_map(|t| &t.columns).collect();
        let shared = |column: &Column| {
            let known = known.iter().find(|k| k.spec == column.spec && same_bits(&k.data, &column.data));
            known.map_or_else(|| column.clone(), |known| (*known).clone())
        };
        Self { rows: self.rows, columns: self.columns.iter().map(shared).collect() }
    }
}

/// `weight_2` belongs to the family `weight`, as `weight` itself does.
fn belongs(column: &str, family: &str) -> bool {
    // Asked for every column that a frame needs: most names differ in their first letters.
    let Some(rest) = column.strip_prefix(family) else { return false };
    let number = || rest.strip_prefix('_').is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()));
    rest.is_empty() || number()
}

/// One frame's row: finished columns, and those measured just now in the same pass.
#[derive(Clone)]
pub struct Row<'a> {
    table: &'a Table,
    index: usize,
    fresh: Cow<'a, [(&'a ColumnSpec, f64)]>,
    lookup: Option<Lookup<'a>>,
}

/// Finds the value of a column by its name.
type Lookup<'a> = &'a (dyn Fn(&str) -> Option<f64> + Sync);

static NO_TABLE: Table = Table { rows: 0, columns: Vec::new() };

impl std::fmt::Debug for Row<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Row").field("index", &self.index).field("fresh", &self.fresh).finish_non_exhaustive()
    }
}

impl<'a> Row<'a> {
    /// A row whose later columns were measured in the pass that is running.
    pub fn with_fresh(table: &'a Table, index: usize, fresh: Vec<(&'a ColumnSpec, f64)>) -> Self {
        Self { table, index, fresh: Cow::Owned(fresh), lookup: None }
    }

    /// A row whose values somebody else holds.
    pub(crate) fn of_lookup(index: usize, lookup: Lookup<'a>) -> Self {
        Self { table: &NO_TABLE, index, fresh: Cow::Borrowed(&[]), lookup: Some(lookup) }
    }

    /// Number of the frame.
    pub fn index(&self) -> usize {
        self.index
    }

    /// The value in the latest column of that name.
    pub fn get(&self, name: &str) -> Option<f64> {
        if let Some(lookup) = self.lookup {
            return lookup(name);
        }
        let fresh = self.fresh.iter().rev().find(|(spec, _)| spec.name == name).map(|(_, value)| *value);
        fresh.or_else(|| self.table.values(name).map(|v| v[self.index]))
    }

    /// The value in that column, NaN where there is none.
    pub fn number(&self, name: &str) -> f64 {
        self.get(name).unwrap_or(f64::NAN)
    }

    /// The frame's weight, as [`Table::weight`].
    pub fn weight(&self) -> f64 {
        match self.get(columns::WEIGHT) {
            None => 1.0,
            Some(w) if w.is_finite() => w.max(0.0),
            Some(_) => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_column_of_a_name_is_found_first_and_the_first_is_kept() {
        let mut table = Table::for_frames(&[0.0, 0.1], Some(0.01));
        table.push(ColumnSpec::number(columns::WEIGHT, "", ""), vec![1.0, 0.0]);
        table.push(ColumnSpec::number(columns::WEIGHT, "", ""), vec![0.5, f64::NAN]);
        assert_eq!(table.columns().last().map(|c| c.spec.name.as_str()), Some("weight_2"));
        assert_eq!(table.values(columns::WEIGHT).map(|w| w[0]), Some(0.5));
        assert_eq!(table.weight(1), 0.0);
        assert_eq!(table.columns()[3].data[1], 0.0);
    }
}
