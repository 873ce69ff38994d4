//! `stillair replay`: runs a record again and says file by file whether it came out the same.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use stillair_api::{FactOrigin, Facts, Fault};
use stillair_engine::run::InputFile;

use crate::arguments::{Global, Replay};
use crate::failure::Failure;
use crate::inputs::{self, Files};
use crate::recipes::Recipe;
use crate::run::carry_out;
use crate::{plugins, say, signals};

/// What became of a file.
struct Compared {
    file: String,
    verdict: &'static str,
}

/// Runs a record again, without the cache, and compares.
pub fn replay(verb: &Replay, global: &Global) -> Result<(), Failure> {
    let inside = global.out.join(&verb.run);
    let folder = if !verb.run.is_dir() && inside.is_dir() { inside } else { verb.run.clone() };
    let before = record(&folder)?;
    let recipe = folder.join("recipe.toml");
    let recipe = Recipe::find(&recipe.display().to_string())?;
    let files = files(&before, &recipe, &verb.with, global)?;
    let catalogue = plugins::catalogue(global)?;
    let plain = Global { no_cache: true, cache: None, settings: Vec::new(), ..global.clone() };
    let plan = recipe.compile(&catalogue, &inputs::given(&files), &plain)?;
    let finished = carry_out(&plan, &catalogue, files, &plain, &signals::cancel_flag())?;
    let after = record(&finished.folder)?;
    let compared = compare(&folder, &before, &finished.folder, &after)?;
    let reasons = reasons(&before, &after);
    let differ = compared.iter().filter(|c| c.verdict != "same").count();
    if global.json {
        let list: Vec<_> = compared.iter().map(|c| json!({ "file": c.file, "verdict": c.verdict })).collect();
        say::json(&json!({
            "event": "replayed", "of": folder, "folder": finished.folder, "files": list, "same": differ == 0,
            "reasons": reasons,
        }));
    } else {
        tell(&compared, &reasons, &finished.folder, differ);
    }
    if differ == 0 || other_capture(&before, &after) && !verb.with.is_empty() {
        return Ok(());
    }
    let message = format!("{differ} of {} files differ from the record", compared.len());
    let fault = Fault::data(message);
    Err(match reasons.first() {
        Some(reason) => fault.remedy(format!("first of all, {reason}")).into(),
        None => fault.remedy("nothing that may change a result differs: please report this").into(),
    })
}

fn tell(compared: &[Compared], reasons: &[String], folder: &Path, differ: usize) {
    let mut lines: Vec<String> = compared.iter().map(|c| format!("{:9}  {}", c.verdict, c.file)).collect();
    if differ > 0 {
        lines.extend(reasons.iter().map(|reason| format!("may differ because {reason}")));
    }
    lines.push(match differ {
        0 => format!("all {} files are the same, to the last bit", compared.len()),
        _ => format!("{differ} of {} files differ", compared.len()),
    });
    lines.push(format!("replayed {}", folder.display()));
    say::out(&lines.join("\n"));
}

fn record(folder: &Path) -> Result<Value, Failure> {
    let path = folder.join("run.json");
    let text = std::fs::read_to_string(&path).map_err(|_| {
        Failure::request(format!("{} is not a run folder", folder.display()), "`stillair runs` lists the runs")
    })?;
    Ok(serde_json::from_str(&text).map_err(|e| Fault::data(format!("{}: not a run record: {e}", path.display())))?)
}

fn text<'v>(value: &'v Value, pointer: &str) -> &'v str {
    value.pointer(pointer).and_then(Value::as_str).unwrap_or_default()
}

fn list<'v>(value: &'v Value, pointer: &str) -> &'v [Value] {
    value.pointer(pointer).and_then(Value::as_array).map(Vec::as_slice).unwrap_or_default()
}

/// The record's files with the facts that were given then; `--with` puts others in their place.
fn files(record: &Value, recipe: &Recipe, with: &[PathBuf], global: &Global) -> Result<Files, Failure> {
    let mut recorded: BTreeMap<String, Vec<(PathBuf, Facts)>> = BTreeMap::new();
    for input in list(record, "/inputs").iter().filter(|i| !text(i, "/file").is_empty()) {
        let facts: Facts = serde_json::from_value(input["facts"].clone()).unwrap_or_default();
        // What a header says is read from the clip again.
        let given = facts.0.into_iter().filter(|(_, fact)| fact.origin != FactOrigin::Header);
        let entry = (PathBuf::from(text(input, "/file")), Facts(given.collect()));
        recorded.entry(text(input, "/input").into()).or_default().push(entry);
    }
    let others = inputs::paths(&recipe.inputs, with)?;
    for (name, paths) in others {
        let facts = recorded.get(&name).and_then(|files| files.first()).map(|f| f.1.clone()).unwrap_or_default();
        recorded.insert(name, paths.into_iter().map(|path| (path, facts.clone())).collect());
    }
    let mut files = Files::new();
    for (name, list) in recorded {
        for (path, mut facts) in list {
            if !path.exists() {
                let message = format!("{}: the record's capture is not there", path.display());
                return Err(Failure::request(message, "say where it is now with --with FILE, or --with INPUT=FILE"));
            }
            inputs::command_line(&mut facts, global)?;
            files.entry(name.clone()).or_default().push(InputFile { path, facts });
        }
    }
    Ok(files)
}

