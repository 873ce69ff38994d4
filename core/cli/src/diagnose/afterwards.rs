//! What limited a run whose recipe did not ask: told from its tables and its record, without its stack.

use std::path::Path;
use std::sync::Arc;

use serde_json::{Value as Json, json};
use stillair_api::{
    Bound, ColumnSpec, Context, Entry, Facts, Fault, Node, Outcome, Parameters, Record, Table, Value, columns,
};

const METHOD: &str = "assess.limit";

/// A context for one method that neither records nor is cancelled.
struct Quiet;

impl Context for Quiet {
    fn cancelled(&self) -> bool {
        false
    }

    fn parallel(&self, n: usize, task: &(dyn Fn(usize) + Sync)) {
        (0..n).for_each(task);
    }

    fn record(&self, _: Entry) {}

    fn warn(&self, message: &str) {
        tracing::warn!("{message}");
    }

    fn reserve(&self, _: u64) -> bool {
        false
    }
}

/// The run's record with the step added that its recipe lacks.
pub fn judged(folder: &Path) -> Outcome<Json> {
    let path = folder.join("run.json");
    let wrong = |e: &dyn std::fmt::Display| Fault::data(format!("{}: {e}", path.display()));
    let text = std::fs::read_to_string(&path).map_err(|e| wrong(&e))?;
    let record: Json = serde_json::from_str(&text).map_err(|e| wrong(&e))?;
    let facts: Facts =
        record.pointer("/inputs/0/facts").cloned().and_then(|f| serde_json::from_value(f).ok()).unwrap_or_default();
    let plugin = stillair_assess::plugin();
    let method = plugin.methods.iter().find(|m| m.describe().method == METHOD);
    let method = method.ok_or_else(|| Fault::internal(format!("{METHOD} is missing")))?;
    let description = method.describe();
    let parameters: Parameters = description.defaults();
    let Node::Transform(node) = method.create(&parameters, &facts.only(&description.facts))? else {
        return Err(Fault::internal(format!("{METHOD} is of another shape")));
    };
    let mut bound = Bound::default().with("records", Value::Record(Arc::new(entries(&record))));
    if let Some(table) = table(folder, &record)? {
        bound = bound.with("table", Value::Table(Arc::new(table)));
    }
    let told = node.run(&Quiet, &bound)?;
    let Some(Value::Record(told)) = told.first() else {
        return Err(Fault::internal(format!("{METHOD} gave no record")));
    };
    let entries = serde_json::to_value(&told.entries).map_err(|e| Fault::internal(e.to_string()))?;
    Ok(json!({ "nodes": [{ "method": METHOD, "entries": entries }] }))
}

/// What the steps recorded.
fn entries(record: &Json) -> Record {
    let nodes = record["nodes"].as_array().into_iter().flatten();
    let all = nodes.flat_map(|n| n["entries"].as_array().into_iter().flatten());
    Record { entries: all.filter_map(|e| serde_json::from_value(e.clone()).ok()).collect() }
}

/// The table of the first clip, with the weight of the main stack as its latest.
fn table(folder: &Path, record: &Json) -> Outcome<Option<Table>> {
    let named = |key: &str| record.pointer(&format!("/frames/columns/0/{key}")).and_then(Json::as_str);
    let file = named("file").unwrap_or("tables/frames.csv");
    let path = folder.join(file);
    if file.contains("..") || !path.is_file() {
        return Ok(None);
    }
    let wrong = |e: csv::Error| Fault::data(format!("{}: {e}", path.display()));
    let mut reader = csv::Reader::from_path(&path).map_err(wrong)?;
    let header = reader.headers().map_err(wrong)?.clone();
    let rows: Vec<csv::StringRecord> = reader.records().collect::<Result<_, _>>().map_err(wrong)?;
    let cells = |at: usize| rows.iter().map(move |row| row.get(at).unwrap_or_default());
    let numbers = |at: usize| -> Vec<f64> { cells(at).map(|c| c.parse().unwrap_or(f64::NAN)).collect() };
    let at = |name: &str| header.iter().position(|h| h == name);
    let time_s = at(columns::TIME_S).map_or_else(|| vec![f64::NAN; rows.len()], numbers);
    let exposure_s = at(columns::EXPOSURE_S).and_then(|i| numbers(i).into_iter().find(|e| e.is_finite()));
    let mut table = Table::for_frames(&time_s, exposure_s);
    let mut order: Vec<usize> = (0..header.len()).collect();
    let last = named("weight").and_then(at);
    order.sort_by_key(|i| Some(*i) == last);
    for i in order {
        let Some((_, name)) = header[i].rsplit_once('.') else { continue };
        let words = cells(i).any(|c| !c.is_empty() && c.parse::<f64>().is_err());
        if words || name == columns::REASON {
            let mut list = vec![""];
            let data = cells(i)
                .map(|c| {
                    let k = list.iter().position(|w| *w == c).unwrap_or_else(|| {
                        list.push(c);
                        list.len() - 1
                    });
                    k as f64
                })
                .collect();
            let spec = ColumnSpec::category(name, &list, "");
            table.push(spec, data);
        } else {
            table.push(ColumnSpec::number(name, "", ""), numbers(i));
        }
    }
    Ok(Some(table))
}
