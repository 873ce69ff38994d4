//! `stillair runs`: the runs so far.

use std::fmt::Write as _;

use serde_json::json;
use stillair_engine::run::list_runs;

use crate::arguments::{Global, Runs};
use crate::failure::Failure;
use crate::say;

/// Lists the runs in the folder for runs.
pub fn runs(verb: &Runs, global: &Global) -> Result<(), Failure> {
    if verb.trend {
        return crate::trend::trend(global);
    }
    let found = list_runs(&global.out)?;
    if global.json {
        for run in found {
            say::json(&json!({ "folder": run.folder, "record": run.record }));
        }
        return Ok(());
    }
    if found.is_empty() {
        say::out(&format!("no runs in {}", global.out.display()));
        return Ok(());
    }
    let mut text = String::new();
    for run in &found {
        let name = run.folder.file_name().unwrap_or_default().to_string_lossy();
        let word = |key: &str| run.record.get(key).and_then(|v| v.as_str()).unwrap_or("").to_string();
        let used = run.record.pointer("/frames/used").and_then(serde_json::Value::as_u64);
        let total = run.record.pointer("/frames/total").and_then(serde_json::Value::as_u64);
        let frames = match (used, total) {
            (Some(used), Some(total)) => format!("{used} of {total} frames"),
            (None, Some(total)) => format!("{total} frames"),
            _ => String::new(),
        };
        let _ = writeln!(text, "{}", format!("{name}  {:9}  {frames}", word("status")).trim_end());
    }
    say::out(&text);
    Ok(())
}
