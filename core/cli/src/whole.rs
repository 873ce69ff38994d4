//! `stillair check RUN`: whether a run folder is whole, and what it says is so.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use stillair_api::Fault;
use stillair_engine::cache;
use stillair_engine::catalogue::Catalogue;
use stillair_engine::compile::Given;
use stillair_engine::host::hash_of;

use crate::arguments::Global;
use crate::failure::Failure;
use crate::recipes::Recipe;
use crate::say;

/// Fields that every record has, with the kind of each.
const FIELDS: [(&str, &str); 15] = [
    ("run", "text"),
    ("status", "text"),
    ("recipe", "table"),
    ("started", "text"),
    ("finished", "text"),
    ("seconds", "number"),
    ("build", "table"),
    ("machine", "table"),
    ("inputs", "list"),
    ("nodes", "list"),
    ("passes", "list"),
    ("frames", "table"),
    ("memory", "table"),
    ("results", "list"),
    ("warnings", "list"),
];

/// Version of the record that is read here.
const FORMAT: u64 = 1;

/// The run folder that is meant, by its path or by its name in the folder of runs.
pub fn folder(name: &str, global: &Global) -> Option<PathBuf> {
    [PathBuf::from(name), global.out.join(name)].into_iter().find(|folder| folder.join("run.json").is_file())
}

/// Says all that is wrong with a run folder.
pub fn check(folder: &Path, catalogue: &Catalogue, global: &Global) -> Result<(), Failure> {
    let path = folder.join("run.json");
    let bytes = std::fs::read(&path).map_err(|e| Failure::from(Fault::from(e).at(path.display())))?;
    let mut wrong = Vec::new();
    let mut results = 0;
    match serde_json::from_slice::<Value>(&bytes) {
        Ok(record) => {
            wrong.extend(of_record(&record));
            results = record["results"].as_array().map_or(0, Vec::len);
            wrong.extend(of_files(folder, &record));
            wrong.extend(of_recipe(folder, &record, catalogue, global));
        }
        Err(error) => wrong.push(format!("run.json cannot be read: {error}")),
    }
    if global.json {
        say::json(&json!({ "event": "checked", "run": folder, "good": wrong.is_empty(), "wrong": wrong }));
    }
    if wrong.is_empty() {
        if !global.json {
            say::out(&format!(
                "{}: whole; the record is complete, {results} results have their hashes, the recipe compiles",
                folder.display()
            ));
        }
        return Ok(());
    }
    if !global.json {
        say::out(&wrong.join("\n"));
    }
    let things = if wrong.len() == 1 { "1 thing is".into() } else { format!("{} things are", wrong.len()) };
    let fault = Fault::data(format!("{}: {things} wrong with this run", folder.display()));
    Err(fault.remedy("run the recipe anew, or `stillair replay` it").into())
}

fn of_record(record: &Value) -> Vec<String> {
    let mut wrong = Vec::new();
    if record["format"].as_u64() != Some(FORMAT) {
        wrong.push(format!("run.json: format {} is not known, {FORMAT} is", record["format"]));
    }
    for (name, kind) in FIELDS {
        let value = &record[name];
        let right = match kind {
            "text" => value.is_string(),
            "number" => value.is_number(),
            "list" => value.is_array(),
            _ => value.is_object(),
        };
        if !right {
            wrong.push(format!("run.json: `{name}` is not a {kind}"));
        }
    }
    if record["status"] != "done" {
        wrong.push(format!("the run is {}", record["status"].as_str().unwrap_or("in an unknown state")));
    }
    let nameless = |node: &Value| !["step", "method", "plugin"].iter().all(|name| node[name].is_string());
    for (number, _) in record["nodes"].as_array().into_iter().flatten().enumerate().filter(|(_, n)| nameless(n)) {
        wrong.push(format!("run.json: step {number} lacks its name, method or plugin"));
    }
    wrong
}

fn of_files(folder: &Path, record: &Value) -> Vec<String> {
    let mut wrong = Vec::new();
    let list = record["results"].as_array().into_iter().flatten();
    let recorded: BTreeMap<&str, &Value> = list.filter_map(|r| Some((r["file"].as_str()?, r))).collect();
    for (file, said) in &recorded {
        // The record's word is not trusted with a place outside of the folder.
        let inside = Path::new(file).components().all(|c| matches!(c, std::path::Component::Normal(_)));
        if !inside {
            wrong.push(format!("{file}: it would lie outside of the run"));
            continue;
        }
        // A result may be a clip: it is not held.
        match hash_of(&folder.join(file)) {
            Err(fault) => wrong.push(fault.message),
            Ok((_, hash)) if said["blake3"].as_str() != Some(hash.as_str()) => {
                wrong.push(format!("{file}: its bytes are not those that the run wrote"));
            }
            Ok(_) => {}
        }
    }
    let there: BTreeSet<String> = std::fs::read_dir(folder.join("results"))
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| format!("results/{}", entry.file_name().to_string_lossy()))
        .collect();
    wrong.extend(
        there
            .iter()
            .filter(|f| !recorded.contains_key(f.as_str()))
            .map(|f| format!("{f}: the record knows nothing of it")),
    );
    let metadata = folder.join("ro-crate-metadata.json");
    match std::fs::read(&metadata).map(|bytes| serde_json::from_slice::<Value>(&bytes)) {
        Ok(Ok(whole)) if whole["@graph"].is_array() => {}
        Ok(_) => wrong.push("ro-crate-metadata.json: it describes nothing".into()),
        Err(error) => wrong.push(format!("ro-crate-metadata.json: {error}")),
    }
    wrong
}

fn of_recipe(folder: &Path, record: &Value, catalogue: &Catalogue, global: &Global) -> Vec<String> {
    let path = folder.join("recipe.toml");
    let text = match std::fs::read(&path) {
        Ok(text) => text,
        Err(error) => return vec![format!("recipe.toml: {error}")],
    };
    let mut wrong = Vec::new();
    if record["recipe"]["blake3"].as_str() != Some(cache::hash(&text).as_str()) {
        wrong.push("recipe.toml: its text is not the one that was run".into());
    }
    let mut inputs: BTreeMap<String, usize> = BTreeMap::new();
    for input in record["inputs"].as_array().into_iter().flatten() {
        if let (Some(name), Some(true)) = (input["input"].as_str(), input["file"].as_str().map(|f| !f.is_empty())) {
            *inputs.entry(name.into()).or_default() += 1;
        }
    }
    let plain = Global { settings: Vec::new(), ..global.clone() };
    let compiled = Recipe::find(&path.display().to_string())
        .and_then(|recipe| recipe.compile(catalogue, &Given { inputs }, &plain));
    if let Err(failure) = compiled {
        wrong.push(match failure {
            Failure::Words(found) => found.errors().map(ToString::to_string).collect::<Vec<_>>().join("\n"),
            Failure::Fault(fault) => format!("recipe.toml: {fault}"),
            Failure::Run(failed) => format!("recipe.toml: {}", failed.fault),
        });
    }
    wrong
}
