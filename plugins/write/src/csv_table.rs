//! `write.csv`: a table as comma-separated text, one row per frame.
//!
//! The first line names the columns; a name ends with its unit where it has one (`x_px`, `time_s`). Numbers have as many
//! digits as bring back the same value, categories stand as words, what is missing is left empty. Where a provenance is
//! known it stands before all as a line of its own that begins with `#`. Sources: RFC 4180; the comment line: common
//! practice, no source.

use std::borrow::Cow;
use std::sync::Arc;

use stillair_api::{
    Bound, ClipInfo, Column, Context, Description, Facts, Fault, Method, Node, Outcome, OutputFile, Parameters,
    PortType, Shape, Sink, SinkRun, Table,
};

use crate::output::{name_parameter, stem, unwritable};

/// `write.csv`.
pub struct Csv;

impl Method for Csv {
    fn describe(&self) -> Description {
        Description::new("write.csv", Shape::Sink, "writes a table as comma-separated text")
            .help(
                "One row per frame, one column per measurement, units at the end of the names. Categories stand as words; \
                 what is missing is empty. A first line that begins with # says what the table was made from.",
            )
            .source("RFC 4180")
            .contract("write.table")
            .input("table", PortType::Table, "the table")
            .parameter(name_parameter("table"))
            .extension("csv")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Sink(Box::new(CsvSink { stem: stem(parameters)? })))
    }
}

/// A value as it stands in the file.
fn cell(column: &Column, row: usize) -> Cow<'_, str> {
    let value = column.data[row];
    if value.is_nan() {
        return Cow::Borrowed("");
    }
    let categories = &column.spec.categories;
    if value >= 0.0
        && value.fract() == 0.0
        && let Some(word) = categories.get(value as usize)
    {
        return Cow::Borrowed(word);
    }
    Cow::Owned(format!("{value}"))
}

/// Writes the table.
fn write(context: &dyn Context, table: &Table, provenance: &str, out: &mut dyn OutputFile) -> Outcome<()> {
    if !provenance.is_empty() {
        let line: String = provenance.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        out.write_all(format!("# {line}\r\n").as_bytes()).map_err(|e| unwritable(&e))?;
    }
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
    writer.write_record(table.columns().iter().map(|c| c.spec.name.as_str())).map_err(fault)?;
    for row in 0..table.rows() {
        if row % 1024 == 0 && context.cancelled() {
            return Err(Fault::cancelled());
        }
        let cells = table.columns().iter().map(|column| cell(column, row));
        writer.write_record(cells.map(Cow::into_owned).map(String::into_bytes)).map_err(fault)?;
    }
    writer.flush().map_err(|e| unwritable(&e))
}

fn fault(error: csv::Error) -> Fault {
    match error.into_kind() {
        csv::ErrorKind::Io(error) => unwritable(&error),
        other => Fault::internal(format!("the table cannot be written: {other:?}")),
    }
}

struct CsvSink {
    stem: String,
}

impl Sink for CsvSink {
    fn start(&self, _: &dyn Context, bound: &Bound, _: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        Ok(Box::new(CsvRun { table: bound.table("table")?.clone(), provenance: bound.provenance.clone() }))
    }

    fn file_stem(&self) -> String {
        self.stem.clone()
    }
}

struct CsvRun {
    table: Arc<Table>,
    provenance: String,
}

impl SinkRun for CsvRun {
    fn begin(&mut self, context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        write(context, &self.table, &self.provenance, out)
    }
}