/// Every result by the hash that its record holds, every table by its content.
fn compare(old: &Path, before: &Value, new: &Path, after: &Value) -> Result<Vec<Compared>, Failure> {
    let results = |record: &Value| -> BTreeMap<String, String> {
        let files = list(record, "/results").iter();
        files.map(|f| (text(f, "/file").to_string(), text(f, "/blake3").to_string())).collect()
    };
    let (mut then, mut now) = (results(before), results(after));
    for (folder, files) in [(old, &mut then), (new, &mut now)] {
        for entry in std::fs::read_dir(folder.join("tables")).into_iter().flatten().flatten() {
            let content =
                std::fs::read(entry.path()).map_err(|e| Fault::resource(format!("{}: {e}", entry.path().display())))?;
            let name = format!("tables/{}", entry.file_name().to_string_lossy());
            files.insert(name, stillair_engine::cache::hash(&content));
        }
    }
    let names: std::collections::BTreeSet<&String> = then.keys().chain(now.keys()).collect();
    let verdict = |name: &String| match (then.get(name), now.get(name)) {
        (Some(a), Some(b)) if a == b => "same",
        (Some(_), Some(_)) => "different",
        (Some(_), None) => "missing",
        _ => "new",
    };
    Ok(names.into_iter().map(|name| Compared { verdict: verdict(name), file: name.clone() }).collect())
}

fn hashes(record: &Value) -> Vec<(&str, &str)> {
    list(record, "/inputs").iter().map(|i| (text(i, "/input"), text(i, "/blake3"))).collect()
}

fn other_capture(before: &Value, after: &Value) -> bool {
    hashes(before) != hashes(after)
}

/// What may make a difference, the weightiest first.
fn reasons(before: &Value, after: &Value) -> Vec<String> {
    let mut found = Vec::new();
    let (then, now) = (hashes(before), hashes(after));
    if then.len() != now.len() {
        found.push(format!("there are {} captures instead of {}", now.len(), then.len()));
    }
    for ((name, old), (_, new)) in then.iter().zip(&now).filter(|(a, b)| a.1 != b.1) {
        let short = |hash: &str| hash.chars().take(8).collect::<String>();
        found.push(format!(
            "the capture of `{name}` has other bytes (blake3 {}..., was {}...)",
            short(new),
            short(old)
        ));
    }
    let differs = |pointer: &str| text(before, pointer) != text(after, pointer);
    if differs("/build/executable") {
        let versions = format!("version {}, was {}", text(after, "/build/version"), text(before, "/build/version"));
        found.push(format!(
            "it ran on another build ({versions}); result files name the build that made them, so their bytes differ even \
             where every pixel is the same"
        ));
    }
    if differs("/build/instruction_set") {
        let (new, old) = (text(after, "/build/instruction_set"), text(before, "/build/instruction_set"));
        found.push(format!("the instruction set is {new}, was {old}: transforms differ in their last bits"));
    }
    let plugin = |node: &Value| {
        let parts = ["/plugin", "/plugin_version", "/plugin_blake3"].map(|p| text(node, p).to_string());
        (text(node, "/step").to_string(), parts)
    };
    let old: BTreeMap<_, _> = list(before, "/nodes").iter().map(plugin).collect();
    let mut told = Vec::new();
    for (step, parts) in list(after, "/nodes").iter().map(plugin) {
        let Some(then) = old.get(&step).filter(|then| **then != parts) else { continue };
        let words = format!("the plugin {} is another file or version, was {} {}", parts[0], then[0], then[1]);
        if !told.contains(&words) {
            told.push(words);
        }
    }
    found.extend(told);
    if differs("/recipe/blake3") {
        found.push("the recipe's text changed since".into());
    }
    let facts = |record: &Value| -> Vec<Value> { list(record, "/nodes").iter().map(|n| n["facts"].clone()).collect() };
    if facts(before) != facts(after) {
        found.push("facts that steps read are others".into());
    }
    found
}
